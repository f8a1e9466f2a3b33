"""Units and codes of uninterrupted recordings of every length, derived by hand from the rules.

Rules, as published for the US codes since 2020 (sources in the policy file): 2:00:00 to 12:00:00
is one 2-12 unit, more than 12:00:00 to 26:00:00 one 12-26 unit. Of more than 26 h, n = whole days
and the rest r: r up to 2 h joins the last day, more than 2 to 12 h is one 2-12 unit, more than
12 h one more 12-26 unit. Whole-study report: more than 36 to 60, to 84, more than 84 h.
"""

from __future__ import annotations

import pytest
from helpers_billing import POLICY, bill, civil, coverage_of, hms, order, policy_with, units
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor import billing as billing_room
from auditor.billing.limits import split_total
from auditor.core.clock import Axis
from auditor.core.units import HOUR, NS
from auditor.model import Billing, Technical

SHORT, LONG = "95705", "95708"  # 2-12 h and 12-26 h, unmonitored, without video
SETTINGS = POLICY.billing

# (recorded, 12-26 units, 2-12 units, whole-study code, why)
TABLE = [
    ("0:00:01", 0, 0, None, "below 2 h: no long-term unit"),
    ("0:19:59", 0, 0, None, "below 2 h, and below the 20 minutes of a routine recording"),
    ("0:20:00", 0, 0, None, "below 2 h: a routine recording"),
    ("1:00:00", 0, 0, None, "below 2 h"),
    ("1:59:59", 0, 0, None, "one second below 2 h"),
    ("2:00:00", 0, 1, None, "from 120 minutes it is long-term: 2 h itself is in 2-12"),
    ("2:00:01", 0, 1, None, "inside 2-12"),
    ("3:07:00", 0, 1, None, "inside 2-12; a published worked example"),
    ("6:00:00", 0, 1, None, "inside 2-12"),
    ("11:59:59", 0, 1, None, "one second below 12 h"),
    ("12:00:00", 0, 1, None, "12 h itself is still 2-12"),
    ("12:00:01", 1, 0, None, "more than 12 h"),
    ("13:00:00", 1, 0, None, "inside 12-26"),
    ("18:00:00", 1, 0, None, "inside 12-26"),
    ("23:59:59", 1, 0, None, "inside 12-26"),
    ("24:00:00", 1, 0, None, "one whole day"),
    ("25:00:00", 1, 0, None, "the hour beyond the day joins it"),
    ("25:59:59", 1, 0, None, "inside 12-26"),
    ("26:00:00", 1, 0, None, "26 h itself is still one 12-26"),
    ("26:00:01", 1, 1, None, "more than 2 h beyond one day: r = 2:00:01 is a 2-12 unit"),
    ("28:00:00", 1, 1, None, "n = 1, r = 4 h"),
    ("30:00:00", 1, 1, None, "n = 1, r = 6 h"),
    ("35:59:59", 1, 1, None, "n = 1, r = 11:59:59"),
    ("36:00:00", 1, 1, None, "n = 1, r = 12 h, still 2-12; 36 h itself has no whole-study code"),
    ("36:00:01", 2, 0, "95721", "r more than 12 h: n + 1; more than 36 h for the whole study"),
    ("40:00:00", 2, 0, "95721", "n = 1, r = 16 h"),
    ("47:59:59", 2, 0, "95721", "n = 1, r = 23:59:59"),
    ("48:00:00", 2, 0, "95721", "n = 2, nothing left over"),
    ("49:30:00", 2, 0, "95721", "n = 2, r = 1:30 joins"),
    ("50:00:00", 2, 0, "95721", "n = 2, r = 2 h itself still joins"),
    ("50:00:01", 2, 1, "95721", "n = 2, r more than 2 h"),
    ("59:50:00", 2, 1, "95721", "n = 2, r = 11:50"),
    ("60:00:00", 2, 1, "95721", "n = 2, r = 12 h; 60 h itself stays in 36-60"),
    ("60:00:01", 3, 0, "95723", "r more than 12 h; more than 60 h for the whole study"),
    ("65:00:00", 3, 0, "95723", "n = 2, r = 17 h"),
    ("70:00:00", 3, 0, "95723", "n = 2, r = 22 h"),
    ("72:00:00", 3, 0, "95723", "n = 3"),
    ("74:00:00", 3, 0, "95723", "n = 3, r = 2 h joins"),
    ("74:00:01", 3, 1, "95723", "n = 3, r more than 2 h"),
    ("83:59:59", 3, 1, "95723", "n = 3, r = 11:59:59"),
    ("84:00:00", 3, 1, "95723", "n = 3, r = 12 h; 84 h itself stays in 60-84"),
    ("84:00:01", 4, 0, "95725", "r more than 12 h; more than 84 h for the whole study"),
    ("96:00:00", 4, 0, "95725", "n = 4"),
    ("98:00:00", 4, 0, "95725", "n = 4, r = 2 h joins"),
    ("98:00:01", 4, 1, "95725", "n = 4, r more than 2 h"),
    ("108:00:00", 4, 1, "95725", "n = 4, r = 12 h"),
    ("108:00:01", 5, 0, "95725", "n = 4, r more than 12 h"),
    ("119:59:59", 5, 0, "95725", "n = 4, r = 23:59:59"),
    ("120:00:00", 5, 0, "95725", "n = 5"),
    ("122:00:01", 5, 1, "95725", "n = 5, r more than 2 h"),
    ("125:00:00", 5, 1, "95725", "n = 5, r = 5 h"),
    ("132:00:00", 5, 1, "95725", "n = 5, r = 12 h"),
    ("132:00:01", 6, 0, "95725", "n = 5, r more than 12 h"),
    ("144:00:00", 6, 0, "95725", "n = 6"),
    ("156:00:00", 6, 1, "95725", "n = 6, r = 12 h"),
    ("156:00:01", 7, 0, "95725", "n = 6, r more than 12 h"),
    ("168:00:00", 7, 0, "95725", "n = 7"),
    ("170:00:00", 7, 0, "95725", "n = 7, r = 2 h joins"),
]  # fmt: skip


