"""The rules of billing, monitoring and video in words, whole, beside what the policy file says.

The figures and marks of ``LINES`` are those of the published sources that the policy names (S1 to
S32, explained there); other policies here are invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import POLICY, policy_from, policy_with
from msgspec.structs import replace

from auditor.billing.rule_lines import code_rules
from auditor.core.units import HOUR, MINUTE
from auditor.policy import Policy
from auditor.policy.sourced import Sourced

SETTINGS = POLICY.billing

# Subject, value, mark; annotations' patterns apart.
LINES = [
    ("Intermittent monitoring: between checks, over recorded time", "at most 2 h", "secondary"),
    ("Intermittent monitoring: first check after the start", "at most 2 h", "inferred"),
    ("Intermittent monitoring: last check before the end", "at most 2 h", "inferred"),
    ("Intermittent monitoring: patients of one technologist",
     "at most 12 (cannot be known from the files)", "secondary"),
    ("Continuous monitoring: between checks",
     "not set: a list of checks cannot show this level", "not stated"),
    ("Continuous monitoring: patients of one technologist",
     "at most 4 (cannot be known from the files)", "memory"),
    ("Dates in the log of checks",
     "in the one order of day, month and year that lies in the recording, else not taken",
     "common practice"),
    ("Video: share of recorded time for the codes with video", "at least 80 %", "secondary"),
    ("Events that are video (BIDS events)", r"\bvideo\b", "common practice"),
    ("Dates in the video log",
     "in the one order of day, month and year that lies in the recording, else not taken",
     "common practice"),
    ("Technical unit, 2-12 h: lower limit", "from 2:00:00 (2:00:00 itself still belongs to it)",
     "read"),
    ("Technical unit, 2-12 h: upper limit", "up to 12:00:00 (12:00:00 itself still belongs to it)",
     "inferred"),
    ("Technical unit, 12-26 h: upper limit", "up to 26:00:00 (26:00:00 itself still belongs to it)",
     "read"),
    ("Report on a day, 2-12 h: lower limit", "from 2:00:00 (2:00:00 itself still belongs to it)",
     "read"),
    ("Report on a day, 2-12 h: upper limit", "up to 12:00:00 (12:00:00 itself still belongs to it)",
     "read"),
    ("Report on a day, 12-26 h: upper limit",
     "up to 26:00:00 (26:00:00 itself still belongs to it)", "read"),
    ("Report on the whole study, 36-60 h: lower limit",
     "more than 36:00:00 (36:00:00 itself does not)", "read"),
    ("Report on the whole study, 36-60 h: upper limit",
     "up to 60:00:00 (60:00:00 itself still belongs to it)", "read"),
    ("Report on the whole study, 60-84 h: upper limit",
     "up to 84:00:00 (84:00:00 itself still belongs to it)", "read"),
    ("One report without a whole-study code, 26-36 h: lower limit",
     "more than 26:00:00 (26:00:00 itself does not)", "inferred"),
    ("One report without a whole-study code, 26-36 h: upper limit",
     "up to 36:00:00 (36:00:00 itself still belongs to it)", "inferred"),
    ("One report without a whole-study code, 26-36 h: codes",
     "95719 with 95717; with video 95720 with 95718", "memory"),
    ("Technical units of 2-12 h", "at most one in a study", "read"),
    ("Reports on a day of 2-12 h", "at most one in a study", "memory"),
    ("Period", "24 h, the first from the first record on", "read"),
    ("What is left over after whole periods",
     "up to 2 h joins the unit before it; more is a unit of its band", "read"),
    ("How recorded time is split",
     "the total recorded time is split, wherever in the periods it was recorded", "inferred"),
    ("Other interpretation of the split",
     "the recorded time inside each 24 h period is banded by itself", "inferred"),
    ("Other interpretation of the split",
     "each unit is filled up to 26 h before the next begins", "not stated"),
    # n = floor(T / 24) against n = floor(T / 26), for totals up to four days.
    ("Ask the coder: totals for which filling the longest band first gives other units (up to "
     "96:00:00)",
     "more than 26:00:00 up to 28:00:00; more than 36:00:00 up to 38:00:00; more than 50:00:00 up to "
     "54:00:00; more than 60:00:00 up to 64:00:00; more than 74:00:00 up to 80:00:00; more than "
     "84:00:00 up to 90:00:00", "inferred"),
    ("Gaps", "no gap counts as recorded, however short", "inferred"),
    ("Gaps, other interpretation", "gaps shorter than 1 min count as recorded", "inferred"),
    ("A restart after a gap", "changes nothing", "inferred"),
    ("Set-up", "95700 from 8 EEG channels on, else 95999", "read"),
    ("A lapse in the checks lowers", "the period", "memory"),
    ("Time to the first check and from the last", "must keep the limits too", "inferred"),
    ("The share of video is taken", "over the whole study", "inferred"),
    ("Monitoring that no log shows", "codes unmonitored", "inferred"),
    ("Video that no log shows", "codes without video", "inferred"),
    ("Shorter recording, 20 to 40 whole minutes",
     "95816 (awake and drowsy), 95819 (awake and asleep), 95822 (coma or sleep only)", "read"),
    ("Shorter recording, 41 to 60 whole minutes", "95812", "read"),
    ("Shorter recording, 61 to 119 whole minutes", "95813", "read"),
    ("A total is told as close to a limit", "within 5 min of it on either side", "common practice"),
    ("Technical codes, 2-12 h, without video",
     "95705 unmonitored (S5, read); 95706 intermittent (S12, secondary); 95707 continuous (S12, "
     "secondary)", "secondary"),
    ("Technical codes, 2-12 h, with video",
     "95711 unmonitored (from memory, memory); 95712 intermittent (from memory, memory); 95713 "
     "continuous (from memory, memory)", "memory"),
    ("Technical codes, 12-26 h, without video",
     "95708 unmonitored (S6, read); 95709 intermittent (S12, secondary); 95710 continuous (from "
     "memory, memory)", "memory"),
    ("Technical codes, 12-26 h, with video",
     "95714 unmonitored (from memory, memory); 95715 intermittent (from memory, memory); 95716 "
     "continuous (from memory, memory)", "memory"),
    ("Codes for a report on a day, 2-12 h",
     "95717 without video (S3, S4, read); 95718 with video (S4, read)", "read"),
    ("Codes for a report on a day, 12-26 h",
     "95719 without video (S6, read); 95720 with video (S6, read)", "read"),
    ("Codes for a report on the whole study, 36-60 h",
     "95721 without video (S3, S7, read); 95722 with video (S3, S7, read)", "read"),
    ("Codes for a report on the whole study, 60-84 h",
     "95723 without video (S8, read); 95724 with video (S6, read)", "read"),
    ("Codes for a report on the whole study, more than 84 h",
     "95725 without video (S3, S7, read); 95726 with video (S3, S7, read)", "read"),
]  # fmt: skip


def test_every_rule_of_the_default_policy_in_words_and_in_this_order() -> None:
    found = [(subject, value, rule.mark) for subject, value, rule in code_rules(POLICY)]
    patterns = {"Annotations that count as checks", "Annotations that show sleep"}
    assert [line for line in found if line[0] not in patterns] == LINES


def test_each_rule_has_the_source_of_its_own_key() -> None:
    rules = {subject: rule for subject, _, rule in code_rules(POLICY)}
    checks, video, billing = POLICY.monitoring, POLICY.video, SETTINGS
    assert rules["Annotations that count as checks"] is checks.about
    assert rules["Dates in the log of checks"] is checks.about
    assert rules["Events that are video (BIDS events)"] is video.about
    assert rules["Dates in the video log"] is video.about
    assert rules["A total is told as close to a limit"] is billing.about
    assert rules["Annotations that show sleep"] is billing.about.keys["sleep_patterns"]
    assert rules["Technical units of 2-12 h"] is billing.technical[0].once
    assert rules["What is left over after whole periods"] is billing.leftover_joins
    assert rules["Gaps, other interpretation"] is billing.gaps
    asked = [rule for subject, rule in rules.items() if subject.startswith("Ask the coder")]
    assert asked == [Sourced(source="follows from the limits above", mark="inferred")]
    codes = rules["Technical codes, 12-26 h, without video"]
    assert codes == Sourced(source="S6; S12; from memory", mark="memory")


def test_a_key_without_a_source_of_its_own_has_that_of_its_section() -> None:
    about = replace(SETTINGS.about, keys={})
    policy = policy_with(about={"keys": {}})
    rules = {subject: rule for subject, _, rule in code_rules(policy)}
    assert rules["Annotations that show sleep"] == about


def _values(policy: Policy) -> dict[str, str]:
    return {subject: value for subject, value, _ in code_rules(policy)}


@pytest.mark.parametrize(
    ("sections", "subject", "value"),
    [
        ({"restart": {"moves_clock": True}}, "A restart after a gap",
         "starts the period clock anew"),
        ({"ends": {"needed": False}}, "Time to the first check and from the last", "do not count"),
        ({"video_share": {"by": "period"}}, "The share of video is taken", "period by period"),
        ({"lapse": {"lowers": "study"}}, "A lapse in the checks lowers", "the study"),
        ({"undocumented": {"monitoring": "as_ordered"}}, "Monitoring that no log shows",
         "codes as ordered"),
        ({"undocumented": {"video": "as_ordered"}}, "Video that no log shows", "codes as ordered"),
        ({"leftover_joins": {"included": False}}, "What is left over after whole periods",
         "less than 2 h joins the unit before it; more is a unit of its band"),
        ({"period_start_ns": 7 * HOUR + 5 * MINUTE}, "Where periods start",
         "periods start at 07:05 each day and not with the first record"),
        ({"gaps": {"tolerance_ns": MINUTE}}, "Gaps", "gaps shorter than 1 min count as recorded"),
        ({"split": {"default": "windows"}}, "How recorded time is split",
         "the recorded time inside each 24 h period is banded by itself"),
    ],
)  # fmt: skip
def test_another_answer_of_the_policy_is_said(
    sections: dict[str, object], subject: str, value: str
) -> None:
    assert _values(policy_with(**sections))[subject] == value


def test_what_is_as_the_policy_or_hidden_is_not_told_again() -> None:
    same = policy_with(gaps={"other_tolerance_ns": 0})
    assert "Gaps, other interpretation" not in _values(same)
    assert "Where periods start" not in _values(POLICY)
    hidden = replace(SETTINGS.split.longest_first, other="hide")
    policy = policy_with(split={"default": "windows", "longest_first": hidden})
    others = [(v, r) for s, v, r in code_rules(policy) if s == "Other interpretation of the split"]
    assert others == [
        ("the total recorded time is split, wherever in the periods it was recorded",
         SETTINGS.split.total),
    ]  # fmt: skip


def test_a_policy_in_which_both_splits_agree_has_no_totals_to_ask_about() -> None:
    # Invented: the longest band ends with the period, so filling either is the same.
    short, long = SETTINGS.technical
    assert long.upper is not None
    upper = replace(long.upper, ns=24 * HOUR)
    policy = policy_with(technical=(short, replace(long, upper=upper)))
    assert not [subject for subject in _values(policy) if subject.startswith("Ask the coder")]


def test_ends_that_belong_to_the_next_band() -> None:
    # Invented: 12:00:00 itself begins the second band, and 26:00:00 is no longer in it.
    short, long = SETTINGS.technical
    assert short.upper is not None
    assert long.upper is not None
    bands = (
        replace(short, upper=replace(short.upper, included=False)),
        replace(
            long,
            lower=replace(long.lower, included=True),
            upper=replace(long.upper, included=False),
        ),
    )
    found = _values(policy_with(technical=bands))
    assert found["Technical unit, 2-12 h: upper limit"] == (
        "less than 12:00:00 (12:00:00 itself does not)"
    )
    assert found["Technical unit, 12-26 h: upper limit"] == (
        "less than 26:00:00 (26:00:00 itself does not)"
    )


@pytest.mark.parametrize(
    "change", [{"ns": 13 * HOUR}, {"source": "another page"}, {"mark": "memory"}], ids=str
)
def test_a_lower_limit_is_told_where_it_is_not_that_of_the_band_before(
    change: dict[str, object],
) -> None:
    short, long = SETTINGS.technical
    assert short.upper is not None
    known = {"source": short.upper.source, "mark": short.upper.mark, **change}
    policy = policy_with(technical=(short, replace(long, lower=replace(long.lower, **known))))
    assert "Technical unit, 12-26 h: lower limit" in _values(policy)


def test_a_level_of_monitoring_without_limits(tmp_path: Path) -> None:
    text = "[monitoring.continuous]\ninterval = { hours = 1, source = 'a made-up payer' }\n"
    rules = list(code_rules(policy_from(tmp_path, text)))
    level = [(s, v, r.source) for s, v, r in rules if s.startswith("Continuous")]
    assert level[0] == (
        "Continuous monitoring: between checks, over recorded time", "at most 1 h",
        "a made-up payer",
    )  # fmt: skip
    assert not [s for s, v, _ in rules if v.startswith("not set")]


def test_dates_of_logs_read_in_one_order_and_no_patterns() -> None:
    policy = replace(
        POLICY,
        monitoring=replace(POLICY.monitoring, log_dates="day_first", check_patterns=()),
        video=replace(POLICY.video, log_dates="month_first", patterns=("one", "two")),
    )
    found = _values(policy)
    assert found["Dates in the log of checks"] == "02/03/2027 is 2 March"
    assert found["Dates in the video log"] == "03/02/2027 is 2 March"
    assert found["Annotations that count as checks"] == "none"
    assert found["Events that are video (BIDS events)"] == "one  two"


def test_codes_without_video_ones_and_codes_whose_source_nobody_states() -> None:
    short, long = SETTINGS.technical
    codes = replace(short.codes, with_video=None)
    (once,) = SETTINGS.professional_once
    marks = {"95705": Sourced(source="S5", mark="read")}
    policy = policy_with(
        technical=(replace(short, codes=codes), long),
        professional_once=(replace(once, with_video=()),),
    )
    policy = replace(policy, billing=replace(policy.billing, code_marks=marks))
    rules = {s: (v, r) for s, v, r in code_rules(policy)}
    assert "Technical codes, 2-12 h, with video" not in rules
    value, rule = rules["Technical codes, 2-12 h, without video"]
    assert value == (
        "95705 unmonitored (S5, read); 95706 intermittent (none stated, not stated); 95707 "
        "continuous (none stated, not stated)"
    )
    assert rule == Sourced(source="S5; none stated", mark="not stated")
    subject = "One report without a whole-study code, 26-36 h: codes"
    assert rules[subject] == ("95719 with 95717", replace(once, with_video=()))


def test_the_share_of_video_is_told_as_exactly_as_the_policy_gives_it() -> None:
    minimum = replace(POLICY.video.minimum, ppm=825_000)
    policy = replace(POLICY, video=replace(POLICY.video, minimum=minimum))
    subject = "Video: share of recorded time for the codes with video"
    assert _values(policy)[subject] == "at least 82.5 %"
