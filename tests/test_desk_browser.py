"""The desk in a real browser, from its start to a decision, and where something goes wrong."""

from __future__ import annotations

import http.server
import json
import os
import re
import resource
import shutil
import signal
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import make_study, until
from helpers_browser import CONTRAST, EVERY, LAYOUT, PATIENCE_MS, Rules, violations
from helpers_desk import Served, desk
from playwright.sync_api import Browser, BrowserContext, Page, Route

from auditor.demo import make_study as make_demo_study

pytestmark = pytest.mark.browser
DEMO = "S-2047"


@pytest.fixture(scope="module")
def served(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Served]:
    """A desk with the demo's shortest study and three small ones."""
    where = tmp_path_factory.mktemp("desk")
    make_demo_study(where, DEMO)
    for name in ("S-2101", "S-2102", "S-2103"):
        make_study(where / "studies", name)
    with desk(where) as running:
        yield running


Opener = Callable[..., Page]


@pytest.fixture
def come_in(browser: Browser) -> Iterator[Opener]:
    """Opens a desk as its start does; watches that the page says no error and asks nobody else."""
    contexts: list[BrowserContext] = []
    wrong: list[str] = []

    def opener(served: Served, **options: Any) -> Page:
        context = browser.new_context(**options)
        contexts.append(context)
        context.set_default_timeout(PATIENCE_MS)
        page = context.new_page()
        own = (f"{served.origin}/", "file:///", "data:,")
        context.on("request", lambda r: None if r.url.startswith(own) else wrong.append(r.url))
        page.on("pageerror", lambda error: wrong.append(str(error)))
        page.goto(served.opening.as_uri())
        if not options.get("java_script_enabled", True):
            page.click("text=Open the desk")
        page.wait_for_url(f"{served.origin}/")
        return page

    yield opener
    for context in contexts:
        context.close()
    assert wrong == []


def to_the_order(page: Page, served: Served, study: str) -> None:
    """From any page to the order's form of a study, by the folder's path."""
    page.click("nav >> text=Audit a study")
    page.fill("#path", str(served.studies))
    page.click("button.main")
    page.click(f"tr:has-text('{study}') a.button")
    page.wait_for_selector("form.desk-order")


def audited(page: Page, served: Served, study: str) -> None:
    """Audit a study by the order that lies with it, and wait for its page."""
    to_the_order(page, served, study)
    page.click("text=Start the audit")
    page.wait_for_selector("#outcome")


@pytest.mark.parametrize("script", [True, False], ids=["script", "no script"])
def test_from_the_start_to_a_decision(
    served: Served, come_in: Opener, script: bool, tmp_path: Path
) -> None:
    page = come_in(served, java_script_enabled=script, permissions=["clipboard-read", "clipboard-write"]
                   if script else [])  # fmt: skip
    assert "key" not in page.url

    # Pick the demo's folder, by looking through the folders.
    page.click("nav >> text=Audit a study")
    page.get_by_role("link", name=str(served.studies)).click()
    page.click(f"th a:has-text('{DEMO}')")
    assert "recording" in page.inner_text("main")
    assert "order.toml" in page.inner_text("main")
    page.click("text=Audit this folder")

    # What is in it, at once; the order as it lies there; fill in what differs.
    look = page.inner_text("section:has(#look)")
    assert "P-2047" in look
    assert re.search(r"\d+:\d\d:\d\d in \d files?", look)
    assert page.input_value("[name='order.study_id']") == DEMO
    page.fill("[name='order.ordered_hours']", "none")
    page.click("text=Start the audit")
    assert "must be a number" in page.inner_text("#errors")
    assert page.get_attribute("[name='order.ordered_hours']", "aria-invalid") == "true"
    page.fill("[name='order.ordered_hours']", "24")
    page.click("text=Start the audit")
    page.wait_for_selector("#outcome")

    # The four answers, and the note.
    answers = page.locator(".desk-answer").all_inner_texts()
    assert [answer.split("?")[0].strip() for answer in answers] == [
        "Ordered time recorded", "EEG to read", "Billing minimum met", "Files in order",
    ]  # fmt: skip
    note = page.inner_text("#note-text")
    assert len(note) > 80
    if script:
        page.click("text=Copy the note")
        page.wait_for_selector("text=Copied.")
        assert page.evaluate("navigator.clipboard.readText()") == note
    stored = (served.folder / "audits" / DEMO / "note.txt").read_text()
    assert " ".join(note.split()) == " ".join(stored.split())

    # The whole audit, in a tab of its own.
    with page.context.expect_page() as opened:
        page.click("text=Open the whole audit")
    opened.value.wait_for_load_state()
    assert DEMO in opened.value.inner_text("h1")
    opened.value.close()

    # Decide; the list follows.
    by = f"T-12 {script}"
    page.check("#outcome-accept-short")
    page.fill("#decide-by", by)
    page.fill("#decide-note", "enough for the question")
    page.click("text=Record the decision")
    page.wait_for_selector(f".person:has-text('{by}')")
    page.goto(f"{served.origin}/")
    row = page.inner_text(f".desk-study:has-text('{DEMO}')")
    assert f"Accepted, short of the order, by {by}" in row
    assert "Nobody need act." in row

    # Colleagues see the same without the desk.
    plain = come_in(served, java_script_enabled=False)
    plain.goto((served.folder / "index.html").as_uri())
    assert by in plain.inner_text(f"tr:has-text('{DEMO}'), li:has-text('{DEMO}')")
    assert sorted(p.name for p in (served.studies / DEMO).iterdir()) == sorted(
        p.name for p in make_demo_study(tmp_path, DEMO).folder.iterdir()
    )