def test_the_table_holds_at_least_forty_durations() -> None:
    assert len({row[0] for row in TABLE}) >= 40


@pytest.mark.parametrize(("recorded", "long", "short", "whole", "why"), TABLE)
def test_units_of_an_uninterrupted_recording(
    recorded: str, long: int, short: int, whole: str | None, why: str
) -> None:
    billing = bill(coverage_of((0, hms(recorded))))
    expected = {code: n for code, n in ((SHORT, short), (LONG, long)) if n}
    assert units(billing.technical_totals) == expected, why
    assert billing.professional.whole_study.code == whole, why
    # One report a day carries the same bands: each period by itself, a little left over joining.
    days = [d.code for d in billing.professional.each_day if d.code]
    assert days == ["95719"] * long + ["95717"] * short, why


def test_every_name_that_the_room_offers_is_there() -> None:
    assert [name for name in billing_room.__all__ if not hasattr(billing_room, name)] == []


def test_nothing_recorded_is_no_unit() -> None:
    assert split_total(0, SETTINGS) == ()


# Where the policy's limits lie, from the published rules: the band below and above each limit, and
# to which of them exactly the limit belongs.
LIMITS = [
    ("2:00:00", {}, {SHORT: 1}, "above"),
    ("12:00:00", {SHORT: 1}, {LONG: 1}, "below"),
    ("26:00:00", {LONG: 1}, {LONG: 1, SHORT: 1}, "below"),
    ("36:00:00", {LONG: 1, SHORT: 1}, {LONG: 2}, "below"),
    ("50:00:00", {LONG: 2}, {LONG: 2, SHORT: 1}, "below"),
    ("60:00:00", {LONG: 2, SHORT: 1}, {LONG: 3}, "below"),
    ("74:00:00", {LONG: 3}, {LONG: 3, SHORT: 1}, "below"),
    ("84:00:00", {LONG: 3, SHORT: 1}, {LONG: 4}, "below"),
    ("98:00:00", {LONG: 4}, {LONG: 4, SHORT: 1}, "below"),
]


