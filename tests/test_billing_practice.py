"""What turns the billing answer from yes to look, and with which sentence; nothing else does.

The situations are those of a lab's day (common practice, no source); the limits come from the
policy's sources: checks at least every 2 h (S12, secondary), video over 80 % (S17, secondary),
8 channels for the set-up (S5, S10).
"""

from __future__ import annotations

import pytest
from helpers_billing import (
    POLICY,
    bill_and_findings,
    checks_at,
    coverage_of,
    filmed,
    hms,
    hours,
    log_of,
    monitored,
    order,
    policy_with,
    units,
)
from helpers_stop import Case, piece
from msgspec.structs import replace

from auditor.billing import BillingFacts, SetupChannels, measure_billing, setup_channels
from auditor.billing.findings import tests_judged as judged_tests
from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE
from auditor.model import (
    Channel,
    Finding,
    FindingCode,
    Interval,
    MonitoringCheck,
    MonitoringLevel,
    StudyFile,
)

DAY_OF_EEG = hours((0, 24))


def _asked(found: dict[str, Finding]) -> dict[str, str]:
    """Code to headline of the findings that bear on the billing answer."""
    return {code: f.headline for code, f in found.items() if f.question == "billing"}


def _checked(every: int, *, level: MonitoringLevel = "intermittent") -> dict[str, str]:
    """Headlines for a day with a check every so many minutes from the start on."""
    checks = [MonitoringCheck(m * MINUTE, "RT-4", "", "log") for m in range(0, 1440, every)]
    log, found = monitored(DAY_OF_EEG, checks, level)
    _, more = bill_and_findings(DAY_OF_EEG, given=order(24 * HOUR, monitoring=level),
                                monitoring=log)  # fmt: skip
    return _asked(found | more)


@pytest.mark.parametrize(
    ("every", "headline"),
    [
        (119, None),
        (120, None),
        (121, "11 of 11 intervals are 2:01, 0:01 over"),
        (125, "11 of 11 intervals are 2:05, 0:05 over"),
        (719, "2 of 2 intervals are 11:59, 9:59 over"),
    ],
)
def test_checks_on_both_sides_of_two_hours(every: int, headline: str | None) -> None:
    expected = {} if headline is None else {"monitoring_lapse": headline}
    assert _checked(every) == expected


def test_unmonitored_studies_need_no_checks() -> None:
    assert _checked(719, level="unmonitored") == {}


@pytest.mark.parametrize(
    ("checks", "headline"),
    [
        ((2, 4, 6, 8, 10, 13, 14, 16, 18, 20, 22), "1 of 10 intervals is 3:00, 1:00 over"),
        ((2, 4, 6, 9, 10, 13.5, 14, 16, 18, 20, 22),
         "2 of 10 intervals are over 2:00, the longest 3:30, 1:30 over"),
        ((2.5, *range(4, 23, 2)), "the first check is 2:30 after the start, 0:30 over"),
        ((*range(2, 22, 2), 21.75), "the last check is 2:15 before the end, 0:15 over"),
        ((12,), "the first check is 12:00 after the start, 10:00 over; "
                "the last check is 12:00 before the end, 10:00 over"),
    ],
)  # fmt: skip
def test_lapses_are_one_line_with_their_figures(checks: tuple[float, ...], headline: str) -> None:
    _, found = monitored(DAY_OF_EEG, checks_at(*checks))
    assert _asked(found) == {"monitoring_lapse": headline}
    assert ("our reading" in found["monitoring_lapse"].text) == headline.startswith(
        ("the first", "the last")
    )


def test_a_late_first_check_alone_is_told_with_the_codes_without_that_rule() -> None:
    log, _ = monitored(DAY_OF_EEG, checks_at(3, *range(4, 23, 2)))
    billing, _ = bill_and_findings(DAY_OF_EEG, given=order(monitoring="intermittent"),
                                   monitoring=log)  # fmt: skip
    assert units(billing.technical_totals) == {"95708": 1}
    (one,) = [i for i in billing.interpretations if "only the time from check to check" in i.words]
    assert units(one.technical_totals) == {"95709": 1}
    assert (one.lowers, one.asked) == (False, False)
    assert "our reading" in one.source