def test_reviews_corrections_and_what_is_taken_away(served: Served, come_in: Opener) -> None:
    page = come_in(served)
    audited(page, served, "S-2103")
    page.select_option("#role", "coder")
    page.fill("#review-by", "C-3")
    page.click("text=Sign as reviewed")
    page.wait_for_selector("dd:has-text('C-3')")

    page.click("summary:has-text('Correct')")
    page.fill("[name=clock]", "+1:00:00")
    page.fill("td [name=by]", "T-12")
    page.click("text=Correct its clock")
    page.wait_for_selector("b:has-text('clock +1:00:00 by hand')")
    assert "not yet" in page.inner_text("section:has(#reviewed)")  # read was the audit before
    document = json.loads((served.folder / "audits" / "S-2103" / "audit.json").read_text())
    assert document["files"][0]["start"].endswith("T10:30:00")  # the header says 09:30:00
    assert not (served.studies / "S-2103" / "audit.json").exists()

    with page.expect_download() as saved:
        page.click("text=Save a copy of all files")
    assert saved.value.suggested_filename == "audit-S-2103.zip"
    assert Path(saved.value.path()).read_bytes()[:2] == b"PK"
    page.click("summary:has-text('Each file')")
    with page.expect_download() as saved:
        page.click("a:has-text('audit.json')")
    assert saved.value.suggested_filename == "audit.json"

    page.click("nav >> text=Trends")
    page.click("main button")
    page.wait_for_selector("text=Open the trends")
    with page.context.expect_page() as opened:
        page.click("text=Open the trends")
    opened.value.wait_for_load_state()
    assert "N-3" in opened.value.inner_text("main")


def test_the_order_is_written_beside_the_study_only_where_asked_for(
    served: Served, come_in: Opener
) -> None:
    folder = served.studies / "S-2102"
    (folder / "order.toml").unlink()
    before = {p.name for p in folder.iterdir()}
    page = come_in(served)
    to_the_order(page, served, "S-2102")
    page.fill("[name='order.ordered_hours']", "0.01")
    page.fill("[name='order.study_id']", 'S-2102 "x" \\ µ')
    page.fill("[name='order.hookup']", "2027-03-02T09:30")
    page.fill("[name='order.timezone']", "America/Denver")
    page.click("text=Start the audit")
    page.wait_for_selector("#outcome")
    assert {p.name for p in folder.iterdir()} == before
    assert (served.folder / "orders" / "S-2102.toml").is_file()
    page.click("text=Change the order")
    assert page.input_value("[name='order.study_id']") == 'S-2102 "x" \\ µ'
    assert page.input_value("[name='order.hookup']") == "2027-03-02T09:30"
    page.check("[value=beside]")
    page.click("text=Start the audit")
    page.wait_for_selector("#outcome")
    assert {p.name for p in folder.iterdir()} == before | {"order.toml"}
    assert 'study_id = "S-2102 \\"x\\" \\\\ µ"' in (folder / "order.toml").read_text()
    page.click("text=Change the order")
    page.check("[value=beside]")
    page.click("text=Start the audit")
    assert "lies there already" in page.inner_text("#errors")


