"""Sets of half-open time intervals as pairs of int64 arrays.

A *pair* is ``(starts, ends)``: two arrays of shape (n,), nanoseconds on the study axis. A pair is
*plain* when its intervals are sorted, none is empty and none touches the next; ``union`` makes any
pair plain, and every function that returns a pair returns a plain one. All arithmetic is exact:
int64 only, whole arrays at a time.
"""

from __future__ import annotations

from collections.abc import Iterable
from typing import Annotated, TypeAlias

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.fields import Holds, Instant

Int64: TypeAlias = NDArray[np.int64]
Pair: TypeAlias = tuple[Int64, Int64]
Instants = Annotated[Int64, Holds.INSTANT]
Times = Annotated[Pair, Holds.INSTANT]


class Interval(Struct, frozen=True, order=True):
    """A half-open stretch of time ``[start, end)`` on the study axis, in nanoseconds."""

    start: Instant
    end: Instant

    @property
    def duration(self) -> int:
        """Length in nanoseconds."""
        return self.end - self.start

    def clip(self, other: Interval) -> Interval | None:
        """The part of this interval inside ``other``, or ``None`` where they share no time."""
        start, end = max(self.start, other.start), min(self.end, other.end)
        return Interval(start, end) if start < end else None


_EVER = np.iinfo(np.int64)


def empty() -> Pair:
    """The pair without any interval."""
    return np.empty(0, np.int64), np.empty(0, np.int64)


def distinct(values: Int64) -> Int64:
    """``values`` in order, each once. ``numpy.unique`` would load its masked arrays, 20 ms."""
    ordered = np.sort(values)
    new: Int64 = ordered[np.diff(ordered, prepend=~ordered[:1]) != 0]  # ~x is never x
    return new


def union(starts: Int64, ends: Int64) -> Pair:
    """The plain pair that covers exactly the time of ``[starts, ends)``, shapes (n,), any order.

    Empty intervals add nothing; intervals that touch become one. Raises ``ValueError`` where an
    interval ends before it starts.
    """
    if starts.shape != ends.shape or starts.ndim != 1:
        raise ValueError("starts and ends must be two arrays of the same length")
    if bool((ends < starts).any()):
        raise ValueError("an interval ends before it starts")
    held = ends > starts
    starts, ends = starts[held], ends[held]
    if not len(starts):
        return empty()
    order = np.argsort(starts)
    starts = starts[order]
    reached = np.maximum.accumulate(ends[order])
    first = np.empty(len(starts), np.bool_)
    first[0] = True
    np.greater(starts[1:], reached[:-1], out=first[1:])
    last = np.append(np.flatnonzero(first)[1:] - 1, len(starts) - 1)
    return starts[first], reached[last]


def union_of(pairs: Iterable[Pair]) -> Pair:
    """The plain pair that covers the time of all ``pairs``."""
    starts, ends = zip(empty(), *pairs, strict=True)
    return union(np.concatenate(starts), np.concatenate(ends))


def intersection(a: Pair, b: Pair) -> Pair:
    """The time that both plain pairs hold."""
    (a_starts, a_ends), (b_starts, b_ends) = a, b
    if not len(a_starts) or not len(b_starts):  # quickly: most states of most channels never occur
        return empty()
    low = np.searchsorted(b_ends, a_starts, side="right")
    high = np.searchsorted(b_starts, a_ends)
    counts = np.maximum(high - low, 0)
    mine = np.repeat(np.arange(len(a_starts)), counts)
    # The k-th partner of an interval of a is low + k: k counts up inside each run of repeats.
    within = np.arange(len(mine)) - np.repeat(np.cumsum(counts) - counts, counts)
    theirs = np.repeat(low, counts) + within
    return (
        np.maximum(a_starts[mine], b_starts[theirs]),
        np.minimum(a_ends[mine], b_ends[theirs]),
    )


def holes(pair: Pair) -> Pair:
    """The time between the intervals of a plain pair."""
    starts, ends = pair
    return ends[:-1], starts[1:]


def subtract(a: Pair, b: Pair) -> Pair:
    """The time that plain ``a`` holds and plain ``b`` does not."""
    if not len(b[0]):
        return a
    return intersection(a, (np.append(_EVER.min, b[1]), np.append(b[0], _EVER.max)))


def clip(pair: Pair, interval: Interval) -> Pair:
    """The part of a plain pair inside ``interval``."""
    if interval.end <= interval.start:
        return empty()
    return intersection(pair, pair_of([interval]))


def joined(pair: Pair, floor_ns: int) -> Pair:
    """A plain pair with its holes shorter than ``floor_ns`` closed."""
    starts, ends = pair
    if not len(starts):
        return pair
    apart = starts[1:] - ends[:-1] >= floor_ns
    return starts[np.append(True, apart)], ends[np.append(apart, True)]


def total(pair: Pair) -> int:
    """The length of a plain pair in nanoseconds."""
    return int((pair[1] - pair[0]).sum())


def held_before(pair: Pair, instants: Int64) -> Int64:
    """For each of ``instants``, shape (m,), how much time a plain pair holds before it (ns)."""
    starts, ends = pair
    if not len(starts):
        return np.zeros(len(instants), np.int64)
    lengths = ends - starts
    before = np.cumsum(lengths) - lengths
    at = np.maximum(np.searchsorted(starts, instants) - 1, 0)
    inside = np.clip(instants - starts[at], 0, lengths[at])
    return np.asarray(before[at] + inside)


def pair_of(found: Iterable[Interval]) -> Pair:
    """Starts and ends of intervals as they stand: plain only where they are."""
    every = tuple(found)
    return np.array([i.start for i in every], np.int64), np.array([i.end for i in every], np.int64)


def intervals(pair: Pair) -> tuple[Interval, ...]:
    """A pair as a tuple of ``Interval``."""
    return tuple(map(Interval, pair[0].tolist(), pair[1].tolist()))
