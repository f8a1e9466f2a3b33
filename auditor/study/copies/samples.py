"""Digital samples of single channels, read at a position, and whether two files hold the same."""

from __future__ import annotations

from contextlib import AbstractContextManager
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.edf.source import open_bytes, read_strided
from auditor.model import ByteSource, Channel, Interval, Recording, StudyFile

Int32 = NDArray[np.int32]


def channel_key(channel: Channel) -> str:
    """What names the same channel in two files: the electrode, else the label."""
    return channel.electrode or " ".join(channel.label.lower().split())


def signal_channels(recording: Recording) -> dict[str, Channel]:
    """The ordinary channels by key; of several with one key the first."""
    found: dict[str, Channel] = {}
    for channel in recording.channels:
        if not channel.is_annotation and channel.samples_per_record > 0:
            found.setdefault(channel_key(channel), channel)
    return found


def sample_period(recording: Recording, channel: Channel) -> Fraction:
    """Nanoseconds between two samples, exact."""
    return Fraction(recording.record_ns, channel.samples_per_record)


@dataclass(slots=True)
class SampleReader:
    """Reads samples of one recording. Raises ``OSError`` where the file cannot be read."""

    recording: Recording
    _opened: AbstractContextManager[ByteSource] | None = None
    _source: ByteSource | None = None

    def __enter__(self) -> SampleReader:
        try:
            self._opened = open_bytes(self.recording)
            self._source = self._opened.__enter__()
        except RecordingError as error:
            raise OSError(error.problem) from error
        return self

    def __exit__(self, *_: object) -> None:
        if self._opened is not None:
            self._opened.__exit__(None, None, None)
        self._opened = self._source = None

    def records(self, channel: Channel, first: int, last: int) -> Int32:
        """Samples of records ``[first, last)`` as int32, shape (records x samples per record,)."""
        rec = self.recording
        first, last = max(0, first), min(last, rec.records)
        if last <= first:
            return np.empty(0, np.int32)
        width = channel.samples_per_record * rec.sample_bytes
        at = rec.data_offset + first * rec.record_bytes + channel.offset
        assert self._source is not None, "used as a context manager"
        raw = read_strided(self._source, at, width, rec.record_bytes, last - first)
        if len(raw) < (last - first) * width:
            raise OSError("the file is shorter than it was")
        return _as_int32(np.frombuffer(raw, np.uint8), rec.sample_bytes)


def _as_int32(raw: NDArray[np.uint8], sample_bytes: int) -> Int32:
    if sample_bytes == 2:
        return raw.view("<i2").astype(np.int32)
    wide = np.zeros((len(raw) // 3, 4), np.uint8)
    wide[:, 1:] = raw.reshape(-1, 3)  # in the upper bytes, so that the shift keeps the sign
    return np.asarray(wide.reshape(-1).view("<i4") >> 8, np.int32)


def spread(first: int, last: int, points: int) -> list[int]:
    """``points`` whole numbers from ``first`` to ``last``, the ends among them."""
    if last <= first or points < 2:
        return [first]
    return sorted({first + (last - first) * i // (points - 1) for i in range(points)})


def same_bytes(a: Recording, b: Recording) -> bool:
    """Whether two files are taken as byte for byte one (``Recording.likeness``)."""
    return a.likeness is not None and a.likeness == b.likeness


def same_samples(a: StudyFile, b: StudyFile, shared: Interval, points: int = 5) -> bool | None:
    """Whether two files hold the same samples wherever they are compared inside ``shared``.

    ``None`` where they have no channel of one rate in common, or their records never start
    together. Raises ``OSError`` where a file cannot be read.
    """
    mine, theirs = signal_channels(a.recording), signal_channels(b.recording)
    keys = sorted(
        k
        for k in mine.keys() & theirs.keys()
        if sample_period(a.recording, mine[k]) == sample_period(b.recording, theirs[k])
    )
    if not keys:
        return None
    starts = a.map.instants(a.recording.offsets_ns)
    inside = np.flatnonzero(
        (starts >= shared.start) & (starts + a.recording.record_ns <= shared.end)
    )
    if not len(inside):
        return None
    other = b.map.instants(b.recording.offsets_ns)
    compared = 0
    with SampleReader(a.recording) as reader, SampleReader(b.recording) as second:
        for index in spread(0, len(inside) - 1, points):
            record = int(inside[index])
            match = np.flatnonzero(
                (other <= starts[record]) & (other + b.recording.record_ns > starts[record])
            )
            for at in match[:1].tolist():
                into = int(starts[record]) - int(other[at])
                for key in keys[:8]:
                    same = _same_at(reader, mine[key], record, second, theirs[key], at, into)
                    if same is False:
                        return False
                    compared += same is True
    return True if compared else None


def _same_at(
    reader: SampleReader,
    channel: Channel,
    record: int,
    second: SampleReader,
    other: Channel,
    at: int,
    into_ns: int,
) -> bool | None:
    """Whether a record's samples stand in the other file ``into_ns`` after its record ``at``."""
    skip = into_ns / sample_period(second.recording, other)
    if skip.denominator != 1 and abs(skip - round(skip)) > Fraction(1, 100):
        return None  # the two sample grids do not meet
    mine = reader.records(channel, record, record + 1)
    lap = -(-(len(mine) + round(skip)) // other.samples_per_record)
    theirs = second.records(other, at, at + lap)[round(skip) : round(skip) + len(mine)]
    count = min(len(mine), len(theirs))
    return bool((mine[:count] == theirs[:count]).all()) if count else None
