"""Tables as people keep them: CSV in its usual dialects, and XLSX."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator, Mapping, Sequence
from datetime import date, datetime, time

from msgspec import Struct

from auditor.core.errors import SettingsError
from auditor.core.text import given_twice, printable

MOST_ROWS = 50_000
_MOST_COLUMNS = 100
_MOST_UNPACKED = 256 << 20
"""Bytes of an unpacked workbook: more was not kept by people."""


class Row(Struct, frozen=True):
    """One filled row: its number as the program that made the file shows it, and its cells."""

    line: int
    cells: tuple[str, ...]

    def under(self, columns: Mapping[int, str]) -> dict[str, str]:
        """The cells by the keys of their ``columns``; empty where the row ends before."""
        cells = dict(enumerate(self.cells))
        return {key: cells.get(column, "").strip() for column, key in columns.items()}


class Sheet(Struct, frozen=True):
    """A table. ``rows`` begin with that of the headings; ``bad`` are lines that are no row."""

    where: str
    rows: tuple[Row, ...]
    bad: tuple[int, ...] = ()

    def columns(self, meanings: Mapping[str, str], *needed: Sequence[str]) -> dict[int, str]:
        """Which key each column of the first row means: column number to key.

        ``meanings`` lists the plain headings of each key, parted by '|': lower case, without units,
        and with one space between words. All keys of one of ``needed`` must be there. Raises
        ``SettingsError``; its problem repeats no text of the file.
        """
        by_words = {words: key for key, every in meanings.items() for words in every.split("|")}
        top = self.rows[0]
        words = enumerate(map(plain_heading, top.cells))
        found = {column: by_words[word] for column, word in words if word in by_words}
        where = f"{self.where} row {top.line}"
        twice = given_twice(found.values())
        if twice is not None:
            alike = [printable(top.cells[n].strip(), 40) for n in found if found[n] == twice]
            raise SettingsError(
                where, f"has two columns that mean {twice}", f"Keep one of {' and '.join(alike)}."
            )
        if not any(set(found.values()) >= set(keys) for keys in needed):
            wanted = ", ".join(needed[0])
            there = ", ".join(printable(c.strip(), 40) for c in top.cells if c.strip())
            raise SettingsError(
                where,
                f"has a first row that does not name the columns {wanted}",
                f"It names {there or 'none'}.",
            )
        return found


def sheet_of(raw: bytes, where: str) -> Sheet:
    """The filled rows of a CSV or XLSX file's bytes (its first sheet that holds anything).

    Raises ``SettingsError`` naming ``where`` for what is no table.
    """
    bad: tuple[int, ...] = ()
    if raw[:4] == b"PK\x03\x04":
        rows = _workbook(raw, where)
    else:
        rows, bad = _delimited(_text(raw, where))
    if len(rows) > MOST_ROWS:
        raise SettingsError(where, f"has more than {MOST_ROWS} rows", "Is it the right file?")
    return Sheet(where, rows, bad)


def plain_heading(text: str) -> str:
    """A heading without case, units in brackets, and signs between words."""
    words = re.sub(r"[(\[{].{0,40}?[)\]}]", " ", text[:100].lower())
    return " ".join(re.sub(r"[^\w]+|_", " ", words).split())


def _text(raw: bytes, where: str) -> str:
    if raw[:2] in (b"\xff\xfe", b"\xfe\xff"):
        try:
            return raw.decode("utf-16")
        except UnicodeDecodeError as error:
            raise SettingsError(
                where, f"byte {error.start} is not UTF-16", "Save it as CSV in UTF-8."
            ) from None
    if b"\0" in raw:
        raise SettingsError(where, "holds bytes that are no text", "Save it as CSV or XLSX.")
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError:
        return raw.decode("cp1252", "replace")  # what spreadsheets write on many computers


def _delimited(text: str) -> tuple[tuple[Row, ...], tuple[int, ...]]:
    lines = text.splitlines()
    skip = 0
    first = next((line for line in lines if line.strip()), "")
    named = re.fullmatch(r"\s*\"?sep=(.)\"?\s*", first)
    if named:
        skip = lines.index(first) + 1
        delimiter = named.group(1)
    else:
        delimiter = max(",;\t|", key=lambda sign: _split(first, sign))
    try:
        found = _parsed(text, delimiter)
        return tuple(row for row in found if row.line > skip), ()
    except csv.Error:
        pass  # a quotation mark that is not closed: line by line, so that it costs one row
    rows, bad = [], []
    for number, line in enumerate(lines[skip:], skip + 1):
        try:
            rows += [Row(number, row.cells) for row in _parsed(line, delimiter)]
        except csv.Error:
            bad.append(number)
    return tuple(rows), tuple(bad)


def _split(line: str, delimiter: str) -> int:
    return len(next(csv.reader([line[:10_000]], delimiter=delimiter), []))


def _parsed(text: str, delimiter: str) -> list[Row]:
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter, strict=True)
    return [
        Row(reader.line_num, tuple(cells))
        for cells in reader
        if any(cell.strip() for cell in cells)
    ]


def _workbook(raw: bytes, where: str) -> tuple[Row, ...]:
    import zipfile

    import openpyxl

    try:
        with zipfile.ZipFile(io.BytesIO(raw)) as archive:
            unpacked = sum(entry.file_size for entry in archive.infolist())
        if unpacked > _MOST_UNPACKED:
            raise SettingsError(
                where, f"unpacks to more than {_MOST_UNPACKED >> 20} MiB", "Is it the right file?"
            )
        book = openpyxl.load_workbook(io.BytesIO(raw), read_only=True, data_only=True)
        for sheet in book.worksheets:
            rows = tuple(_filled(sheet.iter_rows(values_only=True, max_col=_MOST_COLUMNS)))
            if rows:
                return rows
    except SettingsError:
        raise
    except Exception as error:  # the library has errors of every kind for a damaged workbook
        raise SettingsError(
            where,
            f"cannot be read as a workbook ({printable(type(error).__name__)})",
            "Save it as XLSX or CSV again.",
        ) from error
    return ()


def _filled(values: Iterator[tuple[object, ...]]) -> Iterator[Row]:
    count = 0
    for number, cells in enumerate(values, 1):
        texts = tuple(_cell(value) for value in cells)
        if any(texts):
            count += 1
            yield Row(number, texts)
        if count > MOST_ROWS or number > 20 * MOST_ROWS:
            return


def _cell(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, datetime):
        midnight = value.time() == time()
        return value.date().isoformat() if midnight else value.isoformat(" ")
    if isinstance(value, date | time):
        return value.isoformat()
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        return str(int(value))
    return str(value).strip()
