"""The worklist: who must act first, and no text that runs."""

from __future__ import annotations

import base64
import csv
import hashlib
import io
from pathlib import Path
from typing import Any

import pytest
from selectolax.lexbor import LexborHTMLParser

from auditor.batch.history import History
from auditor.batch.summary import failed
from auditor.batch.worklist import csv_text, json_text, rows, write_worklist
from auditor.core.units import HOUR
from auditor.model import PersonDecision, WorkRow
from auditor.outputs.html.lists import MOST_ROWS, render_worklist

NOW = "2027-03-06T08:00:00Z"


def summary(outcome: str = "complete", **changed: Any) -> dict[str, Any]:
    return {
        **failed(""), "error": None, "outcome": outcome, "headline": f"said {outcome}",
        "stop": "early", "stop_cause": "power_exhausted", "ordered_ns": 72 * HOUR,
        "recorded_ns": 60 * HOUR - 1, "short_ns": 12 * HOUR + 1,
        "technical": [{"code": "95708", "count": 2}], "professional": "95723", **changed,
    }  # fmt: skip


def answers(billing: str, **others: str) -> list[dict[str, str]]:
    """Four answers: yes, but for ``billing`` and ``others``."""
    states = {"order": "yes", "readable": "yes", "billing": billing, "files": "yes", **others}
    return [{"question": q, "state": s, "text": f"why {q}"} for q, s in states.items()]


def row(study: str, **changed: Any) -> WorkRow:
    return WorkRow(study, f"audits/{study}/audit.html", summary(**changed))


def test_those_to_act_on_stand_first(tmp_path: Path) -> None:
    cases: dict[str, dict[str, Any]] = {
        "complete": summary(),
        "review": summary("review"),
        "review, a problem": summary("review", problems=1),
        "review, shorter": summary("review", short_ns=20 * HOUR),
        "review, for billing alone": summary("review", short_ns=30 * HOUR, answers=answers("look")),
        "goes on": summary("so_far"),
        "repeat": summary("repeat"),
        "repeat, decided": summary("repeat"),
        "unreadable": failed("no recording"),
        "no order": summary("review", ordered_ns=None, short_ns=None),
    }
    with History(tmp_path, create=True) as history:
        for study, facts in cases.items():
            history.add_audit(study, NOW, "f", "", facts)
        history.add_decision("repeat, decided", "repeat", "M-1", "", NOW)
        found = rows(history, [*cases, "not audited yet"])
    assert [r.study for r in found] == [
        "unreadable", "repeat", "review, a problem", "review, shorter", "review", "no order",
        "review, for billing alone", "goes on", "repeat, decided", "complete",
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
    decision = None
    if decided is not None:
        decision = PersonDecision(decided, "M-1", "", NOW, made_on_this_audit=not outdated)
    assert WorkRow("S", "", summary(outcome), decision).settled is settled


@pytest.mark.parametrize(
    ("changed", "acts"),
    [
        ({"answers": answers("look")}, ("billing",)),
        ({"answers": answers("yes", files="look")}, ("technologist",)),
        ({"answers": answers("no", order="look")}, ("technologist", "billing")),
        (
            {"outcome": "repeat", "answers": answers("no", order="no")},
            ("technologist", "billing", "manager"),
        ),
        ({"outcome": "complete", "answers": answers("yes")}, ()),
        ({"outcome": "unreadable", "error": "no recording"}, ("technologist",)),
    ],
)
def test_who_must_act(changed: dict[str, Any], acts: tuple[str, ...]) -> None:
    assert row("S", **{"outcome": "review", **changed}).acts == acts


def test_a_row_says_why_and_what_billing_asks_once_each() -> None:
    lines = [["Minimum", "Not met", "1:00 under"], ["Set-up", "95700", "8 channels"]]
    one = row("S-1", outcome="review", answers=answers("no", files="look"), lines=lines)
    page = LexborHTMLParser(render_worklist([one, row("S-2", answers=answers("yes"))], NOW))
    said = [p.text(separator=" ", strip=True) for p in page.css("tbody tr:first-child .said p")]
    assert said == ["No Billing minimum met: why billing", "Look Files in order: why files"]
    codes = page.css_first("tbody .codes").text(separator=" ", strip=True)
    assert " ".join(codes.split()) == "Minimum Not met 1:00 under Set-up 95700 8 channels"
    assert page.css(".said")[1].text() == "nothing"
    assert page.css_first("tbody tr").attributes["data-acts"] == "technologist billing"
    assert "the technologist 1, billing 1, the manager 0" in page.css_first(".lead").text()


def test_the_table_has_billing_columns_and_durations_in_both_forms() -> None:
    lines = [["Minimum", "Met", "2:00 above"], ["Checks", "", "none ordered"],
             ["Video", "", "79.0 %"], ["Set-up", "95700", "8 channels"]]  # fmt: skip
    facts = {"lines": lines, "answers": answers("look"), "each_day": ["95719", None],
             "shorter": "95813", "recorded_ns": 12 * HOUR - 1, "short_ns": 1}  # fmt: skip
    (cells,) = csv.DictReader(io.StringIO(csv_text((row("S", outcome="review", **facts),))))
    assert (cells["recorded_s"], cells["recorded"]) == ("43199.999999999", "11:59:59")
    assert (cells["short_s"], cells["short"]) == ("0.000000001", "0:00:01")
    assert (cells["minimum"], cells["checks"]) == ("Met 2:00 above", "none ordered")
    assert (cells["video"], cells["setup"]) == ("79.0 %", "95700 8 channels")
    assert (cells["each_day"], cells["shorter"]) == ("95719 none", "95813")
    assert (cells["billing"], cells["acts"]) == ("look: why billing", "billing")


def test_shown_hours_round_so_that_none_crosses_a_threshold() -> None:
    page = LexborHTMLParser(render_worklist([row("S-2041")], NOW))
    (cell,) = page.css("tbody td.n")
    assert cell.text(separator=" ", strip=True) == "59:59:59 of 72:00:00 12:00:01 short"
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
    assert (tmp_path / "worklist.csv").read_text().startswith("study,settled,acts,outcome")
    assert "no studies, 0 to act on" in (tmp_path / "index.html").read_text().lower()
