"""Monitoring and video logs as they come: CSV with its usual variants, or BIDS events.

Accepted: comma, semicolon or tab between cells; UTF-8 (with or without a byte-order mark) or
UTF-16; column names in any case. Checks have a column ``time`` and may have ``date``, ``by`` and
``note``; video has ``start`` and ``end``. A table with the column ``onset`` is read as BIDS events
(seconds from the first record; Brain Imaging Data Structure, task events).

What could be read in two ways is an error that names row and column and asks; nothing is guessed.
Every cell is untrusted text.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from decimal import Decimal, InvalidOperation
from pathlib import Path

from auditor.core.clock import Axis
from auditor.core.errors import SettingsError
from auditor.core.patterns import matches
from auditor.core.text import printable
from auditor.core.units import DAY, NS
from auditor.inputs.log_times import LogClock, Row, fail
from auditor.model import Interval, MonitoringCheck
from auditor.policy.sourced import LogDates

MAX_BYTES = 5_000_000
"""A log larger than this was not kept by people."""
MAX_ROWS = 50_000
_KEPT_TEXT = 500
_MAX_ONSET = 4_000 * DAY


@dataclass(frozen=True, slots=True)
class Table:
    """A log's cells under lower-case column names, with the line of each row."""

    path: Path
    columns: tuple[str, ...]
    rows: tuple[Row, ...]


def read_checks(
    path: Path,
    axis: Axis,
    span: Interval,
    *,
    dates: LogDates = "ask",
    patterns: Sequence[str] = (),
) -> tuple[MonitoringCheck, ...]:
    """The documented checks of a log, in time order.

    ``span`` is the recording's span: rows with a time of day alone begin on the civil date of its
    start, and BIDS onsets count from it. ``dates`` says how 03/02/2027 is read. In BIDS events
    with a ``trial_type``, only kinds that match ``patterns`` are checks.

    Raises ``SettingsError`` with row and column for anything that cannot be read in just one way.
    """
    table = _read(path, (("time",), ("onset",)))
    if "onset" in table.columns:
        events = _events(table, span, patterns)
        found = [MonitoringCheck(e.start, "", _kept(text), path.name) for e, text in events]
    else:
        clock = LogClock(axis, span, dates, table.rows, ("time",))
        found = [
            MonitoringCheck(
                clock.instant(row, "time"), _kept(row.get("by")), _kept(row.get("note")), path.name
            )
            for row in table.rows
        ]
    return tuple(sorted(found, key=lambda check: check.at))


def read_video(
    path: Path,
    axis: Axis,
    span: Interval,
    *,
    dates: LogDates = "ask",
    patterns: Sequence[str] = (),
) -> tuple[Interval, ...]:
    """The stretches with video of a log, in time order; they may overlap.

    As ``read_checks``; a stretch that ends before it starts is an error, and in BIDS events each
    needs a duration.
    """
    table = _read(path, (("start", "end"), ("onset", "duration")))
    if "onset" in table.columns:
        return tuple(sorted(e for e, _ in _events(table, span, patterns, needs_duration=True)))
    clock = LogClock(axis, span, dates, table.rows, ("start", "end"))
    found = []
    for row in table.rows:
        start, end = clock.instant(row, "start"), clock.instant(row, "end")
        if end <= start:
            raise fail(row, "end", "does not lie after the start", "Correct the row.")
        found.append(Interval(start, end))
    return tuple(sorted(found))


def _kept(text: str) -> str:
    return text.strip()[:_KEPT_TEXT]


def _read(path: Path, needed: Sequence[tuple[str, ...]]) -> Table:
    """The table of ``path``; its first line must name one of the sets of columns in ``needed``.

    The separator is the one under which it does. An empty file is a table without rows: an empty
    log documents nothing.
    """
    text = _text(path)
    first = next((line for line in text.splitlines() if line.strip()), None)
    if first is None:
        return Table(path, (), ())
    for delimiter in (",", ";", "\t"):
        names = next(csv.reader([first], delimiter=delimiter))
        columns = tuple(name.strip().lower() for name in names)
        if any(set(wanted) <= set(columns) for wanted in needed):
            return Table(path, columns, tuple(_rows(path, columns, text, delimiter)))
    wanted = " or ".join(", ".join(names) for names in needed)
    raise SettingsError(
        f"{printable(path.name)} line 1",
        f"the first line does not name the columns {wanted}",
        "Write the column names in the first line, separated by comma, semicolon or tab.",
    )