def test_a_lapse_between_checks_is_none_that_another_start_rule_would_mend() -> None:
    log, _ = monitored(DAY_OF_EEG, checks_at(3, 4, 8, *range(10, 23, 2)))
    billing, _ = bill_and_findings(DAY_OF_EEG, given=order(monitoring="intermittent"),
                                   monitoring=log)  # fmt: skip
    assert not [i for i in billing.interpretations if "check to check" in i.words]


@pytest.mark.parametrize(
    ("level", "checks", "headline"),
    [
        ("intermittent", (), "no check inside the recording is documented for intermittent"),
        ("intermittent", (-3, 30), "no check inside the recording is documented for intermittent"),
        ("unmonitored", (), None),
        (None, (), None),
    ],
)
def test_no_check_is_said_only_where_checks_were_ordered(
    level: MonitoringLevel | None, checks: tuple[float, ...], headline: str | None
) -> None:
    log, found = monitored(DAY_OF_EEG, checks_at(*checks), level)
    _, more = bill_and_findings(DAY_OF_EEG, given=order(monitoring=level), monitoring=log)
    asked = _asked(found | more)
    if headline is None:
        assert asked == {}
    else:
        assert asked["monitoring_not_documented"].startswith(headline)
        assert more["monitoring_not_documented"].form == ("outside" if checks else "")


def test_a_log_that_was_not_taken_is_not_called_no_check() -> None:
    log, _ = monitored(DAY_OF_EEG, [], log_taken=False)
    _, found = bill_and_findings(DAY_OF_EEG, given=order(monitoring="intermittent"),
                                 monitoring=log)  # fmt: skip
    assert "monitoring_not_documented" not in found
    assert not log.log_taken


@pytest.mark.parametrize(
    ("held", "headline"),
    [
        ("18:57:36", "14:24 of video short of 80 %"),  # 79 %
        ("19:11:59", "0:01 of video short of 80 %"),
        ("19:12:00", None),  # exactly 80 %
        ("24:00:00", None),
        ("12:00:00", "7:12:00 of video short of 80 %"),
    ],
)
def test_video_on_both_sides_of_its_share(held: str, headline: str | None) -> None:
    video = filmed(Interval(0, hms(held)), coverage=DAY_OF_EEG)
    _, found = bill_and_findings(DAY_OF_EEG, given=order(video=True), video=video)
    assert _asked(found) == ({} if headline is None else {"video_below_share": headline})


def test_a_period_under_its_share_is_named_where_the_study_has_enough() -> None:
    coverage = hours((0, 48))
    video = filmed(Interval(0, 43 * HOUR), coverage=coverage)
    billing, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert _asked(found) == {"video_below_share": "period 2: 12:00 of video short of 80 %"}
    assert [p.video for p in billing.periods] == [True, False]
    assert units(billing.technical_totals) == {"95714": 2}


def test_where_the_study_is_short_its_share_comes_first_and_no_period_stands_for_it() -> None:
    coverage = hours((0, 48))
    video = filmed(Interval(0, 36 * HOUR), coverage=coverage)
    _, found = bill_and_findings(coverage, given=order(video=True), video=video)
    assert _asked(found) == {
        "video_below_share": "2:24:00 of video short of 80 % (period 2: 7:12:00 of video short of "
        "80 %)"
    }


def test_video_that_was_ordered_needs_a_log_and_video_that_was_not_needs_none() -> None:
    _, found = bill_and_findings(DAY_OF_EEG, given=order(video=True))
    assert list(_asked(found)) == ["video_not_documented"]
    _, found = bill_and_findings(
        DAY_OF_EEG, given=order(video=True), video_log=log_of([], taken=False)
    )
    assert _asked(found) == {}, "another finding says why the log was not taken"
    _, found = bill_and_findings(DAY_OF_EEG, given=order(video=False))
    assert _asked(found) == {}


