"""Documented checks: intervals over recorded time, lapses, and the level that they support."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path

import pytest
from helpers_billing import (
    AXIS,
    POLICY,
    checks_at,
    coverage_of,
    hours,
    log_of,
    monitored,
    order,
    policy_from,
)
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.billing import billing_periods
from auditor.billing.monitoring import measure_monitoring
from auditor.core.units import HOUR, MINUTE, NS
from auditor.coverage.timeline import recorded_within
from auditor.model import Interval, MonitoringCheck, PlacedAnnotation

EVERY_TWO_HOURS = [*range(2, 24, 2)]


def test_a_check_every_two_hours_supports_intermittent_monitoring() -> None:
    log, found = monitored(hours((0, 24)), checks_at(*EVERY_TWO_HOURS))
    assert (log.supported, log.longest_interval_ns, log.lapses) == ("intermittent", 2 * HOUR, ())
    assert found == {}


@pytest.mark.parametrize("step", [NS, 1], ids=["a second", "a nanosecond"])
def test_two_hours_are_kept_and_one_step_more_is_a_lapse(step: int) -> None:
    checks = [MonitoringCheck(h * HOUR, "", "", "log") for h in EVERY_TWO_HOURS]
    checks[5] = MonitoringCheck(12 * HOUR + step, "", "", "log")
    log, _ = monitored(hours((0, 24)), checks)
    assert log.supported == "unmonitored"
    assert [(lapse.start, lapse.end) for lapse in log.lapses] == [(10 * HOUR, 12 * HOUR + step)]
    checks[5] = MonitoringCheck(12 * HOUR - step, "", "", "log")
    log, _ = monitored(hours((0, 24)), checks)
    assert [(lapse.start, lapse.end) for lapse in log.lapses] == [(12 * HOUR - step, 14 * HOUR)]


@pytest.mark.parametrize(
    ("first", "last", "lapses"),
    [(2, 22, 0), (2.5, 22, 1), (2, 21.5, 1)],
    ids=["both in time", "first too late", "last too early"],
)
def test_the_first_and_last_check_are_due_within_two_hours_of_the_ends(
    first: float, last: float, lapses: int
) -> None:
    middle = range(4, 21)
    log, _ = monitored(hours((0, 24)), checks_at(first, *middle, last))
    assert len(log.lapses) == lapses


def test_a_gap_needs_no_check() -> None:
    # Checks 6:30 apart by the clock with 5 h of gap between them lie 1:30 apart.
    log, _ = monitored(hours((0, 4), (9, 12)), checks_at(2, 3.5, 10, 11))
    assert (log.lapses, log.longest_interval_ns) == ((), 2 * HOUR)


def test_recorded_time_on_both_sides_of_a_gap_adds_up() -> None:
    log, found = monitored(hours((0, 4), (9, 12)), checks_at(2, 10.5, 11))
    (lapse,) = log.lapses
    assert (lapse.start, lapse.end) == (2 * HOUR, int(10.5 * HOUR))
    assert lapse.recorded_ns == int(3.5 * HOUR)
    assert lapse.duration == int(8.5 * HOUR)
    assert log.longest_interval_ns == int(3.5 * HOUR)
    assert found["monitoring_lapse"].observed == "3 h 30 min"


def test_checks_where_nothing_was_recorded_are_told_and_not_counted() -> None:
    checks = checks_at(-1, 2, 5, 13, 10, 11)
    log, found = monitored(hours((0, 4), (9, 12)), checks)
    assert log.outside == 3  # before the first record, in the gap, after the last
    assert [c.at for c in log.checks] == [int(h * HOUR) for h in (2, 10, 11)]
    assert found["checks_outside_recording"].observed == "3 outside"
    assert found["checks_outside_recording"].text.startswith(
        "3 of 6 checks lie before the first record, after the last or in an interruption."
    )


def test_a_check_at_the_edge_of_a_gap_or_of_the_recording_counts() -> None:
    log, _ = monitored(hours((0, 4), (9, 12)), checks_at(0, 4, 9, 12))
    assert log.outside == 0


def test_a_check_in_a_dropout_counts() -> None:
    coverage = coverage_of((0, HOUR), (HOUR + NS // 2, 3 * HOUR))
    log, _ = monitored(coverage, [MonitoringCheck(HOUR + NS // 4, "", "", "log")])
    assert log.outside == 0


def test_an_empty_log_documents_nothing() -> None:
    log, found = monitored(hours((0, 24)), [])
    assert (log.supported, log.longest_interval_ns, log.lapses) == (None, None, ())
    assert found == {}


def test_only_checks_outside_the_recording_document_nothing() -> None:
    log, _ = monitored(hours((0, 24)), checks_at(-3, 30))
    assert log.supported is None
    assert log.outside == 2


def test_annotations_that_match_count_as_checks() -> None:
    coverage = hours((0, 6))
    notes = [
        PlacedAnnotation(2 * HOUR, None, "Remote check OK", "s2041.edf", True),
        PlacedAnnotation(3 * HOUR, None, "Eyes closed", "s2041.edf", True),
        PlacedAnnotation(4 * HOUR, None, "tech review", "s2041.edf", True),
    ]
    log, _ = measure_monitoring(
        None, notes, coverage, billing_periods(coverage, AXIS, POLICY.billing),
        order(monitoring="intermittent"), POLICY.monitoring,
    )  # fmt: skip
    assert [c.note for c in log.checks] == ["Remote check OK", "tech review"]
    assert {(c.by, c.source) for c in log.checks} == {("", "annotation")}
    assert log.supported == "intermittent"


def test_a_lapse_names_every_period_that_it_touches() -> None:
    # 72 h with periods at 0, 24 and 48 h; no check from hour 22 to hour 50.
    times = [h for h in range(2, 72, 2) if not 22 < h < 50]
    log, found = monitored(hours((0, 72)), checks_at(*times))
    assert [lapse.periods for lapse in log.lapses] == [(1, 2, 3)]
    assert "in periods 1, 2 and 3" in found["monitoring_lapse"].text


@pytest.mark.parametrize("missed", [26, 46])
def test_a_lapse_that_ends_or_begins_with_a_period_touches_no_other(missed: int) -> None:
    # 4 h from hour 24, or up to hour 48: both in period 2 alone.
    log, _ = monitored(hours((0, 72)), checks_at(*[h for h in range(2, 72, 2) if h != missed]))
    assert [lapse.periods for lapse in log.lapses] == [(2,)]


def test_a_period_of_which_only_the_gap_lies_in_the_lapse_is_not_named() -> None:
    # The gap fills day two; the lapse runs from hour 20 to hour 50 with 6 h recorded.
    log, _ = monitored(hours((0, 24), (48, 60)), checks_at(*range(2, 21, 2), 50, 52, 54, 56, 58))
    assert [lapse.periods for lapse in log.lapses] == [(1, 3)]


def test_a_lapse_says_in_words_what_it_means() -> None:
    log, found = monitored(hours((0, 72)), checks_at(*[h for h in range(2, 72, 2) if h != 30]))
    (lapse,) = log.lapses
    assert (lapse.recorded_ns, lapse.allowed_ns, lapse.periods) == (4 * HOUR, 2 * HOUR, (2,))
    assert found["monitoring_lapse"].text == (
        "1 of 33 intervals is 4:00, 2:00 over, in period 2. Intermittent monitoring allows at most "
        "2 h of recording without a check; the longest here is 4 h."
    )


def test_the_longest_lapse_is_named_wherever_it_lies() -> None:
    # Checks every 2 h but for 5 h from hour 2 and 3 h from hour 10; recorded to the nanosecond.
    checks = checks_at(2, 7, 8, 10, 13, *range(14, 24, 2))
    checks[1] = MonitoringCheck(7 * HOUR + 1, "", "", "log")
    _, found = monitored(hours((0, 24)), checks)
    lapse = found["monitoring_lapse"]
    assert (lapse.where, lapse.span) == ("monitoring", Interval(2 * HOUR, 7 * HOUR + 1))
    assert lapse.text == (
        "2 of 9 intervals are over 2:00, the longest 5:00:01, 3:00:01 over, in period 1. Intermittent "
        "monitoring allows at most 2 h of recording without a check; the longest here is 5 h 1 s."
    )
    assert lapse.headline == ("2 of 9 intervals are over 2:00, the longest 5:00:01, 3:00:01 over")


def test_a_lapse_at_an_end_of_the_recording_says_whose_reading_that_is() -> None:
    _, found = monitored(hours((0, 24)), checks_at(3, *range(4, 24, 2)))
    assert found["monitoring_lapse"].text == (
        "the first check is 3:00 after the start, 1:00 over, in period 1. Intermittent monitoring "
        "allows at most 2 h of recording without a check; the longest here is 3 h. That the "
        "recording's ends count is our reading of the rule."
    )


def test_one_check_outside_the_recording_is_one() -> None:
    log, found = monitored(hours((0, 4)), checks_at(2, 3, 5))
    outside = found["checks_outside_recording"]
    assert outside.where == "monitoring"
    assert outside.text.startswith("1 of 3 checks lies before the first record")
    assert [c.at for c in (log.log.checks if log.log else ())] == [2 * HOUR, 3 * HOUR, 5 * HOUR]


def test_without_an_order_lapses_are_those_of_intermittent_monitoring_and_no_finding() -> None:
    coverage = hours((0, 24))
    log, found = measure_monitoring(
        log_of(checks_at(12)), (), coverage, billing_periods(coverage, AXIS, POLICY.billing), None,
        POLICY.monitoring,
    )  # fmt: skip
    assert (log.ordered, log.supported, found) == (None, "unmonitored", ())
    assert [(x.start, x.end) for x in log.lapses] == [(0, 12 * HOUR), (12 * HOUR, 24 * HOUR)]


def test_lapses_are_those_of_the_ordered_level_where_a_log_can_show_it(tmp_path: Path) -> None:
    # Checks 90 minutes apart: enough for intermittent, a lapse each for an invented hourly rule.
    policy = policy_from(
        tmp_path, "[monitoring.continuous]\ninterval = { hours = 1, source = 'made up' }\n"
    )
    checks = checks_at(1.5, 3, 4.5)
    log, _ = monitored(hours((0, 6)), checks, "continuous", policy=policy)
    assert log.supported == "intermittent"
    assert {lapse.allowed_ns for lapse in log.lapses} == {HOUR}
    assert len(log.lapses) == 4
    log, _ = monitored(hours((0, 6)), checks, "intermittent", policy=policy)
    assert log.lapses == ()


def test_a_policy_in_which_no_level_has_an_interval_finds_no_lapse(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path, "[monitoring.intermittent]\npatients = { at_most = 12, source = 'made up' }\n"
    )
    log, found = monitored(hours((0, 24)), checks_at(12), policy=policy)
    assert (log.supported, log.lapses, found) == ("unmonitored", (), {})


def test_lapses_of_an_unmonitored_order_are_no_finding() -> None:
    log, found = monitored(hours((0, 24)), checks_at(12), "unmonitored")
    assert log.supported == "unmonitored"
    assert len(log.lapses) == 2
    assert "monitoring_lapse" not in found


def test_the_interval_is_the_policys(tmp_path: Path) -> None:
    policy = policy_from(tmp_path, "[monitoring.intermittent]\ninterval = { hours = 4 }\n")
    log, _ = monitored(hours((0, 24)), checks_at(*range(4, 24, 4)), policy=policy)
    assert log.supported == "intermittent"


def test_the_order_of_the_log_does_not_matter() -> None:
    forth, _ = monitored(hours((0, 24)), checks_at(*EVERY_TWO_HOURS))
    back, _ = monitored(hours((0, 24)), checks_at(*reversed(EVERY_TWO_HOURS)))
    assert replace(forth, log=None) == replace(back, log=None)


@given(
    st.lists(st.integers(0, 48 * 60), max_size=40),
    st.integers(1, 20 * 60),
    st.integers(2, 20 * 60),
)
def test_lapses_are_exactly_the_intervals_of_more_than_two_recorded_hours(
    minutes: list[int], gap_from: int, gap_length: int
) -> None:
    # One recording of 48 h with a gap; the rule written out minute by minute.
    gap = gap_from, gap_from + gap_length
    coverage = coverage_of((0, gap[0] * MINUTE), (gap[1] * MINUTE, 48 * HOUR))
    log, _ = monitored(coverage, [MonitoringCheck(m * MINUTE, "", "", "log") for m in minutes])
    kept = sorted(m for m in minutes if not gap[0] < m < gap[1])
    if not kept:
        assert log.supported is None
        return
    edges = [0, *kept, 48 * 60]
    expected = []
    for a, b in pairwise(edges):
        recorded = sum(1 for m in range(a, b) if not gap[0] <= m < gap[1])
        assert recorded * MINUTE == recorded_within(coverage, Interval(a * MINUTE, b * MINUTE))
        if recorded > 120:
            expected.append((a * MINUTE, b * MINUTE, recorded * MINUTE))
    assert [(x.start, x.end, x.recorded_ns) for x in log.lapses] == expected
    assert (log.supported == "intermittent") is (not expected)