@pytest.mark.parametrize("step", [NS, 1], ids=["a second", "a nanosecond"])
@pytest.mark.parametrize(("limit", "below", "above", "itself"), LIMITS)
def test_each_technical_limit_one_step_either_side(
    limit: str, below: dict[str, int], above: dict[str, int], itself: str, step: int
) -> None:
    at = hms(limit)
    assert _totals(at - step) == below
    assert _totals(at) == (below if itself == "below" else above)
    assert _totals(at + step) == above


WHOLE = [
    ("36:00:00", None, "95721"),
    ("60:00:00", "95721", "95723"),
    ("84:00:00", "95723", "95725"),
]


@pytest.mark.parametrize("step", [NS, 1], ids=["a second", "a nanosecond"])
@pytest.mark.parametrize(("limit", "below", "above"), WHOLE)
def test_each_whole_study_limit_one_step_either_side(
    limit: str, below: str | None, above: str, step: int
) -> None:
    at = hms(limit)
    assert _whole(at - step) == below
    assert _whole(at) == below
    assert _whole(at + step) == above


DAYS = [
    ("2:00:00", [None], ["95717"], "above"),
    ("12:00:00", ["95717"], ["95719"], "below"),
    ("26:00:00", ["95719", None], ["95719", "95717"], "below"),
]


@pytest.mark.parametrize("step", [NS, 1], ids=["a second", "a nanosecond"])
@pytest.mark.parametrize(("limit", "below", "above", "itself"), DAYS)
def test_each_daily_limit_one_step_either_side(
    limit: str, below: list[str | None], above: list[str | None], itself: str, step: int
) -> None:
    at = hms(limit)
    assert _days(at - step) == below
    assert _days(at) == (below if itself == "below" else above)
    assert _days(at + step) == above


# Technical codes by level and video; the numbers' own marks stand in the policy file.
CODES = [
    ("unmonitored", False, "95705", "95708"),
    ("intermittent", False, "95706", "95709"),
    ("continuous", False, "95707", "95710"),
    ("unmonitored", True, "95711", "95714"),
    ("intermittent", True, "95712", "95715"),
    ("continuous", True, "95713", "95716"),
]


@pytest.mark.parametrize(("level", "video", "short", "long"), CODES)
def test_codes_follow_level_and_video_that_the_policy_takes_as_ordered(
    level: str, video: bool, short: str, long: str
) -> None:
    settings = replace(
        SETTINGS,
        undocumented=replace(SETTINGS.undocumented, monitoring="as_ordered", video="as_ordered"),
    )
    policy = replace(POLICY, billing=settings)
    wanted = order(30 * HOUR, monitoring=level, video=video)  # type: ignore[arg-type]
    billing = bill(coverage_of((0, 30 * HOUR)), policy=policy, given=wanted)
    assert units(billing.technical_totals) == {short: 1, long: 1}
    days = ("95720", "95718") if video else ("95719", "95717")
    assert tuple(d.code for d in billing.professional.each_day) == days


@pytest.mark.parametrize(
    ("recorded", "without", "with_video"),
    [
        ("48:00:00", "95721", "95722"),
        ("72:00:00", "95723", "95724"),
        ("90:00:00", "95725", "95726"),
    ],
)
def test_whole_study_codes_with_and_without_video(
    recorded: str, without: str, with_video: str
) -> None:
    band = next(b for b in SETTINGS.professional_whole if b.holds(hms(recorded)))
    assert (band.codes.of(False), band.codes.of(True)) == (without, with_video)


def test_a_totals_codes_are_sorted_and_hold_no_set_up_code() -> None:
    billing = bill(coverage_of((0, 30 * HOUR)))
    codes = [u.code for u in billing.technical_totals]
    assert codes == sorted(codes) == ["95705", "95708"]
    assert billing.setup.code not in codes


