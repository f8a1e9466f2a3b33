"""Other readings of the rules: shown wherever they change a code, and only there."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_billing import (
    POLICY,
    bill,
    bill_and_findings,
    by_interpretation,
    checks_at,
    civil,
    coverage_of,
    filmed,
    hms,
    hours,
    monitored,
    order,
    policy_from,
    policy_with,
    stretch,
    units,
)
from helpers_stop import BASE, Case, piece
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.billing import BillingFacts, billing_periods, measure_billing, restarts
from auditor.billing.interpretations import differing_windows
from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import Interval

SHORT, LONG = "95705", "95708"
MIDNIGHT = 0

# Filling 26 h first (no source; the lower count): hand-made from n = floor(T / 26) and the same
# rule for what is left over.
LONGEST_FIRST = [
    ("26:00:00", None, "one unit either way"),
    ("26:00:01", {LONG: 1}, "one 26 h unit, one second left over"),
    ("28:00:00", {LONG: 1}, "two hours left over join"),
    ("28:00:01", None, "more than two hours left over: one of each in both readings"),
    ("36:00:00", None, "one of each in both readings"),
    ("36:00:01", {LONG: 1, SHORT: 1}, "10:00:01 left over is a 2-12 unit"),
    ("38:00:00", {LONG: 1, SHORT: 1}, "12 h left over is still a 2-12 unit"),
    ("38:00:01", None, "two 12-26 units in both readings"),
    ("50:00:01", {LONG: 2}, "26 h, and 24:00:01"),
    ("52:00:00", {LONG: 2}, "26 h twice"),
    ("60:00:01", {LONG: 2, SHORT: 1}, "26 h twice and 8:00:01"),
    ("72:00:00", None, "26 h twice and 20 h: three in both"),
    ("84:00:01", {LONG: 3, SHORT: 1}, "26 h three times and 6:00:01"),
]


@pytest.mark.parametrize(("recorded", "expected", "why"), LONGEST_FIRST)
def test_filling_26_hours_first(recorded: str, expected: dict[str, int] | None, why: str) -> None:
    billing = bill(coverage_of((0, hms(recorded))))
    assert by_interpretation(billing, "filled up to 26 h") == expected, why


DIFFER = " (the two differ for every total of more than {} and up to {})"


@pytest.mark.parametrize(
    ("recorded", "default", "clause"),
    [
        ([(0, 27)], "total", DIFFER.format("26:00:00", "28:00:00")),
        ([(0, 28)], "total", DIFFER.format("26:00:00", "28:00:00")),
        # From 170 h on the lower count never comes up again; two periods of 24 h more are looked at.
        ([(0, 200)], "total", DIFFER.format("170:00:00", "248:00:00")),
        # 13 h on each of two days are two units by period and one of 26 h by either split.
        ([(0, 13), (24, 37)], "windows", ""),
    ],
)
def test_the_reading_names_the_totals_for_which_to_ask_the_coder(
    recorded: list[tuple[float, float]], default: str, clause: str
) -> None:
    billing = bill(hours(*recorded), policy=policy_with(split={"default": default}))
    texts = [a.words for a in billing.interpretations if "filled up to 26 h" in a.words]
    assert texts == [f"each unit is filled up to 26 h before the next begins{clause}"]


def test_the_totals_to_ask_about_follow_from_the_policy() -> None:
    windows = differing_windows(POLICY.billing, 60 * HOUR)
    assert windows == (stretch(26, 28), stretch(36, 38), stretch(50, 54))


@given(st.integers(1, 110 * HOUR))
def test_a_total_lies_in_a_window_to_ask_about_exactly_where_the_readings_differ(
    recorded: int,
) -> None:
    windows = differing_windows(POLICY.billing, 120 * HOUR)
    shown = by_interpretation(bill(coverage_of((0, recorded))), "filled up to 26 h") is not None
    assert shown == any(w.start < recorded <= w.end for w in windows)


def test_each_period_by_itself_is_shown_where_gaps_move_a_code() -> None:
    # Day one 24 h, day two 10 h, day three 16 h: total 50 h is two 12-26 units; by period they are
    # two 12-26 and one 2-12.
    billing = bill(hours((0, 34), (56, 72)))
    assert billing.periods[1].recorded_ns == 10 * HOUR
    assert units(billing.technical_totals) == {LONG: 2}
    assert by_interpretation(billing, "banded by itself") == {LONG: 2, SHORT: 1}
    assert [units(p.technical.units) for p in billing.periods] == [{LONG: 1}, {SHORT: 1}, {LONG: 1}]


def test_each_period_by_itself_is_not_shown_without_gaps() -> None:
    assert by_interpretation(bill(hours((0, 72))), "banded by itself") is None


def test_a_day_of_exactly_two_hours_in_the_middle_is_a_unit_of_its_own() -> None:
    # Only what is left over at the end joins the day before.
    billing = bill(hours((0, 26), (48, 72)))
    assert [p.recorded_ns for p in billing.periods] == [24 * HOUR, 2 * HOUR, 24 * HOUR]
    assert by_interpretation(billing, "banded by itself") == {LONG: 2, SHORT: 1}


def test_periods_from_a_fixed_hour() -> None:
    # From 15:30: 8:30 to midnight, 24 h, and 15:30 on the last day.
    start = 15 * HOUR + 30 * MINUTE
    coverage = coverage_of((start, start + 48 * HOUR))
    billing = bill(coverage, policy=policy_with(other_period_start="00:00"))
    assert units(billing.technical_totals) == {LONG: 2}
    assert by_interpretation(billing, "start at 00:00 each day") == {LONG: 2, SHORT: 1}
    assert not [i for i in bill(coverage).interpretations if "each day" in i.words], "not asked for"


def test_a_recording_from_the_fixed_hour_has_no_other_reading_by_it() -> None:
    policy = policy_with(other_period_start="00:00")
    billing = bill(coverage_of((MIDNIGHT, 48 * HOUR)), policy=policy)
    assert by_interpretation(billing, "start at 00:00 each day") is None


def test_fixed_hours_follow_the_civil_clock() -> None:
    # America/Denver, 2027-11-07: the clocks are put back, so the civil day lasts 25 h (IANA).
    axis = Axis("America/Denver")
    policy = policy_with(period_start_ns=0)
    start = axis.instant(civil(2027, 11, 7))
    coverage = coverage_of((start, start + 49 * HOUR))
    periods = billing_periods(coverage, axis, policy.billing)
    assert [p.duration for p in periods] == [25 * HOUR, 24 * HOUR]
    assert units(bill(coverage, policy=policy, axis=axis).technical_totals) == {LONG: 2}


def test_a_restart_that_moves_the_clock_is_shown_where_it_changes_a_code() -> None:
    # 13 h, a gap of an hour, 13 h: 26 h in all is one 12-26 unit; two clocks give two.
    coverage = hours((0, 13), (14, 27))
    billing = bill(coverage, restarts=(14 * HOUR,))
    assert units(billing.technical_totals) == {LONG: 1}
    assert by_interpretation(billing, "each restart after a gap (1 here)") == {LONG: 2}


def test_a_file_that_begins_without_a_gap_is_no_restart() -> None:
    # One file to hour 5, the next from there to hour 13, the last after an hour's interruption.
    case = Case([piece("a", (0, 5)), piece("b", (5, 13)), piece("c", (14, 27))])
    assert restarts(case.study(), case.coverage()) == (BASE + 14 * HOUR,)


def test_a_policy_may_let_restarts_move_the_clock() -> None:
    policy = policy_with(restart={"moves_clock": True})
    billing = bill(hours((0, 13), (14, 27)), policy=policy, restarts=(14 * HOUR,))
    assert units(billing.technical_totals) == {LONG: 2}
    assert [p.start for p in billing.periods] == [0, 14 * HOUR]
    assert by_interpretation(billing, "one clock runs from the first record") == {LONG: 1}


def test_small_gaps_that_decide_a_code_are_shown() -> None:
    # 60 h and a second, less a gap of 30 s: the gap decides the whole-study band and a unit.
    gap = (HOUR, HOUR + 30 * NS)
    coverage = coverage_of((0, gap[0]), (gap[1], 60 * HOUR + NS))
    billing = bill(coverage)
    assert units(billing.technical_totals) == {LONG: 2, SHORT: 1}
    found = [a for a in billing.interpretations if "gaps shorter than 1 min count" in a.words]
    assert units(found[0].technical_totals) == {LONG: 3}
    assert found[0].professional.whole_study.code == "95723"


def test_a_policy_may_count_small_gaps() -> None:
    policy = policy_with(gaps={"tolerance_ns": 60 * NS})
    coverage = coverage_of((0, HOUR), (HOUR + 30 * NS, 60 * HOUR + NS))
    billing = bill(coverage, policy=policy)
    assert billing.basis == "recorded, gaps shorter than 1 min counted"
    policy = policy_with(gaps={"tolerance_ns": 60 * NS, "other_tolerance_ns": 0})
    words = "no gap counts as recorded, however short"
    told = bill(coverage, policy=policy).interpretations
    assert [a.words for a in told if "no gap" in a.words] == [words]
    assert units(billing.technical_totals) == {LONG: 3}


@pytest.mark.parametrize(
    ("recorded", "shown"), [("26:00:00", False), ("26:00:01", True), ("36:00:00", True), ("36:00:01", False)]
)  # fmt: skip
def test_26_to_36_hours_read_once_is_from_memory(recorded: str, shown: bool) -> None:
    billing = bill(coverage_of((0, hms(recorded))))
    found = [a for a in billing.interpretations if "read and reported once" in a.words]
    assert bool(found) is shown
    if found:
        whole = found[0].professional.whole_study
        assert (whole.code, whole.also) == ("95719", ("95717",))
        assert "memory" in found[0].source
        assert "ask the coder" in billing.professional.whole_study.band


def test_26_to_36_hours_read_once_may_be_hidden_or_asked_for_by_policy() -> None:
    (band,) = POLICY.billing.professional_once
    for other, shown in (("show", [False]), ("ask", [True]), ("hide", [])):
        policy = policy_with(professional_once=(replace(band, other=other),))
        found = bill(hours((0, 30)), policy=policy).interpretations
        assert [one.asked for one in found if "read and reported once" in one.words] == shown


def test_periods_from_a_fixed_hour_ask_for_no_other_start_by_themselves() -> None:
    # 15:30 to 15:30 two days later: from midnight 8:30, 24 h and 15:30, one 2-12 h unit and two of
    # 12-26 h; from the first record on two of 12-26 h.
    coverage = hours((15.5, 63.5))
    alone = bill(coverage, policy=policy_with(period_start_ns=0))
    assert not [one for one in alone.interpretations if "periods start" in one.words]
    both = policy_with(period_start_ns=0, other_period_start="recording")
    words = "periods start with the first record and not at a fixed hour"
    assert by_interpretation(bill(coverage, policy=both), words) == {LONG: 2}


def test_one_missed_check_may_lower_the_study_by_policy() -> None:
    coverage = hours((0, 72))
    log, _ = monitored(coverage, checks_at(*[h for h in range(2, 72, 2) if h != 30]))
    policy = policy_with(lapse={"lowers": "study"})
    billing, found = bill_and_findings(
        coverage, policy=policy, given=order(monitoring="intermittent"), monitoring=log
    )
    assert units(billing.technical_totals) == {LONG: 3}
    assert by_interpretation(billing, "lowers only the period that holds it") == {
        LONG: 1,
        "95709": 2,
    }
    assert "in 3 of 3 periods" in found["monitoring_level_lowered"].text
    assert "A lapse in another period lowers this one" in billing.periods[0].notes[0]


# --- what the order or a log does not say --------------------------------------------------------


def test_an_order_that_says_nothing_gives_codes_without_video_and_unmonitored() -> None:
    billing, found = bill_and_findings(hours((0, 72)), given=order(monitoring=None, video=None))
    assert units(billing.technical_totals) == {LONG: 3}
    assert found["video_or_monitoring_not_stated"].severity == "info"
    assert [f.code for f in found.values() if f.question] == []


def test_no_order_at_all_gives_the_same() -> None:
    coverage = hours((0, 72))
    billing, findings = measure_billing(BillingFacts(coverage, Axis(), None), POLICY.billing)
    assert units(billing.technical_totals) == {LONG: 3}
    assert [(f.code, f.form) for f in findings] == [("video_or_monitoring_not_stated", "no_order")]


def test_monitoring_without_a_log_is_not_documented_and_both_codes_are_given() -> None:
    given_order = order(monitoring="intermittent")
    for log in (None, monitored(hours((0, 72)), [])[0]):
        billing, found = bill_and_findings(hours((0, 72)), given=given_order, monitoring=log)
        assert units(billing.technical_totals) == {LONG: 3}
        assert by_interpretation(billing, "intermittent monitoring is documented elsewhere") == {
            "95709": 3
        }
        assert found["monitoring_not_documented"].severity == "caution"


def test_continuous_monitoring_cannot_be_shown_by_a_list_of_checks() -> None:
    coverage = hours((0, 72))
    log, _ = monitored(coverage, checks_at(*range(1, 72)), "continuous")
    billing, found = bill_and_findings(
        coverage, given=order(monitoring="continuous"), monitoring=log
    )
    assert log.supported == "intermittent"
    assert units(billing.technical_totals) == {"95709": 3}
    assert by_interpretation(billing, "continuous monitoring is documented elsewhere") == {
        "95710": 3
    }
    assert found["monitoring_not_shown"].question == "billing"


def test_a_policy_may_say_how_often_continuous_watching_is_logged(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        "[monitoring.continuous]\ninterval = { hours = 1, source = 'a made-up payer' }\n",
    )
    coverage = hours((0, 72))
    log, _ = monitored(coverage, checks_at(*range(1, 72)), "continuous", policy=policy)
    billing = bill(coverage, policy=policy, given=order(monitoring="continuous"), monitoring=log)
    assert units(billing.technical_totals) == {"95710": 3}


def test_video_without_a_log_is_not_documented_and_both_codes_are_given() -> None:
    empty = filmed(coverage=hours((0, 72)))
    for log in (None, empty):
        billing, found = bill_and_findings(hours((0, 72)), given=order(video=True), video=log)
        assert units(billing.technical_totals) == {LONG: 3}
        assert by_interpretation(billing, "video of enough of the recording") == {"95714": 3}
        assert "video_not_documented" in found


def test_video_over_enough_of_the_study_gives_the_codes_with_video() -> None:
    coverage = hours((0, 72))
    video = filmed(stretch(0, 60), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert units(billing.technical_totals) == {"95714": 3}
    assert billing.professional.whole_study.code == "95724"
    # Day three has video for half of its time: period by period it has the code without.
    assert by_interpretation(billing, "period by period") == {LONG: 1, "95714": 2}
    assert [p.video for p in billing.periods] == [True, True, False]
    assert found["video_below_share"].headline == "period 3: 7:12:00 of video short of 80 %"
    assert "codes are those with video" in found["video_below_share"].text


def test_video_over_too_little_gives_the_codes_without_and_says_so() -> None:
    coverage = hours((0, 72))
    video = filmed(stretch(0, 40), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert units(billing.technical_totals) == {LONG: 3}
    assert found["video_below_share"].observed == "55.55 %"
    assert by_interpretation(billing, "period by period") == {LONG: 2, "95714": 1}
    other = bill(
        coverage,
        policy=policy_with(video_share={"by": "period"}),
        given=order(video=True),
        video=video,
    )
    words = "the share of video is taken over the study"
    assert [a.words for a in other.interpretations if "share of video" in a.words] == [words]


@pytest.mark.parametrize(("short_ns", "codes"), [(0, {"95714": 1}), (1, {LONG: 1})])
def test_exactly_the_share_of_a_period_is_enough(short_ns: int, codes: dict[str, int]) -> None:
    # 80 % of 24 h is 19:12:00.
    coverage = hours((0, 24))
    video = filmed(Interval(0, hms("19:12:00") - short_ns), coverage=coverage)
    policy = policy_with(video_share={"by": "period"})
    billing = bill(coverage, policy=policy, given=order(video=True), video=video)
    assert units(billing.technical_totals) == codes
    assert [p.video for p in billing.periods] == [not short_ns]


def test_what_is_left_over_has_the_video_of_the_period_that_it_joins() -> None:
    # Video to hour 48 of 49:30. The last 1:30 have none, and count with the second period.
    coverage = hours((0, 49.5))
    video = filmed(stretch(0, 48), coverage=coverage)
    billing = bill(coverage, given=order(video=True), video=video)
    assert [p.video for p in billing.periods] == [True, True, True]


def test_each_period_names_the_level_that_its_checks_support() -> None:
    # Every 2 h to hour 24, and none from there on; 49:30 in all, of which the last 1:30 join.
    coverage = hours((0, 49.5))
    log, _ = monitored(coverage, checks_at(*range(2, 25, 2)))
    billing = bill(coverage, given=order(monitoring="intermittent"), monitoring=log)
    assert [p.monitoring for p in billing.periods] == ["intermittent", "unmonitored", "unmonitored"]
    # Nothing was recorded on day two of three; 2 h of recording between the checks around it.
    coverage = hours((0, 24), (48, 72))
    log, _ = monitored(coverage, checks_at(*range(2, 24, 2), 23, *range(49, 72, 2)))
    billing = bill(coverage, given=order(monitoring="intermittent"), monitoring=log)
    assert [p.monitoring for p in billing.periods] == ["intermittent", None, "intermittent"]


def test_checks_that_the_order_does_not_name_raise_no_code() -> None:
    coverage = hours((0, 24))
    log, _ = monitored(coverage, checks_at(*range(2, 24, 2)), None)
    assert log.supported == "intermittent"
    billing = bill(coverage, given=order(monitoring=None), monitoring=log)
    assert units(billing.technical_totals) == {LONG: 1}
    assert [p.monitoring for p in billing.periods] == [None]


def test_video_that_was_not_ordered_changes_no_code_and_is_told() -> None:
    coverage = hours((0, 72))
    video = filmed(stretch(0, 72), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=False), video=video)
    assert units(billing.technical_totals) == {LONG: 3}
    assert "video_not_ordered" in found


# --- usable time as a second column --------------------------------------------------------------


def test_usable_time_is_a_second_column_and_says_where_codes_rest_on_unreadable_hours() -> None:
    coverage = hours((0, 72))
    pair = (hours((0, 30), (47, 72)).union_starts, hours((0, 30), (47, 72)).union_ends)
    billing, found = bill_and_findings(coverage, usable=pair)
    assert [p.usable_ns for p in billing.periods] == [24 * HOUR, 7 * HOUR, 24 * HOUR]
    assert billing.usable_totals is not None
    assert units(billing.usable_totals) == {LONG: 2, SHORT: 1}
    assert billing.usable_professional is not None
    assert billing.usable_professional.whole_study.code == "95721"
    assert units(billing.technical_totals) == {LONG: 3}
    assert "72:00:00" in found["usable_band_below_recorded"].text
    assert "55:00:00" in found["usable_band_below_recorded"].text


def test_usable_time_outside_the_recording_does_not_count() -> None:
    coverage = hours((0, 24))
    wide = hours((-5, 30))
    billing = bill(coverage, usable=(wide.union_starts, wide.union_ends))
    assert [p.usable_ns for p in billing.periods] == [24 * HOUR]


def test_without_a_scan_the_second_column_is_not_known() -> None:
    billing = bill(hours((0, 24)))
    assert billing.usable_totals is None
    assert billing.periods[0].usable_ns is None


# --- totals always agree with their parts --------------------------------------------------------

MINUTES = st.integers(1, 40 * 60)


@given(st.lists(st.tuples(MINUTES, MINUTES), min_size=1, max_size=6))
def test_periods_add_up_to_the_recorded_time_whatever_the_gaps(
    pieces: list[tuple[int, int]],
) -> None:
    at, pairs = 0, []
    for recorded, gap in pieces:
        pairs.append((at, at + recorded * MINUTE))
        at += (recorded + gap) * MINUTE
    billing = bill(coverage_of(*pairs))
    assert sum(p.recorded_ns for p in billing.periods) == sum(b - a for a, b in pairs)
    assert len(billing.professional.each_day) == len(billing.periods)
    by_period: dict[str, int] = {}
    for period in billing.periods:
        for code, count in units(period.technical.units).items():
            by_period[code] = by_period.get(code, 0) + count
    shown = by_interpretation(billing, "banded by itself")
    assert by_period == (units(billing.technical_totals) if shown is None else shown)


def test_a_span_of_centuries_lists_only_periods_that_hold_time() -> None:
    # One file with a wrong date must not make a hundred thousand empty periods.
    late = 200 * 365 * 24 * HOUR
    billing = bill(coverage_of((0, 30 * HOUR), (late, late + 3 * HOUR)))
    assert len(billing.periods) < 6
    assert sum(p.recorded_ns for p in billing.periods) == 33 * HOUR


def test_a_lapse_lowers_the_usable_column_too_wherever_it_lies() -> None:
    # Hours 25 to 40 could not be read, and the lapse lies inside them.
    coverage = hours((0, 72))
    log, _ = monitored(coverage, checks_at(*[h for h in range(2, 72, 2) if h != 30]))
    good = hours((0, 25), (40, 72))
    billing = bill(
        coverage, given=order(monitoring="intermittent"), monitoring=log,
        usable=(good.union_starts, good.union_ends),
    )  # fmt: skip
    # 24, 9 and 24 h can be read: 57 h are two 12-26 h units and one 2-12 h unit, and it is in the
    # second period's nine hours that the lapse lies.
    assert billing.usable_totals is not None
    assert units(billing.usable_totals) == {"95709": 2, "95705": 1}


def test_no_usable_time_at_all_is_no_unit() -> None:
    empty = np.empty(0, np.int64)
    billing, found = bill_and_findings(hours((0, 72)), usable=(empty, empty))
    assert billing.usable_totals == ()
    assert [p.usable_ns for p in billing.periods] == [0, 0, 0]
    none = "none (report on the whole study none, on days none)"
    assert found["usable_band_below_recorded"].observed == none


def test_thousands_of_restarts_are_read() -> None:
    pieces = [(k * MINUTE, k * MINUTE + 50 * NS) for k in range(5000)]
    billing = bill(coverage_of(*pieces), restarts=tuple(a for a, _ in pieces[1:]))
    assert by_interpretation(billing, "each restart after a gap (4999 here)") == {}


# Four days of 24, 10, 10 and 10 h: 54 h in all are two 12-26 units and one 2-12 unit, while by
# period they would be one and three. So units follow recorded time: its hours 0 to 24, 24 to 48 and
# 48 to 54, which were recorded on day one, from day two to four, and on day four.
SPREAD = hours((0, 34), (48, 58), (72, 82))
EVERY_HOUR = [*range(1, 34), *range(49, 58), *range(73, 82)]


@pytest.mark.parametrize(
    ("missed", "expected"),
    [
        ((), {"95709": 2, "95706": 1}),
        ((3, 4), {"95708": 1, "95709": 1, "95706": 1}),
        ((50, 51), {"95708": 1, "95709": 1, "95706": 1}),
        ((77, 78), {"95709": 2, "95705": 1}),
        ((75, 76), {"95708": 1, "95709": 1, "95705": 1}),
    ],
    ids=["no lapse", "on day one", "on day three", "in the last six hours", "across the two"],
)
def test_a_lapse_lowers_the_unit_whose_recorded_time_holds_it(
    missed: tuple[int, ...], expected: dict[str, int]
) -> None:
    checks = checks_at(*[h for h in EVERY_HOUR if h not in missed])
    log, _ = monitored(SPREAD, checks)
    assert len(log.lapses) == (1 if missed else 0)
    billing = bill(SPREAD, given=order(monitoring="intermittent"), monitoring=log)
    assert units(billing.technical_totals) == expected


def test_periods_from_a_fixed_hour_of_the_morning() -> None:
    # From 06:00 on, periods from 07:00: 1 h, 24 h, 24 h and 2 h, which joins.
    policy = policy_with(period_start_ns=7 * HOUR)
    billing = bill(coverage_of((6 * HOUR, 57 * HOUR)), policy=policy)
    assert [p.recorded_ns for p in billing.periods] == [HOUR, 24 * HOUR, 24 * HOUR, 2 * HOUR]
    assert [units(p.technical.units) for p in billing.periods] == [{}, {LONG: 1}, {LONG: 1}, {}]


def test_a_civil_day_of_25_hours_that_takes_two_more_is_one_unit() -> None:
    # America/Denver, 2027-11-07 has 25 h (IANA); 2 h of the next day join it.
    axis = Axis("America/Denver")
    policy = policy_with(period_start_ns=0)
    start = axis.instant(civil(2027, 11, 7))
    billing = bill(coverage_of((start, start + 27 * HOUR)), policy=policy, axis=axis)
    assert units(billing.technical_totals) == {LONG: 1}
    assert [d.code for d in billing.professional.each_day] == ["95719", None]


def test_time_that_joins_is_told_in_both_periods() -> None:
    billing = bill(coverage_of((0, hms("49:30:00"))))
    assert billing.periods[0].notes == ()
    assert billing.periods[1].notes == ("1 h 30 min left over after this period counts with it.",)
    assert billing.periods[2].notes == (
        "1 h 30 min left over, no more than 2 h: it joins the period before and makes no unit of "
        "its own.",
    )


def test_margins_follow_the_default_reading() -> None:
    # 30 h: by whole days the next limit is 36 h; filling 26 h first, it is 26 + 12 h. Either must be
    # passed.
    policy = policy_with(split={"default": "longest_first"})
    total = bill(hours((0, 30)), policy=policy).total
    assert (total.to_next_ns, total.exceed_next) == (8 * HOUR, True)
    total = bill(hours((0, 30))).total
    assert (total.to_next_ns, total.exceed_next) == (6 * HOUR, True)
