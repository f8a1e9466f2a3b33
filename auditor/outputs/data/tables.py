"""The audit as CSV files and as pandas tables: columns of the objects of ``audit.json``."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Iterator
from itertools import chain
from operator import attrgetter
from typing import TYPE_CHECKING, Any

from auditor.model import Audit, DayCode, Period, Technical
from auditor.outputs.data import keys as k
from auditor.outputs.data.document import ANNOTATION, FINDING, SECOND
from auditor.outputs.data.facts import CHANNEL, FILE, GAP, HOUR, NIGHT, SEGMENT, explained
from auditor.outputs.data.keys import Object
from auditor.outputs.data.thresholds import PERIOD, date_text

if TYPE_CHECKING:
    import pandas as pd


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


_ROWS: dict[str, tuple[Object, Callable[[Audit], Iterable[Any]]]] = {
    "files": (FILE, lambda a: (*a.study.files, *a.study.unreadable)),
    "segments": (SEGMENT, attrgetter("coverage.segments")),
    "gaps": (GAP, explained),
    "hours": (HOUR, attrgetter("hours")),
    "nights": (NIGHT, lambda a: a.nights if a.signal.scanned else ()),
    "channels": (CHANNEL, attrgetter("signal.channels")),
    "annotations": (ANNOTATION, attrgetter("annotations")),
    "periods": (PERIOD, lambda a: a.billing.periods if a.billing else ()),
    "billed": (BILLED, _billed),
    "second_readers": (SECOND, attrgetter("second_readers")),
    "findings": (FINDING, attrgetter("findings")),
}
"""What the rows of each table are, and where they come from."""
_TABLES = {
    "files": "name role reason copy format start end records record_s recorded_s eeg_channels "
    "channels annotations size_bytes sha256",
    "segments": "start end duration_s recorded_s copies",
    "gaps": "start end duration_s likely_cause rank evidence supporting against",
    "hours": "start recorded_s usable_s clean_s",
    "nights": "start end recorded_s usable_s clean_s",
    "channels": "label eeg electrode signal_s flat_s saturated_s mains_s large_s recorded_s "
    "lost_at",
    "annotations": "at duration_s text file in_recording",
    "periods": "index date start end recorded_s usable_s",
    "second_readers": "file library version recorded_s agrees note start records",
    "findings": "code severity where text expected observed action file question",
}
"""Columns of each pandas table."""
_CSV = {
    "files.csv": ("files", f"{_TABLES['files']} recorded_hms header_record_count data_offset "
                  "record_bytes closed"),
    "segments.csv": ("segments", f"{_TABLES['segments']} duration_hms recorded_hms"),
    "gaps.csv": ("gaps", "start end duration_s likely_cause evidence rank duration_hms"),
    "hours.csv": ("hours", f"{_TABLES['hours']} recorded_hms"),
    "periods.csv": ("billed", "period date start end recorded_s recorded_hms technical above_hms "
                    "to_next_hms professional monitoring video usable_s notes"),
}  # fmt: skip
"""Rows and columns of each CSV file."""


def csv_pieces(audit: Audit) -> dict[str, Iterator[str]]:
    """The CSV files by name, each line by line: UTF-8, comma, one header row, cells that no
    spreadsheet runs."""
    return {name: _lines(table, columns, audit) for name, (table, columns) in _CSV.items()}


class _Given:
    """Hands back what is written to it."""

    def write(self, text: str) -> str:
        return text


def _lines(table: str, named: str, audit: Audit) -> Iterator[str]:
    axis, (of, rows_of) = audit.study.axis, _ROWS[table]
    columns = tuple(of.kinds(named.split(), axis))
    missing = table == "gaps"  # missing time is shown rounded up
    rows = of.csv_rows(rows_of(audit), axis, columns, up=missing)
    return map(csv.writer(_Given(), lineterminator="\n").writerow, chain((columns,), rows))


def audit_tables(audit: Audit) -> dict[str, pd.DataFrame]:
    """See ``auditor.tables``."""
    import pandas as pd

    tables = {}
    axis = audit.study.axis
    for name, columns in _TABLES.items():
        of, rows = _ROWS[name]
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