# --- margins ------------------------------------------------------------------------------------

MARGINS = [
    ("1:59:59", "0:00:01", False, "0:00:00", "no limit met yet; 2 h itself is enough"),
    ("2:00:00", "10:00:00", True, "0:00:00", "on the limit; more than 12 h is next"),
    ("3:00:00", "9:00:00", True, "1:00:00", "one hour above 2 h"),
    ("12:00:00", "0:00:00", True, "10:00:00", "any more time at all changes the unit"),
    ("12:00:01", "13:59:59", True, "0:00:01", "one second above 12 h"),
    ("26:00:00", "0:00:00", True, "14:00:00", "26 h must be exceeded"),
    ("30:00:00", "6:00:00", True, "4:00:00", "4 h above 26 h; next more than 36 h"),
    ("59:50:00", "0:10:00", True, "9:50:00", "10 minutes short of the third 12-26 unit"),
    ("72:00:00", "2:00:00", True, "12:00:00", "more than 74 h is next; 12 h above 60 h"),
]


@pytest.mark.parametrize(("recorded", "more", "exceed", "above", "why"), MARGINS)
def test_margins_of_the_total(recorded: str, more: str, exceed: bool, above: str, why: str) -> None:
    total = bill(coverage_of((0, hms(recorded)))).total
    assert (total.to_next_ns, total.exceed_next, total.above_ns) == (
        hms(more), exceed, hms(above),
    ), why  # fmt: skip


@pytest.mark.parametrize(
    ("recorded", "to_next", "above"),
    [
        ("35:00:00", "1:00:00", "0:00:00"),
        ("59:50:00", "0:10:00", "23:50:00"),
        ("60:00:00", "0:00:00", "24:00:00"),
        ("72:00:00", "12:00:00", "12:00:00"),
        ("100:00:00", None, "16:00:00"),
    ],
)
def test_margins_of_the_whole_study_band(recorded: str, to_next: str | None, above: str) -> None:
    professional = bill(coverage_of((0, hms(recorded)))).professional
    assert professional.whole_to_next_ns == (None if to_next is None else hms(to_next))
    assert professional.whole_above_ns == hms(above)
    assert professional.whole_exceed_next is (to_next is not None)


def test_margins_of_each_period() -> None:
    # 72 h with a gap from hour 30 to hour 43: day two holds 11 h.
    billing = bill(coverage_of((0, 30 * HOUR), (43 * HOUR, 72 * HOUR)))
    technical = [p.technical for p in billing.periods]
    assert [p.recorded_ns for p in billing.periods] == [24 * HOUR, 11 * HOUR, 24 * HOUR]
    assert _margin(technical[0]) == (None, False, 12 * HOUR), "a full day reaches no higher limit"
    assert _margin(technical[1]) == (1 * HOUR, True, 9 * HOUR), "more than 12 h is next"
    assert _margin(technical[2]) == (2 * HOUR, True, 12 * HOUR), "more than 2 h beyond is next"


def test_margins_of_a_last_period_count_that_two_hours_left_over_join() -> None:
    last = bill(coverage_of((0, 49 * HOUR))).periods[-1].technical
    assert (last.units, *_margin(last)) == ((), 1 * HOUR, True, 0)


def test_margins_of_a_period_alone_or_in_the_middle_begin_at_two_hours_itself() -> None:
    alone = bill(coverage_of((0, hms("1:30:00")))).periods[0].technical
    assert _margin(alone) == (hms("0:30:00"), False, 0)
    reached = bill(coverage_of((0, hms("2:00:00")))).periods[0].technical
    assert _margin(reached) == (10 * HOUR, True, 0)
    middle = bill(coverage_of((0, hms("25:30:00")), (48 * HOUR, 60 * HOUR))).periods[1].technical
    assert _margin(middle) == (hms("0:30:00"), False, 0)


