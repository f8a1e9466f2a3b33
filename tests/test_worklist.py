"""The worklist: who must act first, and no text that runs."""

from __future__ import annotations

import base64
import hashlib
from pathlib import Path
from typing import Any

import pytest
from selectolax.lexbor import LexborHTMLParser

from auditor.batch.history import History
from auditor.batch.summary import failed
from auditor.batch.worklist import csv_text, json_text, rows, write_worklist
from auditor.core.units import HOUR
from auditor.model import PersonDecision, WorkRow
from auditor.outputs.html import render_worklist
from auditor.outputs.html.lists import MOST_ROWS

NOW = "2027-03-06T08:00:00Z"


def summary(outcome: str = "complete", **changed: Any) -> dict[str, Any]:
    return {
        **failed(""), "error": None, "outcome": outcome, "headline": f"said {outcome}",
        "stop": "early", "stop_cause": "power_exhausted", "ordered_ns": 72 * HOUR,
        "recorded_ns": 60 * HOUR - 1, "short_ns": 12 * HOUR + 1,
        "technical": [{"code": "95708", "count": 2}], "professional": "95723", **changed,
    }  # fmt: skip


def row(study: str, **changed: Any) -> WorkRow:
    return WorkRow(study, f"audits/{study}/audit.html", summary(**changed))


def test_those_to_act_on_stand_first(tmp_path: Path) -> None:
    cases: dict[str, dict[str, Any]] = {
        "complete": summary(),
        "review": summary("review"),
        "review, a problem": summary("review", problems=1),
        "review, shorter": summary("review", short_ns=20 * HOUR),
        "repeat": summary("repeat"),
        "repeat, decided": summary("repeat"),
        "unreadable": failed("no recording"),
        "no order": summary("review", ordered_ns=None, short_ns=None),
    }
    with History(tmp_path, create=True) as history:
        for study, facts in cases.items():
            history.add_audit(study, NOW, "f", [], facts)
        history.add_decision("repeat, decided", "repeat", "M-1", "", NOW)
        found = rows(history, [*cases, "not audited yet"])
    assert [r.study for r in found] == [
        "unreadable", "repeat", "review, a problem", "review, shorter", "review", "no order",
        "repeat, decided", "complete",
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("outcome", "decided", "outdated", "settled"),
    [
        ("complete", None, False, True),
        ("review", None, False, False),
        ("review", "accept", False, True),
        ("review", "repeat", False, True),
        ("complete", "void", False, True),
        ("repeat", "accept-short", True, False),
        ("complete", "extend", True, True),
    ],
)
def test_what_settles_a_study(
    outcome: str, decided: str | None, outdated: bool, settled: bool
) -> None:
    decision = None if decided is None else PersonDecision(decided, "M-1", "", NOW)
    assert WorkRow("S", "", summary(outcome), decision, outdated).settled is settled


def test_shown_hours_round_so_that_none_crosses_a_threshold() -> None:
    page = LexborHTMLParser(render_worklist([row("S-2041")], NOW))
    cells = [cell.text(strip=True) for cell in page.css("tbody td.n")]
    assert cells == ["72:00:00", "59:59:59", "–", "12:00:01"]
    assert "power exhausted" in page.css_first("tbody tr").text()


@pytest.mark.parametrize("text", ["<script>alert(1)</script>", '"><img src=x>', "a\u202eb", "=1+1"])
def test_names_are_shown_as_text(text: str) -> None:
    odd = row(text, headline=text, recorder=text, patient_code=text, study_id=text + "2")
    html = render_worklist([odd], NOW, [text])
    page = LexborHTMLParser(html)
    assert len(page.css("script")) == 1
    assert page.css("img, [style], [onclick]") == []
    assert "\u202e" not in html
    table = csv_text((odd,))
    assert "\u202e" not in table
    assert "\n=1" not in table


def test_only_what_the_policy_names_may_run() -> None:
    page = LexborHTMLParser(render_worklist([row("S-2041")], NOW))
    policy = page.css_first("meta[http-equiv]").attributes["content"]
    assert "default-src 'none'" in policy
    for element in page.css("style, script"):
        digest = hashlib.sha256(element.text().encode()).digest()
        assert f"'sha256-{base64.b64encode(digest).decode()}'" in policy


def test_a_very_long_list_is_cut_on_the_page_and_whole_in_the_table() -> None:
    many = tuple(row(f"S-{n}") for n in range(MOST_ROWS + 3))
    page = LexborHTMLParser(render_worklist(many, NOW))
    assert len(page.css("tbody tr")) == MOST_ROWS
    assert f"The first {MOST_ROWS:,} of {MOST_ROWS + 3:,}" in page.body.text()
    assert csv_text(many).count("\n") == MOST_ROWS + 4


def test_the_same_rows_give_the_same_bytes() -> None:
    found = (row("S-2041"), WorkRow("S-2042", "", failed("x")))
    assert render_worklist(found, NOW) == render_worklist(found, NOW)
    assert json_text(found, NOW, ()) == json_text(found, NOW, ())


def test_an_empty_worklist_is_a_worklist(tmp_path: Path) -> None:
    with History(tmp_path, create=True) as history:
        write_worklist(history, [], tmp_path)
    assert (tmp_path / "worklist.csv").read_text().startswith("study,settled,outcome")
    assert "no studies, 0 to act on" in (tmp_path / "index.html").read_text().lower()
