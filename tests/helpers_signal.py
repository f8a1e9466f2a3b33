"""Recordings with known samples for the tests of the signal scan."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import partial
from pathlib import Path

import numpy as np
from helpers_edf import MAIN_FIELDS, SIGNAL_FIELDS, pad, time_keeping
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.progress import Progress
from auditor.core.units import NS
from auditor.coverage.timeline import measure_coverage
from auditor.edf.source import open_bytes
from auditor.inputs.checksums import identified, read_study
from auditor.inputs.once import ToRead, read_once
from auditor.model import Coverage, Finding, Interval, Order, Recording, SignalFacts, Study, Track
from auditor.policy import load_policy
from auditor.policy.sections import SignalSettings
from auditor.signal import StudyScan
from auditor.signal.scan import FileScan
from auditor.study import build_study

POLICY = load_policy()
SETTINGS = POLICY.signal
UV = 10
"""Digital steps in a microvolt with the default limits below."""
LIMITS_16 = (-32768, 32767)
LIMITS_24 = (-8388608, 8388607)

Digital = NDArray[np.int64]

_FIELD = {"live": "signal", "hum": "mains"}


class Chan(Struct, frozen=True):
    """One channel: digital samples of the whole file, at ``rate`` samples per record."""

    label: str
    rate: int
    samples: Digital
    dimension: str | bytes = "uV"
    digital: tuple[int, int] = LIMITS_16
    physical: tuple[str, str] | None = None

    def physical_limits(self) -> tuple[str, str]:
        """As written; by default a tenth of a microvolt in each step."""
        return self.physical or (str(self.digital[0] / UV)[:8], str(self.digital[1] / UV)[:8])


def recording_bytes(
    channels: Sequence[Chan],
    *,
    duration: str = "1",
    onsets: Sequence[float | str] | None = None,
    bdf: bool = False,
    start_date: str = "02.03.27",
    start_time: str = "09.30.00",
    annotation_bytes: int = 60,
) -> bytes:
    """A whole EDF+D (BDF+D) file; plain EDF (BDF) without ``onsets``. Written with numpy alone."""
    size, kind = (3, "BDF") if bdf else (2, "EDF")
    records = len(channels[0].samples) // channels[0].rate
    assert all(len(c.samples) == records * c.rate for c in channels)
    width = -(-annotation_bytes // size) * size
    plus = onsets is not None
    limits = LIMITS_24 if bdf else LIMITS_16
    rows: list[Mapping[str, str | bytes]] = [
        {
            "label": c.label,
            "dimension": c.dimension,
            "physical minimum": c.physical_limits()[0],
            "physical maximum": c.physical_limits()[1],
            "digital minimum": str(c.digital[0]),
            "digital maximum": str(c.digital[1]),
            "samples per record": str(c.rate),
        }
        for c in channels
    ]
    if plus:
        rows.append(
            {
                "label": f"{kind} Annotations",
                "physical minimum": "-1",
                "physical maximum": "1",
                "digital minimum": str(limits[0]),
                "digital maximum": str(limits[1]),
                "samples per record": str(width // size),
            }
        )
    main: dict[str, str | bytes] = {
        "version": b"\xffBIOSEMI" if bdf else "0",
        "patient": "P-2041 X X X",
        "recording": "Startdate 02-MAR-2027 X X N-3",
        "start date": start_date,
        "start time": start_time,
        "header bytes": str(256 * (len(rows) + 1)),
        "reserved": f"{kind}+D" if plus else ("24BIT" if bdf else ""),
        "record count": str(records),
        "record duration": duration,
        "signals": str(len(rows)),
    }
    out = b"".join(pad(main[name], length) for name, length in MAIN_FIELDS)
    for name, length in SIGNAL_FIELDS:
        out += b"".join(pad(row.get(name, ""), length) for row in rows)
    parts = [packed(c.samples, bdf=bdf).reshape(records, -1) for c in channels]
    if onsets is not None:
        assert len(onsets) == records
        notes = b"".join(time_keeping(onset).ljust(width, b"\0") for onset in onsets)
        parts.append(np.frombuffer(notes, np.uint8).reshape(records, -1))
    return out + np.hstack(parts).tobytes()


def packed(samples: Digital, *, bdf: bool = False) -> NDArray[np.uint8]:
    """Digital values as little-endian bytes, shape (samples, 2 or 3)."""
    raw = samples.astype("<i4").view(np.uint8).reshape(-1, 4)
    return np.ascontiguousarray(raw[:, : 3 if bdf else 2])


def noise(seconds: float, rate: int, seed: int = 0, uv: float = 20.0) -> Digital:
    """Live signal: band-limited noise of about ``uv`` microvolts, never flat, never saturated."""
    rng = np.random.default_rng(seed)
    count = round(seconds * rate)
    white = rng.standard_normal(count + 4)
    smooth = np.convolve(white, np.ones(5) / 5, "valid")
    return np.round(smooth * uv * UV).astype(np.int64)


def sine(seconds: float, rate: int, hz: float, uv: float) -> Digital:
    """A sine of amplitude ``uv`` microvolts (half its peak to peak)."""
    at = np.arange(round(seconds * rate)) / rate
    return np.round(uv * UV * np.sin(2 * np.pi * hz * at)).astype(np.int64)


class Scanned(Struct, frozen=True):
    """A scanned study with what is needed to look at it."""

    study: Study
    coverage: Coverage
    facts: SignalFacts
    findings: tuple[Finding, ...]

    def usable(self) -> list[tuple[float, float]]:
        """Usable intervals in seconds after the first record."""
        assert self.facts.usable is not None
        starts, ends = self.facts.usable
        pairs = zip(starts.tolist(), ends.tolist(), strict=True)
        zero = self.coverage.first_start
        return [((a - zero) / NS, (b - zero) / NS) for a, b in pairs]

    def seconds(self, label: str) -> dict[str, float]:
        """A channel's seconds in each state."""
        channel = next(c for c in self.facts.channels if c.label == label)
        states = ("live", "flat", "saturated", "hum", "large", "recorded")
        return {state: getattr(channel, f"{_FIELD.get(state, state)}_ns") / NS for state in states}

    def codes(self) -> set[str]:
        """The codes of the findings."""
        return {f.code for f in self.findings}


