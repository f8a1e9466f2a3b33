"""The page in a real browser: what is seen, on screen, phone and paper, and what never happens.

Needs Debian's packages chromium and poppler-utils (see ``helpers_browser``).
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import helpers_audit as h
import pytest
from helpers_browser import CONTRAST, EVERY, PATIENCE_MS, Rules, page_texts, violations
from helpers_page import html_of
from msgspec.structs import replace
from playwright.sync_api import Browser, BrowserContext, Page

from auditor.core.durations import hms
from auditor.core.units import HOUR
from auditor.model import Audit
from auditor.outputs.html import render_html
from auditor.outputs.note import chart_note

pytestmark = pytest.mark.browser

NAMES = sorted(h.SCENARIOS)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("audits")


@dataclass
class Seen:
    """A page, and everything that it should never have done."""

    page: Page
    messages: list[str] = field(default_factory=list)
    requests: list[str] = field(default_factory=list)
    dialogs: list[str] = field(default_factory=list)

    def quiet(self) -> None:
        assert self.messages == []
        assert self.dialogs == []
        # The page itself and the empty icon that it carries are all that is ever loaded.
        assert [r for r in self.requests if not r.startswith("data:,")] == [
            self.page.url.split("#")[0]
        ]


def written(folder: Path, html: str, name: str) -> Path:
    path = folder / f"{name}.html"
    path.write_text(html, encoding="utf-8")
    return path


def open_page(browser: Browser, path: Path, **options: Any) -> Seen:
    """The page in a context of its own, cut off from any network."""
    options.setdefault("viewport", {"width": 1280, "height": 800})
    context: BrowserContext = browser.new_context(**options)
    context.set_offline(True)
    context.set_default_timeout(PATIENCE_MS)
    seen = Seen(context.new_page())
    seen.page.on("console", lambda message: seen.messages.append(message.text))
    seen.page.on("pageerror", lambda error: seen.messages.append(str(error)))
    seen.page.on("request", lambda request: seen.requests.append(request.url))

    def refuse(dialog: Any) -> None:
        seen.dialogs.append(dialog.message)
        dialog.dismiss()

    seen.page.on("dialog", refuse)
    seen.page.goto(path.as_uri())
    return seen


@pytest.fixture
def show(browser: Browser, folder: Path) -> Iterator[Any]:
    """Opens a scenario; closes what was opened."""
    opened: list[Seen] = []

    def opener(name: str, **options: Any) -> Seen:
        path = written(folder, html_of(name), name)
        opened.append(open_page(browser, path, **options))
        return opened[-1]

    yield opener
    for seen in opened:
        seen.page.context.close()


@pytest.fixture(scope="module", params=NAMES)
def scenario(
    browser: Browser, folder: Path, request: pytest.FixtureRequest
) -> Iterator[tuple[Audit, Seen]]:
    """Each scenario's audit and its page, opened once; tests leave it as they found it."""
    seen = open_page(browser, written(folder, html_of(request.param), request.param))
    yield h.SCENARIOS[request.param](), seen
    seen.quiet()
    seen.page.context.close()


def test_verdict_and_hours_are_in_the_first_screen(scenario: tuple[Audit, Seen]) -> None:
    audit, seen = scenario
    for part, words in {
        "#verdict": audit.decision.headline,
        ".answers": "",
        ".brief": "",
        ".figures .main": hms(audit.coverage.recorded_ns),
    }.items():
        found = seen.page.locator(part)
        box = found.bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < 800, part
        assert words in found.inner_text()
    seen.quiet()


def test_a_study_of_any_length_opens_at_once(scenario: tuple[Audit, Seen]) -> None:
    page = scenario[1].page
    loaded = page.evaluate("performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd")
    assert loaded > 0
    # Few elements, not a measured time, are what makes it quick on any machine.
    assert page.evaluate("document.querySelectorAll('*').length") < 60_000
    assert page.locator("#verdict").is_visible()


def test_verdict_and_the_four_answers_are_in_the_first_screen_of_a_phone(show: Any) -> None:
    seen = show("normal", viewport={"width": 360, "height": 740})
    for part in ("#verdict", ".answers"):
        box = seen.page.locator(part).bounding_box()
        assert box is not None
        assert box["y"] + box["height"] < 740