@pytest.mark.parametrize(
    ("channels", "code", "note", "asked"),
    [
        (SetupChannels(7), "95999", "7 of 8 needed EEG channels: 95999 in place of 95700.",
         {"setup_channels_below_minimum": "7 of 8 needed set-up channels"}),
        (SetupChannels(8), "95700", "8 of 8 needed EEG channels: 95700.", {}),
        (SetupChannels(9), "95700", "8 of 8 needed EEG channels (9 recorded): 95700.", {}),
        (SetupChannels(7, ("A1", "A2")), "95999",
         "7 of 8 needed EEG channels: 95999 in place of 95700. A1, A2 are references and not "
         "counted (our reading).",
         {"setup_channels_below_minimum": "7 of 8 needed set-up channels"}),
        (SetupChannels(8, ("A1",)), "95700",
         "8 of 8 needed EEG channels: 95700. A1 is a reference and not counted (our reading).", {}),
        (None, "95700", "EEG channels not known; 8 needed for 95700.", {}),
    ],
)  # fmt: skip
def test_set_up_channels_on_both_sides_of_eight(
    channels: SetupChannels | None, code: str, note: str, asked: dict[str, str]
) -> None:
    facts = BillingFacts(DAY_OF_EEG, Axis(), order(24 * HOUR), channels=channels)
    billing, found = measure_billing(facts, POLICY.billing)
    assert billing.setup.code == code
    assert billing.setup.note.startswith(note)
    assert billing.setup.supported is (None if channels is None else code == "95700")
    assert {f.code: f.headline for f in found if f.question == "billing"} == asked


def _carrying(name: str, hours: tuple[float, float], *electrodes: str | None) -> StudyFile:
    file = piece(name, hours)
    channels = tuple(
        Channel(
            i, e or "Button", "", "uV", -3200.0, 3200.0, -32768, 32767, "", 256, 512 * i, False, e
        )
        for i, e in enumerate(electrodes)
    )
    return replace(file, recording=replace(file.recording, channels=channels))


def test_the_set_up_has_the_fewest_electrodes_of_a_file_and_every_reference() -> None:
    # Three electrodes beside an ear in the first file, two beside a mastoid in the second.
    case = Case(
        [
            _carrying("a.edf", (0, 5), "Fp1", "C3", "O1", "A1", None),
            _carrying("b.edf", (5, 10), "M2", "Fp1", "C3"),
        ]
    )
    assert setup_channels(case.study()) == SetupChannels(2, ("A1", "M2"))


def test_channels_that_never_had_a_signal_are_a_look() -> None:
    _, found = bill_and_findings(DAY_OF_EEG, eeg_channels=8, with_signal=7)
    assert _asked(found) == {
        "signal_channels_below_setup_minimum": "7 of 8 needed set-up channels had a signal"
    }
    _, found = bill_and_findings(DAY_OF_EEG, eeg_channels=19, with_signal=8)
    assert _asked(found) == {}


def test_an_interpretation_is_a_look_only_where_the_policy_asks_and_a_code_falls() -> None:
    # 27 h: one of each by total; filling 26 h first, one 12-26 h unit only.
    coverage = hours((0, 27))
    billing, found = bill_and_findings(coverage)
    assert _asked(found) == {}
    assert "interpretations_differ" in found
    rule = {"longest_first": replace(POLICY.billing.split.longest_first, other="ask")}
    billing, found = bill_and_findings(coverage, policy=policy_with(split=rule))
    assert list(_asked(found)) == ["asked_interpretation_lowers"]
    assert found["asked_interpretation_lowers"].headline.startswith(
        "lower codes if each unit is filled up to 26 h"
    )
    assert [i.asked for i in billing.interpretations if "filled" in i.words] == [True]
    hidden = {"longest_first": replace(POLICY.billing.split.longest_first, other="hide")}
    billing, _ = bill_and_findings(coverage, policy=policy_with(split=hidden))
    assert not [i for i in billing.interpretations if "filled" in i.words]


def test_an_interpretation_that_is_asked_for_and_raises_codes_is_no_look() -> None:
    # 13 h, an hour's interruption, 13 h: two clocks give two units where one gives one.
    policy = policy_with(restart={"other": "ask"})
    coverage = hours((0, 13), (14, 27))
    billing, found = bill_and_findings(coverage, policy=policy, restarts=(14 * HOUR,))
    (one,) = [i for i in billing.interpretations if "restart" in i.words]
    assert (one.asked, one.lowers) == (True, False)
    assert _asked(found) == {}


