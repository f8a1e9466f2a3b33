"""Policy files: other limits need no code, and a wrong file names the key."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import (
    POLICY,
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
    stretch,
    units,
)

from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, NS
from auditor.policy import Policy

# A made-up payer: 8-hour periods, one band of 3 to 9 h, one code whatever the level, a whole-study
# code from 16 h, other codes, 16 channels, hourly checks, half of the time on video.
OTHER_PAYER = """
[policy]
name = "made-up-payer"
publisher = "nobody: this payer is invented"
checked = "2027-01"

[billing]
professional_once = []
shorter = [{ name = "under 3 h", from_minutes = 30, to_minutes = 179, code = "S1", source = "invented" }]
leftover_joins = { hours = 1, included = false, source = "invented", mark = "read" }
other_period_start = "06:30"
cautions = ["Invented rules."]
[billing.period]
hours = 8
source = "invented"
[billing.split]
default = "total"
windows = { other = "show" }
longest_first = { other = "hide" }
[billing.setup]
code = "SETUP"
minimum_channels = 16
else_code = "SETUP-LESS"
[[billing.technical]]
name = "3-9 h"
from = { hours = 3, included = false, source = "invented", mark = "read" }
to = { hours = 9, included = false, source = "invented", mark = "read" }
codes = "T1"
[[billing.professional_day]]
name = "3-9 h"
from = { hours = 3, included = false }
to = { hours = 9, included = false }
codes = "P1"
[[billing.professional_whole]]
name = "16 h and more"
from = { hours = 16, included = true }
codes = { without_video = "W1", with_video = "W2" }

[monitoring]
intermittent = { interval = { hours = 1, source = "invented", mark = "read" } }

