"""The rules of billing, monitoring and video in words, whole, beside what the policy file says.

The figures and marks of ``LINES`` are those of the published sources that the policy names (S1 to
S32, explained there); other policies here are invented.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import POLICY, policy_from, policy_with
from msgspec.structs import replace

from auditor.core.units import HOUR, MINUTE
from auditor.decision.rules import rule_lines
from auditor.model import RuleLine
from auditor.policy import Policy
from auditor.policy.sourced import Sourced

SETTINGS = POLICY.billing

# Subject, value, mark.
LINES = [
    ("Intermittent monitoring: between checks, at most, over recorded time "
     "(monitoring.intermittent.interval)",
     "2 h", "secondary"),
    ("Intermittent monitoring: first check after the start, at most "
     "(monitoring.intermittent.first_within)",
     "2 h", "inferred"),
    ("Intermittent monitoring: last check before the end, at most "
     "(monitoring.intermittent.last_within)",
     "2 h", "inferred"),
    ("Intermittent monitoring: patients of one technologist, which cannot be known "
     "from the files (monitoring.intermittent.patients)",
     "at most: 12", "secondary"),
    ("Continuous monitoring (a list of checks shows it where a limit is set): patients "
     "of one technologist, which cannot be known from the files "
     "(monitoring.continuous.patients)",
     "at most: 4", "memory"),
    ("Annotations that match count as checks (monitoring.check_patterns)",
     r"\b(monitoring|remote|live|eeg)[ _-]?(check|review)(ed)?\b, \… (2 in all)",
     "common practice"),
    ("How a log's dates such as 03/02/2027 are read; 'ask': as lies in the recording, "
     "else not (monitoring.log_dates)",
     "ask", "common practice"),
    ("Share of recorded time that codes with video need (video.minimum)",
     "80 %", "secondary"),
    ("In a BIDS events file, the kinds of event that are video (video.patterns)",
     r"\bvideo\b", "common practice"),
    ("How a log's dates such as 03/02/2027 are read; 'ask': as lies in the recording, "
     "else not (video.log_dates)",
     "ask", "common practice"),
    ("Technical unit, 2-12 h: from (billing.technical.from)",
     "2 h (included)", "read"),
    ("Technical unit, 2-12 h: to (billing.technical.to)",
     "12 h (included)", "inferred"),
    ("Technical unit, 2-12 h: codes (billing.technical.codes)",
     "95705 unmonitored without video (S5, read); 95706 intermittent without video "
     "(S12, secondary); 95707 continuous without video (S12, secondary); 95711 "
     "unmonitored with video (from memory, memory); 95712 intermittent with video "
     "(from memory, memory); 95713 continuous with video (from memory, memory)", "memory"),
    ("Technical unit, 2-12 h: at most one in a study (billing.technical.once)",
     "yes", "read"),
    ("Technical unit, 12-26 h: from (billing.technical.from)",
     "12 h (not included)", "inferred"),
    ("Technical unit, 12-26 h: to (billing.technical.to)",
     "26 h (included)", "read"),
    ("Technical unit, 12-26 h: codes (billing.technical.codes)",
     "95708 unmonitored without video (S6, read); 95709 intermittent without video "
     "(S12, secondary); 95710 continuous without video (from memory, memory); 95714 "
     "unmonitored with video (from memory, memory); 95715 intermittent with video "
     "(from memory, memory); 95716 continuous with video (from memory, memory)", "memory"),
    ("Report on a day, 2-12 h: from (billing.professional_day.from)",
     "2 h (included)", "read"),
    ("Report on a day, 2-12 h: to (billing.professional_day.to)",
     "12 h (included)", "read"),
    ("Report on a day, 2-12 h: codes (billing.professional_day.codes)",
     "95717 without video (S3, S4, read); 95718 with video (S4, read)", "read"),
    ("Report on a day, 2-12 h: at most one in a study (billing.professional_day.once)",
     "yes", "memory"),
    ("Report on a day, 12-26 h: from (billing.professional_day.from)",
     "12 h (not included)", "read"),
    ("Report on a day, 12-26 h: to (billing.professional_day.to)",
     "26 h (included)", "read"),
    ("Report on a day, 12-26 h: codes (billing.professional_day.codes)",
     "95719 without video (S6, read); 95720 with video (S6, read)", "read"),
    ("Report on the whole study, 36-60 h: from (billing.professional_whole.from)",
     "36 h (not included)", "read"),
    ("Report on the whole study, 36-60 h: to (billing.professional_whole.to)",
     "60 h (included)", "read"),
    ("Report on the whole study, 36-60 h: codes (billing.professional_whole.codes)",
     "95721 without video (S3, S7, read); 95722 with video (S3, S7, read)", "read"),
    ("Report on the whole study, 60-84 h: from (billing.professional_whole.from)",
     "60 h (not included)", "read"),
    ("Report on the whole study, 60-84 h: to (billing.professional_whole.to)",
     "84 h (included)", "read"),
    ("Report on the whole study, 60-84 h: codes (billing.professional_whole.codes)",
     "95723 without video (S8, read); 95724 with video (S6, read)", "read"),
    ("Report on the whole study, more than 84 h: from (billing.professional_whole.from)",
     "84 h (not included)", "read"),
    ("Report on the whole study, more than 84 h: codes "
     "(billing.professional_whole.codes)",
     "95725 without video (S3, S7, read); 95726 with video (S3, S7, read)", "read"),
    ("One report without a whole-study code, 26-36 h: from "
     "(billing.professional_once.from)",
     "26 h (not included)", "inferred"),
    ("One report without a whole-study code, 26-36 h: to (billing.professional_once.to)",
     "36 h (included)", "inferred"),
    ("One report without a whole-study code, 26-36 h (billing.professional_once)",
     "another interpretation: show; without video: 95719, 95717; with video: 95720, "
     "95718", "memory"),
    ("Shorter recording, 20-40 min (billing.shorter)",
     "from minutes: 20; to minutes: 40; states: 95816 (awake and drowsy), 95819 (awake "
     "and asleep), 95822 (coma or sleep only)", "read"),
    ("Shorter recording, 41-60 min (billing.shorter)",
     "from minutes: 41; to minutes: 60; code: 95812", "read"),
    ("Shorter recording, 61-119 min (billing.shorter)",
     "from minutes: 61; to minutes: 119; code: 95813", "read"),
    ("Length of a period; the first begins with the first record (billing.period)",
     "24 h", "read"),
    ("A fixed hour at which periods start, if they do (billing.period_start)",
     "not entered", "common practice"),
    ("The other interpretation of the periods' start, asked for by being named "
     "(billing.other_period_start)",
     "not entered", "common practice"),
    ("That periods may start at a fixed hour (billing.fixed_start)",
     "yes", "common practice"),
    ("A remainder up to this joins the unit before it (billing.leftover_joins)",
     "2 h (included)", "read"),
    ("How recorded time is split into units (billing.split.default)",
     "total", "common practice"),
    ("The total is split, wherever it was recorded (billing.split.total)",
     "another interpretation: show", "inferred"),
    ("The time inside each period is banded by itself (billing.split.windows)",
     "another interpretation: show", "inferred"),
    ("Each unit is filled before the next begins (billing.split.longest_first)",
     "another interpretation: show", "not stated"),
    ("Gaps shorter than the tolerance count as recorded (billing.gaps)",
     "another interpretation: show; tolerance: 0 s; tolerance of the other: 1 min", "inferred"),
    ("Whether a restart after a gap starts the period clock anew (billing.restart)",
     "another interpretation: show; moves clock: no", "inferred"),
    ("Set-up code, the EEG channels it needs, the code below them (billing.setup)",
     "code: 95700; minimum channels: 8; else code: 95999", "read"),
    ("What a lapse in the checks lowers (billing.lapse)",
     "another interpretation: show; lowers: period", "memory"),
    ("Whether the time to the first check and from the last must keep the limits too "
     "(billing.ends)",
     "another interpretation: show; needed: yes", "inferred"),
    ("Over what the share of video is taken (billing.video_share)",
     "another interpretation: show; by: study", "inferred"),
    ("Codes where the order names what no log shows (billing.undocumented)",
     "another interpretation: show; monitoring: unmonitored; video: without video", "inferred"),
    ("A total this close to a limit, on either side, is told (billing.near_limit_s)",
     "5 min", "common practice"),
    ("Regular expressions (any case) of annotations that show sleep or drowsiness "
     "(billing.sleep_patterns)",
     r"\bsleep\b, \basleep\b, \bdrows(y|iness)\b, \b(sleep[ _-]?)?s… (4 in all)",
     "common practice"),
]  # fmt: skip


def code_rules(policy: Policy) -> list[RuleLine]:
    """The lines of monitoring, video and billing, without the legend of sources."""
    ours = ("(monitoring.", "(video.", "(billing.")
    return [line for line in rule_lines(policy) if any(key in line.subject for key in ours)]


def rule(key: str, policy: Policy = POLICY) -> RuleLine:
    """The line of a key, or of the words that stand before it."""
    found = [r for r in code_rules(policy) if f"({key})" in r.subject or r.subject.startswith(key)]
    assert len(found) == 1, (key, found)
    return found[0]


def test_every_rule_of_the_default_policy_in_words_and_in_this_order() -> None:
    assert [(line.subject, line.value, line.mark) for line in code_rules(POLICY)] == LINES


def test_each_rule_has_the_source_of_its_own_key() -> None:
    checks, video, billing = POLICY.monitoring, POLICY.video, SETTINGS
    once = billing.technical[0].once
    assert once is not None
    for key, expected in (
        ("monitoring.check_patterns", checks.about),
        ("monitoring.log_dates", checks.about),
        ("video.patterns", video.about),
        ("video.log_dates", video.about),
        ("billing.near_limit_s", billing.about),
        ("billing.sleep_patterns", billing.about.keys["sleep_patterns"]),
        ("Technical unit, 2-12 h: at most one", once),
        ("billing.leftover_joins", billing.leftover_joins),
        ("billing.gaps", billing.gaps),
    ):
        assert (rule(key).source, rule(key).mark) == (expected.source, expected.mark), key
    codes = rule("Technical unit, 12-26 h: codes")
    assert (codes.source, codes.mark) == ("S6; S12; from memory", "memory")


def test_a_key_without_a_source_of_its_own_has_that_of_its_section() -> None:
    about = replace(SETTINGS.about, keys={})
    line = rule("billing.sleep_patterns", policy_with(about={"keys": {}}))
    assert (line.source, line.mark) == (about.source, about.mark)


@pytest.mark.parametrize(
    ("sections", "key", "value"),
    [
        ({"restart": {"moves_clock": True}}, "billing.restart",
         "another interpretation: show; moves clock: yes"),
        ({"ends": {"needed": False}}, "billing.ends", "another interpretation: show; needed: no"),
        ({"video_share": {"by": "period"}}, "billing.video_share",
         "another interpretation: show; by: period"),
        ({"lapse": {"lowers": "study"}}, "billing.lapse",
         "another interpretation: show; lowers: study"),
        ({"lapse": {"other": "hide"}}, "billing.lapse",
         "another interpretation: hide; lowers: period"),
        ({"undocumented": {"monitoring": "as_ordered"}}, "billing.undocumented",
         "another interpretation: show; monitoring: as ordered; video: without video"),
        ({"leftover_joins": {"included": False}}, "billing.leftover_joins",
         "2 h (not included)"),
        ({"period_start_ns": 7 * HOUR + 5 * MINUTE}, "billing.period_start", "7 h 5 min"),
        ({"gaps": {"tolerance_ns": MINUTE}}, "billing.gaps",
         "another interpretation: show; tolerance: 1 min; tolerance of the other: 1 min"),
        ({"split": {"default": "windows"}}, "billing.split.default", "windows"),
    ],
)  # fmt: skip
def test_another_answer_of_the_policy_is_said(
    sections: dict[str, object], key: str, value: str
) -> None:
    assert rule(key, policy_with(**sections)).value == value


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
    policy = policy_with(technical=bands)
    for subject, value in (
        ("2-12 h: to", "12 h (not included)"),
        ("12-26 h: from", "12 h (included)"),
        ("12-26 h: to", "26 h (not included)"),
    ):
        assert rule(f"Technical unit, {subject}", policy).value == value


def test_a_limit_that_stands_in_a_policy_file_for_a_level_without_one(tmp_path: Path) -> None:
    assert not [r for r in code_rules(POLICY) if "monitoring.continuous.interval" in r.subject]
    text = "[monitoring.continuous]\ninterval = { hours = 1, source = 'a made-up payer' }\n"
    line = rule("monitoring.continuous.interval", policy_from(tmp_path, text))
    assert (line.value, line.source) == ("1 h", "a made-up payer")


def test_dates_of_logs_read_in_one_order_and_no_patterns() -> None:
    policy = replace(
        POLICY,
        monitoring=replace(POLICY.monitoring, log_dates="day_first", check_patterns=()),
        video=replace(POLICY.video, log_dates="month_first", patterns=("one", "two")),
    )
    for key, value in (
        ("monitoring.log_dates", "day first"),
        ("video.log_dates", "month first"),
        ("monitoring.check_patterns", "none"),
        ("video.patterns", "one, two"),
    ):
        assert rule(key, policy).value == value
    long = replace(policy, video=replace(policy.video, patterns=("x" * 61,)))
    assert rule("video.patterns", long).value == "x" * 60 + "… (1 in all)"


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
    line = rule("Technical unit, 2-12 h: codes", policy)
    assert line.value == (
        "95705 unmonitored without video (S5, read); 95706 intermittent without video (none stated, "
        "not stated); 95707 continuous without video (none stated, not stated)"
    )
    assert (line.source, line.mark) == ("S5; none stated", "not stated")
    subject = "One report without a whole-study code, 26-36 h (billing"
    assert rule(subject, policy).value == (
        "another interpretation: show; without video: 95719, 95717"
    )


def test_the_share_of_video_is_told_as_exactly_as_the_policy_gives_it() -> None:
    minimum = replace(POLICY.video.minimum, ppm=825_000)
    policy = replace(POLICY, video=replace(POLICY.video, minimum=minimum))
    assert rule("video.minimum", policy).value == "82.5 %"
