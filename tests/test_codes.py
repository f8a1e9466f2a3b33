"""The catalogue of codes: each declared once, meant for something, and worded."""

from __future__ import annotations

import re

from auditor.model.codes import CAUSES, FINDINGS, REASONS, finding


def test_every_code_is_a_lower_snake_case_word_with_a_meaning() -> None:
    for code, meaning in [
        *((c, e.meaning) for c, e in FINDINGS.items()),
        *CAUSES.items(),
        *REASONS.items(),
    ]:
        assert re.fullmatch(r"[a-z0-9]+(_[a-z0-9]+)*", code)
        assert meaning.strip(), code


def test_a_finding_that_a_person_must_act_on_says_what_to_do() -> None:
    for code, entry in FINDINGS.items():
        if entry.text and entry.question is not None:
            assert entry.action, code


def test_a_finding_is_worded_from_its_values() -> None:
    made = finding("no_time_zone")
    assert made.severity == FINDINGS["no_time_zone"].severity
    assert made.code == "no_time_zone"
