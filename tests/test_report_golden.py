"""The words of a demo audit, kept in ``fixtures/golden`` so that review sees them change."""

from __future__ import annotations

import helpers_golden as g
from helpers_demo import Demo


def test_the_audit_of_a_demo_study_says_what_it_said(demo: Demo) -> None:
    said = g.lines(g.page_of(demo.study(g.STUDY)))
    kept = g.GOLDEN.read_text(encoding="utf-8").splitlines()
    # Wanted change of wording? Run 'python tests/helpers_golden.py' and look at the difference.
    assert said == kept


def test_the_words_of_a_page_leave_out_what_changes_without_us() -> None:
    page = f"<h1>Study</h1><p>{'a1' * 32} by mne 1.13.2</p><script>x</script><ul><li>one</li></ul>"
    assert g.lines(page) == ["# Study", "<sha256> by mne <version>", "- one"]
