"""The audit as CSV files and as pandas tables: columns of the objects of ``audit.json``."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable, Iterable, Iterator
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from auditor.model import Audit, DayCode, Period, StudyFile, Technical, UnreadableFile
from auditor.outputs.data import keys as k
from auditor.outputs.data.document import ANNOTATION, FINDING, SECOND
from auditor.outputs.data.facts import CHANNEL, FILE, GAP, HOUR, NIGHT, SEGMENT, explained
from auditor.outputs.data.keys import Object, in_chunks
from auditor.outputs.data.thresholds import PERIOD, date_text

if TYPE_CHECKING:
    import pandas as pd

_FILE = (
    "name role reason copy format start end records record_s recorded_s eeg_channels channels "
    "annotations size_bytes sha256"
)
_SPAN = "start end duration_s"


def _units(technical: Technical) -> str:
    return ", ".join(f"{u.count} x {u.code} ({u.band})" for u in technical.units) or "none"


BILLED = Object(
    "One billing period on one line.",
    k.position("period", "Its number, from 1.", lambda b: b[0].index),
    k.text("date", "Calendar date, or first/last.", lambda b: date_text(b[0].dates)),
    k.time("start", "Its start.", lambda b: b[0].start),
    k.time("end", "Its end.", lambda b: b[0].end),
    k.duration("recorded_s", "Recorded in it.", lambda b: b[0].recorded_ns),
    k.text("technical", "Technical units that reaches.", lambda b: _units(b[0].technical)),
    k.duration("above_s", "Beyond the limit last met.", lambda b: b[0].technical.above_ns),
    k.duration("to_next_s", "Missing to the next limit.", lambda b: b[0].technical.to_next_ns),
    k.text("professional", "Professional code, reported each day.",
           lambda b: b[1].code if b[1] else None),
    k.text("monitoring", "Level supported in it.", lambda b: b[0].monitoring),
    k.flag("video", "Whether video covers its share.", lambda b: b[0].video),
    k.text("notes", "What lowers its codes.", lambda b: "; ".join(b[0].notes)),
    k.duration("usable_s", "Usable in it.", lambda b: b[0].usable_ns),
)  # fmt: skip


def _billed(audit: Audit) -> Iterable[tuple[Period, DayCode | None]]:
    if audit.billing is None:
        return
    days = audit.billing.professional.each_day
    for i, period in enumerate(audit.billing.periods):
        yield period, days[i] if i < len(days) else None


def _files(audit: Audit) -> Iterable[StudyFile | UnreadableFile]:
    return (*audit.study.files, *audit.study.unreadable)


class _Csv(Struct, frozen=True):
    """One CSV file; a duration ``…_hms`` rounds ``up`` where it is missing time."""

    of: Object
    rows: Callable[[Audit], Iterable[Any]]
    columns: str
    up: bool = False


_CSV = {
    "files.csv": _Csv(
        FILE, _files,
        f"{_FILE} recorded_hms header_record_count data_offset record_bytes closed",
    ),
    "segments.csv": _Csv(
        SEGMENT, attrgetter("coverage.segments"),
        f"{_SPAN} recorded_s copies duration_hms recorded_hms",
    ),
    "gaps.csv": _Csv(GAP, explained, f"{_SPAN} likely_cause evidence rank duration_hms", up=True),
    "hours.csv": _Csv(
        HOUR, attrgetter("hours"), "start recorded_s usable_s clean_s recorded_hms"
    ),
    "periods.csv": _Csv(
        BILLED, _billed,
        "period date start end recorded_s recorded_hms technical above_hms to_next_hms "
        "professional monitoring video usable_s notes",
    ),
}  # fmt: skip


def csv_pieces(audit: Audit) -> dict[str, Iterator[str]]:
    """The CSV files by name, each in pieces: UTF-8, comma, one header row, cells that no
    spreadsheet runs."""
    return {name: _lines(table, audit) for name, table in _CSV.items()}


def _lines(table: _Csv, audit: Audit) -> Iterator[str]:
    axis = audit.study.axis
    columns = tuple(table.of.kinds(table.columns.split(), axis))
    text = io.StringIO()
    rows = csv.writer(text, lineterminator="\n")
    rows.writerow(columns)
    for some in in_chunks(table.of.csv_rows(table.rows(audit), axis, columns, up=table.up)):
        rows.writerows(some)
        yield text.getvalue()
        text.seek(0)
        text.truncate()
    yield text.getvalue()


_TABLES: dict[str, tuple[Object, Callable[[Audit], Iterable[Any]], str]] = {
    "files": (FILE, _files, _FILE),
    "segments": (SEGMENT, attrgetter("coverage.segments"), f"{_SPAN} recorded_s copies"),
    "gaps": (GAP, explained, f"{_SPAN} likely_cause rank evidence supporting against"),
    "hours": (HOUR, attrgetter("hours"), "start recorded_s usable_s clean_s"),
    "nights": (
        NIGHT, lambda a: a.nights if a.signal.scanned else (),
        "start end recorded_s usable_s clean_s",
    ),
    "channels": (
        CHANNEL, attrgetter("signal.channels"),
        "label eeg electrode signal_s flat_s saturated_s mains_s large_s recorded_s lost_at",
    ),
    "annotations": (ANNOTATION, attrgetter("annotations"), "at duration_s text file in_recording"),
    "periods": (
        PERIOD, lambda a: a.billing.periods if a.billing else (),
        "index date start end recorded_s usable_s",
    ),
    "second_readers": (
        SECOND, attrgetter("second_readers"),
        "file library version recorded_s agrees note start records",
    ),
    "findings": (
        FINDING, attrgetter("findings"),
        "code severity where text expected observed action file question",
    ),
}  # fmt: skip
"""Name of the table: what its rows are, where they come from, and its columns."""


def audit_tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """See ``auditor.tables``."""
    import pandas as pd

    tables = {}
    axis = audit.study.axis
    for name, (of, rows, columns) in _TABLES.items():
        kinds = of.kinds(columns.split(), axis)
        table = pd.DataFrame(of.rows(rows(audit), axis)).reindex(columns=list(kinds))
        for column, kind in kinds.items():
            if kind in ("time", "civil"):
                stamps = pd.to_datetime(table[column], format="ISO8601")
                table[column] = stamps.astype("datetime64[ns]")
            elif kind == "utc":
                table[column] = pd.to_datetime(table[column], format="ISO8601", utc=True)
            elif kind == "duration":
                table[column] = table[column].astype("float64")
        tables[name] = table
    return tables
