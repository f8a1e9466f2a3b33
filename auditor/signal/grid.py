"""The grid of seconds on which a file's signal is judged.

Seconds are counted in file time from the start of each *run*: records that follow one another. A
second is made of the samples that start in it, from however many records hold them, so records of
0.1 s, 0.333333 s, 1 s or 30 s give the same grid. What is left at a run's end is a last, shorter
second, judged on what is there and counted at its true length.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import gcd

import numpy as np

from auditor.model import Int64, Recording
from auditor.units import NS

_JITTER_NS = 50_000_000
"""Onsets written with few digits make neighbouring records seem to lie a little apart or to
overlap. Up to this much, and at most a tenth of a record, does not begin a new run; the grid
follows the onsets all the same, and a hole is never counted as time."""


@dataclass(frozen=True, slots=True)
class Grid:
    """A file's seconds in file order; arrays of shape (seconds,) unless said otherwise.

    ``starts`` and ``ends`` are nanoseconds after the file's header start. ``first_record`` and
    ``end_record`` bound the records (half open) that hold a second's samples. ``whole`` is false
    for a run's last second where it is shorter than one. ``run`` is each second's run and
    ``number`` its number in that run; ``run_first`` (runs,) is each run's first record.
    """

    record_ns: int
    records: int
    run_first: Int64
    run: Int64
    number: Int64
    starts: Int64
    ends: Int64
    first_record: Int64
    end_record: Int64
    whole: np.ndarray[tuple[int], np.dtype[np.bool_]]

    def __len__(self) -> int:
        return len(self.run)

    def bounds(self, first: int, end: int, samples_per_record: int) -> Int64:
        """First sample of each second ``first .. end`` (inclusive), shape (end - first + 1,).

        Samples are counted from the file's first record, at ``samples_per_record``. Sample ``i`` of
        a run starts ``i * record_ns / samples_per_record`` after the run does; a second holds the
        samples that start in it.
        """
        upto = min(end + 1, len(self))
        run, number = self.run[first:upto], self.number[first:upto]
        step, per = NS * samples_per_record, self.record_ns
        common = gcd(step, per)
        step, per = step // common, per // common
        highest = int(number.max(initial=0))
        if highest * step + per > np.iinfo(np.int64).max:
            within = np.array([-(-int(k) * step // per) for k in number], np.int64)
        else:
            within = -(-number * step // per)
        found = self.run_first[run] * samples_per_record + within
        if end + 1 > len(self):
            found = np.append(found, np.int64(self.records * samples_per_record))
        return found


def grid_of(recording: Recording) -> Grid:
    """The grid of a recording's counted records; empty where its records hold no time."""
    offsets, length = recording.offsets_ns, recording.record_ns
    if not len(offsets) or length <= 0:
        none = np.empty(0, np.int64)
        return Grid(
            length, len(offsets), none, none, none, none, none, none, none, np.empty(0, np.bool_)
        )
    jitter = min(_JITTER_NS, length // 10)
    apart = np.abs(np.diff(offsets) - length) > jitter
    run_first = np.append(0, np.flatnonzero(apart) + 1).astype(np.int64)
    run_records = np.diff(np.append(run_first, len(offsets)))
    seconds = -(-run_records * length // NS)
    run = np.repeat(np.arange(len(run_first)), seconds)
    number = np.arange(len(run)) - np.repeat(np.cumsum(seconds) - seconds, seconds)
    at, rest = np.divmod(number * NS, length)
    first_record = run_first[run] + at
    starts = offsets[first_record] + rest
    last = np.append(run[1:] != run[:-1], True)
    ends = np.append(starts[1:], 0)
    run_last = run_first + run_records - 1
    ends[last] = offsets[run_last[run[last]]] + length
    end_record = np.minimum(run_first[run] + -(-(number + 1) * NS // length), run_last[run] + 1)
    whole = (number + 1) * NS <= run_records[run] * length
    return Grid(
        length, len(offsets), run_first, run, number, starts, ends, first_record, end_record, whole
    )