def settings(**changes: object) -> SignalSettings:
    """The default settings with some changed (fields by name, times in nanoseconds)."""
    return replace(SETTINGS, **changes)


def coverage_of(study: Study) -> Coverage:
    """Coverage of a study's counted files with the default gap floor."""
    tracks = [Track(f.copy or "A", f.run_starts, f.run_ends, f.records_ns) for f in study.counted]
    return measure_coverage(tracks, NS)


def scan(
    folder: Path,
    minimum: int | None = 1,
    chosen: SignalSettings = SETTINGS,
    workers: int = 2,
    timezone: str | None = None,
) -> Scanned:
    """Build, cover and scan the study in ``folder``."""
    study = build_study([folder], None, load_policy(), timezone=timezone)
    coverage = coverage_of(study)
    return scanned(study, coverage, minimum, chosen, workers)


def scanned(
    study: Study,
    coverage: Coverage,
    minimum: int | None = 1,
    chosen: SignalSettings = SETTINGS,
    workers: int = 2,
    progress: Progress | None = None,
) -> Scanned:
    """Scan a study with an order for all of its recorded time and ``minimum`` channels."""
    order = Order(coverage.recorded_ns, "a test", minimum_channels=minimum)
    found = StudyScan(study, replace(POLICY, signal=chosen))
    read = read_study(study, found.files, workers=workers, progress=progress)
    facts, findings = found.measure(coverage, order)
    told = identified(study, read).findings[len(study.findings) :]
    return Scanned(study, coverage, facts, (*told, *findings))


def judged(recording: Recording, chosen: SignalSettings = SETTINGS, workers: int = 2) -> FileScan:
    """One file's states, its blocks read as in the one pass."""
    found = FileScan(recording, chosen)
    if not found.huge:
        opener = partial(open_bytes, recording)
        piece = recording.record_bytes
        file = ToRead(recording.name, opener, found.cuts, False, found.judge, piece)
        read_once([file], workers)
    found.settle()
    return found


def scan_one(
    folder: Path,
    channels: Sequence[Chan],
    minimum: int | None = 1,
    chosen: SignalSettings = SETTINGS,
    **options: object,
) -> Scanned:
    """Write one file into ``folder`` and scan it."""
    bdf = bool(options.get("bdf"))
    path = folder / ("S-2041.bdf" if bdf else "S-2041.edf")
    path.write_bytes(recording_bytes(channels, **options))  # type: ignore[arg-type]
    return scan(folder, minimum, chosen)


def axis_seconds(found: Interval | None, coverage: Coverage) -> tuple[float, float] | None:
    """An interval in seconds after the first record."""
    if found is None:
        return None
    return (found.start - coverage.first_start) / NS, (found.end - coverage.first_start) / NS
