"""The README's worked example is what the program prints, to the letter.

With REWRITE_EXAMPLES=1 in the environment the printed text is put into the README instead.
"""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from helpers_cli import run
from helpers_demo import Demo
from test_repository import ROOT, block_after

README = ROOT / "README.md"


def test_the_worked_example_is_what_the_program_prints(
    demo: Demo, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    text = README.read_text(encoding="utf-8")
    made = demo.study("S-2041")
    monkeypatch.chdir(made.folder.parents[2])
    assert made.order.read_text(encoding="utf-8").strip() == block_after(
        text, "says what was ordered"
    )
    command = block_after(text, "After the demo has run")
    program, *arguments = command.split()
    assert program == ".venv/bin/auditor"
    status = run(*arguments)
    printed = capsys.readouterr().out.strip()
    if os.environ.get("REWRITE_EXAMPLES"):
        text = text.replace(block_after(text, "prints this summary"), printed)
        README.write_text(text, encoding="utf-8")
    assert printed == block_after(text, "prints this summary")
    assert f"The exit status is {status}:" in text
    holds = sorted(p.name for p in Path("audit-S-2041").iterdir())
    for name in holds:
        assert f"`{name}`" in text