def _text(path: Path) -> str:
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise SettingsError(
            printable(str(path)),
            f"cannot be read ({error.strerror})",
            "Check the name under [logs] in the order file; it is taken relative to that file.",
        ) from error
    if len(raw) > MAX_BYTES:
        raise SettingsError(
            printable(path.name), f"is larger than {MAX_BYTES} bytes", "Is it the right file?"
        )
    encoding = "utf-16" if raw[:2] in (b"\xff\xfe", b"\xfe\xff") else "utf-8-sig"
    try:
        return raw.decode(encoding)
    except UnicodeDecodeError as error:
        raise SettingsError(
            printable(path.name),
            f"byte {error.start} is not {encoding.removesuffix('-sig').upper()} text",
            "Save the log as CSV in UTF-8.",
        ) from error


def _cells(path: Path, text: str, delimiter: str) -> Iterator[tuple[int, list[str]]]:
    """Line number and cells of every row."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    while True:
        try:
            row = next(reader)
        except StopIteration:
            return
        except csv.Error as error:
            raise SettingsError(
                f"{printable(path.name)} line {reader.line_num}",
                f"cannot be read as a table ({printable(str(error))})",
                "Check the quotation marks on this line.",
            ) from error
        yield reader.line_num, row


def _rows(path: Path, columns: tuple[str, ...], text: str, delimiter: str) -> Iterator[Row]:
    if len(set(columns)) != len(columns):
        raise SettingsError(
            f"{printable(path.name)} line 1", "names a column twice", "Give each its own name."
        )
    filled = (
        (line, cells)
        for line, cells in _cells(path, text, delimiter)
        if any(cell.strip() for cell in cells)
    )
    next(filled)  # the column names
    for count, (line, found) in enumerate(filled):
        cells = found
        if count >= MAX_ROWS:
            raise SettingsError(
                f"{printable(path.name)} line {line}",
                f"the log has more than {MAX_ROWS} rows",
                "Is it the right file?",
            )
        extra = cells[len(columns) :]
        if any(cell.strip() for cell in extra):
            if columns[-1] != "note":
                raise SettingsError(
                    f"{printable(path.name)} line {line}",
                    f"has {len(cells)} cells where the first line names {len(columns)} columns",
                    "Put quotation marks around a text that holds the separator.",
                )
            # A note written with the separator in it is still one note.
            cells = [*cells[: len(columns) - 1], delimiter.join(cells[len(columns) - 1 :])]
        cells += [""] * (len(columns) - len(cells))
        yield Row(path.name, line, dict(zip(columns, cells, strict=False)))


def _events(
    table: Table, span: Interval, patterns: Sequence[str], *, needs_duration: bool = False
) -> Iterator[tuple[Interval, str]]:
    """BIDS events: each as an interval on the axis, with its kind."""
    kinds = {row.get("trial_type").strip() for row in table.rows}
    if "trial_type" in table.columns and len(kinds) > 1 and not patterns:
        raise SettingsError(
            f"{printable(table.path.name)} column trial_type",
            f"holds {len(kinds)} kinds of event, and nothing says which of them count",
            "Name them by a pattern in the policy, or keep only those rows.",
        )
    for row in table.rows:
        kind = row.get("trial_type").strip()
        if "trial_type" in table.columns and patterns and not matches(patterns, kind):
            continue
        start = span.start + _seconds(row, "onset")
        length = 0
        if needs_duration:
            length = _seconds(row, "duration")
            if length <= 0:
                raise fail(row, "duration", "is not more than 0", "Correct the row.")
        yield Interval(start, start + length), kind


def _seconds(row: Row, column: str) -> int:
    text = row.get(column).strip()
    try:
        value = Decimal(text)
        if not value.is_finite() or abs(value) * NS > _MAX_ONSET:
            raise InvalidOperation
    except InvalidOperation:
        raise fail(row, column, "is no number of seconds", "Write seconds, such as 7200.") from None
    return int((value * NS).to_integral_value())