# -- what goes wrong -----------------------------------------------------------------------------


def child_of(served: Served) -> int | None:
    """The process that audits: the child that has a pipe to tell its progress."""
    path = Path(f"/proc/{served.process.pid}/task")
    for task in path.iterdir():
        for pid in (task / "children").read_text().split():
            line = Path(f"/proc/{pid}/cmdline").read_bytes()
            if b"spawn_main" in line and int(pid) not in _lookers.get(served.port, set()):
                return int(pid)
    return None


_lookers: dict[int, set[int]] = {}


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_a_killed_audit_takes_nothing_along(tmp_path: Path, come_in: Opener) -> None:
    make_demo_study(tmp_path, "S-2041")
    with desk(tmp_path) as served:
        page = come_in(served)
        to_the_order(page, served, "S-2041")
        _lookers[served.port] = set()
        looker = child_of(served)
        _lookers[served.port] = {looker} if looker else set()
        page.click("text=Start the audit")
        page.wait_for_selector("#run-bar")
        until(lambda: child_of(served))
        os.kill(child_of(served) or 0, signal.SIGKILL)
        page.wait_for_selector(".desk-notice")
        assert "was killed, perhaps for want of memory" in page.inner_text(".desk-notice")
        assert not (served.folder / "audits" / "S-2041").exists()
        page.goto(f"{served.origin}/")
        assert "S-2041" in page.inner_text("section:has(#failed)")
        page.click("section:has(#failed) a")
        page.click("text=Look at its order and try again")
        page.click("text=Start the audit")
        page.wait_for_selector("#run-bar")
        page.click("text=Cancel this audit")
        page.wait_for_selector("h1:has-text('Cancelled')")
        page.click("text=Look at its order and try again")
        page.click("text=Start the audit")
        page.wait_for_selector("#outcome")
        assert served.process.poll() is None


@pytest.mark.skipif(sys.platform == "win32", reason="limits the size of a file as POSIX does")
def test_a_disk_that_takes_no_more_is_told_and_nothing_is_lost(
    tmp_path: Path, come_in: Opener
) -> None:
    """Every file that grows over 60 kB fails to be written, as on a full disk (setrlimit, POSIX)."""
    make_study(tmp_path / "studies", "S-2101")

    def limit() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (60_000, 60_000))

    with desk(tmp_path, preexec_fn=limit) as served:
        page = come_in(served)
        to_the_order(page, served, "S-2101")
        page.click("text=Start the audit")
        page.wait_for_selector(".desk-notice")
        said = page.inner_text(".desk-notice")
        assert "cannot be written" in said
        assert not (served.folder / "audits" / "S-2101" / "audit.json").exists()
        assert not list((served.folder / "audits").glob(".*.part"))
        page.goto(f"{served.origin}/")
        assert page.title().startswith("Worklist")


def test_a_folder_that_disappears_is_told(served: Served, tmp_path: Path, come_in: Opener) -> None:
    make_study(served.studies, "S-2104")
    page = come_in(served)
    audited(page, served, "S-2104")
    # The order beside it stays the order.
    assert not (served.folder / "orders" / "S-2104.toml").exists()
    study = page.url
    away = tmp_path / "away"
    shutil.move(served.studies / "S-2104", away)
    page.reload()
    assert "is not there any more" in page.inner_text("section:has(#take)")
    assert "audit.json" in [p.name for p in (served.folder / "audits" / "S-2104").iterdir()]
    page.click("nav >> text=Audit a study")
    page.fill("#path", str(served.studies / "S-2104"))
    page.click("button.main")
    assert "cannot be opened" in page.inner_text("#errors")
    shutil.move(away, served.studies / "S-2104")
    to_the_order(page, served, "S-2104")
    shutil.move(served.studies / "S-2104", away)
    page.click("text=Start the audit")
    assert "cannot be opened" in page.inner_text("main")
    page.goto(study)
    assert page.locator(".desk-answer").count() == 4  # the audit before stays


