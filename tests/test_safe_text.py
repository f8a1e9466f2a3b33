"""Untrusted text in a terminal, a CSV cell, JSON and a path."""

from __future__ import annotations

import json

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.text import cell, path_part, printable, storable


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[2J\x1b]0;owned\x07", "\\x1b[2J\\x1b]0;owned\\x07"),
        ("a\nb\tc\x00", "a\\x0ab\\x09c\\x00"),
        ("left\u202eright", "left\\u202eright"),
        ("\x9b31m", "\\x9b31m"),
        ("caf\udce9", "caf\\xe9"),
        ("Ärztin µV", "Ärztin µV"),
    ],
)
def test_control_and_reordering_characters_are_shown_as_escapes(text: str, shown: str) -> None:
    assert printable(text) == shown


@pytest.mark.parametrize("start", list("=+-@\t\r\n"))
def test_a_cell_that_a_spreadsheet_would_run_is_made_text(start: str) -> None:
    # OWASP, CSV injection: these characters begin a formula.
    assert cell(f"{start}HYPERLINK(1)").startswith("'")


def test_an_ordinary_cell_is_left_as_it_is() -> None:
    assert cell("2027-03-02T09:30:00") == "2027-03-02T09:30:00"


@given(st.text(st.characters(codec=None)))
def test_any_text_can_be_stored_as_utf8(text: str) -> None:
    json.dumps(storable(text), ensure_ascii=False).encode("utf-8")
    printable(text).encode("utf-8")
    assert "\x1b" not in printable(text)


@pytest.mark.parametrize(
    "text", ["../../etc/passwd", "..", ".", "", "/", "a/b\\c", "~", "-rf", "\x00", "ü" * 300]
)
def test_a_path_part_never_leaves_its_folder(text: str) -> None:
    part = path_part(text)
    assert part
    assert "/" not in part
    assert not part.startswith((".", "-"))
    assert len(part.encode()) <= 80
