"""The worklist and the trends in a real browser: filter, keyboard, phone, paper, nothing loaded."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any, Literal

import pytest
from helpers_browser import CONTRAST, EVERY, LAYOUT, PATIENCE_MS, Rules, violations
from playwright.sync_api import Browser, Page

from auditor.batch.history import History
from auditor.batch.summary import failed
from auditor.batch.trends import csv_text, group_all, patterns
from auditor.batch.worklist import write_worklist
from auditor.core.units import HOUR
from auditor.model import PersonDecision, WorkRow
from auditor.outputs.html.lists import render_trends, render_worklist

pytestmark = pytest.mark.browser
NOW = "2027-03-06T08:00:00Z"
STATE = {"repeat": "no", "review": "look", "complete": "yes"}
ATTACK = "<img src=x onerror=alert(1)><script>alert(2)</script>"


def summary(outcome: str, **changed: Any) -> dict[str, Any]:
    return {
        **failed(""), "error": None, "outcome": outcome, "headline": f"60:00:00 recorded: {outcome}",
        "recorder": "N-3", "patient_code": "P-2041", "stop": "early",
        "stop_cause": "power_exhausted", "ordered_ns": 72 * HOUR, "recorded_ns": 60 * HOUR,
        "usable_ns": 59 * HOUR, "short_ns": 12 * HOUR, "technical": [{"code": "95708", "count": 2}],
        "professional": "95723", "problems": 1, "first_start": "2027-03-02T09:30:00",
        "reasons": ["below_tolerance"], "electrodes": ["C3", "C4"], "electrodes_lost": ["C4"],
        "findings": [{"code": "never_closed", "severity": "caution", "count": 1}],
        "answers": [{"question": "order", "state": STATE[outcome], "text": "short by 12:00:00"},
                    {"question": "billing", "state": "look", "text": "12:00 under"}],
        "lines": [["Minimum", "Not met", "12:00 under the limit"], ["Codes", "", "2 × 95708"],
                  ["Checks", "", "none ordered"], ["Video", "", "none ordered"],
                  ["Set-up", "95700", "19 channels carry EEG; 95700 needs 8"]], **changed,
    }  # fmt: skip


def worklist(many: int = 3) -> str:
    """A worklist page with each kind of row, and an attack in every text."""
    rows = [WorkRow("S-0", "", failed(f"no recording {ATTACK}"))]
    for number, outcome in enumerate(["repeat", "review", "complete"] * many, 1):
        unit = "N-7" if number % 2 else "N-3"
        rows.append(
            WorkRow(f"S-{number}", f"audits/S-{number}/audit.html", summary(outcome, recorder=unit))
        )
    rows.append(
        WorkRow(ATTACK, "audits/x/audit.html", summary("review", headline=ATTACK, study_id=ATTACK),
                PersonDecision("accept", ATTACK, ATTACK, NOW, made_on_this_audit=False))
    )  # fmt: skip
    return render_worklist(rows, NOW, ["S-99", ATTACK])


def trends() -> str:
    studies = [
        summary(("repeat", "complete")[n % 2], recorder=("N-3", "N-7", ATTACK)[n % 3],
                power=("2 batteries, card", None)[n % 2])
        for n in range(30)
    ]  # fmt: skip
    everything, found = group_all(studies)
    return render_trends(found, everything, patterns(everything, found), NOW, 2)


PAGES: dict[str, Callable[[], str]] = {"worklist": worklist, "trends": trends}


@pytest.fixture
def show(browser: Browser, tmp_path: Path) -> Iterator[Callable[..., Page]]:
    """Opens a page's HTML without a network and checks that it did nothing on its own."""
    contexts = []
    said: list[str] = []

    def opener(html: str, **options: Any) -> Page:
        path = tmp_path / "page.html"
        path.write_text(html, encoding="utf-8")
        context = browser.new_context(**options)
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        context.set_offline(True)
        page = context.new_page()
        page.on("console", lambda message: said.append(message.text))
        page.on("pageerror", lambda error: said.append(str(error)))
        page.on("dialog", lambda dialog: (said.append(dialog.message), dialog.dismiss()))
        page.on(
            "request",
            lambda request: (
                said.append(request.url)
                if request.url != path.as_uri() and not request.url.startswith("data:,")
                else None
            ),
        )
        page.goto(path.as_uri())
        return page

    yield opener
    for context in contexts:
        context.close()
    assert said == []


def shown(page: Page) -> list[str]:
    """The studies that can be seen."""
    names: list[str] = page.eval_on_selector_all(
        "#worklist-table tbody tr",
        "rows => rows.filter(r => r.checkVisibility()).map(r => r.querySelector('th').innerText.split('\\n')[0])",
    )
    return names


def test_search_shows_what_holds_every_word(show: Callable[..., Page]) -> None:
    page = show(worklist())
    assert page.inner_text("#worklist-count") == "11 of 11 shown"
    page.fill("#worklist-words", "n-7 REPEAT")
    assert shown(page) == ["S-1", "S-7"]
    assert page.inner_text("#worklist-count") == "2 of 11 shown"
    page.fill("#worklist-words", "")
    assert len(shown(page)) == 11


