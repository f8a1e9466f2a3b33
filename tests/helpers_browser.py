"""Headless Chromium for the browser tests, from Debian's packages.

Where Chromium or poppler-utils is missing the tests that need them are skipped and say so; where
the environment says CI they must be there, and their absence is a failure.
"""

from __future__ import annotations

import os
import shutil
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]

CHROMIUM = ("chromium-headless-shell", "chromium", "chromium-browser")
"""The first draws the same pages without a window's own parts, in half the processor's time."""

PATIENCE_MS = 180_000
"""A busy machine is no failure: nothing that is waited for is given up sooner."""


def program(*names: str) -> str:
    """The path of the first of ``names`` that is installed."""
    found = next(filter(None, map(shutil.which, names)), None)
    if found is None:
        missing = f"{' or '.join(names)} is not installed"
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser of its own, closed at the end."""
    path = program(*CHROMIUM)
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS, headless=True)
        yield opened
        opened.close()


def page_texts(pdf: Path) -> list[str]:
    """The text of each page. Raises where poppler's pdftotext is missing."""
    done = subprocess.run(
        [program("pdftotext"), "-layout", str(pdf), "-"], check=True, capture_output=True, text=True
    )
    return done.stdout.split("\f")


Rules = dict[str, Any]
EVERY: Rules = {
    "type": "tag",
    "values": ["wcag2a", "wcag2aa", "wcag21a", "wcag21aa", "wcag22aa", "best-practice"],
}
"""Web Content Accessibility Guidelines 2.2 (W3C), levels A and AA, by axe-core's own tags."""
CONTRAST: Rules = {"type": "rule", "values": ["color-contrast"]}
LAYOUT: Rules = {
    "type": "rule",
    "values": [
        "color-contrast",
        "link-in-text-block",
        "scrollable-region-focusable",
        "target-size",
    ],
}
"""What axe-core works out from sizes, places and colours; all else follows from the structure."""


def violations(page: Page, rules: Rules) -> list[tuple[str, list[str]]]:
    """What axe-core finds on the page: each broken rule with the first elements that break it."""
    page.wait_for_load_state()  # what is waited for may be there before its style sheet
    if not page.evaluate("'axe' in window"):
        page.evaluate(Axe().axe_script)
    found = page.evaluate(
        "options => axe.run(options)", {"runOnly": rules, "resultTypes": ["violations"]}
    )
    assert found["passes"]  # there was something to look at
    return [(v["id"], [n["html"][:160] for n in v["nodes"][:3]]) for v in found["violations"]]
