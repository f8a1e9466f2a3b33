"""The sentences that billing staff read, whole and with their figures, worked out by hand.

Bands and code numbers as in the policy file, where their sources stand; the situations are a lab's
(common practice, no source).
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import (
    bill,
    bill_and_findings,
    by_interpretation,
    checks_at,
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
from msgspec.structs import replace

from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import Interval, Monitoring
from auditor.policy.billing import ByLevel

STATES = "95816 (awake and drowsy), 95819 (awake and asleep), 95822 (coma or sleep only)"
ONCE = " Once a study; whether a technologist did it in person is in no file."


@pytest.mark.parametrize(
    ("minutes", "sleep", "band", "note"),
    [
        (10, None, "less than 20 min", "10 whole minutes recorded: no code is reached."),
        (50, None, "41-60 min", "50 whole minutes recorded."),
        (30, None, "20-40 min",
         "30 whole minutes recorded. The code depends on the patient's state, which no annotation "
         f"shows: {STATES}. The reader decides."),
        (30, True, "20-40 min",
         "30 whole minutes recorded, and an annotation shows sleep: 95819 (awake and asleep). The "
         f"reader confirms the state; the codes are {STATES}."),
    ],
)  # fmt: skip
def test_a_short_recording(minutes: int, sleep: bool | None, band: str, note: str) -> None:
    shorter = bill(coverage_of((0, minutes * MINUTE)), sleep_seen=sleep).shorter
    assert shorter is not None
    assert (shorter.band, shorter.note) == (band, note)


def test_a_policy_with_no_code_for_some_minutes_says_so() -> None:
    policy = policy_with(shorter=policy_with().billing.shorter[::2])  # 20-40 and 61-119 min
    shorter = bill(coverage_of((0, 50 * MINUTE)), policy=policy).shorter
    assert shorter is not None
    assert (shorter.code, shorter.band, shorter.note) == (
        None, "no band", "50 whole minutes recorded: the policy has no code for this time."
    )  # fmt: skip
    assert bill(coverage_of((0, MINUTE)), policy=policy_with(shorter=())).shorter is None


@pytest.mark.parametrize(
    ("recorded", "channels", "signal", "note"),
    [
        (10, 19, 7, "8 of 8 needed EEG channels (19 recorded): 95700. 7 channels carried a signal."),
        (10, 19, 19, "8 of 8 needed EEG channels (19 recorded): 95700."),
        (10, 7, 6, "7 of 8 needed EEG channels: 95999 in place of 95700."),
        (1, 8, None, "8 of 8 needed EEG channels: 95700. Less than 2 h recorded: no long-term code "
                     "that a set-up could go with."),
        (2, 8, None, "8 of 8 needed EEG channels: 95700."),
    ],
)  # fmt: skip
def test_the_set_up(recorded: int, channels: int, signal: int | None, note: str) -> None:
    setup = bill(hours((0, recorded)), eeg_channels=channels, with_signal=signal).setup
    assert setup.note == note + ONCE
    assert setup.supported is (channels >= 8 and recorded >= 2)


@pytest.mark.parametrize(
    ("recorded", "band"),
    [
        (1, "no long-term code"),
        (2, "up to 36 h: no whole-study code; one report on this time has the day's code"),
        (24, "up to 36 h: no whole-study code; one report on this time has the day's code"),
        (30, "26-36 h: no whole-study code; 95719 with 95717 for one report is not settled (mark: "
             "memory): ask the coder"),
    ],
)  # fmt: skip
def test_a_whole_study_without_a_code_of_its_own(recorded: int, band: str) -> None:
    whole = bill(hours((0, recorded))).professional.whole_study
    assert (whole.code, whole.band, whole.also) == (None, band, ())


def test_one_report_on_26_to_36_hours_names_both_day_codes() -> None:
    for video, codes in ((False, ("95719", "95717")), (True, ("95720", "95718"))):
        rest = {"monitoring": "unmonitored", "video": "as_ordered"}
        billing = bill(
            hours((0, 30)), given=order(video=video), policy=policy_with(undocumented=rest)
        )
        (one,) = [i for i in billing.interpretations if "read and reported once" in i.words]
        whole = one.professional.whole_study
        assert (whole.code, *whole.also) == codes
        assert whole.band == f"26-36 h in one report: {codes[0]} with {codes[1]}"
        assert (one.words, one.asked, one.lowers) == (
            "this time is read and reported once and the day codes are used together", False, False
        )  # fmt: skip


def test_a_policy_without_whole_study_codes_has_none() -> None:
    policy = policy_with(professional_whole=(), professional_once=())
    report = bill(hours((0, 72)), policy=policy).professional
    assert (report.whole_study.code, report.whole_study.band) == (None, "no long-term code")
    assert (report.whole_to_next_ns, report.whole_above_ns) == (None, 0)


def test_days_say_why_they_have_no_code() -> None:
    # 11 h, 1:30, then nothing for a day, 10 h, and 1 h more on day five.
    coverage = hours((0, 11), (24, 25.5), (72, 82), (96, 97))
    billing = bill(coverage)
    assert [(d.code, d.band) for d in billing.professional.each_day] == [
        ("95717", "2-12 h"),
        (None, "less than 2 h"),
        (None, "nothing recorded"),
        (None, "2-12 h, once in a study, and another day has it: no code"),
        (None, "up to 2 h left over: joins the day before"),
    ]
    assert [p.notes for p in billing.periods] == [
        ("13 h of this period was not recorded and does not count.",),
        ("22 h 30 min of this period was not recorded and does not count.",),
        ("24 h of this period was not recorded and does not count.",),
        (
            "14 h of this period was not recorded and does not count.",
            "1 h left over after this period counts with it.",
            "2-12 h counts once in a study, and period 1 has it: no unit of this period by itself.",
        ),
        (
            "1 h left over, no more than 2 h: it joins the period before and makes no unit of its "
            "own.",
        ),
    ]


@pytest.mark.parametrize(("missing", "told"), [(NS, True), (NS - 1, False)])
def test_less_than_a_second_missing_from_a_period_is_not_told(missing: int, told: bool) -> None:
    billing = bill(coverage_of((0, 3 * HOUR), (3 * HOUR + missing, 6 * HOUR)))
    assert billing.periods[0].notes == (
        ("1 s of this period was not recorded and does not count.",) if told else ()
    )


def test_missing_time_is_rounded_up_and_left_over_time_down() -> None:
    coverage = coverage_of((0, 20 * HOUR - 1), (24 * HOUR, 25 * HOUR + NS // 2))
    first, last = bill(coverage).periods
    assert first.notes == (
        "4 h 1 s of this period was not recorded and does not count.",
        "1 h left over after this period counts with it.",
    )
    assert last.notes[0].startswith("1 h left over, no more than 2 h")


def test_how_totals_are_split_is_the_first_caution() -> None:
    rest = (
        " Units of a period are those of that period by itself. Periods last 24 h; where the two "
        "differ, the other interpretation is listed."
    )
    for policy, how in (
        (policy_with(), "the total recorded time is split, wherever in the periods it was recorded"),
        (policy_with(split={"default": "windows"}),
         "the recorded time inside each 24 h period is banded by itself"),
        (policy_with(split={"default": "longest_first"}),
         "each unit is filled up to 26 h before the next begins"),
        (policy_with(period_start_ns=7 * HOUR + 5 * MINUTE),
         "periods start at 07:05 each day and not with the first record"),
    ):  # fmt: skip
        billing = bill(hours((0, 24)), policy=policy)
        assert billing.cautions == (f"Total units: {how}.{rest}", *policy.billing.cautions)
        assert billing.basis == "recorded"


# --- what lowers a level, and the other answer to each question ---------------------------------


def _with_lapses() -> Monitoring:
    """72 h; 4 h without a check from hour 26, 6 h from hour 32 (day two), 4 h from hour 58."""
    checks = checks_at(*[h for h in range(2, 72, 2) if h not in (28, 34, 36, 60)])
    return monitored(hours((0, 72)), checks)[0]


def test_lapses_by_period_and_what_they_lower() -> None:
    billing, found = bill_and_findings(
        hours((0, 72)), given=order(monitoring="intermittent"), monitoring=_with_lapses()
    )
    lowered = "this period counts as unmonitored: 95708 in place of 95709."
    assert [p.notes for p in billing.periods] == [
        (),
        (f"2 times no documented check for up to 6 h of recording: {lowered}",),
        (
            "No documented check for 4 h of recording (Sat 3 Jan 1970 10:00:00 to Sat 3 Jan 1970 "
            f"14:00:00): {lowered}",
        ),
    ]
    finding = found["monitoring_level_lowered"]
    assert (finding.where, finding.expected, finding.observed) == (
        "billing", "Intermittent", "unmonitored",
    )  # fmt: skip
    assert finding.text == (
        "Intermittent monitoring was ordered and the log does not support it in 2 of 3 periods. "
        "2 periods count as unmonitored (2, 3). 1 other keeps the ordered level."
    )


def test_a_lapse_that_changes_no_code_names_none_and_is_rounded_up() -> None:
    # Invented: one code for every level. Half a second over 3 h without a check on the only day.
    short, long = policy_with().billing.technical
    codes = replace(long.codes, without_video=ByLevel(
        unmonitored="95708", intermittent="95708", continuous="95708"
    ))  # fmt: skip
    checks = checks_at(2, 5, *range(7, 24, 2))
    checks[1] = replace(checks[1], at=5 * HOUR + NS // 2)
    log, _ = monitored(hours((0, 24)), checks)
    billing = bill(
        hours((0, 24)), given=order(monitoring="intermittent"), monitoring=log,
        policy=policy_with(technical=(short, replace(long, codes=codes))),
    )  # fmt: skip
    assert billing.periods[0].notes == (
        "No documented check for 3 h 1 s of recording (Thu 1 Jan 1970 02:00:00 to Thu 1 Jan 1970 "
        "05:00:00): this period counts as unmonitored.",
    )


def test_a_level_that_no_list_can_show() -> None:
    log, _ = monitored(hours((0, 72)), checks_at(*range(1, 72)), "continuous")
    billing, found = bill_and_findings(
        hours((0, 72)), given=order(monitoring="continuous"), monitoring=log
    )
    assert {p.notes for p in billing.periods} == {
        (
            "The log does not show continuous monitoring here: intermittent: 95709 in place of 95710.",
        )
    }
    finding = found["monitoring_not_shown"]
    assert (finding.where, finding.expected, finding.observed) == (
        "billing", "Continuous", "intermittent",
    )  # fmt: skip
    assert finding.headline == (
        "continuous monitoring cannot be shown by a list of checks; intermittent is"
    )
    # Taken as ordered, the continuous level stands where the intermittent one is shown.
    words = "continuous monitoring is documented elsewhere for the whole recording"
    assert by_interpretation(billing, words) == {"95710": 3}


def test_taken_as_ordered_a_level_that_no_list_shows_falls_with_the_one_below() -> None:
    rest = {"monitoring": "as_ordered", "video": "without_video"}
    billing = bill(
        hours((0, 72)), given=order(monitoring="continuous"), monitoring=_with_lapses(),
        policy=policy_with(undocumented=rest),
    )  # fmt: skip
    assert units(billing.technical_totals) == {"95708": 2, "95710": 1}
    assert by_interpretation(billing, "monitoring counts only where the log shows it") == {
        "95708": 2, "95709": 1,
    }  # fmt: skip


def test_a_lapse_lowers_the_study_or_its_period() -> None:
    wanted = order(monitoring="intermittent")
    billing = bill(hours((0, 72)), given=wanted, monitoring=_with_lapses())
    words = "a lapse in the checks lowers the level of the whole study"
    assert by_interpretation(billing, words) == {"95708": 3}
    policy = policy_with(lapse={"lowers": "study"})
    billing = bill(hours((0, 72)), given=wanted, monitoring=_with_lapses(), policy=policy)
    words = "a lapse in the checks lowers only the period that holds it"
    assert by_interpretation(billing, words) == {"95708": 2, "95709": 1}
    assert billing.periods[0].notes == (
        "A lapse in another period lowers this one to unmonitored: 95708 in place of 95709.",
    )


def test_the_ends_of_the_recording_count_or_do_not() -> None:
    log, _ = monitored(hours((0, 24)), checks_at(3, *range(4, 24, 2)))
    wanted, late = order(monitoring="intermittent"), policy_with(ends={"needed": False})
    billing = bill(hours((0, 24)), given=wanted, monitoring=log)
    words = "only the time from check to check counts, not that to the recording's ends"
    assert by_interpretation(billing, words) == {"95709": 1}
    billing = bill(hours((0, 24)), given=wanted, monitoring=log, policy=late)
    assert units(billing.technical_totals) == {"95709": 1}
    words = "the first and last check must be as near to the recording's ends as checks to another"
    assert by_interpretation(billing, words) == {"95708": 1}


def test_other_answers_are_the_end_of_a_sentence_and_no_more() -> None:
    log, _ = monitored(hours((0, 24)), checks_at(3, *range(4, 24, 2)))
    wanted, late = order(monitoring="intermittent"), policy_with(ends={"needed": False})
    moving = policy_with(restart={"moves_clock": True})
    recording = policy_with(period_start_ns=0, other_period_start="recording")
    for billing, words in (
        (bill(hours((0, 24)), given=wanted, monitoring=log),
         "only the time from check to check counts, not that to the recording's ends"),
        (bill(hours((0, 24)), given=wanted, monitoring=log, policy=late),
         "the first and last check must be as near to the recording's ends as checks to another"),
        (bill(hours((0, 13), (14, 27)), policy=moving, restarts=(14 * HOUR,)),
         "one clock runs from the first record, whatever restarts there were"),
        (bill(hours((0, 13), (14, 27)), restarts=(14 * HOUR,)),
         "each restart after a gap (1 here) starts the clock of the periods anew"),
        (bill(hours((15.5, 63.5)), policy=recording),
         "periods start with the first record and not at a fixed hour"),
    ):  # fmt: skip
        assert words in [one.words for one in billing.interpretations]


def test_video_by_study_or_period_and_where_no_log_shows_it() -> None:
    coverage, wanted = hours((0, 72)), order(video=True)
    video = filmed(stretch(0, 60), coverage=coverage)
    by_period = policy_with(video_share={"by": "period"})
    billing, found = bill_and_findings(coverage, given=wanted, video=video, policy=by_period)
    assert units(billing.technical_totals) == {"95708": 1, "95714": 2}
    assert by_interpretation(billing, "the share of video is taken over the study") == {"95714": 3}
    assert billing.periods[2].notes == (
        "Video covers too little of this period: the codes are those without video.",
    )
    finding = found["video_below_share"]
    assert (finding.where, finding.form, finding.observed) == ("billing", "by_period", "50.00 %")
    assert finding.text == (
        "period 3: 7:12:00 of video short of 80 %. Over the study: 60 h of 72 h recorded had video, "
        "83.33 %; at least 80 % is needed. The policy takes the share period by period, so these "
        "periods have codes without video."
    )
    billing = bill(coverage, given=wanted, video=video)
    assert units(billing.technical_totals) == {"95714": 3}
    words = "the share of video is taken period by period"
    assert by_interpretation(billing, words) == {"95708": 1, "95714": 2}
    assumed = policy_with(undocumented={"monitoring": "unmonitored", "video": "as_ordered"})
    billing = bill(coverage, given=wanted, policy=assumed)
    assert units(billing.technical_totals) == {"95714": 3}
    assert by_interpretation(billing, "video counts only where a log shows it") == {"95708": 3}


def test_video_under_its_share_over_the_study() -> None:
    coverage = hours((0, 72))
    video = filmed(stretch(0, 48), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=True), video=video)
    note = "Video covers too little of the study: the codes are those without video."
    assert [p.notes for p in billing.periods] == [(note,)] * 3
    assert found["video_below_share"].text == (
        "9:36:00 of video short of 80 % (period 3: 19:12:00 of video short of 80 %). Over the study: "
        "48 h of 72 h recorded had video, 66.66 %; at least 80 % is needed. The codes are those "
        "without video."
    )
    assert found["video_below_share"].observed == "66.66 %"


def test_gaps_that_count_and_gaps_that_do_not() -> None:
    # 24 h and a second before a pause of 30 s, 2 h after it: 26:00:31 by the wall clock.
    coverage = coverage_of((0, 24 * HOUR), (24 * HOUR + 30 * NS, 26 * HOUR + NS))
    billing = bill(coverage)
    assert units(billing.technical_totals) == {"95708": 1}
    words = "gaps shorter than 1 min count as recorded"
    assert by_interpretation(billing, words) == {"95705": 1, "95708": 1}
    counted = bill(
        coverage, policy=policy_with(gaps={"tolerance_ns": 60 * NS, "other_tolerance_ns": 0})
    )
    assert by_interpretation(counted, "no gap counts as recorded, however short") == {"95708": 1}


# --- findings ------------------------------------------------------------------------------------


def test_codes_that_rest_on_time_that_nobody_could_read() -> None:
    good = hours((0, 30))
    _, found = bill_and_findings(hours((0, 72)), usable=(good.union_starts, good.union_ends))
    finding = found["usable_band_below_recorded"]
    recorded = "3 x 95708 (report on the whole study 95723, on days 95719, 95719, 95719)"
    usable = "1 x 95705, 1 x 95708 (report on the whole study none, on days 95719, 95717)"
    assert (finding.where, finding.expected, finding.observed) == ("billing", recorded, usable)
    assert finding.text == (
        f"By recorded time (72:00:00) the codes are {recorded}; by usable time (30:00:00) they would "
        f"be {usable}. The codes rest partly on hours with too few channels to read."
    )


def test_a_band_below_the_order() -> None:
    _, found = bill_and_findings(coverage_of((0, hms("59:50:00"))), given=order(72 * HOUR))
    finding = found["band_below_order"]
    assert (finding.where, finding.expected, finding.observed) == (
        "billing",
        "3 x 12-26 h, whole study 60-84 h",
        "2 x 12-26 h + 2-12 h, whole study 36-60 h",
    )
    assert finding.text == (
        "59:50:00 recorded reaches 2 x 12-26 h + 2-12 h, whole study 36-60 h; the ordered 72:00:00 "
        "would give 3 x 12-26 h, whole study 60-84 h: 10:00 under the 60:00:00 limit (two days and "
        "12 h)."
    )


def test_nothing_reached_is_no_unit() -> None:
    _, found = bill_and_findings(coverage_of((0, hms("0:10:00"))), given=order(72 * HOUR))
    assert found["band_below_order"].observed == "no unit"


def test_interpretations_are_counted_and_named() -> None:
    _, found = bill_and_findings(hours((0, 34), (56, 72)))
    finding = found["interpretations_differ"]
    assert finding.where == "billing"
    assert finding.text == (
        "No source settles it; other codes would follow if: the recorded time inside each 24 h period "
        "is banded by itself."
    )
    assert finding.observed == "1 other interpretation makes a difference to a code"
    rule = policy_with().billing.split.longest_first
    billing, found = bill_and_findings(hours((0, 27)))
    assert found["interpretations_differ"].text.endswith(
        "each unit is filled up to 26 h before the next begins (the two differ for every total of "
        "more than 26:00:00 and up to 28:00:00); this time is read and reported once and the day "
        "codes are used together."
    )
    assert found["interpretations_differ"].observed == (
        "2 other interpretations make a difference to a code"
    )
    assert billing.interpretations[0].source == f"{rule.source} ({rule.mark})"


@pytest.mark.parametrize(
    ("recorded", "told", "limits"),
    [
        ("25:55:00", "5 min below the 26:00:00 limit (one day and 2 h)", "26:00:00"),
        ("25:54:59", None, ""),
        ("12:05:00", "5 min above the 12:00:00 limit", "12:00:00"),
        ("12:05:01", None, ""),
        ("2:00:00", "exactly on the 2-hour minimum", "2:00:00"),
        ("60:02:00", "2 min above the 60:00:00 limit (two days and 12 h)", "60:00:00"),
        ("84:00:00", "exactly on the 84:00:00 limit (three days and 12 h)", "84:00:00"),
    ],
)
def test_a_total_close_to_a_limit(recorded: str, told: str | None, limits: str) -> None:
    _, found = bill_and_findings(coverage_of((0, hms(recorded))))
    assert ("close_to_limit" in found) is (told is not None)
    if told is not None:
        finding = found["close_to_limit"]
        assert finding.text == f"The recorded {recorded} lies {told}: there codes change."
        assert (finding.where, finding.expected, finding.observed) == ("billing", limits, recorded)


def test_two_limits_nearby_are_both_named() -> None:
    # A policy that tells of limits up to 6 h away: at 31 h, 26 h lies 5 h below and 36 h 5 h above.
    policy = policy_with(near_ns=6 * HOUR)
    _, found = bill_and_findings(hours((0, 31)), policy=policy)
    assert found["close_to_limit"].text == (
        "The recorded 31:00:00 lies 5 h below the 36:00:00 limit (one day and 12 h) and 5 h above the "
        "26:00:00 limit (one day and 2 h): there codes change."
    )
    assert found["close_to_limit"].expected == "36:00:00, 26:00:00"


def test_half_a_second_to_a_limit_is_rounded_up_and_beyond_it_down() -> None:
    half = NS // 2
    _, found = bill_and_findings(coverage_of((0, hms("25:57:59") + half)))
    assert "lies 2 min 1 s below the 26:00:00 limit" in found["close_to_limit"].text
    _, found = bill_and_findings(coverage_of((0, hms("12:02:00") + half)))
    assert "lies 2 min above the 12:00:00 limit" in found["close_to_limit"].text


@pytest.mark.parametrize(
    ("recorded", "told"),
    [("69:58:00", "2 min below"), ("70:00:00", "exactly on"), ("70:02:00", "2 min above")],
)
def test_the_limit_of_a_whole_study_alone_is_told_as_close(recorded: str, told: str) -> None:
    # Invented: the whole-study bands meet at 70 h, where no unit changes.
    low, high, top = policy_with().billing.professional_whole
    assert low.upper is not None
    low = replace(low, upper=replace(low.upper, ns=70 * HOUR))
    high = replace(high, lower=replace(high.lower, ns=70 * HOUR))
    policy = policy_with(professional_whole=(low, high, top))
    _, found = bill_and_findings(coverage_of((0, hms(recorded))), policy=policy)
    assert found["close_to_limit"].text == (
        f"The recorded {recorded} lies {told} the 70:00:00 limit (two days and 22 h): there codes "
        "change."
    )


def test_too_few_channels_and_too_few_with_signal() -> None:
    _, found = bill_and_findings(hours((0, 24)), eeg_channels=7, with_signal=3)
    few = found["setup_channels_below_minimum"]
    assert (few.where, few.expected, few.observed) == ("billing", "at least 8", "7")
    assert few.text == "7 of 8 needed EEG channels: 95999 in place of 95700." + ONCE
    assert "signal_channels_below_setup_minimum" not in found
    _, found = bill_and_findings(hours((0, 24)), eeg_channels=19, with_signal=7)
    silent = found["signal_channels_below_setup_minimum"]
    assert (silent.where, silent.observed) == ("billing", "7")
    assert silent.text == (
        "19 EEG channels recorded, but only 7 ever had a signal; 95700 needs 8. The set-up code given "
        "follows the channels that were recorded."
    )


def test_no_check_and_no_video_where_both_were_ordered() -> None:
    wanted = order(monitoring="intermittent", video=True)
    log, _ = monitored(hours((0, 24)), checks_at(-3, 30))
    _, found = bill_and_findings(hours((0, 24)), given=wanted, monitoring=log)
    assert found["video_not_documented"].where == "billing"
    checks = found["monitoring_not_documented"]
    assert (checks.where, checks.observed) == ("billing", "none inside the recording")
    assert checks.text.startswith(
        "Intermittent monitoring was ordered, and 2 checks are documented, but not while the recording "
        "ran: none shows a review."
    )
    log, _ = monitored(hours((0, 24)), checks_at(-3))
    _, found = bill_and_findings(hours((0, 24)), given=wanted, monitoring=log)
    assert found["monitoring_not_documented"].text.startswith(
        "Intermittent monitoring was ordered, and 1 check is documented, but not while"
    )
    billing, found = bill_and_findings(hours((0, 24)), given=wanted)
    assert found["monitoring_not_documented"].text.startswith(
        "Intermittent monitoring was ordered, and no check is documented. Nothing is assumed"
    )
    assert billing.periods[0].notes == (), "the findings say it, and no note of a lapse or a share"


def test_periods_that_fall_to_different_levels(tmp_path: Path) -> None:
    # Invented: continuous watching is logged every hour. Hourly on day one, every 2 h on day two, and
    # 5 h without a check on day three.
    policy = policy_from(
        tmp_path, "[monitoring.continuous]\ninterval = { hours = 1, source = 'made up' }\n"
    )
    checks = checks_at(*range(1, 25), *range(26, 49, 2), 49, 50, *range(55, 72))
    log, _ = monitored(hours((0, 72)), checks, "continuous", policy=policy)
    billing, found = bill_and_findings(
        hours((0, 72)), given=order(monitoring="continuous"), monitoring=log, policy=policy
    )
    assert units(billing.technical_totals) == {"95708": 1, "95709": 1, "95710": 1}
    finding = found["monitoring_level_lowered"]
    assert finding.text == (
        "Continuous monitoring was ordered and the log does not support it in 2 of 3 periods. 1 period "
        "counts as intermittent (2); 1 period counts as unmonitored (3). 1 other keeps the ordered "
        "level."
    )
    assert finding.observed == "intermittent, unmonitored"


def test_where_no_period_or_two_keep_the_ordered_level() -> None:
    wanted, study = order(monitoring="intermittent"), policy_with(lapse={"lowers": "study"})
    _, found = bill_and_findings(
        hours((0, 72)), given=wanted, monitoring=_with_lapses(), policy=study
    )
    assert found["monitoring_level_lowered"].text.endswith(
        "in 3 of 3 periods. 3 periods count as unmonitored (1, 2, 3)."
    )
    log, _ = monitored(hours((0, 72)), checks_at(*[h for h in range(2, 72, 2) if h != 30]))
    _, found = bill_and_findings(hours((0, 72)), given=wanted, monitoring=log)
    assert found["monitoring_level_lowered"].text.endswith(
        "in 1 of 3 periods. 1 period counts as unmonitored (2). 2 others keep the ordered level."
    )


def test_what_the_order_does_not_say_and_video_that_it_does_not_name() -> None:
    coverage = hours((0, 24))
    _, found = bill_and_findings(coverage, given=order(monitoring=None))
    assert found["video_or_monitoring_not_stated"].where == "billing"
    assert found["video_or_monitoring_not_stated"].text == (
        "The order says nothing of monitoring: the codes are the unmonitored ones."
    )
    video = filmed(stretch(0, 24), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=False), video=video)
    assert billing.periods[0].notes == ()
    assert found["video_not_ordered"].where == "billing"
    assert found["video_not_ordered"].text == (
        "No video was ordered, but a video log was given: 24 h of 24 h recorded had video, 100.00 %; at "
        "least 80 % is needed. The codes are those without video."
    )
    _, found = bill_and_findings(coverage, given=order(video=None), video=video)
    assert "video_not_ordered" not in found
    outside = filmed(stretch(30, 40), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=False), video=outside)
    assert "video_not_ordered" not in found


def test_video_short_in_a_study_of_one_period_is_said_once() -> None:
    coverage = hours((0, 24))
    video = filmed(stretch(0, 12), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert found["video_below_share"].headline == "7:12:00 of video short of 80 %"
    assert found["video_below_share"].expected == "80 %"


def test_video_that_is_short_is_rounded_up() -> None:
    # 80 % of 24 h are 19:12:00, of which half a second is missing; then on day two of 48 h alone.
    half = NS // 2
    coverage = hours((0, 24))
    video = filmed(Interval(0, hms("19:12:00") - half), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert found["video_below_share"].headline == "0:01 of video short of 80 %"
    coverage = hours((0, 48))
    video = filmed(Interval(0, hms("43:12:00") - half), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert found["video_below_share"].headline == "period 2: 0:01 of video short of 80 %"


def test_periods_short_of_video_are_listed() -> None:
    # Days one and three have 18 of 24 h each, day two and four all: 84 of 96 h are enough.
    coverage = hours((0, 96))
    video = filmed(stretch(0, 18), stretch(24, 66), stretch(72, 96), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=True), video=video)
    finding = found["video_below_share"]
    assert finding.headline == (
        "period 1: 1:12:00 of video short of 80 %; period 3: 1:12:00 of video short of 80 %"
    )
    assert finding.observed == "75.00 %, 75.00 %"


def test_an_interpretation_that_is_asked_for_and_lowers_is_told_by_itself() -> None:
    policy = policy_with(other_period_start="00:00")
    # 15:30 to 11:30 two days later, from midnight: 8:30 is left over beside 11:30.
    _, found = bill_and_findings(hours((15.5, 59.5)), policy=policy)
    finding = found["asked_interpretation_lowers"]
    assert (finding.where, finding.observed) == ("billing", "1 x 95705, 1 x 95708")
    assert finding.text == (
        "Lower codes follow if periods start at 00:00 each day and not with the first record. The "
        "policy asks for this interpretation."
    )
    assert "interpretations_differ" not in found
    (one,) = bill(hours((15.5, 59.5)), policy=policy).interpretations
    rule = policy.billing.fixed_start
    assert one.source == f"{rule.source} ({rule.mark})"


# --- which interpretation lowers a code ----------------------------------------------------------


def _others(recorded: tuple[tuple[float, float], ...], **known: object) -> dict[str, bool]:
    """First words of each other interpretation, and whether it lowers a code."""
    billing = bill(hours(*recorded), **known)  # type: ignore[arg-type]
    return {i.words.split(" (")[0][:40]: i.lowers for i in billing.interpretations}


LONGEST_FIRST = "each unit is filled up to 26 h before th"
ONCE_READ = "this time is read and reported once and "
BY_PERIOD = "the recorded time inside each 24 h perio"


@pytest.mark.parametrize(
    ("recorded", "expected"),
    [
        # 27 h: one of each; filled up to 26 h, the 2-12 h unit is gone.
        (((0, 27),), {LONGEST_FIRST: True, ONCE_READ: False}),
        # 37 h: two 12-26 h units; 26 h and 11 h are one of each: a shorter unit in a longer one's
        # place is lower too.
        (((0, 37),), {LONGEST_FIRST: True}),
        # 50 h are two 12-26 h units, and 24, 10 and 16 h by period one 2-12 h unit more.
        (((0, 34), (56, 72)), {BY_PERIOD: False}),
        # 24, 10, 10 and 10 h: two and one by total, one and one by period.
        (((0, 34), (48, 58), (72, 82)), {BY_PERIOD: True, LONGEST_FIRST: True}),
    ],
)
def test_fewer_or_shorter_units_are_lower_and_more_are_not(
    recorded: tuple[tuple[float, float], ...], expected: dict[str, bool]
) -> None:
    assert _others(recorded) == expected


def test_a_level_that_falls_is_lower_and_one_that_is_assumed_is_not() -> None:
    log, wanted = _with_lapses(), order(monitoring="intermittent")
    study = policy_with(lapse={"lowers": "study"})
    words = "a lapse in the checks lowers the level o", "a lapse in the checks lowers only the pe"
    assert _others(((0, 72),), given=wanted, monitoring=log)[words[0]] is True
    assert _others(((0, 72),), given=wanted, monitoring=log, policy=study)[words[1]] is False
    watched = order(monitoring="continuous")
    log, _ = monitored(hours((0, 72)), checks_at(*range(1, 72)), "continuous")
    as_ordered = policy_with(undocumented={"monitoring": "as_ordered", "video": "without_video"})
    found = _others(((0, 72),), given=watched, monitoring=log, policy=as_ordered)
    assert found == {"monitoring counts only where the log sho": True}
    found = _others(((0, 72),), given=watched, monitoring=log)
    assert found == {"continuous monitoring is documented else": False}


def test_codes_without_video_are_lower_than_those_with() -> None:
    coverage, wanted = hours((0, 72)), order(video=True)
    assumed = policy_with(undocumented={"monitoring": "unmonitored", "video": "as_ordered"})
    assert _others(((0, 72),), given=wanted, policy=assumed) == {
        "video counts only where a log shows it": True
    }
    assert _others(((0, 72),), given=wanted) == {"video of enough of the recording is docu": False}
    video = filmed(stretch(0, 60), coverage=coverage)
    assert _others(((0, 72),), given=wanted, video=video) == {
        "the share of video is taken period by pe": True
    }


def test_a_whole_study_band_that_falls_is_lower() -> None:
    # 60 h and a second with a pause of 2 s in it: counted, 60:00:01; not counted, 59:59:59.
    coverage = coverage_of((0, HOUR), (HOUR + 2 * NS, 60 * HOUR + NS))
    counts = policy_with(gaps={"tolerance_ns": 60 * NS, "other_tolerance_ns": 0})
    (other,) = [i for i in bill(coverage, policy=counts).interpretations if "no gap" in i.words]
    assert (other.professional.whole_study.code, other.lowers) == ("95721", True)
    assert other.professional.whole_to_next_ns == NS
    (other,) = [i for i in bill(coverage).interpretations if "gaps shorter" in i.words]
    assert (other.professional.whole_study.code, other.lowers) == ("95723", False)
    assert other.professional.whole_above_ns == NS


def test_a_days_report_alone_that_is_lost_is_lower() -> None:
    # 1:52:30 on day one, then 48:07:30 from hour 14: by 24 h from the start 12 h less 7:30, 24 h and
    # 14:07:30; from 14:00 each day two whole days, and the first two hours have no code.
    policy = policy_with(other_period_start="14:00")
    billing = bill(hours((0, 1.875), (14, 62.125)), policy=policy)
    assert units(billing.technical_totals) == {"95708": 2}
    assert [d.code for d in billing.professional.each_day] == ["95717", "95719", "95719"]
    (other,) = [i for i in billing.interpretations if "14:00" in i.words]
    assert units(other.technical_totals) == {"95708": 2}
    assert [d.code for d in other.professional.each_day] == [None, "95719", "95719", None]
    assert other.lowers


def test_a_whole_study_band_alone_that_falls_is_lower() -> None:
    # Invented: the bands meet at 70 h. With its pause of a second 70:00:01, without exactly 70 h;
    # three 12-26 h units either way.
    low, high, top = policy_with().billing.professional_whole
    assert low.upper is not None
    low = replace(low, upper=replace(low.upper, ns=70 * HOUR))
    high = replace(high, lower=replace(high.lower, ns=70 * HOUR))
    policy = policy_with(
        professional_whole=(low, high, top),
        gaps={"tolerance_ns": 60 * NS, "other_tolerance_ns": 0},
    )
    coverage = coverage_of((0, HOUR), (HOUR + NS, 70 * HOUR + NS))
    billing = bill(coverage, policy=policy)
    assert billing.professional.whole_study.code == "95723"
    (other,) = [i for i in billing.interpretations if "no gap" in i.words]
    assert units(other.technical_totals) == units(billing.technical_totals) == {"95708": 3}
    assert (other.professional.whole_study.code, other.lowers) == ("95721", True)
