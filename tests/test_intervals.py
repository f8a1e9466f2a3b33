"""Interval arithmetic against sets of ticks: slow, obvious, and right."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.core import intervals as iv
from auditor.core.intervals import Pair
from auditor.model import Interval

ticks = st.integers(-40, 40)
spans = st.lists(
    st.tuples(ticks, st.integers(0, 12)).map(lambda t: (t[0], t[0] + t[1])), max_size=9
)


def raw(of: list[tuple[int, int]]) -> Pair:
    return np.array([s for s, _ in of], np.int64), np.array([e for _, e in of], np.int64)


def plain(of: list[tuple[int, int]]) -> Pair:
    return iv.union(*raw(of))


def held(of: list[tuple[int, int]]) -> set[int]:
    return {tick for start, end in of for tick in range(start, end)}


def listed(pair: Pair) -> list[tuple[int, int]]:
    return list(zip(pair[0].tolist(), pair[1].tolist(), strict=True))


def runs(of: set[int]) -> list[tuple[int, int]]:
    """The maximal runs of consecutive ticks."""
    return [
        (start, next(e for e in range(start, 999) if e not in of))
        for start in sorted(of)
        if start - 1 not in of
    ]


@given(spans)
def test_intervals_as_a_pair_are_their_bounds_in_whole_nanoseconds(
    a: list[tuple[int, int]],
) -> None:
    pair = iv.pair_of(Interval(*span) for span in a)
    assert listed(pair) == a
    assert [array.dtype for array in pair] == [np.dtype(np.int64)] * 2


@given(spans)
def test_a_union_is_the_maximal_runs_of_all_ticks(a: list[tuple[int, int]]) -> None:
    assert listed(plain(a)) == runs(held(a))


@given(spans, spans)
def test_an_intersection_holds_the_ticks_of_both(
    a: list[tuple[int, int]], b: list[tuple[int, int]]
) -> None:
    assert listed(iv.intersection(plain(a), plain(b))) == runs(held(a) & held(b))


@given(spans, spans)
def test_a_difference_holds_the_ticks_of_the_first_alone(
    a: list[tuple[int, int]], b: list[tuple[int, int]]
) -> None:
    assert listed(iv.subtract(plain(a), plain(b))) == runs(held(a) - held(b))


@given(spans, ticks, ticks)
def test_a_clip_holds_the_ticks_inside(a: list[tuple[int, int]], start: int, end: int) -> None:
    clipped = iv.clip(plain(a), Interval(start, end))
    assert listed(clipped) == runs(held(a) & set(range(start, end)))


@given(spans)
def test_holes_are_the_ticks_between_first_and_last(a: list[tuple[int, int]]) -> None:
    every = held(a)
    between = set(range(min(every), max(every))) - every if every else set()
    assert listed(iv.holes(plain(a))) == runs(between)


@given(spans, st.integers(1, 12))
def test_joining_closes_the_holes_below_the_floor_and_no_other(
    a: list[tuple[int, int]], floor: int
) -> None:
    every = held(a)
    closed = set(every)
    for start, end in listed(iv.holes(plain(a))):
        if end - start < floor:
            closed |= set(range(start, end))
    assert listed(iv.joined(plain(a), floor)) == runs(closed)


@given(spans, st.lists(ticks, max_size=5))
def test_held_before_counts_the_ticks_before_an_instant(
    a: list[tuple[int, int]], instants: list[int]
) -> None:
    before = iv.held_before(plain(a), np.array(instants, np.int64))
    assert before.tolist() == [sum(tick < i for tick in held(a)) for i in instants]
    assert iv.total(plain(a)) == len(held(a))


def test_times_of_the_years_2000_to_2200_are_exact_to_the_nanosecond() -> None:
    # 2200-01-01 is 7,258,118,400 s after 1970: a double would round its nanoseconds.
    early, late = 946_684_800 * 10**9 + 1, 7_258_118_400 * 10**9 + 3
    pair = plain([(early, early + 7), (late, late + 1), (late - 2, late)])
    assert listed(pair) == [(early, early + 7), (late - 2, late + 1)]
    assert iv.total(pair) == 10
    assert iv.total(iv.holes(pair)) == late - 2 - early - 7


def test_an_interval_that_ends_before_it_starts_is_refused() -> None:
    with pytest.raises(ValueError, match="ends before it starts"):
        plain([(5, 4)])


def test_starts_without_their_ends_are_refused() -> None:
    with pytest.raises(ValueError, match="same length"):
        iv.union(np.array([1], np.int64), np.array([], np.int64))


def test_a_clip_to_no_time_holds_nothing_even_inside_an_interval() -> None:
    inside = iv.clip(plain([(0, 10)]), Interval(5, 5))
    assert listed(inside) == []


def test_pairs_without_an_interval_hold_whole_nanoseconds_too() -> None:
    """A floating number cannot tell the nanoseconds of a time of our days apart."""
    none = iv.empty()
    pairs = (none, iv.union_of(()), iv.union(*none), iv.clip(plain([(0, 1)]), Interval(2, 2)))
    assert {array.dtype for pair in pairs for array in pair} == {np.dtype(np.int64)}
    assert iv.held_before(none, np.array([5])).dtype == np.int64


def test_distinct_values_come_in_order_each_once() -> None:
    assert iv.distinct(np.array([7, 3, 4, 3, 9, 7])).tolist() == [3, 4, 7, 9]
    assert iv.distinct(np.array([], np.int64)).tolist() == []
