"""Whether two files are the same bytes, or hold the same samples for one time."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from auditor.model import Channel, Interval, Recording, StudyFile
from auditor.study.copies.samples import SampleReader, sample_period, signal_channels
from auditor.study.copies.windows import spread


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
