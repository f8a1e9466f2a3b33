"""The chart note: one paragraph that a technologist would paste into the chart."""

from __future__ import annotations

from auditor.model import Audit


def chart_note(audit: Audit) -> str:
    return ""
