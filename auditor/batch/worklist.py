"""The worklist: one row a study, those to act on first. Reads summaries, measures nothing."""

from __future__ import annotations

import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from auditor.audit import now_utc
from auditor.batch.folder import AUDITS, slug_of
from auditor.batch.history import History, Summary
from auditor.durations import exact_seconds, seconds
from auditor.errors import OutputError
from auditor.model import PersonDecision, WorkRow
from auditor.outputs import write_whole
from auditor.report import render_worklist
from auditor.safe_text import cell, storable

SCHEMA_NAME = "coverage-worklist/1"
JSON_NAME = "worklist.json"
_FIRST = ("unreadable", "repeat", "review", "complete")
_DURATIONS = ("ordered", "recorded", "usable", "short", "early_stop", "gaps")
_NUMBERS = ("outcome", "ordered_ns", "recorded_ns", "usable_ns", "short_ns")


def rows(history: History, studies: Iterable[str]) -> tuple[WorkRow, ...]:
    """The rows of ``studies`` that the history knows, those to act on first.

    Order: those that wait for a person before those that do not; unreadable, repeat, review,
    complete; then most problems; then most short of the order; then by name.
    """
    latest, decisions, seen = history.latest(), history.decisions(), history.decided_on()
    found = []
    for study in studies:
        summary = latest.get(study)
        if summary is None:
            continue
        decided = decisions.get(study, ())
        found.append(
            WorkRow(
                study=study,
                link="" if summary["error"] else f"{AUDITS}/{slug_of(study)}/audit.html",
                summary=summary,
                decided=decided[-1] if decided else None,
                outdated=study in seen and not _same_numbers(seen[study], summary),
            )
        )
    return tuple(sorted(found, key=_urgency))


def _same_numbers(one: Summary, other: Summary) -> bool:
    return all(one[name] == other[name] for name in _NUMBERS)


def _urgency(row: WorkRow) -> tuple[bool, int, int, int, str]:
    summary = row.summary
    return (
        row.settled,
        _FIRST.index(summary["outcome"]),
        -summary["problems"],
        -(summary["short_ns"] or 0),
        row.study,
    )


def write_worklist(
    history: History, studies: Iterable[str], out: Path, awaited: Iterable[str] = ()
) -> tuple[WorkRow, ...]:
    """Write index.html, worklist.csv and worklist.json for ``studies``.

    ``awaited`` are studies that the list of orders names and that are not there.
    """
    generated = now_utc()
    worklist, absent = rows(history, studies), tuple(storable(name) for name in awaited)
    write_whole(
        out,
        {
            "index.html": render_worklist(worklist, generated, absent),
            "worklist.csv": csv_text(worklist),
            JSON_NAME: json_text(worklist, generated, absent),
        },
    )
    return worklist


def listed(out: Path) -> tuple[tuple[str, ...], tuple[str, ...]] | None:
    """The studies and the awaited orders of the worklist in ``out``; ``None`` without one.

    Raises ``OutputError`` where it is not one.
    """
    path = out / JSON_NAME
    try:
        document = json.loads(path.read_text(encoding="utf-8"))
        return (
            tuple(str(row["study"]) for row in document["studies"]),
            tuple(str(name) for name in document["awaited"]),
        )
    except FileNotFoundError:
        return None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise OutputError(
            str(path), "is no worklist that can be read", "Run 'auditor batch --resume' again."
        ) from error


def json_text(worklist: tuple[WorkRow, ...], generated_utc: str, awaited: tuple[str, ...]) -> str:
    """``worklist.json``."""
    document = {
        "schema": SCHEMA_NAME,
        "generated_utc": generated_utc,
        "studies": [_plain(row) for row in worklist],
        "awaited": list(awaited),
    }
    return json.dumps(document, ensure_ascii=False, indent=1, allow_nan=False) + "\n"


def _plain(row: WorkRow) -> dict[str, Any]:
    summary = row.summary
    durations = {
        f"{name}_s": None if summary[f"{name}_ns"] is None else seconds(summary[f"{name}_ns"])
        for name in _DURATIONS
    }
    return {
        "study": row.study,
        "audit": row.link or None,
        "settled": row.settled,
        **{k: v for k, v in summary.items() if not k.endswith("_ns")},
        **durations,
        "decided": _decided(row.decided, outdated=row.outdated),
    }


def _decided(decided: PersonDecision | None, *, outdated: bool) -> dict[str, Any] | None:
    if decided is None:
        return None
    return {
        "outcome": decided.outcome,
        "by": storable(decided.by),
        "note": storable(decided.note),
        "recorded_utc": decided.recorded_utc,
        "outdated": outdated,
    }


_COLUMNS = (
    "study", "settled", "outcome", "headline", "study_id", "patient_code", "recorder",
    "first_start", "last_end", "ordered_s", "recorded_s", "usable_s", "short_s", "early_stop_s",
    "gaps_s", "gaps", "stop", "stop_cause", "technical", "professional", "power",
    "electrodes_lost", "problems", "cautions", "findings", "decided", "decided_by", "decided_utc",
    "decision_outdated", "audit",
)  # fmt: skip


def csv_text(worklist: tuple[WorkRow, ...]) -> str:
    """``worklist.csv``: UTF-8, seconds in full decimals, cells that no spreadsheet runs."""
    import pandas as pd

    table = []
    for row in worklist:
        summary = row.summary
        values: dict[str, Any] = {k: summary[k] for k in _COLUMNS if k in summary}
        for name in _DURATIONS:
            ns = summary[f"{name}_ns"]
            values[f"{name}_s"] = None if ns is None else exact_seconds(ns)
        values["study"], values["audit"] = row.study, row.link
        values["settled"] = "yes" if row.settled else "no"
        values["technical"] = " ".join(f"{u['count']}x{u['code']}" for u in summary["technical"])
        values["electrodes_lost"] = " ".join(summary["electrodes_lost"])
        values["findings"] = " ".join(f["code"] for f in summary["findings"])
        if row.decided is not None:
            values["decided"], values["decided_by"] = row.decided.outcome, row.decided.by
            values["decided_utc"] = row.decided.recorded_utc
            values["decision_outdated"] = "yes" if row.outdated else "no"
        table.append({k: cell(v) if isinstance(v, str) else v for k, v in values.items()})
    frame = pd.DataFrame(table, columns=list(_COLUMNS), dtype=object)
    text: str = frame.to_csv(index=False, lineterminator="\n")
    return text