def test_a_period_that_took_what_was_left_over_lies_above_its_limit_by_both() -> None:
    # 24 h and the 1:30 that joined it: 13:30 above 12 h. Those 1:30 themselves lack 0:30, to be passed.
    technical = [p.technical for p in bill(coverage_of((0, hms("49:30:00")))).periods]
    assert _margin(technical[1]) == (None, False, hms("13:30:00"))
    assert _margin(technical[2]) == (hms("0:30:00"), True, 0)


def test_a_civil_day_that_holds_all_that_may_join_it_is_on_its_limit() -> None:
    # America/Denver, 2027-11-07 has 25 h (IANA). Invented: no more than 1 h beyond 24 h joins.
    axis = Axis("America/Denver")
    start = axis.instant(civil(2027, 11, 7))
    policy = policy_with(period_start_ns=0, leftover_joins={"ns": HOUR})
    (whole,) = bill(coverage_of((start, start + 25 * HOUR)), policy=policy, axis=axis).periods
    assert _margin(whole.technical) == (0, True, 13 * HOUR)


ANY_TIME = st.integers(min_value=1, max_value=170 * HOUR)


@given(ANY_TIME)
def test_adding_the_margin_changes_the_units_and_less_does_not(recorded: int) -> None:
    total = bill(coverage_of((0, recorded))).total
    assert total.to_next_ns is not None
    reached = recorded + total.to_next_ns + int(total.exceed_next)
    assert _totals(reached) != units(total.units)
    assert reached - 1 == recorded or _totals(reached - 1) == units(total.units)


@given(ANY_TIME)
def test_the_time_above_a_limit_is_all_that_may_be_lost(recorded: int) -> None:
    total = bill(coverage_of((0, recorded))).total
    if not total.units:
        assert total.above_ns == 0
        return
    limit = recorded - total.above_ns
    assert limit == recorded or _totals(limit + 1) == units(total.units)
    # The limit itself belongs to the band or the first nanosecond beyond it does.
    last_below = limit - 1 if _totals(limit) == units(total.units) else limit
    assert _totals(last_below) != units(total.units)


@given(ANY_TIME)
def test_adding_the_margin_changes_the_whole_study_code(recorded: int) -> None:
    professional = bill(coverage_of((0, recorded))).professional
    code, more = professional.whole_study.code, professional.whole_to_next_ns
    if more is None:
        assert code == "95725"
        return
    reached = recorded + more + int(professional.whole_exceed_next)
    assert _whole(reached) != code
    assert reached - 1 == recorded or _whole(reached - 1) == code


@given(ANY_TIME, ANY_TIME)
def test_more_recorded_time_never_makes_less(a: int, b: int) -> None:
    fewer, more = sorted((a, b))
    weight = {SHORT: 1, LONG: 2}  # a 12-26 unit stands for more time than a 2-12 unit
    low, high = (sum(weight[code] * n for code, n in _totals(t).items()) for t in (fewer, more))
    assert low <= high


@given(ANY_TIME)
def test_units_agree_with_the_rule_written_out(recorded: int) -> None:
    days, rest = divmod(recorded, 24 * HOUR)
    if recorded <= 26 * HOUR:
        long = int(recorded > 12 * HOUR)
        short = int(2 * HOUR <= recorded <= 12 * HOUR)
    else:
        long = days + int(rest > 12 * HOUR)
        short = int(2 * HOUR < rest <= 12 * HOUR)
    assert _totals(recorded) == {c: n for c, n in ((SHORT, short), (LONG, long)) if n}


def _totals(recorded: int) -> dict[str, int]:
    return units(_bill(recorded).technical_totals)


def _whole(recorded: int) -> str | None:
    return _bill(recorded).professional.whole_study.code


def _days(recorded: int) -> list[str | None]:
    return [d.code for d in _bill(recorded).professional.each_day]


def _bill(recorded: int) -> Billing:
    return bill(coverage_of((0, recorded)))


def _margin(technical: Technical) -> tuple[int | None, bool, int]:
    return technical.to_next_ns, technical.exceed_next, technical.above_ns
