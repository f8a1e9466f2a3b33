"""A simulated recorder: writes an amplifier's signal into files, as its own clock stamps them."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from msgspec import Struct

from auditor.core.clock import Axis, civil_datetime
from auditor.core.progress import Progress
from auditor.core.units import NS
from auditor.demo.eeg import Amplifier
from auditor.demo.writer import (
    Event,
    FileFormat,
    Header,
    Int32,
    Signal,
    Writer,
    annotation_signal,
    patient_field,
    recording_field,
    sample_bytes,
)

Note = tuple[float, str]
"""Seconds of amplifier time, and what the recorder noted."""
_STEP_S = 1800
_ANNOTATION_BYTES = 64
_SCALES = {2: (10, "-3276.8", "3276.7"), 3: (32, "-262144", "262144")}
"""By bytes of a sample: digital steps in a microvolt, and the physical limits."""


class FilePlan(Struct, frozen=True):
    """One file: its ``runs`` are (start, end) in whole seconds of amplifier time.

    ``closed`` false leaves the record count at -1; ``cut`` drops bytes off the end.
    """

    name: str
    runs: tuple[tuple[int, int], ...]
    notes: tuple[Note, ...] = ()
    closed: bool = True
    cut: int = 0


class Recorder(Struct, frozen=True):
    """A device: its amplifier, whose first sample was taken at ``zero`` on ``axis``.

    ``clock_s`` is how far its clock is ahead. A file's header holds the clock's civil time at its
    first record; inside a file time is counted by samples.
    """

    unit: str
    patient: str
    amplifier: Amplifier
    axis: Axis
    zero: int
    format: FileFormat = "EDF+D"
    record_s: int = 1
    clock_s: float = 0

    def signals(self) -> tuple[Signal, ...]:
        """The signals of every file."""
        rate = self.amplifier.rate
        size = sample_bytes(self.format)
        low, high = -(2 ** (8 * size - 1)), 2 ** (8 * size - 1) - 1
        signals = [
            Signal(
                label if label == "ECG" else f"EEG {label}-Ref",
                rate * self.record_s,
                physical_min=_SCALES[size][1],
                physical_max=_SCALES[size][2],
                digital_min=low,
                digital_max=high,
                transducer=f"synthetic signal, no electrode; reduced rate {rate} Hz",
                prefilter=f"simulated, within 0.5-{0.47 * rate:.0f} Hz",
            )
            for label in self.amplifier.labels
        ]
        if "+" in self.format:
            signals.append(annotation_signal(self.format, _ANNOTATION_BYTES))
        return tuple(signals)

    def write(self, folder: Path, plan: FilePlan, progress: Progress) -> Path:
        """Write one file under ``folder``; seconds of recording are told as progress."""
        assert all((b - a) % self.record_s == 0 for a, b in plan.runs), plan.name
        first_s = plan.runs[0][0]
        shown = self.axis.civil(self.zero + first_s * NS + round(self.clock_s * NS))
        start = civil_datetime(shown - shown % NS)
        ahead = shown % NS - first_s * NS  # from amplifier time to time after the header's start
        invented = f"{self.unit}_invented"
        header = Header(
            self.format, start, self.signals(), str(self.record_s), patient_field(self.patient),
            recording_field(start, technician="T-12", equipment=invented),
        )  # fmt: skip
        notes = [Event(round(at * NS) + ahead, text) for at, text in sorted(plan.notes)]
        path = folder / plan.name
        with Writer(path, header) as writer:
            for begin, end in plan.runs:
                for low in range(begin, end, _STEP_S):
                    high = min(end, low + _STEP_S)
                    last = (begin, end) == plan.runs[-1] and high == end
                    now = [e for e in notes if last or e.onset_ns < high * NS + ahead]
                    notes = notes[len(now) :]
                    onsets = np.arange(low, high, self.record_s, dtype=np.int64) * NS + ahead
                    writer.write(self._digital(low, high), onsets, now)
                    progress.advance(high - low)
            writer.close(None if plan.closed else -1)
        if plan.cut:
            with path.open("r+b") as file:
                file.truncate(path.stat().st_size - plan.cut)
        return path

    def _digital(self, low: int, high: int) -> Int32:
        rate = self.amplifier.rate
        values = self.amplifier.samples(low * rate, (high - low) * rate)
        size = sample_bytes(self.format)
        limit = 2 ** (8 * size - 1)
        scaled = np.clip(values * np.float32(_SCALES[size][0]), -limit, limit - 1)
        # The greatest 24-bit value has no float32 of its own neighbourhood to round into.
        digital = np.minimum(np.rint(scaled).astype(np.int32), limit - 1)
        records = (high - low) // self.record_s
        channels = digital.shape[1]
        by_record: Int32 = digital.reshape(records, -1, channels).transpose(0, 2, 1)
        return by_record.reshape(records, -1)


def pieces(
    start: int, end: int, every: int, name: str = "{:02d}.edf", notes: Sequence[Note] = ()
) -> tuple[FilePlan, ...]:
    """A recorder that starts a new file every ``every`` seconds, each where the last one ended."""
    plans = []
    for number, low in enumerate(range(start, end, every), 1):
        high = min(end, low + every)
        here = tuple(n for n in notes if low <= n[0] < high or (high == end and n[0] >= high))
        plans.append(FilePlan(name.format(number), ((low, high),), here))
    return tuple(plans)
