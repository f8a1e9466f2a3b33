"""The catalogue of codes: each declared once, meant for something, and worded."""

from __future__ import annotations

import ast
import re
from collections.abc import Mapping
from functools import cache
from pathlib import Path
from typing import get_args

import pytest

from auditor.model.codes import (
    CAUSES,
    FINDINGS,
    REASONS,
    SET_ASIDE,
    CauseCode,
    FindingCode,
    ReasonCode,
    SetAsideCode,
    finding,
)

PACKAGE = Path(__file__).parents[1] / "auditor"


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
        if entry.text and (entry.question is not None or entry.severity == "problem"):
            assert entry.action, code


def test_a_finding_is_worded_from_its_values() -> None:
    made = finding("no_time_zone")
    assert made.severity == FINDINGS["no_time_zone"].severity
    assert made.code == "no_time_zone"


def literals(of: object) -> set[str]:
    """The strings of a ``Literal`` or a union of them."""
    parts = get_args(of)
    return {p for p in parts if isinstance(p, str)}.union(
        *(literals(p) for p in parts if not isinstance(p, str))
    )


@cache
def rooms() -> dict[Path, ast.Module]:
    """Every module of the package but the catalogue itself."""
    return {
        path: ast.parse(path.read_text(encoding="utf-8"))
        for path in PACKAGE.rglob("*.py")
        if path.parent != PACKAGE / "model" / "codes"
    }


@cache
def texts() -> frozenset[str]:
    """Every string constant of those modules."""
    return frozenset(
        node.value
        for tree in rooms().values()
        for node in ast.walk(tree)
        if isinstance(node, ast.Constant) and isinstance(node.value, str)
    )


@pytest.mark.parametrize(
    ("codes", "declared"),
    [
        (FindingCode, FINDINGS),
        (CauseCode, CAUSES),
        (ReasonCode, REASONS),
        (SetAsideCode, SET_ASIDE),
    ],
    ids=["findings", "causes", "reasons", "set aside"],
)
def test_every_code_is_known_to_the_type_checker_and_used_by_a_room(
    codes: object, declared: Mapping[str, object]
) -> None:
    assert literals(codes) == set(declared)
    assert set(declared) - texts() == set()


def test_every_code_that_a_check_names_is_declared() -> None:
    named = {
        (node.args[0].value, path.name)
        for path, tree in rooms().items()
        for node in ast.walk(tree)
        if isinstance(node, ast.Call)
        and isinstance(node.func, ast.Name)
        and node.func.id in ("finding", "about_files")
        and node.args
        and isinstance(node.args[0], ast.Constant)
    }
    assert len(named) > 50
    assert {(code, module) for code, module in named if code not in FINDINGS} == set()


@pytest.mark.parametrize("code", sorted(FINDINGS))
def test_every_finding_has_meaning_and_words_and_every_form_is_used(code: str) -> None:
    entry = FINDINGS[code]
    assert entry.meaning.strip()
    assert not entry.meaning.endswith(".")  # a phrase, no sentence
    assert entry.text.strip() or entry.forms
    assert all(words.strip() for words in entry.forms.values())
    assert set(entry.forms) - texts() == set()


def test_findings_are_made_by_the_catalogue_alone() -> None:
    in_place = [
        f"{path.relative_to(PACKAGE)}:{node.lineno}"
        for path, tree in rooms().items()
        for node in ast.walk(tree)
        if (isinstance(node, ast.Call) and ast.unparse(node.func).rpartition(".")[2] == "Finding")
        or (isinstance(node, ast.Name) and node.id == "VOCABULARY")
    ]
    assert in_place == []
