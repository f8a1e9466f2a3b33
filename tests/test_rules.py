"""Every threshold in force in words, with source, mark and date."""

from __future__ import annotations

import re
import tomllib
from importlib import resources
from pathlib import Path

import pytest
from helpers_billing import POLICY, policy_from
from msgspec.structs import replace

from auditor.core.errors import SettingsError
from auditor.decision.rules import rule_lines
from auditor.model import RuleLine
from auditor.outputs.terminal import rules_text
from auditor.policy import DEFAULT_POLICY, load_policy

LINES = rule_lines(POLICY)
MARKS = {
    "read", "secondary", "memory", "inferred", "common practice", "our choice", "not stated",
    "legend",
}  # fmt: skip


def _one(words: str, lines: tuple[RuleLine, ...] = LINES) -> RuleLine:
    found = [line for line in lines if line.subject == words or f"({words})" in line.subject]
    found = found or [line for line in lines if line.subject.startswith(words)]
    assert len(found) == 1, (words, found)
    return found[0]


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


def test_every_key_of_the_general_sections_has_a_line_with_its_meaning() -> None:
    text = (resources.files("auditor.policy") / f"{DEFAULT_POLICY}.toml").read_text("utf-8")
    data = tomllib.loads(text)
    for section in ("coverage", "decision", "signal", "study", "stop", "power"):
        for key, value in data[section].items():
            if key == "about":
                continue
            names = [f"{key}.{k}" for k in value] if isinstance(value, dict) else [key]
            for name in names:
                line = _one(f"{section}.{name}")
                assert line.mark != "not stated", name
                assert line.subject[:1].isupper(), line.subject


def test_every_section_of_the_default_policy_is_covered() -> None:
    text = (resources.files("auditor.policy") / f"{DEFAULT_POLICY}.toml").read_text(
        encoding="utf-8"
    )
    sections = set(tomllib.loads(text)) - {"policy", "desk"}  # no audit depends on the desk
    assert sections == {
        "coverage", "decision", "signal", "study", "stop", "power", "monitoring", "video", "billing",
    }  # fmt: skip


def test_every_code_of_the_policy_has_a_line_with_the_mark_of_its_number() -> None:
    settings = POLICY.billing
    shown = set(re.findall(r"\b95\d{3}\b", " ".join(line.value for line in LINES)))
    assert shown == set(settings.code_marks)
    line = _one("Technical unit, 12-26 h: codes")
    assert line.value == (
        "95708 unmonitored without video (S6, read); "
        "95709 intermittent without video (S12, secondary); "
        "95710 continuous without video (from memory, memory); "
        "95714 unmonitored with video (from memory, memory); "
        "95715 intermittent with video (from memory, memory); "
        "95716 continuous with video (from memory, memory)"
    )
    assert line.mark == "memory"  # the weakest of the six
    assert _one("Report on a day, 12-26 h: codes").mark == "read"


def test_limits_say_whether_the_limit_itself_belongs_to_the_band() -> None:
    upper = _one("Technical unit, 2-12 h: to")
    assert upper.value == "12 h (included)"
    assert upper.mark == "inferred"
    lower = _one("Report on the whole study, 36-60 h: from")
    assert lower.value == "36 h (not included)"


def test_a_rule_of_which_nobody_says_where_it_comes_from_says_so() -> None:
    about = replace(POLICY.power.about, source="", keys={})
    lines = rule_lines(replace(POLICY, power=replace(POLICY.power, about=about)))
    told = {line.source for line in lines if "(power." in line.subject}
    assert told == {"none stated"}


def test_every_source_key_used_is_explained() -> None:
    explained = {line.subject.removeprefix("Source ") for line in LINES if line.mark == "legend"}
    used = {key for line in LINES for key in re.findall(r"\bS\d+\b", line.source)}
    assert used == explained


def test_values_are_given_in_words() -> None:
    assert _one("decision.tolerance_share").value == "5 %"
    assert _one("signal.large_uv").value == "1000"
    assert _one("coverage.gap_floor_s").value == "1 s"
    assert _one("power.hours_per_battery").value == "not entered"
    assert _one("video.minimum").value == "80 %"
    assert _one("monitoring.intermittent.interval").value == "2 h"


