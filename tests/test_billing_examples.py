"""Published worked examples, and examples derived by the published rule, with gaps and restarts."""

from __future__ import annotations

import pytest
from helpers_billing import (
    POLICY,
    bill,
    bill_and_findings,
    by_interpretation,
    checks_at,
    civil,
    coverage_of,
    hms,
    hours,
    monitored,
    order,
    units,
)

from auditor.billing import sleep_seen
from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import PlacedAnnotation


def _note(text: str, minute: int, *, inside: bool = True) -> PlacedAnnotation:
    return PlacedAnnotation(minute * MINUTE, None, text, "s2041.edf", inside)


def test_three_hours_seven_minutes_is_a_set_up_and_one_technical_unit() -> None:
    # AAPC Neurology & Pain Management Coding Alert, on long-term codes for some EEGs: 95700 and
    # one of 95705-95707, not 95812 or 95813.
    billing = bill(coverage_of((0, hms("3:07:00"))), eeg_channels=8)
    assert (billing.setup.code, billing.setup.supported) == ("95700", True)
    assert units(billing.technical_totals) == {"95705": 1}
    assert billing.shorter is None


def test_the_same_with_fewer_than_eight_channels_has_the_other_set_up_code() -> None:
    # The same source: 95999 instead of 95700.
    billing, found = bill_and_findings(coverage_of((0, hms("3:07:00"))), eeg_channels=7)
    assert (billing.setup.code, billing.setup.supported) == ("95999", False)
    assert billing.setup.note.startswith("7 of 8 needed EEG channels: 95999 in place of 95700.")
    assert "setup_channels_below_minimum" in found


def test_an_unknown_number_of_channels_leaves_the_set_up_open() -> None:
    setup = bill(hours((0, 24))).setup
    assert (setup.code, setup.supported) == ("95700", None)


def test_a_recording_below_two_hours_supports_no_set_up_code() -> None:
    setup = bill(coverage_of((0, hms("1:59:59"))), eeg_channels=21).setup
    assert setup.supported is False
    assert "Less than 2 h recorded" in setup.note
    assert bill(hours((0, 2)), eeg_channels=21).setup.supported is True


def test_channels_that_never_had_a_signal_are_told() -> None:
    billing, found = bill_and_findings(hours((0, 24)), eeg_channels=21, with_signal=6)
    assert billing.setup.code == "95700"
    assert "6 channels carried a signal" in billing.setup.note
    assert found["signal_channels_below_setup_minimum"].observed == "6"


SHORTER = [
    # (recorded, sleep noted, code, band, source)
    ("0:30:00", True, "95819", "20-40 min", "AAPC, extended monitoring: sleep from minute 20"),
    ("0:45:00", None, "95812", "41-60 min", "AAPC, extended monitoring: 45 minutes"),
    ("0:19:59", None, None, "less than 20 min", "below the routine minimum, whole minutes"),
    ("0:20:00", None, None, "20-40 min", "the state is not known"),
    ("0:40:59", True, "95819", "20-40 min", "40 whole minutes (rounding down: inferred)"),
    ("0:41:00", True, "95812", "41-60 min", "41 whole minutes"),
    ("1:00:59", None, "95812", "41-60 min", "60 whole minutes"),
    ("1:01:00", None, "95813", "61-119 min", "61 whole minutes"),
    ("1:59:59", None, "95813", "61-119 min", "119 whole minutes; long-term from 120"),
]


@pytest.mark.parametrize(("recorded", "sleep", "code", "band", "why"), SHORTER)
def test_recordings_below_two_hours(
    recorded: str, sleep: bool | None, code: str | None, band: str, why: str
) -> None:
    billing = bill(coverage_of((0, hms(recorded))), sleep_seen=sleep)
    assert billing.technical_totals == (), why
    assert billing.shorter is not None
    assert (billing.shorter.code, billing.shorter.band) == (code, band), why


def test_a_routine_recording_of_unknown_state_names_every_code_that_may_apply() -> None:
    shorter = bill(coverage_of((0, hms("0:30:00")))).shorter
    assert shorter is not None
    assert shorter.code is None
    for code in ("95816", "95819", "95822"):
        assert code in shorter.note


