"""The ordered window, split so that the parts sum exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.core.units import HOUR
from auditor.coverage.timeline import measure_coverage, measure_shortfall, ordered_window
from auditor.model import Coverage, Interval, Order, Shortfall, Track

spans = st.lists(
    st.tuples(st.integers(-60, 60), st.integers(1, 20)).map(lambda t: (t[0], t[0] + t[1])),
    min_size=1,
    max_size=8,
)


def covered(of: list[tuple[int, int]], floor: int) -> Coverage:
    starts = np.array([s for s, _ in of], np.int64)
    ends = np.array([e for _, e in of], np.int64)
    return measure_coverage([Track("A", starts, ends, int((ends - starts).sum()))], floor)


def parts(found: Shortfall) -> tuple[int, int, int, int]:
    return found.late_start_ns, found.gaps_ns, found.dropouts_ns, found.early_stop_ns


@settings(max_examples=300)
@given(spans, st.integers(1, 9), st.integers(-90, 90), st.integers(1, 120))
def test_the_parts_agree_with_a_count_of_ticks_and_sum_exactly(
    of: list[tuple[int, int]], floor: int, start: int, ordered: int
) -> None:
    coverage = covered(of, floor)
    window = Interval(start, start + ordered)
    found = measure_shortfall(coverage, window)
    recorded = {t for s, e in of for t in range(s, e)}
    in_gaps = {t for g in coverage.gaps for t in range(g.start, g.end)}
    first, last = min(recorded), max(recorded)
    counts = dict.fromkeys(("late", "gap", "dropout", "early", "recorded"), 0)
    for tick in range(window.start, window.end):
        if tick in recorded:
            counts["recorded"] += 1
        elif tick < first:
            counts["late"] += 1
        elif tick > last:
            counts["early"] += 1
        else:
            counts["gap" if tick in in_gaps else "dropout"] += 1
    assert parts(found) == (counts["late"], counts["gap"], counts["dropout"], counts["early"])
    assert found.recorded_inside_ns == counts["recorded"]
    assert sum(parts(found)) == found.ordered_ns - found.recorded_inside_ns
    assert found.outside_window_ns == len(recorded) - counts["recorded"]
    assert found.short_ns == max(0, ordered - len(recorded))


@pytest.mark.parametrize(
    ("window", "expected"),
    [
        # recorded 100-140 and 150-200 with a dropout of 1 at 160 (gap floor 5)
        ((100, 200), (0, 10, 1, 0)),
        ((90, 230), (10, 10, 1, 30)),
        ((145, 200), (0, 5, 1, 0)),  # the window cuts the gap: its part is still gap
        ((149, 155), (0, 1, 0, 0)),  # even a part shorter than the floor
        ((0, 100), (100, 0, 0, 0)),  # all recording after the window
        ((0, 50), (50, 0, 0, 0)),
        ((200, 260), (0, 0, 0, 60)),  # all recording before the window
        ((300, 360), (0, 0, 0, 60)),
        ((141, 149), (0, 8, 0, 0)),  # a window inside the gap
    ],
)
def test_a_window_anywhere_splits_exactly(
    window: tuple[int, int], expected: tuple[int, int, int, int]
) -> None:
    coverage = covered([(100, 140), (150, 160), (161, 200)], 5)
    found = measure_shortfall(coverage, Interval(*window))
    assert parts(found) == expected
    assert sum(expected) == found.ordered_ns - found.recorded_inside_ns


def test_recording_beyond_the_window_is_not_short_but_outside() -> None:
    found = measure_shortfall(covered([(-HOUR, 71 * HOUR)], HOUR), Interval(0, 72 * HOUR))
    assert found.early_stop_ns == HOUR
    assert found.outside_window_ns == HOUR
    assert found.short_ns == 0


def test_an_empty_window_is_refused() -> None:
    with pytest.raises(ValueError, match="longer than nothing"):
        measure_shortfall(covered([(0, 1)], 1), Interval(5, 5))


def test_the_window_starts_with_the_hookup_else_the_first_record() -> None:
    coverage, order = covered([(5, 9)], 1), Order(72, "order file")
    assert ordered_window(coverage, 3, order) == Interval(3, 75)
    assert ordered_window(coverage, 0, order) == Interval(0, 72)
    assert ordered_window(coverage, None, order) == Interval(5, 77)
    assert ordered_window(coverage, 3, None) is None
