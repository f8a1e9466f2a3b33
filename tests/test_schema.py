"""``auditor schema`` describes every key and code that an audit holds: demo and fixtures walked."""

from __future__ import annotations

import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from helpers_demo import Demo
from msgspec.structs import replace

from auditor.core.errors import NothingReadable
from auditor.demo.studies import plans
from auditor.inputs.order import order_with
from auditor.model import Audit
from auditor.model.codes import CAUSES, FINDINGS, REASONS
from auditor.outputs.data import document, json_pieces, schema
from auditor.pipeline import Options, examine, judge
from auditor.policy import load_policy

FIXTURES = sorted(
    p for p in (Path(__file__).parents[1] / "fixtures").iterdir()
    if p.suffix in (".edf", ".bdf", ".dat")
)  # fmt: skip
POLICY = load_policy()
SCHEMA = schema()
VALIDATOR = jsonschema.Draft202012Validator(SCHEMA)


def undescribed(value: Any, node: dict[str, Any], where: str = "audit") -> Iterator[str]:
    """Keys of ``value`` that ``node`` does not describe."""
    choices = [n for n in node.get("anyOf", [node]) if n.get("type") != "null"]
    if isinstance(value, list):
        items = next(n["items"] for n in choices if n.get("type") == "array")
        for i, entry in enumerate(value):
            yield from undescribed(entry, items, f"{where}[{i}]")
    elif isinstance(value, dict):
        known: dict[str, Any] = {}
        for choice in choices:
            known = choice.get("properties", {}) | known
        for key, held in value.items():
            if not known.get(key, {}).get("description"):
                yield f"{where}.{key}"
            else:
                yield from undescribed(held, known[key], f"{where}.{key}")


def check(audit: Audit) -> None:
    facts = document(audit)
    VALIDATOR.validate(facts)
    assert list(undescribed(facts, SCHEMA)) == []


@pytest.mark.parametrize("study_id", [plan.study_id for plan in plans()])
def test_every_key_of_a_demo_audit_is_described(demo: Demo, study_id: str) -> None:
    check(demo.audit(study_id))


@pytest.mark.parametrize("path", FIXTURES, ids=lambda p: p.name)
def test_every_key_of_a_fixture_audit_is_described(path: Path) -> None:
    try:
        facts = examine([path], order=None, policy=POLICY, options=Options(second_readers=False))
    except NothingReadable:
        return
    for order in (None, order_with(None, {"ordered_hours": "0.01"})):
        check(judge(replace(facts, order=order), POLICY))


def told(node: Any) -> Iterator[tuple[str, str]]:
    """Every code that the schema names, with its meaning."""
    if isinstance(node, dict):
        for choice in node.get("oneOf", ()):
            yield choice["const"], choice.get("description", "")
        for held in node.values():
            yield from told(held)
    elif isinstance(node, list):
        for held in node:
            yield from told(held)


def test_every_code_of_the_catalogue_stands_in_the_schema_with_its_meaning() -> None:
    meanings = dict(told(SCHEMA))
    for code in (*FINDINGS, *CAUSES, *REASONS):
        assert meanings[code]


def test_a_key_that_is_not_described_is_found() -> None:
    assert list(undescribed({"tool": {"version": "1", "new": 2}}, SCHEMA)) == ["audit.tool.new"]


def test_the_text_is_the_document_with_one_row_a_line(demo: Demo) -> None:
    audit = demo.audit("S-2042")
    text = "".join(json_pieces(audit))
    assert json.loads(text) == json.loads(json.dumps(document(audit)))
    longest = max(len(audit.annotations), len(audit.hours), len(audit.rules))
    assert text.count("\n") > longest
