"""Study folders of known truth, written by the simulator's own writer.

One *amplifier* runs on true time; *clocks* show true time with an offset and a drift; a *piece* is
one file that a device with such a clock wrote. Truth is by construction: every true time is given
in integer nanoseconds after ``BASE``. The study axis in these folders is civil time as the
reference device's clock shows it.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from functools import lru_cache
from pathlib import Path

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.demo.writer import (
    FIELDS,
    Event,
    FileFormat,
    Header,
    Signal,
    Writer,
    annotation_signal,
    patient_field,
    recording_field,
)

BASE = datetime(2027, 3, 2, 9, 30)
"""True time zero: the demo laboratory's first hook-up, civil time."""

EEG_8 = ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2")

Change = Callable[[NDArray[np.int16], int], None]
"""Alters digital samples (n, channels) in place; told the index of the first sample."""


def s(seconds: float) -> int:
    """Seconds as nanoseconds (for the round numbers of a table)."""
    return round(seconds * NS)


def civil(moment: datetime, extra_ns: int = 0) -> int:
    """Civil nanoseconds since 1970 of a naive datetime."""
    delta = moment - datetime(1970, 1, 1)
    return (delta.days * 86_400 + delta.seconds) * NS + delta.microseconds * 1000 + extra_ns


def stamp(true_ns: int, base: datetime = BASE) -> datetime:
    """The civil datetime ``true_ns`` after ``base``, rounded down to the second."""
    return base + timedelta(seconds=true_ns // NS)


class Amplifier(Struct, frozen=True):
    """The one source of samples. ``samples`` gives any stretch, the same each time.

    The sum of two loops of noise whose lengths are primes: no part of it comes again within 67
    million samples. Smoothed over ``smooth`` samples, about ``level`` digital steps strong (0.1 µV
    each with the default scaling). Neither flat, saturated, nor full of mains hum.
    """

    rate: int = 16
    labels: tuple[str, ...] = EEG_8
    seed: int = 1
    level: int = 300
    smooth: int = 4
    change: Change | None = None

    def samples(self, first: int, count: int) -> NDArray[np.int16]:
        """Digital samples ``first .. first + count - 1``, shape (count, channels)."""
        shape = (len(self.labels), self.seed, self.level, self.smooth)
        out = _part(_loop(8191, *shape), first, count) + _part(_loop(8179, *shape), first, count)
        if self.change is not None:
            self.change(out, first)
        return out


@lru_cache(maxsize=256)
def _loop(length: int, channels: int, seed: int, level: int, smooth: int) -> NDArray[np.int16]:
    """``length`` samples of smoothed noise that join end to start, shape (length, channels)."""
    noise = np.stack(
        [
            np.random.default_rng((length, seed, channel)).integers(-(1 << 15), 1 << 15, length)
            for channel in range(channels)
        ],
        axis=1,
    )
    total = sum(np.roll(noise, by, axis=0) for by in range(smooth))
    return (total * level * 181 // (smooth << 22)).astype(np.int16)


def _part(loop: NDArray[np.int16], first: int, count: int) -> NDArray[np.int16]:
    """Samples ``first .. first + count - 1`` of a loop that goes on for ever."""
    start = first % len(loop)
    return np.tile(loop, (-(-(start + count) // len(loop)), 1))[start : start + count]


class Clock(Struct, frozen=True):
    """A device's clock: true time plus ``offset_ns`` plus ``drift_ppb`` of the true time."""

    offset_ns: int = 0
    drift_ppb: int = 0
    base: datetime = BASE

    def shows(self, true_ns: int) -> int:
        """What the clock shows, as nanoseconds after ``base``."""
        return true_ns + self.offset_ns + true_ns * self.drift_ppb // 1_000_000_000

    def civil(self, true_ns: int) -> int:
        """What the clock shows, as civil nanoseconds since 1970."""
        return civil(self.base) + self.shows(true_ns)


class Piece(Struct, frozen=True):
    """The truth of one written file. Civil times are those its own clock stamped."""

    path: Path
    format: FileFormat
    start_civil: int
    """Header start stamp, civil nanoseconds (whole seconds)."""
    offsets_ns: NDArray[np.int64]
    record_ns: int
    record_bytes: int
    header_bytes: int
    runs: tuple[tuple[int, int], ...] = ()
    """True (start, end) of each uninterrupted run, nanoseconds after true time zero."""

    @property
    def name(self) -> str:
        return self.path.name

    @property
    def records(self) -> int:
        return len(self.offsets_ns)

    @property
    def first_civil(self) -> int:
        return self.start_civil + int(self.offsets_ns[0])

    @property
    def end_civil(self) -> int:
        return self.start_civil + int(self.offsets_ns[-1]) + self.record_ns


def eeg_signals(labels: Sequence[str], per_record: int) -> tuple[Signal, ...]:
    return tuple(Signal(f"EEG {label}-Ref", per_record) for label in labels)


def write_piece(
    path: Path,
    *runs: tuple[float, float],
    amplifier: Amplifier = Amplifier(),
    clock: Clock = Clock(),
    fmt: FileFormat = "EDF+D",
    record_s: int = 1,
    start: datetime | None = None,
    stamped_by: str = "file",
    events: Sequence[tuple[float, str] | tuple[float, str, float]] = (),
    patient: str = "P-2041",
    equipment: str = "N-3_invented",
    extra: Sequence[Signal] = (),
    count: int | None = None,
    silent: Sequence[int] = (),
    annotation_size: int = 120,
    recording: str | None = None,
) -> Piece:
    """Write one file holding the true seconds ``runs`` (whole records each) and return its truth.

    ``clock`` stamps the header (whole seconds; the rest goes into the first onset where the format
    has one). With ``stamped_by='file'`` onsets inside a run count samples from the clock's reading
    at the run's start; with 'record' every onset is the clock's reading. ``start`` replaces the
    header's stamp (a clock that was reset); onsets then count from there. ``events`` are
    (true seconds, text[, seconds long]). ``count=-1``: never closed; any other number: a wrong
    count. ``extra`` signals are silent zeros. ``record_s`` divides every run.
    """
    plus = "+" in fmt
    record_ns = record_s * NS
    starts = [s(a) for a, _ in runs]
    counts = [(s(b) - s(a)) // record_ns for a, b in runs]
    assert all((s(b) - s(a)) % record_ns == 0 for a, b in runs), "runs hold whole records"
    assert all(n > 0 for n in counts), "every run holds a record"
    shown = clock.civil(starts[0])
    header_start = start or (datetime(1970, 1, 1) + timedelta(seconds=shown // NS))
    zero = shown - shown % NS
    signals = (*eeg_signals(amplifier.labels, amplifier.rate * record_s), *extra)
    if plus:
        signals = (*signals, annotation_signal(fmt, annotation_size))
    header = Header(
        fmt,
        header_start,
        signals,
        record_duration=str(record_s),
        patient=patient_field(patient, name="X") if plus else f"{patient} invented",
        recording=recording or recording_field(header_start, equipment=equipment),
    )
    notes = sorted(
        Event(
            clock.civil(s(e[0])) - zero,
            e[1],
            s(e[2]) if len(e) == 3 else None,  # type: ignore[misc]
        )
        for e in events
    )
    offsets: list[NDArray[np.int64]] = []
    with Writer(path, header) as writer:
        done = 0
        for at, records in zip(starts, counts, strict=True):
            steps = np.arange(records, dtype=np.int64) * record_ns
            if stamped_by == "file":
                onsets = clock.civil(at) - zero + steps
            else:
                onsets = np.array(
                    [clock.civil(at + int(step)) - zero for step in steps], dtype=np.int64
                )
            offsets.append(onsets if plus else np.arange(records, dtype=np.int64) * record_ns)
            for low in range(0, records, 4096):
                high = min(records, low + 4096)
                first = (at + low * record_ns) * amplifier.rate // NS
                data = amplifier.samples(first, (high - low) * record_s * amplifier.rate)
                block = _by_record(data, high - low, sum(x.samples for x in extra))
                last = done + high == sum(counts)
                now = [e for e in notes if last or e.onset_ns < onsets[high - 1] + record_ns]
                notes = notes[len(now) :]
                writer.write(
                    block,
                    onsets[low:high],
                    now,
                    silent=[i - done - low for i in silent if done + low <= i < done + high],
                )
            done += records
        writer.close(count)
    return Piece(
        path, fmt, civil(header_start), np.concatenate(offsets), record_ns,
        header.record_bytes, header.header_bytes,
        tuple((a, a + n * record_ns) for a, n in zip(starts, counts, strict=True)),
    )  # fmt: skip


def _by_record(data: NDArray[np.int16], records: int, zeros: int) -> NDArray[np.int16]:
    """(samples, channels) as (records, samples of all channels), channel after channel."""
    channels = data.shape[1]
    block = data.reshape(records, -1, channels).transpose(0, 2, 1).reshape(records, -1)
    if zeros:
        block = np.concatenate([block, np.zeros((records, zeros), np.int16)], axis=1)
    return block


# Damage, done to the bytes of a finished file.


def set_field(path: Path, name: str, text: str) -> None:
    """Overwrite one field of the main header (names as in the writer's ``FIELDS``)."""
    offset, length = FIELDS[name]
    raw = text.encode("latin-1")
    assert len(raw) <= length
    with path.open("r+b") as file:
        file.seek(offset)
        file.write(raw.ljust(length))


def cut_tail(path: Path, size: int) -> None:
    """Drop the last ``size`` bytes, as a card pulled out too early leaves a file."""
    with path.open("r+b") as file:
        file.truncate(path.stat().st_size - size)


def append(path: Path, raw: bytes) -> None:
    """Add bytes after the last record."""
    with path.open("ab") as file:
        file.write(raw)
