"""The worklist: one row a study, those to act on first. Reads summaries, measures nothing."""

from __future__ import annotations

import json
from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from auditor.batch.history import Known, Summary
from auditor.batch.jobs import AUDITS
from auditor.durations import exact_seconds, seconds
from auditor.model import PersonDecision
from auditor.safe_text import cell, storable

SCHEMA_NAME = "coverage-worklist/1"
_FIRST = ("unreadable", "repeat", "review", "complete")
_DURATIONS = ("ordered", "recorded", "usable", "short", "early_stop", "gaps")


@dataclass(frozen=True, slots=True)
class Row:
    """One study of the worklist. ``link`` is relative to the worklist; empty without an audit.

    ``decided`` is a person's latest decision, which does not change the files' outcome.
    """

    study: str
    link: str
    summary: Summary
    decided: PersonDecision | None

    @property
    def settled(self) -> bool:
        """Whether nobody needs to act: complete, or decided by a person."""
        return self.decided is not None or self.summary["outcome"] == "complete"


def rows(
    latest: Mapping[str, Known],
    decisions: Mapping[str, tuple[PersonDecision, ...]],
    slugs: Mapping[str, str],
) -> tuple[Row, ...]:
    """The studies of ``slugs`` (study -> folder of its audit), those to act on first.

    Order: not yet settled before settled; unreadable, repeat, review, complete; then most problems;
    then most short of the order; then by name.
    """
    found = []
    for study, slug in slugs.items():
        known = latest.get(study)
        if known is None:
            continue
        link = f"{AUDITS}/{slug}/audit.html" if known.summary["error"] is None else ""
        decided = decisions.get(study, ())
        found.append(Row(study, link, known.summary, decided[-1] if decided else None))
    return tuple(sorted(found, key=_urgency))


def _urgency(row: Row) -> tuple[bool, int, int, int, str]:
    summary = row.summary
    return (
        row.settled,
        _FIRST.index(summary["outcome"]),
        -summary["problems"],
        -(summary["short_ns"] or 0),
        row.study,
    )


def json_text(worklist: tuple[Row, ...], generated_utc: str) -> str:
    """``worklist.json``."""
    document = {
        "schema": SCHEMA_NAME,
        "generated_utc": generated_utc,
        "studies": [_plain(row) for row in worklist],
    }
    return json.dumps(document, ensure_ascii=False, indent=1) + "\n"


def _plain(row: Row) -> dict[str, Any]:
    summary = row.summary
    durations = {
        f"{name}_s": None if summary[f"{name}_ns"] is None else seconds(summary[f"{name}_ns"])
        for name in _DURATIONS
    }
    decided = row.decided
    return {
        "study": storable(row.study),
        "audit": row.link or None,
        **{k: v for k, v in summary.items() if not k.endswith("_ns")},
        **durations,
        "decided": None
        if decided is None
        else {
            "outcome": decided.outcome,
            "by": decided.by,
            "note": decided.note,
            "recorded_utc": decided.recorded_utc,
        },
    }


_COLUMNS = (
    "study", "outcome", "headline", "study_id", "patient_code", "recorder", "first_start",
    "last_end", "ordered_s", "recorded_s", "usable_s", "short_s", "early_stop_s", "gaps_s", "gaps",
    "stop", "stop_cause", "technical", "professional", "problems", "cautions", "findings",
    "decided", "decided_by", "audit",
)  # fmt: skip


def csv_text(worklist: tuple[Row, ...]) -> str:
    """``worklist.csv``: UTF-8, seconds in full decimals, cells that no spreadsheet runs."""
    import pandas as pd

    table = []
    for row in worklist:
        summary = row.summary
        values: dict[str, Any] = {k: summary.get(k) for k in _COLUMNS if k in summary}
        for name in _DURATIONS:
            ns = summary[f"{name}_ns"]
            values[f"{name}_s"] = None if ns is None else exact_seconds(ns)
        values["study"], values["audit"] = row.study, row.link
        values["technical"] = " ".join(f"{u['count']}x{u['code']}" for u in summary["technical"])
        values["findings"] = " ".join(sorted({f["code"] for f in summary["findings"]}))
        if row.decided is not None:
            values["decided"], values["decided_by"] = row.decided.outcome, row.decided.by
        table.append({k: cell(v) if isinstance(v, str) else v for k, v in values.items()})
    frame = pd.DataFrame(table, columns=list(_COLUMNS), dtype=object)
    text: str = frame.to_csv(index=False, lineterminator="\n")
    return text