def test_outcomes_and_those_to_act_on_can_be_chosen(show: Callable[..., Page]) -> None:
    page = show(worklist())
    page.get_by_label("Review").uncheck()
    page.get_by_label("Complete").uncheck()
    assert shown(page) == ["S-0", "S-1", "S-4", "S-7"]
    page.get_by_label("Complete").check()
    page.get_by_label("Only those to act on").check()
    assert shown(page) == ["S-0", "S-1", "S-4", "S-7"]
    page.get_by_label("Review").check()
    assert shown(page)[-1] == ATTACK  # decided, but on other numbers


def test_each_reader_can_choose_what_is_theirs(show: Callable[..., Page]) -> None:
    page = show(worklist())
    page.get_by_label("To act on by").select_option("manager")
    assert shown(page) == ["S-1", "S-4", "S-7"]
    page.get_by_label("To act on by").select_option("billing")
    assert len(shown(page)) == 7  # each repeat and review, none complete
    page.get_by_label("To act on by").select_option("technologist")
    assert shown(page)[0] == "S-0"
    page.get_by_label("To act on by").select_option("")
    assert len(shown(page)) == 11


def test_the_keyboard_reaches_everything(show: Callable[..., Page]) -> None:
    page = show(worklist())
    reached = set()
    for _ in range(30):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("document.activeElement.id || document.activeElement.tagName"))
    assert {"worklist-words", "worklist-open", "INPUT", "A"} <= reached


def test_without_script_every_row_is_there_and_no_filter(show: Callable[..., Page]) -> None:
    page = show(worklist(), java_script_enabled=False)
    assert page.locator("#worklist-table tbody tr:visible").count() == 11
    assert not page.locator("#worklist-filter").is_visible()


WAYS: tuple[tuple[int, Literal["light", "dark"], Rules], ...] = (
    (1280, "light", EVERY),
    (1280, "dark", CONTRAST),
    (360, "light", LAYOUT),
)


@pytest.mark.parametrize("name", PAGES)
def test_it_is_accessible_and_fits(show: Callable[..., Page], name: str) -> None:
    page = show(PAGES[name]())
    for width, scheme, rules in WAYS:
        page.set_viewport_size({"width": width, "height": 800})
        page.emulate_media(color_scheme=scheme)
        assert page.evaluate("document.documentElement.scrollWidth") <= width
        if width == 1280:  # no table runs off
            cut = "[...document.querySelectorAll('.scroll')].filter(e => e.scrollWidth > e.clientWidth + 1)"
            assert page.evaluate(f"{cut}.length") == 0
        assert violations(page, rules) == [], (width, scheme)
    assert page.evaluate("[...document.querySelectorAll('tr')].length") > 5


@pytest.mark.parametrize("name", PAGES)
def test_texts_from_outside_are_shown_as_text(show: Callable[..., Page], name: str) -> None:
    page = show(PAGES[name]())
    assert ATTACK in page.inner_text("main")
    assert page.locator("main img, main script").count() == 0


@pytest.mark.parametrize("name", PAGES)
def test_on_paper_tools_are_gone_and_nothing_is_cut_off(
    show: Callable[..., Page], name: str
) -> None:
    page = show(PAGES[name](), viewport={"width": 1040, "height": 720})  # A4 across, in CSS pixels
    page.emulate_media(media="print")
    assert page.locator(".filter:visible, .tools:visible").count() == 0
    assert page.evaluate("getComputedStyle(document.body).backgroundColor") == "rgb(255, 255, 255)"
    cut = page.evaluate(
        "[...document.querySelectorAll('table')].filter(t => t.getBoundingClientRect().right > innerWidth + 1).length"
    )
    assert cut == 0


def test_two_thousand_studies_open_and_filter(show: Callable[..., Page]) -> None:
    page = show(worklist(many=666))
    page.fill("#worklist-words", "S-1999")
    assert page.inner_text("#worklist-count") == "0 of 2000 shown"
    page.fill("#worklist-words", "s-1998")
    assert shown(page) == ["S-1998"]


def test_the_written_files_are_these_pages(show: Callable[..., Page], tmp_path: Path) -> None:
    out = tmp_path / "out"
    with History(out, create=True) as history:
        history.add_audit("S-1", NOW, "f", "", summary("repeat"))
        write_worklist(history, ["S-1"], out)
    assert shown(show((out / "index.html").read_text(encoding="utf-8"))) == ["S-1"]


def test_a_wide_group_is_not_called_apart(show: Callable[..., Page]) -> None:
    everything, found = group_all([summary("repeat", recorder="N-11")] * 3)
    page = show(render_trends(found, everything, (), NOW, 0))
    assert page.locator(".is-apart").count() == 0
    assert "recorder,N-11,3" in csv_text(found, everything)
