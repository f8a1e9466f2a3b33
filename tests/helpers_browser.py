"""Headless Chromium for the browser tests, from Debian's packages.

Where Chromium or poppler-utils is missing the tests that need them are skipped and say so; where
the environment says CI they must be there, and their absence is a failure.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from contextlib import contextmanager

import pytest
from playwright.sync_api import Browser, sync_playwright

ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


def program(*names: str) -> str:
    """The path of the first of ``names`` that is installed."""
    found = next(filter(None, map(shutil.which, names)), None)
    if found is None:
        missing = f"{names[0]} is not installed"
        if os.environ.get("CI"):
            pytest.fail(missing)
        pytest.skip(missing)
    return found


@contextmanager
def chromium() -> Iterator[Browser]:
    """A browser of its own, closed at the end."""
    path = program("chromium", "chromium-browser")
    with sync_playwright() as playwright:
        opened = playwright.chromium.launch(executable_path=path, args=ARGUMENTS, headless=True)
        yield opened
        opened.close()