# Rows of a table are alike: axe judges the first of each, or it would take minutes.
FEW_ROWS = """
() => {
  for (const fold of document.querySelectorAll('details')) fold.open = true;
  const keep = (selector, most) => {
    const seen = new Map();
    for (const e of document.querySelectorAll(selector)) {
      const count = (seen.get(e.parentElement) ?? 0) + 1;
      seen.set(e.parentElement, count);
      if (count > most) e.remove();
    }
  };
  keep('tbody tr', 3);
  keep('.channel', 4);
  keep('.strip g > rect, .strip > use', 2);
}
"""


# One study for each structure of the page; among outcomes and in dark only the colours differ.
LOOKED_AT = [(n, "light", EVERY) for n in ("no_order", "everything")]
LOOKED_AT += [(n, "light", CONTRAST) for n in ("complete", "signal_off")]
LOOKED_AT += [(n, "dark", CONTRAST) for n in ("complete", "signal_off", "everything")]


@pytest.mark.parametrize(("name", "scheme", "rules"), LOOKED_AT)
def test_axe_finds_no_violation(show: Any, name: str, scheme: str, rules: Rules) -> None:
    seen = show(name, color_scheme=scheme)
    seen.page.evaluate(FEW_ROWS)
    assert violations(seen.page, rules) == []


COLOURS = """
() => {
  const style = getComputedStyle(document.documentElement);
  const names = ['paper','card','ink','soft','edge','link','focus','recorded','lane','ground',
    'missing','usable','night','copy','second','video','complete','complete-ground','review',
    'review-ground','repeat','repeat-ground','mark'];
  return Object.fromEntries(names.map((n) => [n, style.getPropertyValue('--' + n).trim()]));
}
"""
TEXT_PAIRS = [
    (ink, ground)
    for ink in ("ink", "soft", "link")
    for ground in ("paper", "card", "complete-ground", "review-ground", "repeat-ground", "mark")
] + [(tone, f"{tone}-ground") for tone in ("complete", "review", "repeat")]
SHAPE_PAIRS = [
    (shape, ground)
    for shape in (
        "recorded",
        "missing",
        "usable",
        "copy",
        "second",
        "video",
        "ink",
        "edge",
        "focus",
    )
    for ground in ("card", "night")
] + [("recorded", "lane"), ("missing", "ground"), ("missing", "lane"), ("edge", "paper")]


def luminance(colour: str) -> float:
    """Relative luminance of '#rgb' or '#rrggbb' (WCAG 2.2, definition of relative luminance)."""
    digits = colour.lstrip("#")
    if len(digits) == 3:
        digits = "".join(d * 2 for d in digits)
    channels = [int(digits[i : i + 2], 16) / 255 for i in (0, 2, 4)]
    linear = [c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in channels]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    high, low = sorted((luminance(one), luminance(other)), reverse=True)
    return (high + 0.05) / (low + 0.05)


def test_text_has_contrast_of_4_5_and_shapes_of_3(show: Any) -> None:
    # WCAG 2.2, success criteria 1.4.3 and 1.4.11.
    page = show("normal").page
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        colours = page.evaluate(COLOURS)
        weak = [
            (a, b, round(contrast(colours[a], colours[b]), 2))
            for pairs, least in ((TEXT_PAIRS, 4.5), (SHAPE_PAIRS, 3.0))
            for a, b in pairs
            if contrast(colours[a], colours[b]) < least
        ]
        assert weak == [], scheme


def test_light_and_dark_follow_the_readers_choice(show: Any) -> None:
    page = show("normal").page
    shades = set()
    for scheme in ("light", "dark"):
        page.emulate_media(color_scheme=scheme)
        shades.add(page.evaluate("getComputedStyle(document.body).backgroundColor"))
    assert len(shades) == 2


def test_forced_colours_keep_gap_and_recording_apart(show: Any) -> None:
    page = show("normal", forced_colors="active").page
    fill = "(s) => getComputedStyle(document.querySelector(s)).fill"
    assert "url" in page.evaluate(fill, "g[fill='url(#p-gap)']")
    assert page.evaluate(fill, ".f-recorded rect") != page.evaluate(fill, ".f-ground")


