"""The 2-12 h units at most once a study, technical and professional, in every interpretation.

That a 2-12 h unit counts once a service is read in S5, S6 and S12 of the policy's sources; for the
professional codes it is from memory.
"""

from __future__ import annotations

from itertools import pairwise

from helpers_billing import POLICY, bill, coverage_of, hours, log_of, order, policy_with, units
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.billing import billing_periods
from auditor.billing.monitoring import measure_monitoring
from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE
from auditor.model import Billing, DayCode, MonitoringCheck, Unit

SHORT_CODES = {"95705", "95706", "95707", "95711", "95712", "95713"}
SHORT_DAYS = {"95717", "95718"}
LONG = "95708"


def _short_units(found: tuple[Unit, ...]) -> int:
    return sum(u.count for u in found if u.code in SHORT_CODES)


def _short_days(found: tuple[DayCode, ...]) -> int:
    return sum(d.code in SHORT_DAYS for d in found)


PIECES = st.lists(
    st.tuples(st.integers(1, 30 * 60), st.integers(1, 30 * 60)), min_size=1, max_size=6
)
START = st.integers(0, 24 * 60 - 1)
HOURS = st.sampled_from(["recording", "00:00", "07:00", "12:00", "19:30"])


def _coverage(pieces: list[tuple[int, int]], start: int) -> list[tuple[int, int]]:
    pairs, at = [], start
    for recorded, gap in pieces:
        pairs.append((at * MINUTE, (at + recorded) * MINUTE))
        at += recorded + gap
    return pairs


@settings(max_examples=150)
@given(PIECES, START, HOURS, HOURS, st.booleans(), st.integers(30, 300))
def test_no_interpretation_shows_two_short_units_and_all_recorded_time_is_told(
    pieces: list[tuple[int, int]], start: int, own: str, other: str, restarts: bool, every: int
) -> None:
    pairs = _coverage(pieces, start)
    coverage = coverage_of(*pairs)
    policy = policy_with(
        period_start_ns=None if own == "recording" else _of_day(own) * MINUTE,
        other_period_start=other,
    )
    checks = [
        MonitoringCheck(t, "", "", "log")
        for t in range(coverage.first_start, coverage.last_end, every * MINUTE)
    ]
    periods = billing_periods(coverage, Axis(), policy.billing)
    wanted = order(monitoring="intermittent")
    log, _ = measure_monitoring(log_of(checks), (), coverage, periods, wanted, policy.monitoring)
    billing = bill(
        coverage, policy=policy, given=wanted, monitoring=log,
        restarts=tuple(a for a, _ in pairs[1:]) if restarts else (),
    )  # fmt: skip
    assert _short_units(billing.technical_totals) <= 1
    assert _short_units(tuple(u for p in billing.periods for u in p.technical.units)) <= 1
    assert _short_days(billing.professional.each_day) <= 1
    for one in billing.interpretations:
        assert _short_units(one.technical_totals) <= 1, one.words
        assert _short_days(one.professional.each_day) <= 1, one.words
        assert one.not_billable_ns >= 0, one.words
    _told(billing, coverage.recorded_ns)
    if own != "recording":
        expected = _by_hand(pairs, _of_day(own))
        assert (units(billing.technical_totals).get("95708", 0) +
                units(billing.technical_totals).get("95709", 0)) == expected[0]  # fmt: skip
        assert billing.not_billable_ns == expected[1] * MINUTE


def _told(billing: Billing, recorded: int) -> None:
    """Units and what no code covers fit the recorded time: a unit of each band holds so much."""
    least = {"2-12 h": 2 * HOUR, "12-26 h": 12 * HOUR}
    # The longest day of a fixed hour has 25 h, and up to 2 h join it.
    most = {"2-12 h": 12 * HOUR, "12-26 h": 27 * HOUR}
    held = recorded - billing.not_billable_ns
    assert sum(least[u.band] * u.count for u in billing.technical_totals) <= held
    assert held <= sum(most[u.band] * u.count for u in billing.technical_totals)


def _of_day(text: str) -> int:
    hour, minute = text.split(":")
    return int(hour) * 60 + int(minute)


