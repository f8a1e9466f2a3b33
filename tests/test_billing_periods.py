"""Periods on the study axis: where they begin and end, what joins what, and which are listed."""

from __future__ import annotations

import pytest
from helpers_billing import AXIS, POLICY, bill, civil, coverage_of, hours, policy_with, units

from auditor.billing import billing_periods
from auditor.billing.periods import Window, dates_of, portions
from auditor.core.clock import Axis
from auditor.core.units import DAY, HOUR, NS
from auditor.model import Coverage, Interval

SETTINGS = POLICY.billing


def _recorded(coverage: Coverage) -> list[tuple[int, int, int, int, bool]]:
    """Index, recorded, taken and counted hours, and whether it joins, of each period."""
    pair = coverage.union_starts, coverage.union_ends
    parts = portions(pair, billing_periods(coverage, AXIS, SETTINGS), SETTINGS)
    return [
        (p.window.index, p.recorded_ns // HOUR, p.took_ns // HOUR, p.counted_ns // HOUR, p.joins)
        for p in parts
    ]


def test_periods_run_from_the_first_record_to_the_last() -> None:
    assert billing_periods(hours((3, 54)), AXIS, SETTINGS) == (
        Window(3 * HOUR, 27 * HOUR, 1, True),
        Window(27 * HOUR, 51 * HOUR, 2, False),
        Window(51 * HOUR, 54 * HOUR, 3, False),
    )


def test_a_recording_of_whole_days_ends_with_its_last_period() -> None:
    assert [p.end for p in billing_periods(hours((0, 48)), AXIS, SETTINGS)] == [DAY, 2 * DAY]


def test_restarts_begin_periods_only_where_the_policy_says_so() -> None:
    coverage, again = hours((0, 30), (40, 70)), (40 * HOUR,)
    assert [p.start // HOUR for p in billing_periods(coverage, AXIS, SETTINGS, again)] == [
        0,
        24,
        48,
    ]
    moving = policy_with(restart={"moves_clock": True}).billing
    assert billing_periods(coverage, AXIS, moving, again) == (
        Window(0, 24 * HOUR, 1, True),
        Window(24 * HOUR, 40 * HOUR, 2, False),
        Window(40 * HOUR, 64 * HOUR, 3, True),
        Window(64 * HOUR, 70 * HOUR, 4, False),
    )


def test_what_is_left_over_at_the_end_of_each_clock_joins_the_period_before() -> None:
    # First clock: 24 h and 1 h; second, from hour 40: 24 h and 2 h; third, from hour 100: 1 h.
    moving = policy_with(restart={"moves_clock": True})
    coverage, again = hours((0, 25), (40, 66), (100, 101)), (40 * HOUR, 100 * HOUR)
    billing = bill(coverage, policy=moving, restarts=again)
    assert [units(p.technical.units) for p in billing.periods] == [
        {"95708": 1}, {}, {"95708": 1}, {}, {}, {},
    ]  # fmt: skip
    assert [p.recorded_ns // HOUR for p in billing.periods] == [24, 1, 24, 2, 0, 1]
    assert billing.not_billable_ns == HOUR, "the third clock's hour joins nothing before it"


@pytest.mark.parametrize(
    ("pieces", "expected"),
    [
        (((0, 26),), [(1, 24, 2, 26, False), (2, 2, 0, 0, True)]),
        (((0, 27),), [(1, 24, 0, 24, False), (2, 3, 0, 3, False)]),
        (((0, 1),), [(1, 1, 0, 1, False)]),
        (((0, 20), (40, 41)), [(1, 20, 1, 21, False), (2, 1, 0, 0, True)]),
        # The period before it may hold nothing; it takes the hour all the same.
        (((0, 20), (50, 51)), [(1, 20, 0, 20, False), (2, 0, 1, 1, False), (3, 1, 0, 0, True)]),
        # Only at the end, and never into a period before the first.
        (((0, 1), (24, 47)), [(1, 1, 0, 1, False), (2, 23, 0, 23, False)]),
        (((0, 24), (25, 26), (48, 71)),
         [(1, 24, 0, 24, False), (2, 1, 0, 1, False), (3, 23, 0, 23, False)]),
    ],
)  # fmt: skip
def test_a_little_left_over_joins(
    pieces: tuple[tuple[float, float], ...], expected: list[tuple[int, int, int, int, bool]]
) -> None:
    assert _recorded(hours(*pieces)) == expected


def test_the_extent_of_a_period_holds_what_joined_it() -> None:
    coverage = hours((0, 26))
    pair = coverage.union_starts, coverage.union_ends
    parts = portions(pair, billing_periods(coverage, AXIS, SETTINGS), SETTINGS)
    assert [p.extent for p in parts] == [Interval(0, 26 * HOUR), Interval(24 * HOUR, 26 * HOUR)]


@pytest.mark.parametrize(("more_ns", "listed"), [(0, 400), (1, 3)])
def test_a_span_beyond_400_days_lists_only_periods_that_hold_time(
    more_ns: int, listed: int
) -> None:
    # An hour on day one and on day 400; one nanosecond more is a period of its own.
    coverage = coverage_of((0, HOUR), (400 * DAY - HOUR, 400 * DAY + more_ns))
    periods = billing_periods(coverage, AXIS, SETTINGS)
    assert [p.index for p in periods] == list(range(1, listed + 1))
    assert (periods[0].start, periods[-1].end) == (0, 400 * DAY + more_ns)


def test_periods_from_a_fixed_hour_in_a_span_of_years() -> None:
    # Noon to noon; recorded 10:00 to 14:00 on the first day, and 23:00 to 01:00 a thousand later.
    noon = policy_with(period_start_ns=12 * HOUR).billing
    late = 1000 * DAY
    coverage = coverage_of((10 * HOUR, 14 * HOUR), (late + 23 * HOUR, late + 25 * HOUR))
    periods = billing_periods(coverage, AXIS, noon)
    assert [(p.start, p.end, p.index, p.first) for p in periods] == [
        (10 * HOUR, 12 * HOUR, 1, True),
        (12 * HOUR, 36 * HOUR, 2, False),
        (late + 12 * HOUR, late + 25 * HOUR, 3, False),
    ]


def test_a_period_before_the_fixed_hour_of_a_late_day_begins_the_day_before() -> None:
    # Noon to noon; an hour on the first day, and 10:00 to 11:00 a thousand days later.
    noon = policy_with(period_start_ns=12 * HOUR).billing
    late = 1000 * DAY
    coverage = coverage_of((10 * HOUR, 11 * HOUR), (late + 10 * HOUR, late + 11 * HOUR))
    assert [(p.start, p.end) for p in billing_periods(coverage, AXIS, noon)] == [
        (10 * HOUR, 12 * HOUR),
        (late - 12 * HOUR, late + 11 * HOUR),
    ]


def test_400_days_from_a_fixed_hour_are_all_listed() -> None:
    midnight = policy_with(period_start_ns=0).billing
    coverage = coverage_of((0, HOUR), (400 * DAY - HOUR, 400 * DAY))
    assert len(billing_periods(coverage, AXIS, midnight)) == 400


def test_periods_from_a_fixed_hour_end_with_the_last_record() -> None:
    midnight = policy_with(period_start_ns=0).billing
    whole = billing_periods(hours((0, 48)), AXIS, midnight)
    assert [(p.start, p.end) for p in whole] == [(0, DAY), (DAY, 2 * DAY)]
    more = billing_periods(coverage_of((-1, DAY + 1)), AXIS, midnight)
    assert [(p.start, p.end) for p in more] == [(-1, 0), (0, DAY), (DAY, DAY + 1)]


def test_dates_are_those_on_which_time_is_held() -> None:
    # America/Denver, 2 March 2027: 22:00 to 23:00, and 01:00 to 02:00 on the 4th.
    axis = Axis("America/Denver")
    evening = axis.instant(civil(2027, 3, 2, 22))
    coverage = coverage_of((evening, evening + HOUR), (evening + 27 * HOUR, evening + 28 * HOUR))
    pair = coverage.union_starts, coverage.union_ends
    assert dates_of(pair, Interval(evening, evening + 28 * HOUR), axis) == (
        "2027-03-02", "2027-03-04",
    )  # fmt: skip
    assert dates_of(pair, Interval(evening, evening + 27 * HOUR), axis) == ("2027-03-02",)
    assert dates_of(pair, Interval(evening + HOUR, evening + 27 * HOUR), axis) == ()
    assert dates_of(pair, Interval(evening + HOUR, evening + 27 * HOUR + 1), axis) == (
        "2027-03-04",
    )
    # Until midnight is not yet the next day; one nanosecond more is.
    whole = coverage_of((evening, evening + 2 * HOUR))
    pair = whole.union_starts, whole.union_ends
    assert dates_of(pair, Interval(evening, evening + 2 * HOUR), axis) == ("2027-03-02",)
    longer = coverage_of((evening, evening + 2 * HOUR + NS))
    pair = longer.union_starts, longer.union_ends
    assert dates_of(pair, Interval(evening, evening + 3 * HOUR), axis) == (
        "2027-03-02",
        "2027-03-03",
    )