def test_the_keyboard_reaches_every_control(show: Any) -> None:
    page = show("normal").page
    page.evaluate("for (const d of document.querySelectorAll('details')) d.open = true")
    every = page.evaluate(
        """() => {
          const wanted = 'a[href], button, input, summary, [tabindex="0"]';
          const shown = (e) => e.getClientRects().length > 0;
          window.controls = [...document.querySelectorAll(wanted)].filter(shown);
          return window.controls.length;
        }"""
    )
    reached = set()
    for _ in range(every + 5):
        page.keyboard.press("Tab")
        reached.add(page.evaluate("window.controls.indexOf(document.activeElement)"))
    assert set(range(every)) <= reached


def test_the_skip_link_is_first_and_leads_to_the_verdict(show: Any) -> None:
    page = show("normal").page
    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.className") == "skip"
    page.keyboard.press("Enter")
    assert page.evaluate("document.activeElement.id") == "verdict"


def test_a_gap_leads_to_its_row_and_back(show: Any) -> None:
    page = show("normal").page
    page.locator("#mark-2").focus()
    assert "1 h 30 min missing" in page.locator(".tip").inner_text()
    page.keyboard.press("Enter")
    page.wait_for_function("document.querySelector('#gap-2.is-here')")
    box = page.locator("#gap-2").bounding_box()
    assert 0 <= box["y"] < 800
    page.locator("#gap-2 a").click()
    page.wait_for_function("location.hash === '#mark-2'")


def test_a_jump_into_a_folded_table_opens_it(show: Any) -> None:
    page = show("many_gaps").page
    assert not page.locator("#gap-7").is_visible()
    page.evaluate("location.hash = '#gap-7'")
    page.wait_for_function("document.querySelector('#gap-7.is-here')")
    assert page.locator("#gap-7").is_visible()


def test_a_table_is_copied_as_tab_separated_text_without_formulas_and_the_note_as_it_stands(
    browser: Browser, folder: Path
) -> None:
    audit = h.normal()
    first = replace(audit.annotations[0], text='=HYPERLINK("x")')
    audit = replace(audit, annotations=(first,))
    path = written(folder, render_html(audit), "formula")
    seen = open_page(browser, path, permissions=["clipboard-read", "clipboard-write"])
    seen.page.evaluate("location.hash = '#annotation-list'")
    seen.page.locator(".table:has(#annotations) button").click()
    seen.page.wait_for_function(
        "document.querySelector('.table:has(#annotations) [role=status]').textContent !== ''"
    )
    copied = seen.page.evaluate("navigator.clipboard.readText()")
    lines = [line.split("\t") for line in copied.splitlines()]
    assert lines[0] == ["At", "Lasts", "Text", "File"]
    assert lines[1] == ["Tue 2 Mar 2027 10:32:00", "–", '\'=HYPERLINK("x")', "a/part-1.edf"]
    seen.page.locator(".note button").click()
    seen.page.locator(".note [role=status]", has_text="Copied.").wait_for()
    assert seen.page.evaluate("navigator.clipboard.readText()") == chart_note(audit)
    seen.quiet()
    seen.page.context.close()


@pytest.mark.parametrize("name", ["normal", "many_gaps"])
def test_everything_is_readable_without_scripts(show: Any, name: str) -> None:
    page = show(name, java_script_enabled=False).page
    assert page.locator("#verdict").is_visible()
    assert page.locator("#gap-table").count() == 1
    assert page.locator("#note-text").is_visible()
    assert page.locator("button").count() == 0
    page.locator("summary").last.click()
    assert page.locator("#rules").is_visible()


def test_hostile_texts_open_no_dialog_and_run_nothing(show: Any) -> None:
    for name in ("hostile", "everything"):
        seen = show(name)
        assert "<script>alert(1)</script>" in seen.page.locator("body").inner_text()
        assert seen.page.evaluate("document.scripts.length") == 1
        seen.quiet()


