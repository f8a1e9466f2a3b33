"""The order of each study of a batch: the file with it, or its row in a list of orders.

A list is a table as labs keep it (CSV in its usual dialects, or XLSX) whose columns are told by the
meaning of their headings, or a TOML file of ``[[orders]]`` tables with the keys of an order. Each
row names a study's folder (its path below the root, or the last part of it) and the ordered hours.
A row that cannot be taken costs its study and names its cell.
"""

from __future__ import annotations

import difflib
import hashlib
import re
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.clock import civil_datetime
from auditor.core.errors import AuditorError, SettingsError
from auditor.core.files import read_written
from auditor.core.text import printable
from auditor.inputs.order import FORMS, order_of, read_order
from auditor.inputs.sheets import Row, plain_heading, sheet_of
from auditor.inputs.stamps import read_stamp
from auditor.model import Order, StudyFolder
from auditor.policy.toml import read_toml

_HEADINGS: dict[str, str] = {
    "study": "study|folder|study folder|study name|directory",
    "study_id": "study id|study number|study no|id|accession|accession number",
    "patient_code": "patient|patient code|patient id|code|mrn",
    "ordered_hours": "ordered hours|hours ordered|ordered|hours|ordered h|duration|length"
        "|ordered duration|ordered time|order|ordered days|days ordered|days",
    "hookup": "hookup|hook up|hook up time|hookup time|hooked up|hook up date and time"
        "|hook up date time|hookup date time|start|start time|planned start|time",
    "hookup date": "hook up date|hookup date|start date|date|date of hook up",
    "timezone": "timezone|time zone|zone|tz",
    "video": "video|with video|video ordered",
    "monitoring": "monitoring|monitoring level|level|level of monitoring",
    "minimum_channels": "minimum channels|min channels|channels|needed channels",
    "still_recording": "still recording|goes on|so far",
    "reports": "reports|report|reporting",
    "batteries": "batteries|number of batteries",
    "hours_per_battery": "hours per battery|battery hours",
    "spare_batteries": "spare batteries|spares",
    "external_hours": "external hours|external supply|external supply hours",
    "mode": "mode|recording mode",
    "mode_share": "mode share",
    "log of checks": "monitoring log|log of checks|checks|check log",
    "log of video": "video log|log of video",
}  # fmt: skip
_POWER = (
    "batteries", "hours_per_battery", "spare_batteries", "external_hours", "mode", "mode_share",
)  # fmt: skip
_LOGS = {"log of checks": "monitoring", "log of video": "video"}
_DAYS_NEAR = 2
"""A hook-up lies at most so many days from the first file's start (our choice)."""


class Listed(Struct, frozen=True):
    """One row of a list: the study that it names, and its cells by key.

    ``headings`` are those of the keys, as the list writes them.
    """

    study: str
    where: str
    cells: Mapping[str, Any]
    headings: Mapping[str, str] = {}
    error: str = ""

    def place(self, keys: tuple[str, ...]) -> str:
        """The row and the column of a key."""
        key = next((k for k in reversed(keys) if k in self.headings), "")
        return f"{self.where}, column {self.headings[key]}" if key else f"{self.where}: {keys[-1]}"

    def read(self, beside: Path, name: str, days: Sequence[date] = ()) -> Order:
        """The order; ``days`` are those on which the study's files begin.

        Raises ``SettingsError`` that names the cell, its value and the form that is wanted.
        """
        if self.error:
            raise SettingsError(self.where, self.error, "Keep one of them.")
        cells: dict[str, Any] = dict(self.cells)
        if any(isinstance(cells.get(key), str) for key in ("hookup", "hookup date")):
            cells["hookup"] = self._hookup(days)
        tables: dict[str, dict[str, Any]] = {"order": {}}
        for key, value in cells.items():
            if key in _LOGS:
                tables.setdefault("logs", {})[_LOGS[key]] = value
            elif key not in ("study", "hookup date"):
                tables.setdefault("power" if key in _POWER else "order", {})[key] = value
        text = "\n".join(f"{key} = {value}" for key, value in sorted(self.cells.items()))
        sha256 = hashlib.sha256(f"{text}\n{days}".encode()).hexdigest()
        cell_forms = {key: form.partition(" = ")[2] for key, form in FORMS.items()}
        return order_of(tables, self, beside, sha256, name, cell_forms)

    def _hookup(self, days: Sequence[date]) -> datetime | str:
        """The hook-up, of two readings that near the files; else as it stands, for the check."""
        text, beside = (str(self.cells.get(key, "")) for key in ("hookup", "hookup date"))
        with suppress(ValueError):
            stamp = read_stamp(text, beside)
            readings = stamp.civil_readings() if stamp.offset_ns is None else ()
            near = [at for at in readings if any(_apart(at, day) <= _DAYS_NEAR for day in days)]
            if 1 in (len(readings), len(near)):
                return civil_datetime((near or readings)[0])
        return f"{beside} {text}".strip()


def _apart(civil: int, day: date) -> int:
    return abs((civil_datetime(civil).date() - day).days)