def test_two_browsers_at_once(served: Served, come_in: Opener) -> None:
    for name in ("S-2105", "S-2106"):
        make_study(served.studies, name)
    one, two = come_in(served), come_in(served)
    to_the_order(one, served, "S-2105")
    to_the_order(two, served, "S-2106")
    one.click("text=Start the audit")
    two.click("text=Start the audit")
    one.wait_for_selector("#outcome")
    two.wait_for_selector("#outcome")
    two.goto(one.url)  # both look at the same study
    one.click("text=Audit again")
    one.wait_for_selector("#outcome")
    two.check("#outcome-accept")
    two.fill("#decide-by", "M-1")
    two.click("text=Record the decision")
    assert "audited again while this page was open" in two.inner_text("#errors")
    two.check("#outcome-accept")
    two.fill("#decide-by", "M-1")
    two.click("text=Record the decision")
    two.wait_for_selector(".person:has-text('M-1')")
    one.check("#outcome-void")
    one.fill("#decide-by", "T-12")
    one.click("text=Record the decision")
    one.wait_for_selector(".person:has-text('T-12')")
    one.click("summary:has-text('Every decision')")
    assert "M-1" in one.inner_text("section:has(#decide)")  # append-only


def test_a_study_that_grows_while_it_is_watched(tmp_path: Path, come_in: Opener) -> None:
    arriving, whole = tmp_path / "arriving", tmp_path / "whole"
    arriving.mkdir()
    make_study(whole, "S-2101")
    make_study(whole, "S-2102", ordered_s=None)
    (tmp_path / "desk").mkdir()
    (tmp_path / "desk" / "policy.toml").write_text("[desk]\nquiet_s = 2\n")
    with desk(tmp_path, "--watch", arriving) as served:
        page = come_in(served)
        shutil.copytree(whole / "S-2102", arriving / "S-2102")
        raw = (whole / "S-2101" / "a.edf").read_bytes()
        (arriving / "S-2101").mkdir()
        shutil.copy(whole / "S-2101" / "order.toml", arriving / "S-2101")
        with (arriving / "S-2101" / "a.edf").open("ab", buffering=0) as file:
            for at in range(0, len(raw), len(raw) // 6 + 1):  # longer than the quiet time
                file.write(raw[at : at + len(raw) // 6 + 1])
                page.wait_for_timeout(700)
                assert not (served.folder / "audits" / "S-2101").exists()
        page.wait_for_selector("li:has-text('S-2102'):has-text('order wanted')")
        page.wait_for_selector(".desk-study:has-text('S-2101')")
        document = json.loads((served.folder / "audits" / "S-2101" / "audit.json").read_text())
        assert document["coverage"]["recorded_s"] == 36
        first = document["tool"]["generated_utc"]
        make_study(whole, "S-2109", seconds=40)
        (arriving / "S-2101" / "a.edf").write_bytes((whole / "S-2109" / "a.edf").read_bytes())

        def again() -> bool:
            path = served.folder / "audits" / "S-2101" / "audit.json"
            if not path.exists():
                return False
            found = json.loads(path.read_text())
            return bool(found["coverage"]["recorded_s"] == 40)

        until(again, 90)
        assert (
            first
            <= json.loads((served.folder / "audits" / "S-2101" / "audit.json").read_text())["tool"][
                "generated_utc"
            ]
        )
        page.reload()
        page.click("li:has-text('S-2102') a")  # the order is filled in, and it goes on
        page.fill("[name='order.ordered_hours']", "0.01")
        page.click("text=Start the audit")
        page.wait_for_selector("#outcome")


def test_ending_it_ends_everything(tmp_path: Path, come_in: Opener) -> None:
    with desk(tmp_path) as served:
        page = come_in(served)
        page.click("text=End the desk")
        page.wait_for_selector("h1:has-text('The desk has ended')")
        served.process.wait(timeout=30)
        assert served.process.returncode == 0
        assert not list((served.home / "auditor-desk").glob("open-*.html"))
        assert not (served.folder / "desk.json").exists()


# -- strangers -----------------------------------------------------------------------------------


def test_a_page_of_another_port_can_neither_read_nor_post(
    tmp_path: Path, come_in: Opener, browser: Browser
) -> None:
    """Another port of 127.0.0.1 is the same site: the browser sends the cookie along."""
    make_study(tmp_path / "studies", "S-2101")
    with desk(tmp_path) as served:
        page = come_in(served)
        hostile = f"""<!doctype html><title>x</title>
            <iframe id="f" src="{served.origin}/"></iframe>
            <script src="{served.origin}/static/desk.js" onload="document.title='loaded'"></script>
            <form id="end" method="post" action="{served.origin}/end"></form>
            <script>
            fetch("{served.origin}/", {{credentials: "include"}})
              .then(a => a.text()).then(t => {{ document.title = "read " + t.length }})
              .catch(() => fetch("{served.origin}/end",
                 {{method: "POST", mode: "no-cors", credentials: "include"}}))
              .finally(() => setTimeout(() => document.getElementById("end").submit(), 300));
            </script>"""

        class Page(http.server.BaseHTTPRequestHandler):
            def do_GET(self) -> None:
                self.send_response(200)
                self.send_header("Content-Type", "text/html")
                self.end_headers()
                self.wfile.write(hostile.encode())

            def log_message(self, *_: object) -> None:
                pass

        other = http.server.ThreadingHTTPServer(("127.0.0.1", 0), Page)
        threading.Thread(target=other.serve_forever, daemon=True).start()
        context = page.context
        context.remove_listener  # noqa: B018  the requests to the hostile page itself are allowed
        stranger = browser.new_context()
        stranger.add_cookies(context.cookies())  # type: ignore[arg-type]
        bad = stranger.new_page()
        bad.goto(f"http://127.0.0.1:{other.server_address[1]}/")
        bad.wait_for_url(f"{served.origin}/end")
        assert "Another page sent this" in bad.inner_text("main")
        assert served.process.poll() is None
        page.reload()
        assert page.title().startswith("Worklist")
        stranger.close()
        other.shutdown()
        other.server_close()


def test_an_audit_that_was_made_hostile_reaches_nothing(served: Served, come_in: Opener) -> None:
    make_study(served.studies, "S-2107")
    page = come_in(served)
    audited(page, served, "S-2107")
    path = served.folder / "audits" / "S-2107" / "audit.html"
    path.write_text(
        f"""<!doctype html><title>audit</title><h1>h</h1>
        <form id="f" method="post" action="{served.origin}/end"><button>go</button></form>
        <script>document.title = "ran"; document.forms[0].submit()</script>
        <img src="{served.origin}/end"><a id="a" href="{served.origin}/">a</a>"""
    )
    page.goto(f"{page.url}/audit.html")
    assert page.title() == "audit"  # no script but our own runs
    page.click("button")
    page.wait_for_timeout(500)
    assert page.title() == "audit"
    assert page.evaluate("self.origin") == "null"
    assert served.process.poll() is None


def test_a_patients_text_is_text(served: Served, come_in: Opener) -> None:
    name = "<img src=x onerror=alert(1)>"
    folder = make_study(served.studies, name.replace("/", ""), patient="P-<b>x</b>")
    (folder / "<script>alert(2)<x>.csv").write_text("time\n")
    page = come_in(served)
    page.on("dialog", lambda dialog: pytest.fail(dialog.message))
    page.click("nav >> text=Audit a study")
    page.fill("#path", str(folder))
    page.click("button.main")
    page.click("text=Audit this folder")
    page.click("text=Start the audit")
    page.wait_for_selector("#outcome")
    assert page.locator("main img, main b b").count() == 0
    page.goto(f"{served.origin}/")
    assert name in page.inner_text("main")
    assert "img" not in page.url


# -- for everybody -------------------------------------------------------------------------------


def every_page(page: Page, served: Served) -> Iterator[str]:
    """Goes through every page and state; yields what it is called."""
    yield "worklist"
    page.click("nav >> text=Audit a study")
    yield "tops"
    page.fill("#path", "nothing")
    page.click("button.main")
    yield "path refused"
    page.fill("#path", str(served.studies))
    page.click("button.main")
    page.wait_for_selector("#inside")
    yield "folder"
    page.click("tr:has-text('S-2101') a.button")
    page.wait_for_selector("form.desk-order")
    for fold in page.locator("summary").all():
        fold.evaluate("e => { e.parentElement.open = true }")
    yield "order"
    page.fill("[name='order.ordered_hours']", "x")
    page.fill("[name='order.timezone']", "Denver")
    page.click("text=Start the audit")
    page.wait_for_selector("#errors")
    assert page.evaluate("document.activeElement.id") in ("errors", "")
    yield "order refused"
    page.fill("[name='order.ordered_hours']", "0.01")
    page.fill("[name='order.timezone']", "America/Denver")
    asked: list[Route] = []

    def wait(route: Route) -> None:  # the page stays as it is, however quick the audit
        asked.append(route)

    page.route("**/state", wait)
    page.click("text=Start the audit")
    page.wait_for_selector("#run-bar")
    yield "running"
    for route in asked:
        route.continue_()
    page.unroute("**/state")
    page.wait_for_selector("#outcome")
    for fold in page.locator("summary").all():
        fold.evaluate("e => { e.parentElement.open = true }")
    yield "study"
    study = page.url
    page.fill("#decide-by", " ")
    page.check("#outcome-accept")
    page.click("text=Record the decision")
    page.wait_for_selector("#errors")
    yield "decision refused"
    page.goto(f"{served.origin}/")
    for fold in page.locator("summary").all():
        fold.evaluate("e => { e.parentElement.open = true }")
    yield "worklist with studies"
    page.goto(f"{served.origin}/trends")
    yield "trends"
    page.goto(f"{served.origin}/settings")
    for fold in page.locator("summary").all():
        fold.evaluate("e => { e.parentElement.open = true }")
    yield "settings"
    page.goto(f"{served.origin}/nothing")
    yield "no such page"
    page.goto(study)


Way = tuple[dict[str, Any], tuple[int, int], Rules | None]
WAYS: dict[str, Way] = {
    "desktop": ({}, (1280, 720), EVERY),
    "dark": ({"color_scheme": "dark"}, (1280, 720), CONTRAST),
    "320 px": ({}, (320, 640), LAYOUT),
    "200 % of 1280": ({}, (640, 450), None),
    "forced colours": ({"forced_colors": "active"}, (1280, 720), None),
    "reduced motion": ({"reduced_motion": "reduce"}, (1280, 720), None),
}
"""How a page is seen, and by which rules it is judged then: its structure once, as it is the same;
sizes where there is least room; contrast in the colours that are its own."""
PLAIN = {"color_scheme": "light", "forced_colors": "none", "reduced_motion": "no-preference"}


def test_every_page_and_state_is_accessible(served: Served, come_in: Opener) -> None:
    page = come_in(served)
    for name in every_page(page, served):
        page.wait_for_load_state()
        for way, (media, (width, height), rules) in WAYS.items():
            page.emulate_media(**PLAIN | media)
            page.set_viewport_size({"width": width, "height": height})
            wide = page.evaluate("document.documentElement.scrollWidth - innerWidth")
            assert wide <= 0, (name, way, wide)
            assert page.locator("h1").count() == 1, (name, way)
            if rules:
                assert violations(page, rules) == [], (name, way)


def test_the_whole_way_by_keyboard(served: Served, come_in: Opener) -> None:
    page = come_in(served)

    def tab_to(selector: str, most: int = 60) -> None:
        for _ in range(most):
            page.keyboard.press("Tab")
            if page.evaluate("s => document.activeElement.matches(s)", selector):
                return
        pytest.fail(f"the keyboard does not reach {selector}")

    page.keyboard.press("Tab")
    assert page.evaluate("document.activeElement.textContent") == "Skip to the page"
    tab_to("nav a[href='/folders']")
    page.keyboard.press("Enter")
    page.wait_for_selector("#path")
    tab_to("#path")
    page.keyboard.type(str(served.studies / "S-2101"))
    page.keyboard.press("Enter")
    page.wait_for_selector("#inside")
    tab_to("a.button.main")
    page.keyboard.press("Enter")
    page.wait_for_selector("form.desk-order")
    tab_to("[name='order.ordered_hours']")
    page.keyboard.press("Control+a")
    page.keyboard.type("0.01")
    page.keyboard.press("Enter")
    page.wait_for_selector("#outcome")
    tab_to("[name=outcome]")
    page.keyboard.press("Space")
    page.keyboard.press("ArrowDown")
    tab_to("#decide-by")
    page.keyboard.type("T-14")
    tab_to("button.main")
    page.keyboard.press("Enter")
    page.wait_for_selector(".person:has-text('T-14')")
    assert "Accepted, short of the order" in page.inner_text(".person")


def test_progress_is_told_to_a_screen_reader_and_not_at_every_step(
    served: Served, come_in: Opener
) -> None:
    page = come_in(served)
    to_the_order(page, served, DEMO)
    page.click("text=Start the audit")
    page.wait_for_selector("#run-bar")
    assert page.get_attribute("#run-words", "role") == "status"
    assert page.get_attribute("#run-bar", "aria-label")
    page.wait_for_selector("#outcome")
