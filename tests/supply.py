"""Whether the installed dependencies have known vulnerabilities (needs the [dev] extra).

    python tests/supply.py

Asks the advisory service of the Python Package Index through pip-audit; needs the network, so it is
no part of the test suite. Exit status 0: each dependency was looked up and none is known to be
vulnerable; 1: some are, named with the release that mends them; 2: could not look. A report in
which a dependency was skipped is no pass.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tomllib
from collections.abc import Iterable, Mapping, Sequence
from importlib import metadata
from pathlib import Path
from typing import Any

PROJECT = Path(__file__).resolve().parent.parent / "pyproject.toml"
_EXTRAS = ("cluster", "remote")
"""Extras that run at a lab's; tools for development read nothing of others."""
_LONGEST_S = 300


def wanted() -> set[str]:
    """Every installed distribution that the package needs, by its normalized name (PEP 503)."""
    project = tomllib.loads(PROJECT.read_text("utf-8"))["project"]
    lines = [*project["dependencies"]]
    for extra in _EXTRAS:
        lines += project["optional-dependencies"][extra]
    seen: set[str] = set()
    _add(lines, (), seen)
    return seen


def _add(lines: Iterable[str], extras: Sequence[str], seen: set[str]) -> None:
    for line in lines:
        needed, _, marker = line.partition(";")
        extra = re.search(r"extra\s*==\s*['\"]([^'\"]+)", marker)
        name = normalized(re.split(r"[\s\[<>=!~(]", needed.strip(), maxsplit=1)[0])
        if name in seen or (extra is not None and extra[1] not in extras):
            continue
        try:
            inner = metadata.requires(name) or []
        except metadata.PackageNotFoundError:
            continue  # for another system
        seen.add(name)
        asked = re.search(r"\[([^\]]+)\]", needed)
        _add(inner, [e.strip() for e in asked[1].split(",")] if asked else (), seen)


def normalized(name: str) -> str:
    """A distribution's name as PEP 503 compares it."""
    return re.sub(r"[-_.]+", "-", name).lower()


def judged(report: Iterable[Mapping[str, Any]], needed: set[str]) -> tuple[int, list[str]]:
    """Exit status and sentences for pip-audit's ``dependencies`` and the names to be looked up."""
    looked_up, skipped, found = set(), {}, []
    for entry in report:
        name = normalized(str(entry["name"]))
        if name not in needed:
            continue
        if "skip_reason" in entry or "vulns" not in entry:
            skipped[name] = str(entry.get("skip_reason", "no answer"))
            continue
        looked_up.add(name)
        for flaw in entry["vulns"]:
            mended = ", ".join(flaw.get("fix_versions", [])) or "no release"
            found.append(f"{name} {entry['version']}: {flaw['id']}, mended in {mended}")
    missing = sorted(needed - looked_up)
    if not needed or missing:
        why = [f"{name}: {skipped.get(name, 'not in the report')}" for name in missing[:8]]
        told = f"could not look up {len(missing)} of {len(needed)} dependencies"
        return 2, [told, *why, *found]
    if found:
        return 1, found
    return 0, [f"{len(looked_up)} dependencies looked up, none known to be vulnerable"]


def main() -> int:
    """Look and say."""
    try:
        done = subprocess.run(
            [sys.executable, "-m", "pip_audit", "--format", "json", "--progress-spinner", "off",
             "--timeout", "15"],
            capture_output=True, text=True, timeout=_LONGEST_S, check=False,
        )  # fmt: skip
        report = json.loads(done.stdout)["dependencies"]
    except (OSError, ValueError, KeyError, TypeError, subprocess.TimeoutExpired) as error:
        print(f"could not look: pip-audit gave no report ({type(error).__name__})")
        return 2
    status, lines = judged(report, wanted())
    print("\n".join(lines))
    return status


if __name__ == "__main__":
    sys.exit(main())