@pytest.mark.parametrize(
    ("code", "with_it", "judged"),
    [
        (
            "test_recording",
            "12:00:01",
            ("files", "caution"),
        ),  # a 2-12 h unit becomes a 12-26 h unit
        ("test_recording", "11:59:59", (None, "info")),
        ("before_hookup", "12:00:01", (None, "info")),
    ],
)
def test_a_test_recording_is_for_a_person_only_where_counting_it_would_change_a_code(
    code: FindingCode, with_it: str, judged: tuple[str | None, str]
) -> None:
    told = Finding(code, "info", "t.edf", "A test.", other_recorded_ns=hms(with_it))
    (found,) = judged_tests([told], hms("11:58:00"), POLICY.billing)
    assert (found.question, found.severity) == judged
    assert replace(found, question=None, severity="info") == told


@pytest.mark.parametrize("recorded", ["12:00:01", "25:59:00", "36:00:01", "60:00:01", "59:59:00"])
def test_a_time_close_to_a_limit_is_said_and_is_no_look(recorded: str) -> None:
    _, found = bill_and_findings(coverage_of((0, hms(recorded))))
    assert "close_to_limit" in found
    assert _asked(found) == {}


@pytest.mark.parametrize(
    ("monitoring", "video", "form"),
    [(None, None, ""), (None, False, "monitoring"), ("unmonitored", None, "video")],
)
def test_what_the_order_does_not_say_is_one_info_and_no_look(
    monitoring: MonitoringLevel | None, video: bool | None, form: str
) -> None:
    wanted = order(24 * HOUR, monitoring=monitoring, video=video)
    _, found = bill_and_findings(DAY_OF_EEG, given=wanted)
    assert _asked(found) == {}
    (told,) = found.values()
    assert (told.code, told.severity, told.form) == ("video_or_monitoring_not_stated", "info", form)


def test_a_short_study_gives_its_band_and_its_code() -> None:
    billing, found = bill_and_findings(
        coverage_of((0, hms("1:59:00"))), given=order(2 * HOUR), eeg_channels=19
    )
    assert billing.minimum is not None
    assert (billing.minimum.met, billing.minimum.text) == (False, "1:00 under the 2-hour minimum")
    assert billing.shorter is not None
    assert billing.shorter.code == "95813"
    assert _asked(found) == {}, "the answer is no by the minimum itself"
    assert "close_to_limit" not in found, "the finding on the order says it"


def test_dates_are_the_calendars_of_each_periods_recording() -> None:
    # America/Denver: from Tue 2 March 2027 at 21:00 for 10 h, then 20:00 to 22:00 on the 4th.
    axis = Axis("America/Denver")
    start = axis.instant(hms("21:00:00") + 20_879 * 24 * HOUR)
    coverage = coverage_of((start, start + 10 * HOUR), (start + 47 * HOUR, start + 49 * HOUR))
    billing, _ = bill_and_findings(coverage, axis=axis)
    assert billing.dates == ("2027-03-02", "2027-03-04")
    assert [p.dates for p in billing.periods] == [
        ("2027-03-02", "2027-03-03"), ("2027-03-04",), ("2027-03-04",),
    ]  # fmt: skip
    assert [d.dates for d in billing.professional.each_day] == [p.dates for p in billing.periods]


def test_a_recording_that_ends_at_midnight_has_no_date_of_the_next_day() -> None:
    billing, _ = bill_and_findings(hours((0, 24)))
    assert billing.dates == ("1970-01-01",)
    billing, _ = bill_and_findings(coverage_of((0, 24 * HOUR + 1)))
    assert billing.dates == ("1970-01-01", "1970-01-02")


def test_sources_are_named_and_secondary_pages_are_marked() -> None:
    billing, _ = bill_and_findings(DAY_OF_EEG)
    sources = {s.key: s for s in billing.sources}
    assert sources["S3"].name.startswith("American Academy of Neurology")
    assert {s.key for s in billing.sources if s.secondary} == {
        "S2", "S4", "S6", "S7", "S8", "S12", "S17",
    }  # fmt: skip
