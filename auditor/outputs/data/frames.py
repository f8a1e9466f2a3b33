"""The audit as pandas tables."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from auditor.model import Audit
from auditor.outputs.data import document
from auditor.outputs.data.rows import Row

if TYPE_CHECKING:
    import pandas as pd

_TIMES = ("start", "end", "at", "lost_at")
_SPAN = ("start", "end", "duration_s")
_TABLES: dict[str, tuple[Callable[[Row], list[Row]], tuple[str, ...]]] = {
    "files": (
        lambda d: d["files"],
        ("name", "role", "reason", "copy", "format", "start", "end", "records", "record_s",
         "recorded_s", "eeg_channels", "channels", "annotations", "size_bytes", "sha256"),
    ),
    "segments": (lambda d: d["coverage"]["segments"], (*_SPAN, "recorded_s", "copies")),
    "gaps": (
        lambda d: d["coverage"]["gaps"],
        (*_SPAN, "likely_cause", "rank", "evidence", "supporting", "against"),
    ),
    "hours": (lambda d: d["hours"], ("start", "recorded_s", "usable_s")),
    "nights": (
        lambda d: d["signal"].get("nights", []), ("start", "end", "recorded_s", "usable_s"),
    ),
    "channels": (
        lambda d: d["signal"].get("channels", []),
        ("label", "eeg", "electrode", "signal_s", "flat_s", "saturated_s", "mains_s", "large_s",
         "recorded_s", "lost_at"),
    ),
    "annotations": (
        lambda d: d["annotations"], ("at", "duration_s", "text", "file", "in_recording"),
    ),
    "periods": (
        lambda d: (d["billing"] or {}).get("periods", []),
        ("index", "start", "end", "recorded_s", "usable_s"),
    ),
    "second_readers": (
        lambda d: d["second_readers"],
        ("file", "library", "version", "recorded_s", "agrees", "note", "start", "records"),
    ),
    "findings": (
        lambda d: d["findings"],
        ("code", "severity", "where", "text", "expected", "observed", "action", "file"),
    ),
}  # fmt: skip
"""Name of the table: where its rows stand in ``audit.json``, and its columns."""


def audit_tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """See ``auditor.tables``."""
    facts = document(audit)
    utc = audit.study.axis.zone is not None
    return {name: _table(rows(facts), columns, utc) for name, (rows, columns) in _TABLES.items()}


def _table(rows: list[Row], columns: tuple[str, ...], utc: bool) -> pd.DataFrame:
    import pandas as pd

    beside = [
        f"{c}_utc" for c in columns if utc and c in _TIMES and any(f"{c}_utc" in r for r in rows)
    ]
    table = pd.DataFrame([{c: r.get(c) for c in (*columns, *beside)} for r in rows])
    table = table.reindex(columns=[*columns, *beside])
    for column in table.columns:
        if column in _TIMES:
            table[column] = pd.to_datetime(table[column], format="ISO8601").astype("datetime64[ns]")
        elif column.endswith("_utc"):
            table[column] = pd.to_datetime(table[column], format="ISO8601", utc=True)
        elif column.endswith("_s"):
            table[column] = table[column].astype("float64")
    return table
