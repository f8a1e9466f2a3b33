"""Every threshold in force in words, with source, mark and date."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

from helpers_billing import POLICY, policy_from

from auditor.decision.rules import rule_lines
from auditor.model import RuleLine
from auditor.policy import DEFAULT_POLICY

LINES = rule_lines(POLICY)
MARKS = {
    "read", "secondary", "memory", "inferred", "common practice", "our choice", "not stated",
    "legend",
}  # fmt: skip


def _one(words: str, lines: tuple[RuleLine, ...] = LINES) -> RuleLine:
    (found,) = [
        line for line in lines if line.subject.startswith(words) or f"({words})" in line.subject
    ]
    return found


def test_every_line_is_complete_and_dated() -> None:
    for line in LINES:
        assert line.subject, line
        assert line.value, line
        assert line.source, line
        assert line.mark in MARKS, line
        assert line.checked == "2026-11", line


def test_no_two_lines_have_the_same_subject_and_value() -> None:
    pairs = [(line.subject, line.value) for line in LINES]
    assert len(set(pairs)) == len(pairs)


def test_every_key_of_the_commented_sections_has_a_line() -> None:
    text = (resources.files("auditor.policy") / DEFAULT_POLICY).read_text(encoding="utf-8")
    data = tomllib.loads(text)
    subjects = " ".join(line.subject for line in LINES)
    for section in ("coverage", "decision", "signal", "study", "stop", "power"):
        for key, value in data[section].items():
            names = [f"{section}.{key}.{k}" for k in value] if isinstance(value, dict) else None
            for name in names or [f"{section}.{key}"]:
                assert re.search(rf"{re.escape(name)}(\)| |$)", subjects), name


def test_every_section_of_the_default_policy_is_covered() -> None:
    text = (resources.files("auditor.policy") / DEFAULT_POLICY).read_text(encoding="utf-8")
    sections = set(tomllib.loads(text)) - {"policy"}
    assert sections == {
        "coverage", "decision", "signal", "study", "stop", "power", "monitoring", "video", "billing",
    }  # fmt: skip


def test_every_code_of_the_policy_has_a_line_with_the_mark_of_its_number() -> None:
    settings = POLICY.billing
    codes = set(settings.code_marks)
    shown = {line.subject.removeprefix("Code ") for line in LINES if line.subject[:5] == "Code "}
    shorter = {"95812", "95813", "95816", "95819", "95822"}
    assert shown == codes - shorter - {"95700", "95999"}
    assert _one("Code 95705").mark == "read"
    assert _one("Code 95706").mark == "secondary"
    assert _one("Code 95716").mark == "memory"


def test_limits_say_whether_the_limit_itself_belongs_to_the_band() -> None:
    upper = _one("Technical unit, 2-12 h: upper limit")
    assert upper.value == "up to 12:00:00 (12:00:00 itself still belongs to it)"
    assert upper.mark == "inferred"
    lower = _one("Technical unit, 12-26 h: lower limit")
    assert lower.value == "more than 12:00:00 (12:00:00 itself does not)"


def test_every_source_key_used_is_explained() -> None:
    explained = {line.subject.removeprefix("Source ") for line in LINES if line.mark == "legend"}
    used = {key for line in LINES for key in re.findall(r"\bS\d+\b", line.source)}
    assert used == explained


def test_the_totals_to_ask_the_coder_about_are_named() -> None:
    line = _one("Ask the coder")
    assert line.value.startswith(
        "more than 26:00:00 up to 28:00:00; more than 36:00:00 up to 38:00:00; "
        "more than 50:00:00 up to 54:00:00"
    )


def test_values_are_given_in_words() -> None:
    assert _one("decision.tolerance_share").value == "5 %"
    assert _one("coverage.gap_floor_s").value == "1 s"
    assert _one("power.pack_hours").value == "36 h"
    assert _one("Video: share of recorded time").value == "at least 80 %"
    assert _one("Intermittent monitoring: between checks").value == "at most 2 h"


def test_the_source_of_a_commented_key_is_its_comment() -> None:
    line = _one("decision.minimum_share")
    assert line.subject == (
        "Repeat: recorded is less than this share of the ordered time (decision.minimum_share)"
    )
    assert (line.source, line.mark) == ("common practice, no source", "common practice")


def test_a_value_of_another_policy_says_that_it_is_that_files(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        "[policy]\nname = 'made-up'\npublisher = 'nobody'\nchecked = '2027-01'\n"
        "[decision]\ntolerance_share = 0.1\n",
    )
    lines = rule_lines(policy)
    line = _one("decision.tolerance_share", lines)
    assert (line.value, line.source) == ("10 %", "set in the policy file 'made-up'")
    assert line.checked == "2027-01"
    assert _one("decision.minimum_share", lines).mark == "common practice"
