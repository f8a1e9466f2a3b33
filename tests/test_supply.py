"""The check of known vulnerabilities judges a report: what was not looked up is no pass."""

from __future__ import annotations

from typing import Any

import pytest
from supply import judged, wanted

FLAW = {"id": "PYSEC-0000-1", "fix_versions": ["9.9"]}
GOOD: dict[str, Any] = {"name": "numpy", "version": "2.0", "vulns": []}


@pytest.mark.parametrize(
    ("report", "status", "words"),
    [
        ([GOOD, {"name": "Pandas", "version": "2.1", "vulns": []}], 0, "2 dependencies looked up"),
        ([GOOD, {"name": "pandas", "version": "2.1", "vulns": [FLAW]}], 1, "mended in 9.9"),
        ([GOOD], 2, "could not look up 1 of 2"),
        ([], 2, "could not look up 2 of 2"),
        ([GOOD, {"name": "pandas", "skip_reason": "no network"}], 2, "no network"),
        ([{"name": n, "skip_reason": "x"} for n in ("numpy", "pandas")], 2, "2 of 2"),
        ([GOOD, {"name": "pandas", "version": "2.1"}], 2, "no answer"),
    ],
)
def test_a_report_passes_only_where_everything_was_looked_up(
    report: list[dict[str, Any]], status: int, words: str
) -> None:
    found, lines = judged(report, {"numpy", "pandas"})
    assert found == status
    assert words in "\n".join(lines)


def test_nothing_to_look_up_is_no_pass() -> None:
    assert judged([GOOD], set())[0] == 2


def test_what_is_needed_are_the_dependencies_of_the_package_and_theirs() -> None:
    needed = wanted()
    assert {"numpy", "pandas", "mne", "msgspec", "jinja2", "markupsafe", "werkzeug"} <= needed
    assert not {"pytest", "ruff", "atheris", "eeg-coverage-auditor"} & needed