def test_the_source_of_a_key_is_data_of_its_section_or_its_own() -> None:
    line = _one("decision.minimum_share")
    assert line.subject == (
        "Order, no: recorded less than this share of the ordered time (decision.minimum_share)"
    )
    assert (line.source, line.mark) == ("common practice, no source", "common practice")
    own = _one("study.most_moved_hours")
    assert (own.source, own.mark) == ("our choice", "our choice")


def test_a_key_of_a_table_has_the_source_of_its_table(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        "[power.mode_share]\ncard = 1.0\n'card+computer' = 0.8\n"
        "[power.about.keys.mode_share]\nsource = 'the manual, page 4'\nmark = 'read'\n",
    )
    line = _one("power.mode_share.card+computer", rule_lines(policy))
    assert line.subject == (
        "Share of the hours left when recording to card and computer at once "
        "(power.mode_share.card+computer)"
    )
    assert (line.value, line.source, line.mark) == ("80 %", "the manual, page 4", "read")


def test_a_setting_without_values_says_none(tmp_path: Path) -> None:
    policy = policy_from(tmp_path, "[study]\ndefault_dates = []\n")
    assert _one("study.default_dates", rule_lines(policy)).value == "none"


def test_a_value_of_another_policy_says_that_it_is_that_files(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        "[policy]\nname = 'made-up'\npublisher = 'nobody'\nchecked = '2027-01'\n"
        "[decision]\ntolerance_share = 0.1\n",
    )
    lines = rule_lines(policy)
    line = _one("decision.tolerance_share", lines)
    assert (line.value, line.source) == ("10 %", "set in the policy file 'made-up'")
    assert (line.mark, line.checked) == ("not stated", "2027-01")
    assert _one("decision.minimum_share", lines).mark == "common practice"


def test_a_lab_enters_its_own_source_page_date_and_who_checked(tmp_path: Path) -> None:
    policy = policy_from(
        tmp_path,
        """
[decision]
tolerance_share = 0.1
[decision.about.keys.tolerance_share]
source = "lab rule 7, page 3"
mark = "read"
checked = "2027-01-04"
checked_by = "the lab manager"
[billing.code_marks.95716]
source = "code book 2027, page 801"
mark = "read"
checked = "2027-01-05"
[billing.setup]
code = "95700"
minimum_channels = 8
else_code = "95999"
source = "code book 2027, page 800"
mark = "read"
checked = "2027-01-05"
checked_by = "the coder"
""",
    )
    lines = rule_lines(policy)
    line = _one("decision.tolerance_share", lines)
    assert line.value == "10 %"
    assert (line.source, line.mark) == ("lab rule 7, page 3", "read")
    assert line.checked == "2027-01-04 by the lab manager"
    setup = _one("Set-up", lines)
    assert (setup.source, setup.checked) == (
        "code book 2027, page 800",
        "2027-01-05 by the coder",
    )
    assert policy.billing.code_marks["95716"].source == "code book 2027, page 801"


def test_a_source_for_a_key_that_is_not_there_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match="names tolerence_share, which is no key"):
        policy_from(tmp_path, "[decision.about.keys.tolerence_share]\nsource = 'x'\n")


def test_the_default_policy_written_out_and_read_back_is_the_same(tmp_path: Path) -> None:
    """Every key given again by a lab's file: the same values, now from that file."""
    text = (resources.files("auditor.policy") / f"{DEFAULT_POLICY}.toml").read_text("utf-8")
    again = policy_from(tmp_path, text)
    assert replace(again, sha256=POLICY.sha256, path=None) == POLICY
    assert rule_lines(again) == LINES


def test_the_rules_fit_on_two_screens() -> None:
    """Two screens of 60 lines each, the legend of sources apart."""
    text = rules_text(LINES, POLICY.about.name, POLICY.sha256, POLICY.about.checked)
    lines = text.splitlines()
    assert len(lines) - sum(line.startswith("Source ") for line in lines) <= 120
    assert all(f"{line.subject}: {line.value}" in text for line in LINES)


def test_the_policy_without_codes_is_chosen_by_name_and_tells_of_none() -> None:
    policy = load_policy(Path("no-codes"))
    assert (policy.about.name, policy.about.codes) == ("no-codes", False)
    subjects = " ".join(line.subject for line in rule_lines(policy))
    assert "decision.tolerance_share" in subjects
    assert not re.search(r"Technical|Code|Source|monitoring", subjects)


def test_a_name_that_is_no_policy_is_told_those_that_ship() -> None:
    with pytest.raises(SettingsError, match="us-long-term-eeg and no-codes"):
        load_policy(Path("no-code"))
