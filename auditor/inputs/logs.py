"""Monitoring and video logs as people keep them: read at the edge, before any recording.

A table (CSV in its usual dialects, or XLSX) whose columns are told by meaning. Checks have a time
and may have a date, who and a note; video has start and end. A table with the column ``onset`` is
read as BIDS events (seconds from the first record; Brain Imaging Data Structure, task events).

One row that cannot be read costs that row. Every cell is untrusted text. What the times mean in
the recording is worked out later (``placed_logs``).
"""

from __future__ import annotations

import hashlib
from decimal import Decimal, InvalidOperation
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import SettingsError
from auditor.core.files import read_written
from auditor.core.text import printable
from auditor.core.units import DAY, NS
from auditor.inputs.sheets import Row, sheet_of
from auditor.inputs.stamps import Stamp, read_stamp
from auditor.model import InputUsed, LogKind, Order
from auditor.policy import Policy

_HEADINGS: dict[LogKind, dict[str, str]] = {
    "monitoring": {
        "time": "time|check|check time|time of check|checked at|at|date time|datetime"
            "|date and time|timestamp|time stamp|date time of check",
        "date": "date|day|check date|date of check",
        "by": "by|checked by|tech|technologist|initials|name|who",
        "note": "note|notes|comment|comments|remark|remarks",
        "onset": "onset",
        "kind": "trial type",
    },
    "video": {
        "start": "start|start time|from|begin|began|video start|on|start date time",
        "end": "end|end time|to|until|stop|video end|off|end date time",
        "date": "date|day",
        "start date": "start date|date start|from date",
        "end date": "end date|date end|to date",
        "onset": "onset",
        "duration": "duration",
        "kind": "trial type",
    },
}  # fmt: skip
_NEEDED: dict[LogKind, tuple[str, ...]] = {"monitoring": ("time",), "video": ("start", "end")}
_EVENTS: dict[LogKind, tuple[str, ...]] = {"monitoring": ("onset",), "video": ("onset", "duration")}
SHOWN = 3
_KEPT_TEXT = 500
_MOST_ONSET = 4_000 * DAY


class Times(Struct, frozen=True):
    """One row of a log: its times (one of a check, two of video) and texts."""

    line: int
    stamps: tuple[Stamp, ...]
    by: str = ""
    note: str = ""
    shown: str = ""


class Log(Struct, frozen=True):
    """A log as it was read, not yet placed. ``refused`` says why it cannot be taken at all.

    ``events`` are those of BIDS: onset and duration in nanoseconds from the first record, and kind.
    ``bad`` are sentences on rows that cannot be read.
    """

    kind: LogKind
    name: str
    sha256: str
    times: tuple[Times, ...] = ()
    events: tuple[tuple[int, int, str], ...] = ()
    bad: tuple[str, ...] = ()
    refused: str = ""
    first_rows: tuple[str, ...] = ()


def read_logs(order: Order | None, *, must_open: bool = True) -> tuple[Log, ...]:
    """The logs that ``order`` names, each read whole.

    Raises ``SettingsError`` for a file that is not there, no regular file or too large; unless it
    ``must_open``, such a log is one that is not taken.
    """
    if order is None:
        return ()
    named: tuple[tuple[LogKind, str | None], ...] = (
        ("monitoring", order.monitoring_log),
        ("video", order.video_log),
    )
    logs = []
    for kind, path in named:
        if path is None:
            continue
        try:
            logs.append(read_log(kind, Path(path)))
        except SettingsError as error:
            if must_open:
                raise
            logs.append(Log(kind, Path(path).name, "", refused=f"it {error.problem}"))
    return tuple(logs)


def read_log(kind: LogKind, path: Path) -> Log:
    """One log. Raises ``SettingsError`` as ``read_logs``."""
    where = f"{path} ([logs] {kind} of the order)"
    raw = read_written(path, where)
    log = Log(kind, path.name, hashlib.sha256(raw).hexdigest())
    try:
        sheet = sheet_of(raw, where)
        log = replace(log, first_rows=tuple(_row_text(row) for row in sheet.rows[:SHOWN]))
        if not sheet.rows:
            return log
        columns = sheet.columns(_HEADINGS[kind], _NEEDED[kind], _EVENTS[kind])
    except SettingsError as error:
        return replace(log, refused=f"it {error.problem}")
    times, events = [], []
    bad = [f"Line {line}: a quotation mark is not closed." for line in sheet.bad]
    width = len(sheet.rows[0].cells)
    for row in sheet.rows[1:]:
        cells = {key: cell[:_KEPT_TEXT] for key, cell in row.under(columns).items()}
        beyond = [cell.strip() for cell in row.cells[width:] if cell.strip()]
        try:
            if beyond and columns.get(width - 1) != "note":
                # Without a heading: which cell is the time is then not certain.
                raise ValueError(f"row: has {len(row.cells)} cells where the first row has {width}")
            if beyond:  # a note written with the separator in it is still one note
                cells["note"] = ", ".join(filter(None, (cells["note"], *beyond)))[:_KEPT_TEXT]
            if "onset" in cells:
                length = _seconds(cells, "duration") if kind == "video" else 0
                if kind == "video" and length <= 0:
                    raise ValueError("column duration: is not more than 0")
                events.append((_seconds(cells, "onset"), length, cells.get("kind", "")))
            else:
                stamps = tuple(_stamp(cells, key) for key in _NEEDED[kind])
                by, note = cells.get("by", ""), cells.get("note", "")
                times.append(Times(row.line, stamps, by, note, _row_text(row)))
        except ValueError as error:
            bad.append(f"Line {row.line}, {error}.")
    return replace(log, times=tuple(times), events=tuple(events), bad=tuple(bad))


def _row_text(row: Row) -> str:
    return " | ".join(printable(cell.strip(), 40) for cell in row.cells[:8])


def _stamp(cells: dict[str, str], key: str) -> Stamp:
    text = cells[key]
    try:
        stamp = read_stamp(text, cells.get(f"{key} date") or cells.get("date", ""))
        if stamp.clock_ns is None:
            raise ValueError("holds no time of day")
    except ValueError as error:
        shown = f"{printable(text, 40)!r}" if text else "the empty cell"
        raise ValueError(f"column {key}: {shown} {error}") from None
    return stamp


def _seconds(cells: dict[str, str], key: str) -> int:
    """An onset or duration in nanoseconds; compared by its size before anything is worked out."""
    text = cells.get(key, "")
    try:
        value = Decimal(text)
        if not value.is_finite() or (value and value.adjusted() > 9):
            raise InvalidOperation
        ns = int((value * NS).to_integral_value()) if value and value.adjusted() > -12 else 0
        if abs(ns) > _MOST_ONSET:
            raise InvalidOperation
    except InvalidOperation:
        raise ValueError(
            f"column {key}: {printable(text, 40)!r} is no number of seconds of a study"
        ) from None
    return ns


def paths_used(order: Order | None, policy: Policy) -> tuple[str, ...]:
    """Paths of the files that the audit uses beside the recordings."""
    named = [policy.path]
    if order is not None:
        named += [order.path, order.monitoring_log, order.video_log]
    return tuple(path for path in named if path)


def inputs_used(
    order: Order | None, logs: tuple[Log, ...], policy: Policy
) -> tuple[InputUsed, ...]:
    """The files that decided something beside the recordings, with their checksums."""
    found = []
    if order is not None and order.sha256 is not None:
        found.append(InputUsed("order", order.name, order.sha256))
    found += [InputUsed(log.kind, log.name, log.sha256) for log in logs if log.sha256]
    return (*found, InputUsed("policy", policy.about.name, policy.sha256))
