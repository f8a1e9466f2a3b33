"""How far a command is: told on a terminal, nowhere else, and never as the file's own control codes."""

from __future__ import annotations

import io

import pytest

from auditor.outputs.terminal import TerminalProgress


class Terminal(io.StringIO):
    def isatty(self) -> bool:
        return True


@pytest.fixture(autouse=True)
def plain_terminal(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TERM", "xterm")
    monkeypatch.setenv("COLUMNS", "120")
    for name in ("NO_COLOR", "FORCE_COLOR", "TTY_COMPATIBLE", "TTY_INTERACTIVE"):
        monkeypatch.delenv(name, raising=False)


def test_a_terminal_shows_the_stage_and_its_share() -> None:
    shown = Terminal()
    with TerminalProgress(shown) as progress:
        progress.advance(1)  # before any stage: nothing to add to
        progress.stage("Reading \x1b[2J[bold]night.edf", 200)
        progress.advance(50)
        progress.advance(150)
    assert "[bold]night.edf" in shown.getvalue()
    assert "100 %" in shown.getvalue()
    assert "\x1b[2J" not in shown.getvalue()


def test_a_new_stage_takes_the_place_of_the_one_before() -> None:
    shown = Terminal()
    with TerminalProgress(shown) as progress:
        progress.stage("Reading", 1)
        progress.advance(1)
        progress.stage("Judging", 0)  # of nothing: not divided by
    assert "Judging" in shown.getvalue()
    assert "Reading" not in shown.getvalue().rpartition("Judging")[2]


def test_what_is_no_terminal_gets_nothing() -> None:
    shown = io.StringIO()
    with TerminalProgress(shown) as progress:
        progress.stage("Reading", 2)
        progress.advance(2)
    assert shown.getvalue().strip() == ""
