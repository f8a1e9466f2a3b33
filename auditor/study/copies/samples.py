"""Digital samples of single channels, read at a position, and whether two files hold the same."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from fractions import Fraction
from functools import partial

import numpy as np
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.edf.source import decoded, open_bytes, read_strided
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


Read = Callable[[Channel, int, int], Int32]
"""Samples of a channel in records ``[first, last)``, shape (records x samples per record,)."""


@contextmanager
def samples_of(recording: Recording) -> Iterator[Read]:
    """Reads samples of one recording. Raises ``OSError`` where the file cannot be read."""
    try:
        with open_bytes(recording) as source:
            yield partial(_records, recording, source)
    except RecordingError as error:
        raise OSError(error.problem) from error


def _records(rec: Recording, source: ByteSource, channel: Channel, first: int, last: int) -> Int32:
    first, last = max(0, first), min(last, rec.records)
    if last <= first:
        return np.empty(0, np.int32)
    count = (last - first) * channel.samples_per_record
    at, width = rec.data_offset + first * rec.record_bytes + channel.offset, rec.sample_bytes
    raw = read_strided(
        source, at, channel.samples_per_record * width, rec.record_bytes, last - first
    )
    if len(raw) < count * width:
        raise OSError("the file is shorter than it was")
    return decoded(np.frombuffer(b"\0" + raw, np.uint8), 1, count, width).astype(np.int32)


def spread(first: int, last: int, points: int) -> list[int]:
    """``points`` whole numbers from ``first`` to ``last``, the ends among them."""
    if last <= first or points < 2:
        return [first]
    return sorted({first + (last - first) * i // (points - 1) for i in range(points)})


def same_bytes(a: Recording, b: Recording) -> bool:
    """Whether two files are taken as byte for byte one (``Recording.likeness``)."""
    return a.likeness is not None and a.likeness == b.likeness


def same_samples(a: StudyFile, b: StudyFile, shared: Interval, points: int = 5) -> bool:
    """Whether two files hold the same samples wherever they are compared inside ``shared``.

    Nothing can be compared where they have no channel of one rate in common, or their records never
    start together. Raises ``OSError`` where a file cannot be read.
    """
    mine, theirs = signal_channels(a.recording), signal_channels(b.recording)
    keys = sorted(
        k
        for k in mine.keys() & theirs.keys()
        if sample_period(a.recording, mine[k]) == sample_period(b.recording, theirs[k])
    )
    starts = a.map.instants(a.recording.offsets_ns)
    inside = np.flatnonzero(
        (starts >= shared.start) & (starts + a.recording.record_ns <= shared.end)
    )
    if not keys or not len(inside):
        return False
    other = b.map.instants(b.recording.offsets_ns)
    compared = 0
    with samples_of(a.recording) as first, samples_of(b.recording) as second:
        for index in spread(0, len(inside) - 1, points):
            record = int(inside[index])
            match = np.flatnonzero(
                (other <= starts[record]) & (other + b.recording.record_ns > starts[record])
            )
            for at in match[:1].tolist():
                into = int(starts[record]) - int(other[at])
                for key in keys[:8]:
                    skip = into / sample_period(b.recording, theirs[key])
                    if skip.denominator != 1 and abs(skip - round(skip)) > Fraction(1, 100):
                        continue  # the two sample grids do not meet
                    own = first(mine[key], record, record + 1)
                    lap = -(-(len(own) + round(skip)) // theirs[key].samples_per_record)
                    copy = second(theirs[key], at, at + lap)[round(skip) : round(skip) + len(own)]
                    if not np.array_equal(own[: len(copy)], copy):
                        return False
                    compared += len(copy) > 0
    return compared > 0
