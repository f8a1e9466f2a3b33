"""Runs the command line in this process, as its users would, and reads back what it wrote."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from auditor.cli.parser import main

QUICK = ("--second-readers", "off")
"""The second readers start a process each time; tests that are not about them leave them out."""


def run(*arguments: str | Path) -> int:
    """The exit status of ``auditor ARGUMENTS``; a usage error of argparse counts as its status."""
    try:
        return main([str(a) for a in arguments])
    except SystemExit as stop:
        return int(stop.code or 0)


def study(folder: Path, out: Path, *arguments: str | Path) -> tuple[int, dict[str, Any]]:
    """Exit status and audit.json of ``auditor study FOLDER --out OUT ARGUMENTS``."""
    status = run("study", folder, "--out", out, *QUICK, *arguments)
    return status, read(out)


def read(out: Path) -> dict[str, Any]:
    """audit.json of an audit folder."""
    document: dict[str, Any] = json.loads((out / "audit.json").read_text(encoding="utf-8"))
    return document


def codes(document: dict[str, Any]) -> set[str]:
    """The finding codes of an audit."""
    return {finding["code"] for finding in document["findings"]}
