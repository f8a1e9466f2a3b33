"""The worklist: one row a study, those to act on first. Reads summaries, measures nothing."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Iterable, Sequence
from pathlib import Path
from typing import Any

from auditor.batch.folder import AUDITS, slug_of
from auditor.batch.history import History
from auditor.core.clock import now_utc
from auditor.core.durations import exact_seconds, hms, seconds
from auditor.core.text import cell, storable
from auditor.model import PersonDecision, WorkRow
from auditor.outputs.files import write_together
from auditor.outputs.html.lists import WORDS, render_worklist

SCHEMA_NAME = "coverage-worklist/1"
JSON_NAME = "worklist.json"
_FIRST = tuple(WORDS)
_DURATIONS = ("ordered", "recorded", "usable", "clean", "short", "early_stop", "gaps")
_MISSING = ("short", "early_stop", "gaps")


def rows(history: History, studies: Iterable[str]) -> tuple[WorkRow, ...]:
    """The rows of ``studies`` that the history knows, those to act on first.

    Order: those that wait for a person before those that do not; unreadable, repeat, review, so
    far, complete; the technologist's before those that only billing must look at; then most
    problems; then most short of the order; then by name.
    """
    wanted = frozenset(studies)
    decided = {study: every[-1] for study, every in history.decisions().items()}
    found = [
        WorkRow(
            study=study,
            link="" if summary["error"] else f"{AUDITS}/{slug_of(study)}/audit.html",
            summary=summary,
            decided=decided.get(study),
        )
        for study, summary in history.latest()
        if study in wanted
    ]
    return tuple(sorted(found, key=_urgency))


def _urgency(row: WorkRow) -> tuple[bool, int, bool, int, int, str]:
    summary = row.summary
    return (
        row.settled,
        _FIRST.index(summary["outcome"]),
        row.acts == ("billing",),
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
    write_together(
        out,
        {
            "index.html": render_worklist(worklist, generated, absent),
            "worklist.csv": csv_text(worklist),
            JSON_NAME: json_text(worklist, generated, absent),
        },
    )
    return worklist


def listed(out: Path, history: History) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """The studies and the awaited orders of the worklist in ``out``.

    Every study that the history knows where there is no worklist, or none that can be read.
    """
    try:
        document = json.loads((out / JSON_NAME).read_text(encoding="utf-8"))
        return (
            tuple(str(row["study"]) for row in document["studies"]),
            tuple(str(name) for name in document["awaited"]),
        )
    except (OSError, ValueError, KeyError, TypeError):
        return tuple(sorted(history.audited())), ()


def json_text(worklist: Iterable[WorkRow], generated_utc: str, awaited: Sequence[str]) -> str:
    """``worklist.json``, one study a line."""
    made = json.dumps(generated_utc)
    studies = ",\n".join(
        json.dumps(_plain(row), ensure_ascii=False, allow_nan=False) for row in worklist
    )
    names = json.dumps(list(awaited), ensure_ascii=False)
    return (
        f'{{"schema": "{SCHEMA_NAME}", "generated_utc": {made}, "awaited": {names}, "studies": [\n'
        f"{studies}\n]}}\n"
    )


def _plain(row: WorkRow) -> dict[str, Any]:
    summary = row.summary
    durations = {
        f"{name}_s": None if summary.get(f"{name}_ns") is None else seconds(summary[f"{name}_ns"])
        for name in _DURATIONS
    }
    return {
        "study": row.study,
        "audit": row.link or None,
        "settled": row.settled,
        "acts": list(row.acts),
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
    "study", "settled", "acts", "outcome", "headline", "order", "readable", "billing", "files",
    "study_id", "patient_code", "recorder", "hooked_up_by", "first_start", "last_end",
    *(f"{name}{end}" for name in _DURATIONS for end in ("_s", "")), "interruptions",
    "stop", "stop_cause", "minimum", "technical", "professional", "each_day", "shorter", "checks",
    "video", "setup", "power", "electrodes_lost", "problems", "cautions", "findings", "decided",
    "decided_by", "decided_utc", "decision_outdated", "audit",
)  # fmt: skip
_LINES = {"minimum": "Minimum", "checks": "Checks", "video": "Video", "setup": "Set-up"}


def csv_text(worklist: Iterable[WorkRow]) -> str:
    """``worklist.csv``: UTF-8, cells that no spreadsheet runs.

    Durations stand twice: as seconds in full decimals (``…_s``) and as h:mm:ss, recorded time
    rounded down and missing time up.
    """
    text = io.StringIO()
    table = csv.DictWriter(text, _COLUMNS, lineterminator="\n", extrasaction="ignore")
    table.writeheader()
    for row in worklist:
        table.writerow({k: cell(v) if isinstance(v, str) else v for k, v in _cells(row).items()})
    return text.getvalue()


def _cells(row: WorkRow) -> dict[str, Any]:
    summary = row.summary
    values: dict[str, Any] = {k: summary[k] for k in _COLUMNS if k in summary}
    for name in _DURATIONS:
        ns = summary.get(f"{name}_ns")
        values[f"{name}_s"] = None if ns is None else exact_seconds(ns)
        values[name] = None if ns is None else hms(ns, up=name in _MISSING)
    values["interruptions"] = summary["gaps"]
    values |= {a["question"]: f"{a['state']}: {a['text']}" for a in summary.get("answers") or ()}
    lines = {line[0]: " ".join(filter(None, line[1:3])) for line in summary.get("lines") or ()}
    values |= {column: lines.get(name) for column, name in _LINES.items()}
    values["study"], values["audit"] = row.study, row.link
    values["settled"] = "yes" if row.settled else "no"
    values["acts"] = " ".join(row.acts)
    values["technical"] = " ".join(f"{u['count']}x{u['code']}" for u in summary["technical"])
    values["each_day"] = " ".join(code or "none" for code in summary.get("each_day") or ())
    values["electrodes_lost"] = " ".join(summary["electrodes_lost"])
    values["findings"] = " ".join(f["code"] for f in summary["findings"])
    if row.decided is not None:
        values["decided"], values["decided_by"] = row.decided.outcome, row.decided.by
        values["decided_utc"] = row.decided.recorded_utc
        values["decision_outdated"] = "yes" if row.outdated else "no"
    return values
