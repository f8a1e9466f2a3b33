"""Every code block of the documents is run by a test, or says here why not."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from auditor.inputs.order import read_order
from auditor.policy import load_policy

ROOT = Path(__file__).parents[1]
PAGES = ("README.md", "DEVELOPERS.md", "auditor/decision/methods.md")

ELSEWHERE = {
    "auditor demo\n": "sets up an environment; what it runs is run by test_demo",
    "'.[test]'": "runs this very suite; held to what CI runs by test_repository",
    "'.[test,dev]'": "runs this very suite and the checks that CI runs",
    "auditor study demo/studies/S-2041 --order": "run by test_readme, to the letter",
    "hookup = 2027-03-02T15:00:00": "the demo's order; compared by test_readme",
    "EEG to read": "what test_readme finds printed",
    "import auditor\n": "run by test_python_use",
    "paths ─ inputs": "a drawing",
}
"""Text that tells a block, and what runs it or why nothing does."""


def blocks() -> list[tuple[str, str, str]]:
    found = []
    for page in PAGES:
        text = (ROOT / page).read_text(encoding="utf-8")
        found += [(page, *m) for m in re.findall(r"^```(\w*)\n(.*?)^```", text, re.M | re.S)]
    return found


def run_here(kind: str, block: str, folder: Path) -> bool:
    """Run the block if this file does; whether it was."""
    path = folder / "order.toml"
    if kind == "toml" and "[order]" in block and "[files]" in block:
        path.write_text(block, encoding="utf-8")
        order = read_order(path)
        assert order.ordered_ns == 72 * 3600 * 10**9
        assert order.corrections.exclude
        return True
    if kind == "toml" and "[policy]" in block:
        path.write_text(block, encoding="utf-8")
        assert load_policy(path).about.name
        return True
    return False


@pytest.mark.parametrize(
    ("page", "kind", "block"), blocks(), ids=[f"{b[0]}-{i}" for i, b in enumerate(blocks())]
)
def test_every_code_block_runs_or_says_why_not(
    page: str, kind: str, block: str, tmp_path: Path
) -> None:
    if run_here(kind, block, tmp_path):
        return
    reasons = [why for mark, why in ELSEWHERE.items() if mark in block]
    assert reasons, f"{page}: nothing runs this block, and nothing says why:\n{block}"


def test_no_reason_outlives_its_block() -> None:
    every = "\n".join(block for _, _, block in blocks())
    assert [mark for mark in ELSEWHERE if mark not in every] == []