def test_the_policy_blocks_what_does_not_belong(show: Any) -> None:
    seen = show("normal")
    ran = seen.page.evaluate(
        """() => {
          const script = document.createElement('script');
          script.textContent = 'window.ran = true';
          document.body.append(script);
          document.body.setAttribute('style', 'display: none');
          return [window.ran === true, getComputedStyle(document.body).display];
        }"""
    )
    assert ran == [False, "block"]


def test_the_first_printed_page_holds_answers_hours_note_and_picture(
    scenario: tuple[Audit, Seen], tmp_path: Path
) -> None:
    audit, seen = scenario
    seen.page.emulate_media(color_scheme="dark")
    # A first page that fits the shorter paper fits the longer; the narrower is tried on two.
    narrow = seen.page.url.endswith(("/normal.html", "/everything.html"))
    for paper in ("Letter", "A4") if narrow else ("Letter",):
        pdf = tmp_path / f"{paper}.pdf"
        seen.page.pdf(path=str(pdf), format=paper, print_background=False)
        first = " ".join(page_texts(pdf)[0].split())
        for word in f"{audit.decision.headline} {chart_note(audit)}".split():
            assert word in first
        for answer in audit.decision.answers:
            assert " ".join(answer.text.split()[:3]) in first
        assert hms(audit.coverage.recorded_ns) in first
        assert "The study, day by day" in first
        assert "recording starts, ends" in first  # the picture's key, which follows the picture
    seen.page.emulate_media(color_scheme="light")


# The minutes of 20 channels by the hour need a wider screen; the picture shows the same.
CUT = """
() => [...document.querySelectorAll('.scroll')]
  .filter((e) => e.scrollWidth > e.clientWidth + 1 && !e.querySelector('#channel-hours'))
  .map((e) => e.querySelector('table').id)
"""


UNFOLD = """
() => [...document.querySelectorAll('details')].map((d) => [d.open, (d.open = true)][0])
"""
FOLD = "(open) => document.querySelectorAll('details').forEach((d, i) => (d.open = open[i]))"


def test_the_page_never_scrolls_sideways_and_no_table_runs_off_a_screen_of_1280(
    scenario: tuple[Audit, Seen],
) -> None:
    page = scenario[1].page
    folded = page.evaluate(UNFOLD)
    if page.url.endswith(("/normal.html", "/two_copies.html", "/no_order.html")):
        assert page.evaluate(CUT) == []
    for width in (320, 360, 768, 1920):
        page.set_viewport_size({"width": width, "height": 740})
        assert page.evaluate("document.documentElement.scrollWidth") <= width
    page.set_viewport_size({"width": 1280, "height": 800})
    page.evaluate(FOLD, folded)


def test_an_ordinary_two_day_study_prints_on_four_pages_at_most(
    browser: Browser, folder: Path, tmp_path: Path
) -> None:
    run = (h.HOOKUP, h.HOOKUP + 48 * HOUR)
    audit = h.build({"A": [run]}, ordered=48 * HOUR, outcome="complete")
    audit = replace(audit, findings=h.FINDINGS[2:], person_decisions=(), next_hookup=())
    seen = open_page(browser, written(folder, render_html(audit), "ordinary"))
    for paper in ("A4", "Letter"):
        pdf = tmp_path / f"{paper}.pdf"
        seen.page.pdf(path=str(pdf), format=paper)
        pages = [text for text in page_texts(pdf) if text.strip()]
        assert len(pages) <= 4
        assert "Reviewed by, coder" in pages[-1]
    seen.page.context.close()


@pytest.mark.parametrize("script", [True, False])
def test_paper_holds_the_evidence_only_where_the_reader_asks(
    show: Any, tmp_path: Path, script: bool
) -> None:
    page = show("normal", java_script_enabled=script).page
    pdf = tmp_path / "normal.pdf"
    page.pdf(path=str(pdf), format="A4")
    text = "\n".join(page_texts(pdf))
    assert "all channels seen" not in text
    assert "tick “Print the evidence too”" in text
    assert "Copy table" not in text
    page.get_by_label("Print the evidence too").check()
    page.pdf(path=str(pdf), format="A4")
    text = "\n".join(page_texts(pdf))
    assert text.count("all channels seen") == len(h.normal().monitoring.checks)  # type: ignore[union-attr]
    assert "common practice, no source" in text
    assert "tick “Print the evidence too”" not in text
