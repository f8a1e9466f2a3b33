"""A recording's place on the study axis: its time map and its runs."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from auditor.model import Int64, Recording, StudyFile, TimeMap


def place(recording: Recording, time_map: TimeMap, copy: str | None = "A") -> StudyFile:
    """``recording`` as a counted file of ``copy`` with its records put on the axis."""
    starts, ends, records_ns = runs(recording, time_map)
    return StudyFile(
        recording=recording,
        role="counted",
        reason="",
        copy=copy,
        map=time_map,
        run_starts=starts,
        run_ends=ends,
        records_ns=records_ns,
    )


def own_runs(recording: Recording) -> tuple[Int64, Int64]:
    """The records' intervals after the header's start, joined where they touch exactly.

    Both arrays have shape (runs,), in file order, in nanoseconds; empty where the file holds no
    time (annotations only).
    """
    offsets = recording.offsets_ns
    if not len(offsets) or recording.record_ns <= 0:
        empty = np.empty(0, dtype=np.int64)
        return empty, empty
    ends = offsets + np.int64(recording.record_ns)
    breaks = np.flatnonzero(offsets[1:] != ends[:-1])
    starts = offsets[np.concatenate(([0], breaks + 1))]
    return starts, ends[np.concatenate((breaks, [len(ends) - 1]))]


def runs(recording: Recording, time_map: TimeMap) -> tuple[Int64, Int64, int]:
    """Run starts, run ends (shape (runs,)) and the records' summed duration on the axis."""
    starts, ends = own_runs(recording)
    if time_map.rate_num == time_map.rate_den:
        records_ns = recording.records * recording.record_ns if len(starts) else 0
        return time_map.instants(starts), time_map.instants(ends), records_ns
    first, last = time_map.instants(starts), time_map.instants(ends)
    return first, last, sum(int(b) - int(a) for a, b in zip(first, last, strict=True))


def rate_of(time_map: TimeMap) -> Fraction:
    """The map's rate as an exact fraction."""
    return Fraction(time_map.rate_num, time_map.rate_den)