def test_two_hours_has_no_shorter_code() -> None:
    assert bill(coverage_of((0, hms("2:00:00")))).shorter is None


def test_sleep_is_seen_in_annotations_and_never_denied_by_their_absence() -> None:
    assert sleep_seen([_note("Patient asleep", 20)], POLICY.billing) is True
    assert sleep_seen([_note("Sleep stage N2", 20)], POLICY.billing) is True
    assert sleep_seen([_note("drowsy", 20)], POLICY.billing) is True
    assert sleep_seen([_note("Eyes closed", 20)], POLICY.billing) is None
    assert sleep_seen([], POLICY.billing) is None
    assert sleep_seen([_note("asleep", 20, inside=False)], POLICY.billing) is None


@pytest.mark.parametrize("recorded", ["65:00:00", "70:00:00", "72:00:00"])
def test_65_to_72_hours_in_one_report_without_video_is_95723(recorded: str) -> None:
    # A public code directory, entry 95723 (secondary).
    assert bill(coverage_of((0, hms(recorded)))).professional.whole_study.code == "95723"


def test_days_count_from_the_start_and_not_from_midnight_or_the_first_report() -> None:
    # American Academy of Neurology, questions on coding: 24 h from the start; a 2-12 h code only
    # at the end, and only if more than 2 h over.
    start = civil(2027, 3, 2, 15, 30)
    billing = bill(coverage_of((start, start + hms("50:30:00"))))
    assert [p.start - start for p in billing.periods] == [0, 24 * HOUR, 48 * HOUR]
    assert [d.code for d in billing.professional.each_day] == ["95719", "95719", "95717"]
    two_over = bill(coverage_of((start, start + 50 * HOUR)))
    assert [d.code for d in two_over.professional.each_day] == ["95719", "95719", None]


def test_a_50_hour_span_with_a_14_hour_gap_is_36_hours() -> None:
    # Derived: 36:00 recorded is one 12-26 and one 2-12 unit.
    billing = bill(hours((0, 24), (38, 50)))
    assert units(billing.technical_totals) == {"95705": 1, "95708": 1}
    assert billing.professional.whole_study.code is None


def test_59_50_of_72_ordered_hours_falls_below_a_band_by_ten_minutes() -> None:
    coverage = coverage_of((0, hms("59:50:00")))
    billing, found = bill_and_findings(coverage, given=order(72 * HOUR))
    assert billing.professional.whole_study.code == "95721"
    text = found["band_below_order"].text
    assert text == (
        "59:50:00 recorded reaches 2 x 12-26 h + 2-12 h, whole study 36-60 h; the ordered 72:00:00 "
        "would give 3 x 12-26 h, whole study 60-84 h: 10:00 under the 60:00:00 limit (two days and "
        "12 h)."
    )


def test_no_band_is_missed_where_the_order_is_covered() -> None:
    _, found = bill_and_findings(hours((0, 72)), given=order(72 * HOUR))
    assert "band_below_order" not in found


# --- the 72 h study with a 5 h gap on day two and one 3 h lapse ---------------------------------

START = civil(2027, 3, 2, 9, 30)
DAY_TWO_GAP = hours((0, 30), (35, 72), start=START)
EVERY_TWO = [*range(2, 30, 2), 29.5, 36, 38, 40, *range(43, 72, 2)]  # none from hour 40 to hour 43


def test_a_gap_and_a_lapse_on_day_two_name_the_period_and_what_falls() -> None:
    log, _ = monitored(DAY_TWO_GAP, checks_at(*EVERY_TWO, start=START))
    billing, found = bill_and_findings(
        DAY_TWO_GAP, given=order(monitoring="intermittent"), monitoring=log
    )
    assert [lapse.periods for lapse in log.lapses] == [(2,)]
    assert units(billing.technical_totals) == {"95708": 1, "95709": 2}
    assert [units(p.technical.units) for p in billing.periods] == [
        {"95709": 1}, {"95708": 1}, {"95709": 1},
    ]  # fmt: skip
    assert billing.periods[0].notes == billing.periods[2].notes == ()
    assert billing.periods[1].notes == (
        "5 h of this period was not recorded and does not count.",
        "No documented check for 3 h of recording (Thu 4 Mar 2027 01:30:00 to "
        "Thu 4 Mar 2027 04:30:00): this period counts as unmonitored: 95708 in place of 95709.",
    )
    told = found["monitoring_level_lowered"].text
    assert told == (
        "Intermittent monitoring was ordered and the log does not support it in 1 of 3 periods. "
        "1 period counts as unmonitored (2). 2 others keep the ordered level."
    )
    assert by_interpretation(billing, "lowers the level of the whole study") == {"95708": 3}


