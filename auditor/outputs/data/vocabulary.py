"""Every word that the audit uses as a code, with its meaning, from the catalogue."""

from __future__ import annotations

from auditor.model.codes import CAUSES, FINDINGS, REASONS


def reasons() -> dict[str, str]:
    """``decision.reasons[].code`` -> meaning."""
    return dict(sorted(REASONS.items()))


def causes() -> dict[str, str]:
    """``likely_cause`` -> meaning."""
    return dict(sorted(CAUSES.items()))


def findings() -> dict[str, str]:
    """``findings[].code`` -> meaning."""
    return {code: entry.meaning for code, entry in sorted(FINDINGS.items())}