[video]
minimum = { share = 0.5, source = "invented" }
"""


@pytest.fixture
def other(tmp_path: Path) -> Policy:
    return policy_from(tmp_path, OTHER_PAYER)


# n = whole 8 h periods, r the rest: r under 1 h joins, r more than 3 h is one more unit, and
# between the two it is no unit at all.
OTHER_UNITS = [
    ("3:00:00", {}, None, "3 h itself is not in the band"),
    ("3:00:01", {"T1": 1}, None, "more than 3 h"),
    ("8:59:59", {"T1": 1}, None, "less than 9 h"),
    ("9:00:00", {"T1": 1}, None, "9 h itself is beyond the band: n = 1, r = 1 h, no unit"),
    ("11:00:00", {"T1": 1}, None, "n = 1, r = 3 h: still no unit"),
    ("11:00:01", {"T1": 2}, None, "n = 1, r more than 3 h"),
    ("15:59:59", {"T1": 2}, None, "below the whole-study code"),
    ("16:00:00", {"T1": 2}, "W1", "16 h itself has the whole-study code"),
    ("24:00:00", {"T1": 3}, "W1", "n = 3"),
    ("27:00:01", {"T1": 4}, "W1", "n = 3, r more than 3 h"),
]


@pytest.mark.parametrize(("recorded", "expected", "whole", "why"), OTHER_UNITS)
def test_another_payers_limits_need_no_code(
    other: Policy, recorded: str, expected: dict[str, int], whole: str | None, why: str
) -> None:
    billing = bill(coverage_of((0, hms(recorded))), policy=other)
    assert units(billing.technical_totals) == expected, why
    assert billing.professional.whole_study.code == whole, why


def test_another_payers_other_rules_need_no_code(other: Policy) -> None:
    coverage = hours((0, 24))
    log, _ = monitored(coverage, checks_at(*range(1, 24)), policy=other)
    assert log.supported == "intermittent"
    assert monitored(coverage, checks_at(*range(2, 24, 2)), policy=other)[0].lapses
    video = filmed(stretch(0, 12), coverage=coverage, policy=other)
    billing = bill(
        coverage, policy=other, eeg_channels=15, video=video, monitoring=log,
        given=order(24 * HOUR, monitoring="intermittent", video=True),
    )  # fmt: skip
    assert units(billing.technical_totals) == {"T1": 3}
    assert billing.professional.whole_study.code == "W2"
    assert billing.setup.code == "SETUP-LESS"
    assert [p.end - p.start for p in billing.periods] == [8 * HOUR] * 3
    assert billing.cautions[1:] == ("Invented rules.",)
    assert all("memory" not in a.source for a in billing.interpretations)


def test_another_payers_shorter_recordings_need_no_code(other: Policy) -> None:
    shorter = bill(coverage_of((0, hms("2:59:59"))), policy=other).shorter
    assert shorter is not None
    assert (shorter.code, shorter.band) == ("S1", "under 3 h")
    assert bill(coverage_of((0, 29 * 60 * NS)), policy=other).shorter.code is None  # type: ignore[union-attr]


def test_a_fixed_start_of_periods_is_read_in_hours_and_minutes(other: Policy) -> None:
    assert other.billing.period_start_ns is None
    words = [i.words for i in bill(hours((0, 20)), policy=other).interpretations]
    assert any(text.startswith("periods start at 06:30 each day") for text in words)


def test_margins_follow_another_payers_open_and_closed_ends(other: Policy) -> None:
    total = bill(coverage_of((0, 9 * HOUR)), policy=other).total
    assert (total.to_next_ns, total.exceed_next) == (2 * HOUR, True)
    professional = bill(coverage_of((0, 15 * HOUR)), policy=other).professional
    assert (professional.whole_to_next_ns, professional.whole_exceed_next) == (HOUR, False)


def test_a_band_without_an_end_never_splits(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        "[[billing.technical]]\nname = 'long'\nfrom = { hours = 2, included = true }\n"
        "codes = 'L1'\n",
    )
    billing = bill(hours((0, 100)), policy=policy)
    assert units(billing.technical_totals) == {"L1": 1}
    assert billing.total.to_next_ns is None
    assert by_interpretation(billing, "filled up") is None


def test_only_the_keys_that_differ_need_be_written(tmp_path: Path) -> None:
    policy = policy_from(tmp_path, "[billing.lapse]\nlowers = 'study'\n")
    assert policy.billing.lapse.lowers == "study"
    assert policy.billing.technical == POLICY.billing.technical
    assert policy.about == POLICY.about


# 10 h on day one, 24 h on day two, 16:00:01 on day three, from midnight on.
THREE_DAYS = ((0, 10 * HOUR), (24 * HOUR, 64 * HOUR + NS))
ANSWERS = {
    "total": {"95708": 2, "95705": 1},  # 50:00:01: two days and 2:00:01
    "windows": {"95708": 2, "95705": 1},  # 10, 24 and 16:00:01
    "longest_first": {"95708": 2},  # 26 h and 24:00:01
    # From noon: 10 h, then 12 h up to noon on day two, 24 h, and 4:00:01; a 2-12 h unit once.
    "from noon": {"95708": 1, "95705": 1},
}
WORDS = {
    "total": "total recorded time", "windows": "banded by itself",
    "longest_first": "filled up to", "from noon": "start at 12:00",
}  # fmt: skip


@pytest.mark.parametrize("answer", ANSWERS)
def test_each_answer_may_be_the_policys_and_asks_for_the_others(
    tmp_path: Path, answer: str
) -> None:
    noon = answer == "from noon"
    start, other_start = ("12:00", "recording") if noon else ("recording", "12:00")
    policy = policy_from(
        tmp_path,
        f"[billing]\nperiod_start = '{start}'\nother_period_start = '{other_start}'\n"
        f"[billing.split]\ndefault = '{'total' if noon else answer}'\n",
    )
    billing = bill(coverage_of(*THREE_DAYS), policy=policy)
    assert units(billing.technical_totals) == ANSWERS[answer]
    assert billing.not_billable_ns == (14 * HOUR + NS if noon else 0)
    if noon:
        assert by_interpretation(billing, "start with the first record") == ANSWERS["total"]
        return
    for other in set(ANSWERS) - {answer}:
        shown = by_interpretation(billing, WORDS[other])
        assert shown in (None, ANSWERS[other])
        assert (shown is None) <= (ANSWERS[other] == ANSWERS[answer])


WRONG = [
    ("[billing]\nlimits = 3\n", "billing.limits", "not a key that is known"),
    ("[billing.period]\nhours = 'a day'\n", "billing.period.hours", "must be a number of hours"),
    ("[billing.period]\nhours = 0\n", "billing.period.hours", "more than 0 hours"),
    ("[billing.period]\nlength = 24\n", "billing.period.length", "is not a key that is known"),
    ("[billing.period]\nsource = 'S9'\n", "billing.period.hours", "is missing"),
    ("[billing]\nleftover_joins = { hours = 24, included = true }\n", "billing", "shorter than the period"),
    ("[billing]\ntechnical = []\n", "billing.technical", "must not be empty"),
    ("[billing.split]\ndefault = 'mine'\n", "billing.split.default", "'total'"),
    ("[billing]\nperiod_start = '7am'\n", "billing.period_start", "time of day"),
    ("[billing]\nother_period_start = 'noon'\n", "billing.other_period_start", "time of day"),
    ("[billing.ends]\nneeded = true\nother = 'maybe'\n", "billing.ends.other", "'show'"),
    ("[billing.setup]\ncode = '95700'\nminimum_channels = 0\nelse_code = 'x'\n", "billing.setup.minimum_channels", "at least 1"),
    ("[billing.gaps]\ntolerance_s = -1\nother_tolerance_s = 0\n", "billing.gaps.tolerance_s", "at least 0 seconds"),
    ("[billing.lapse]\nlowers = 'nothing'\n", "billing.lapse.lowers", "'period' or 'study'"),
    ("[billing]\nsleep_patterns = ['(']\n", "billing.sleep_patterns[0]", "not a regular expression"),
    ("[billing]\nsleep_patterns = ['(a+)+']\n", "billing.sleep_patterns[0]", "repeats a group"),
    ("[monitoring]\ncheck_patterns = ['']\n", "monitoring.check_patterns[0]", "1 to 300 characters"),
    ("[monitoring]\ncheck_patterns = ['.*']\n", "monitoring.check_patterns[0]", "matches the empty text"),
    ("[monitoring.intermittent]\ninterval = { hours = -2 }\n", "monitoring.intermittent.interval.hours", "more than 0 hours"),
    ("[monitoring]\nlog_dates = 'guess'\n", "monitoring.log_dates", "'ask'"),
    ("[video]\nminimum = { share = 80 }\n", "video.minimum.share", "from 0 to 1"),
    ("[video]\nminimum = 0.8\n", "video.minimum", "table of keys"),
    ("[billing.lapse]\nlowers = 'period'\nmark = 'sure'\n", "billing.lapse.mark", "'read'"),
]  # fmt: skip


@pytest.mark.parametrize(("text", "key", "problem"), WRONG)
def test_a_wrong_policy_names_the_key(tmp_path: Path, text: str, key: str, problem: str) -> None:
    with pytest.raises(SettingsError) as error:
        policy_from(tmp_path, text)
    assert "policy.toml" in error.value.where
    assert key in error.value.where
    assert problem in error.value.problem


@pytest.mark.parametrize(
    ("text", "form"),
    [
        ("[decision]\ntolerance_share = 5\n", "tolerance_share = 0.05 (the default)"),
        ("[signal]\nmains = '55'\n", "mains = 'auto' (the default)"),
        ("[signal]\nnight_start = '10 pm'\n", "night_start = 22:00:00 (the default)"),
        ("[billing.period]\nhours = 'a day'\n", "hours = 24 (the default)"),
        ("[billing.setup]\ncode = ''\n", "code = '95700' (the default)"),
    ],
)
def test_a_wrong_value_is_told_with_the_form_that_is_wanted(
    tmp_path: Path, text: str, form: str
) -> None:
    with pytest.raises(SettingsError) as error:
        policy_from(tmp_path, text)
    assert error.value.action == f"Write it as in: {form}."


def test_a_misspelt_key_of_a_policy_is_told_the_one_that_is_meant(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="Is tolerance_share meant"):
        policy_from(tmp_path, "[decision]\ntolerence_share = 0.05\n")


BANDS = """
[[billing.technical]]
name = "first"
from = {{ hours = 2, included = true }}
to = {{ hours = {end}, included = {end_in} }}
codes = "A1"
[[billing.technical]]
name = "second"
from = {{ hours = 12, included = {start_in} }}
to = {{ hours = {top}, included = true }}
codes = "A2"
"""


@pytest.mark.parametrize(
    ("end", "end_in", "start_in", "top", "problem"),
    [
        (11, "true", "false", 26, "must begin where 'first' ends"),
        (12, "true", "true", 26, "exactly one of the two"),
        (12, "false", "false", 26, "exactly one of the two"),
        (12, "true", "false", 12, "must end after it begins"),
        (12, "true", "false", 23, "a whole period must lie in the longest technical band"),
    ],
    ids=["a hole", "both ends closed", "both ends open", "empty", "shorter than a period"],
)
def test_bands_that_leave_a_hole_or_overlap_are_refused(
    tmp_path: Path, end: int, end_in: str, start_in: str, top: int, problem: str
) -> None:
    text = BANDS.format(end=end, end_in=end_in, start_in=start_in, top=top)
    with pytest.raises(SettingsError, match="billing") as error:
        policy_from(tmp_path, text)
    assert problem in error.value.problem


@pytest.mark.parametrize(
    "shorter",
    [
        "{ name = 'x', from_minutes = 20, to_minutes = 10, code = 'A1' }",
        "{ name = 'x', from_minutes = 20, to_minutes = 40 }",
        "{ name = 'x', from_minutes = 0, to_minutes = 40, code = 'A1', states = [{ code = 'B', words = 'w' }] }",
        "{ name = 'x', from_minutes = 0, to_minutes = 40, code = 'A1' }, { name = 'y', from_minutes = 40, to_minutes = 50, code = 'A2' }",
    ],
    ids=["ends before it begins", "neither code nor states", "both", "overlap"],
)
def test_shorter_bands_must_make_sense(tmp_path: Path, shorter: str) -> None:
    with pytest.raises(SettingsError, match=r"billing\.shorter"):
        policy_from(tmp_path, f"[billing]\nshorter = [{shorter}]\n")


def test_a_code_is_a_short_plain_text(tmp_path: Path) -> None:
    for code in ("", "<b>", "x" * 30, "\\u001b[2J"):
        with pytest.raises(SettingsError, match="code"):
            policy_from(
                tmp_path,
                f'[billing.setup]\ncode = "{code}"\nminimum_channels = 8\nelse_code = "A"\n',
            )


def test_the_default_policy_gives_every_limit_a_source_and_a_mark() -> None:
    settings = POLICY.billing
    bands = [*settings.technical, *settings.professional_day, *settings.professional_whole]
    limits = [limit for band in bands for limit in (band.lower, band.upper) if limit is not None]
    rules = [
        *limits, *settings.shorter, *settings.professional_once, settings.period, settings.setup,
        settings.leftover_joins, settings.gaps, settings.restart, settings.lapse,
        settings.ends, settings.fixed_start, settings.split.total, settings.split.windows,
        settings.video_share, settings.undocumented, POLICY.video.minimum,
    ]  # fmt: skip
    assert len(rules) > 20
    for rule in rules:
        assert rule.source
        assert rule.mark != "not stated"


def test_the_default_policys_findings_are_few_for_a_plain_complete_study() -> None:
    _, found = bill_and_findings(hours((0, 72)), eeg_channels=21, with_signal=21)
    assert set(found) <= {"interpretations_differ"}