def test_the_gap_itself_is_no_lapse() -> None:
    times = [*range(2, 30, 2), 29.5, *range(36, 72, 2)]  # 6:30 by the clock, 1:30 recorded
    log, found = monitored(hours((0, 30), (35, 72)), checks_at(*times))
    assert log.lapses == ()
    assert log.supported == "intermittent"
    assert "monitoring_lapse" not in found


def test_a_lapse_over_the_end_of_a_period_lowers_both() -> None:
    times = [h for h in range(2, 72, 2) if h != 24]
    log, _ = monitored(hours((0, 72)), checks_at(*times))
    billing = bill(hours((0, 72)), given=order(monitoring="intermittent"), monitoring=log)
    assert log.lapses[0].periods == (1, 2)
    assert units(billing.technical_totals) == {"95708": 2, "95709": 1}


def test_a_lapse_in_time_that_joined_lowers_the_period_that_it_joined() -> None:
    # 49:30 recorded: the last 1:30 joins day two. The last check at 46:00 is 3:30 before the end.
    coverage = coverage_of((0, hms("49:30:00")))
    log, _ = monitored(coverage, checks_at(*range(2, 47, 2)))
    billing = bill(coverage, given=order(monitoring="intermittent"), monitoring=log)
    assert log.lapses[0].periods == (2, 3)
    assert units(billing.technical_totals) == {"95708": 1, "95709": 1}
    assert units(billing.periods[1].technical.units) == {"95708": 1}


# --- periods over a change of the clock ----------------------------------------------------------


def test_a_period_lasts_24_hours_over_a_change_of_the_clock() -> None:
    # America/Denver puts its clocks forward on 2027-03-14 at 02:00 (IANA time zone database).
    axis = Axis("America/Denver")
    start = axis.instant(civil(2027, 3, 13, 9, 30))
    billing = bill(coverage_of((start, start + 48 * HOUR)), axis=axis)
    assert [p.recorded_ns for p in billing.periods] == [24 * HOUR, 24 * HOUR]
    assert axis.iso(billing.periods[1].start) == "2027-03-14T10:30:00"


def test_dropouts_do_not_count() -> None:
    # Two records with half a second between them: 1:59:59.5 recorded, below 2 h.
    billing = bill(coverage_of((0, HOUR), (HOUR + NS // 2, 2 * HOUR)))
    assert billing.technical_totals == ()
    assert billing.total.to_next_ns == NS // 2


CLOSE = [
    (
        "59:56:00",
        "4 min below the 60:00:00 limit (two days and 12 h)",
        "units and the whole-study band alike",
    ),
    ("59:54:59", None, "five minutes and a second below"),
    ("59:55:00", "5 min below the 60:00:00 limit (two days and 12 h)", "five minutes below"),
    ("12:00:00", "exactly on the 12:00:00 limit", "on it"),
    ("26:00:03", "3 s above the 26:00:00 limit (one day and 2 h)", "just above"),
    ("1:58:00", "2 min below the 2-hour minimum", "below the first of all"),
    ("0:03:00", None, "no limit is met, so none lies just below"),
    ("72:00:00", None, "far from any"),
]


@pytest.mark.parametrize(("recorded", "told", "why"), CLOSE)
def test_a_total_close_to_a_limit_is_told(recorded: str, told: str | None, why: str) -> None:
    _, found = bill_and_findings(coverage_of((0, hms(recorded))))
    assert ("close_to_limit" in found) is (told is not None), why
    if told is not None:
        text = found["close_to_limit"].text
        assert text == f"The recorded {recorded} lies {told}: there codes change."
