"""The grid of seconds on which a file's signal is judged.

Seconds are counted in file time from the start of each *run*: records that follow one another. A
second is made of the samples that start in it, from however many records hold them, so records of
0.1 s, 0.333333 s, 1 s or 30 s give the same grid. What is left at a run's end is a last, shorter
second, judged on what is there and counted at its true length.
"""

from __future__ import annotations

from math import gcd

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.intervals import distinct
from auditor.core.units import NS
from auditor.model import Int64, Recording

_JITTER_NS = 50_000_000
"""Onsets written with few digits make neighbouring records seem to lie a little apart or to
overlap. Up to this much, and at most a tenth of a record, does not begin a new run; the grid
follows the onsets all the same, and a hole is never counted as time."""


class Grid(Struct, frozen=True):
    """A file's seconds in file order, held by its runs; arrays have shape (runs,).

    ``run_first`` is each run's first record, ``run_end`` the record after its last, ``run_second``
    its first second. ``offsets`` (records,) are the records' starts after the header's start.
    """

    record_ns: int
    offsets: Int64
    run_first: Int64
    run_end: Int64
    run_second: Int64
    seconds: int

    def __len__(self) -> int:
        return self.seconds

    def _runs(self, seconds: Int64) -> tuple[Int64, Int64]:
        """Each second's run, and its number in that run."""
        run = np.searchsorted(self.run_second, seconds, side="right") - 1
        return run, seconds - self.run_second[run]

    def records(self, seconds: Int64) -> tuple[Int64, Int64]:
        """The first record that holds samples of each second, and the record after the last."""
        run, number = self._runs(seconds)
        begin = self.run_first[run] + number * NS // self.record_ns
        after = self.run_first[run] - (-(number + 1) * NS // self.record_ns)
        return begin, np.minimum(after, self.run_end[run])

    def first_seconds(self, records: Int64) -> Int64:
        """The first second that begins in or after each of ``records``, ascending, no two alike."""
        run = np.maximum(np.searchsorted(self.run_first, records, side="right") - 1, 0)
        inside = (records - self.run_first[run]) * self.record_ns
        found = self.run_second[run] - (-inside // NS)
        return distinct(found[found < self.seconds])

    def whole(self, first: int, end: int) -> NDArray[np.bool_]:
        """Whether each second of ``[first, end)`` is a whole one: a run's last may be shorter."""
        run, number = self._runs(np.arange(first, end))
        length = (self.run_end[run] - self.run_first[run]) * self.record_ns
        full: NDArray[np.bool_] = (number + 1) * NS <= length
        return full

    def times(self) -> tuple[Int64, Int64]:
        """Start and end of every second, nanoseconds after the file's header start."""
        if not self.seconds:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        run, number = self._runs(np.arange(self.seconds))
        at, rest = np.divmod(number * NS, self.record_ns)
        starts = self.offsets[self.run_first[run] + at] + rest
        last = np.append(self.run_second[1:], self.seconds) - 1
        ends = np.append(starts[1:], 0)
        ends[last] = self.offsets[self.run_end - 1] + self.record_ns
        return starts, ends

    def bounds(self, first: int, end: int, samples_per_record: int) -> Int64:
        """First sample of each second ``first .. end`` (inclusive), shape (end - first + 1,).

        Samples are counted from the file's first record, at ``samples_per_record``. Sample ``i`` of
        a run starts ``i * record_ns / samples_per_record`` after the run does; a second holds the
        samples that start in it.
        """
        run, number = self._runs(np.arange(first, min(end + 1, self.seconds)))
        step, per = NS * samples_per_record, self.record_ns
        common = gcd(step, per)
        step, per = step // common, per // common
        highest = int(number.max(initial=0))
        if highest * step + per > np.iinfo(np.int64).max:
            within = np.array([-(-int(k) * step // per) for k in number], np.int64)
        else:
            within = -(-number * step // per)
        found = self.run_first[run] * samples_per_record + within
        if end + 1 > self.seconds:
            found = np.append(found, np.int64(len(self.offsets) * samples_per_record))
        return found


def grid_of(recording: Recording) -> Grid:
    """The grid of a recording's counted records; empty where its records hold no time."""
    offsets, length = recording.offsets_ns, recording.record_ns
    if not len(offsets) or length <= 0:
        none = np.empty(0, np.int64)
        return Grid(length, offsets, none, none, none, 0)
    jitter = min(_JITTER_NS, length // 10)
    apart = np.abs(np.diff(offsets) - length) > jitter
    run_first = np.append(0, np.flatnonzero(apart) + 1).astype(np.int64)
    run_end = np.append(run_first[1:], len(offsets))
    seconds = -(-(run_end - run_first) * length // NS)
    run_second = np.cumsum(seconds) - seconds
    return Grid(length, offsets, run_first, run_end, run_second, int(seconds.sum()))