def _by_hand(pairs: list[tuple[int, int]], hour: int) -> tuple[int, int]:
    """Units of 12-26 h, and minutes that no code covers, with periods from a fixed hour: minute by
    minute, then the rules one after another."""
    minutes = {m for a, b in pairs for m in range(a // MINUTE, b // MINUTE)}
    first, last = min(minutes), max(minutes) + 1
    edges = [first, *(m for m in range(first + 1, last) if (m - hour) % 1440 == 0), last]
    days = [sum(m in minutes for m in range(a, b)) for a, b in pairwise(edges)]
    held = [i for i, d in enumerate(days) if d]
    if held[-1] > 0 and days[held[-1]] <= 120:
        days[held[-1] - 1] += days[held[-1]]
        days[held[-1]] = 0
    short = [d for d in days if 120 <= d <= 720]
    spare = sum(short) - max(short, default=0)
    return sum(d > 720 for d in days), spare + sum(d for d in days if d < 120)


def test_of_two_left_over_by_a_fixed_hour_one_counts_and_the_rest_is_told() -> None:
    # 15:30 to 11:30 two days later, periods from midnight: 8:30, 24:00 and 11:30.
    start = 15 * HOUR + 30 * MINUTE
    coverage = coverage_of((start, start + 44 * HOUR))
    (other,) = [
        i for i in bill(coverage, policy=policy_with(other_period_start="00:00")).interpretations
        if "start at 00:00" in i.words
    ]  # fmt: skip
    assert units(other.technical_totals) == {LONG: 1, "95705": 1}
    assert [d.code for d in other.professional.each_day] == [None, "95719", "95717"]
    assert other.not_billable_ns == 8 * HOUR + 30 * MINUTE
    assert (other.asked, other.lowers) == (True, True)
    own = bill(coverage, policy=policy_with(period_start_ns=0))
    assert "2-12 h counts once in a study, and period 3 has it" in " ".join(own.periods[0].notes)
    assert "another day has it" in own.professional.each_day[0].band


def test_two_short_days_of_one_study_give_one_short_code_each() -> None:
    # 24, 10, 10 and 10 h: by total two 12-26 and one 2-12; by period one of each and 20 h without.
    billing = bill(hours((0, 34), (48, 58), (72, 82)))
    assert units(billing.technical_totals) == {LONG: 2, "95705": 1}
    assert [d.code for d in billing.professional.each_day] == ["95719", "95717", None, None]
    (by_period,) = [i for i in billing.interpretations if "banded by itself" in i.words]
    assert units(by_period.technical_totals) == {LONG: 1, "95705": 1}
    assert by_period.not_billable_ns == 20 * HOUR


def test_a_left_over_lifts_a_short_day_over_12_hours() -> None:
    # 11 h on day one, 1:30 on day two: the left-over joins, and 12:30 is one 12-26 unit.
    billing = bill(hours((0, 11), (24, 25.5)))
    assert units(billing.technical_totals) == {LONG: 1}
    assert [units(p.technical.units) for p in billing.periods] == [{LONG: 1}, {}]
    assert [d.code for d in billing.professional.each_day] == ["95719", None]
    assert billing.not_billable_ns == 0
    assert not [i for i in billing.interpretations if "banded by itself" in i.words]


def test_a_left_over_that_leaves_a_day_at_12_hours_does_not_lift_it() -> None:
    billing = bill(hours((0, 11), (24, 25)))
    assert units(billing.technical_totals) == {"95705": 1}
    assert [d.code for d in billing.professional.each_day] == ["95717", None]


def test_time_in_the_middle_too_short_for_a_unit_is_covered_by_none_if_periods_stand_alone() -> (
    None
):
    # 24, 1 and 24 h: 49 h in all are two days; by period the hour in the middle has no code.
    billing = bill(hours((0, 25), (48, 72)))
    assert units(billing.technical_totals) == {LONG: 2}
    windows = bill(hours((0, 25), (48, 72)), policy=policy_with(split={"default": "windows"}))
    assert units(windows.technical_totals) == {LONG: 2}
    assert (billing.not_billable_ns, windows.not_billable_ns) == (0, HOUR)


def test_the_policy_says_which_bands_count_once() -> None:
    assert [b.name for b in POLICY.billing.technical if b.once] == ["2-12 h"]
    assert [b.name for b in POLICY.billing.professional_day if b.once] == ["2-12 h"]


def test_what_a_clock_begins_with_joins_nothing_of_the_clock_before() -> None:
    # 24 h, a restart at hour 30 that starts the periods anew, and one hour more.
    policy = policy_with(restart={"moves_clock": True})
    billing = bill(hours((0, 24), (30, 31)), policy=policy, restarts=(30 * HOUR,))
    assert units(billing.technical_totals) == {LONG: 1}
    assert billing.periods[-1].recorded_ns == HOUR
    assert not [note for note in billing.periods[-1].notes if "joins" in note]
    assert billing.not_billable_ns == HOUR
    one_clock = bill(hours((0, 24), (30, 31)), restarts=(30 * HOUR,))
    assert one_clock.not_billable_ns == 0