class OrderBook:
    """Finds the order of each study, in the ``list`` where no file lies with it.

    ``timezone`` is the zone given for all of them.
    """

    def __init__(self, path: Path | None, timezone: str | None = None) -> None:
        self._path = path or Path()
        self.rows, self.unnamed = ({}, ()) if path is None else read_orders(path)
        self._timezone = timezone
        self._unused = set(self.rows)
        self._parts: Counter[str] = Counter()
        self.without: list[str] = []
        """Studies for which neither a file nor the list has an order."""

    def expect(self, studies: Sequence[StudyFolder]) -> None:
        """The studies that there are, so that a name which fits two of them is known."""
        self._parts = Counter(_last(s.key) for s in studies)

    def of(self, study: StudyFolder) -> tuple[Order | None, str | None]:
        """The order of ``study`` (``None``: none), or an error in its place. Raises nothing."""
        rows, path = self.rows, self._path
        names = [n for n in dict.fromkeys((study.key, _last(study.key))) if n in rows]
        self._unused -= set(names)
        try:
            if study.order is not None:
                return read_order(study.order.resolve(), timezone=self._timezone), None
            if not names:
                self.without.append(study.key)
                return None, None
            name, alike = names[0], self._parts[names[0]]
            if name != study.key and alike > 1:
                return None, (
                    f"the list of orders names {name}, and {alike} studies are called that; write "
                    "the path below ROOT there"
                )
            order = rows[name].read(path.resolve().parent, path.name, study.days)
            return replace(order, path=str(path.absolute())), None
        except (AuditorError, OSError) as error:
            return None, f"its order cannot be taken: {error}"

    def unused(self) -> tuple[str, ...]:
        """Studies that the list names and that are not there: not returned yet, or misspelt."""
        return tuple(sorted(self._unused))


def _last(key: str) -> str:
    return key.rsplit("/", 1)[-1]


def read_orders(path: Path) -> tuple[dict[str, Listed], tuple[str, ...]]:
    """The rows of a list of orders by study, and sentences on rows that name none.

    Raises ``SettingsError`` for a file that is no list of orders as a whole: no table, or without
    the columns that are needed. What is wrong with one row is said when that row is read.
    """
    rows: dict[str, Listed] = {}
    unnamed = []
    for row in _tables(path) if path.suffix.lower() == ".toml" else _rows(path):
        if not row.study:
            unnamed.append(f"{row.where}: {row.error or 'names no study'}")
        elif row.study in rows:
            first = rows[row.study]
            error = f"gives a second order for {row.study}, after {first.where}"
            rows[row.study] = replace(row, error=error)
        else:
            rows[row.study] = row
    return rows, tuple(unnamed)


def _rows(path: Path) -> Iterator[Listed]:
    sheet = sheet_of(read_written(path), str(path))
    if not sheet.rows:
        raise SettingsError(str(path), "is empty", "Write the columns Study and Ordered hours.")
    top = sheet.rows[0]
    columns = sheet.columns(_HEADINGS, ("study", "ordered_hours"), ("study_id", "ordered_hours"))
    by_id = "study" not in columns.values()  # the folders are called by their numbers
    _no_slip(top, columns, f"{path} row {top.line}")
    headings = {key: printable(top.cells[n].strip(), 40) for n, key in columns.items()}
    for line in sheet.bad:
        yield Listed("", f"{path} row {line}", {}, error="a quotation mark is not closed")
    for row in sheet.rows[1:]:
        cells = {key: cell for key, cell in row.under(columns).items() if cell}
        if not cells:
            continue
        if "ordered_hours" in cells:
            cells["ordered_hours"] = _in_hours(cells["ordered_hours"], headings["ordered_hours"])
        study = _folder(cells.pop("study_id" if by_id else "study", ""))
        if by_id and study:
            cells["study_id"] = study
        yield Listed(study, f"{path} row {row.line}", cells, headings)


def _tables(path: Path) -> Iterator[Listed]:
    data = read_toml(path).data
    if set(data) != {"orders"} or not isinstance(data["orders"], list):
        raise SettingsError(str(path), "holds no list of [[orders]] tables", "Write one a study.")
    for number, table in enumerate(data["orders"], 1):
        where = f"{path} orders[{number}]"
        if not isinstance(table, dict):
            raise SettingsError(where, "is not a table", "Write [[orders]] and its keys.")
        yield Listed(_folder(str(table.pop("study", ""))), where, table)


def _folder(text: str) -> str:
    """A study's folder as its key is written, with either system's separators."""
    return text.replace("\\", "/").strip("/")


def _no_slip(top: Row, columns: Mapping[int, str], where: str) -> None:
    """A heading that is nearly one that is known is a slip, and its cells would be lost."""
    known = [w for every in _HEADINGS.values() for w in every.split("|") if len(w) > 4]
    for n, heading in enumerate(top.cells):
        if n in columns or not heading.strip():
            continue
        near = difflib.get_close_matches(plain_heading(heading), known, 1, 0.85)
        if near:
            raise SettingsError(
                where,
                f"the column {printable(heading.strip(), 40)!r} is not known",
                f"Is {near[0]} meant?",
            )


def _in_hours(cell: str, heading: str) -> str:
    """The cell with its unit, where only the heading has one."""
    if re.fullmatch(r"[\d.]+", cell) and re.search(r"\bd(ays?)?\b", heading.lower()):
        return f"{cell} days"
    return cell
