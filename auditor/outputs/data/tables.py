"""The audit as CSV tables: the same facts, nothing computed here."""

from __future__ import annotations

from auditor.core.durations import exact_seconds
from auditor.core.text import cell
from auditor.model import Audit
from auditor.outputs.data.rows import Row, at
from auditor.outputs.data.study_rows import file_row, unreadable_row

_FILE_COLUMNS = (
    "name", "role", "reason", "copy", "format", "start", "end", "records", "record_s",
    "recorded_s", "eeg_channels", "channels", "annotations", "size_bytes", "sha256",
    "header_record_count", "data_offset", "record_bytes", "closed",
)  # fmt: skip


def csv_texts(audit: Audit) -> dict[str, str]:
    """The CSV files by name: UTF-8, comma, one header row, cells that no spreadsheet runs.

    Seconds are written in full decimals, so that a sum in a spreadsheet is the sum here.
    """
    axis = audit.study.axis
    utc = axis.zone is not None
    gaps, segments, hours = [], [], []
    for s in audit.coverage.segments:
        segments.append(
            {
                **at("start", s.start, axis),
                **at("end", s.end, axis),
                "duration_s": exact_seconds(s.duration),
                "recorded_s": exact_seconds(s.recorded_ns),
                "copies": " ".join(s.copies),
            }
        )
    for g, cause in zip(audit.coverage.gaps, audit.gap_causes, strict=True):
        gaps.append(
            {
                **at("start", g.start, axis),
                **at("end", g.end, axis),
                "duration_s": exact_seconds(g.duration),
                "likely_cause": cause.likely_cause,
                "rank": cause.rank or "",
                "evidence": "; ".join(cause.evidence),
            }
        )
    for h in audit.hours:
        usable = "" if h.usable_ns is None else exact_seconds(h.usable_ns)
        hours.append(
            {
                **at("start", h.start, axis),
                "recorded_s": exact_seconds(h.recorded_ns),
                "usable_s": usable,
            }
        )
    files: list[Row] = []
    for f in audit.study.files:
        row = file_row(f, axis)
        row["record_s"] = exact_seconds(f.recording.record_ns)
        row["recorded_s"] = exact_seconds(f.recorded_ns)
        files.append(row)
    files += [unreadable_row(f) for f in audit.study.unreadable]
    return {
        "files.csv": _csv(files, _FILE_COLUMNS),
        "segments.csv": _csv(
            segments, _timed(("start", "end"), ("duration_s", "recorded_s", "copies"), utc)
        ),
        "gaps.csv": _csv(
            gaps, _timed(("start", "end"), ("duration_s", "likely_cause", "rank", "evidence"), utc)
        ),
        "hours.csv": _csv(hours, _timed(("start",), ("recorded_s", "usable_s"), utc)),
    }


def _timed(times: tuple[str, ...], rest: tuple[str, ...], utc: bool) -> tuple[str, ...]:
    return (*times, *rest, *(f"{t}_utc" for t in times if utc))


def _csv(rows: list[Row], columns: tuple[str, ...]) -> str:
    import pandas as pd  # 0.4 s: only where a table is written

    safe = [
        {k: cell(v) if isinstance(v, str) else v for k, v in row.items() if k in columns}
        for row in rows
    ]
    table = pd.DataFrame(safe, columns=list(columns), dtype=object)
    text: str = table.to_csv(index=False, lineterminator="\n")
    return text
