"""A list of orders for many studies: one CSV row or one TOML table each.

CSV: a header row; ``study`` (the folder's key or its last part) and ``ordered_hours`` are needed,
``study_id``, ``patient_code``, ``hookup``, ``timezone``, ``video``, ``monitoring``,
``minimum_channels`` may follow. TOML: ``[[orders]]`` tables with ``study`` and the keys of an order
file's ``[order]`` table. Each becomes an order file's text and passes the same checks.
"""

from __future__ import annotations

import csv
import io
import re
from pathlib import Path
from typing import Any

from auditor.errors import SettingsError
from auditor.toml_input import MAX_BYTES, read_toml

_TEXTS = ("study_id", "patient_code", "timezone", "monitoring")
_BARE = ("ordered_hours", "hookup", "video", "minimum_channels")
_COLUMNS = {"study", *_TEXTS, *_BARE}
_BARE_VALUE = re.compile(r"[0-9A-Za-z:.+\- ]{1,40}")


def read_orders(path: Path) -> dict[str, str]:
    """Study key (or last part of it) -> the text of its order file (TOML).

    Raises ``SettingsError`` that names the file, the row and the column or key.
    """
    return _from_toml(path) if path.suffix.lower() == ".toml" else _from_csv(path)


def _from_csv(path: Path) -> dict[str, str]:
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise SettingsError(
            str(path), "cannot be read as UTF-8 text", "Save it as UTF-8."
        ) from error
    if len(text) > 50 * MAX_BYTES:
        raise SettingsError(str(path), "is too large for a list of orders", "Is it the right file?")
    header = text.split("\n", 1)[0]
    separator = max(",;\t", key=header.count)
    rows = csv.DictReader(io.StringIO(text), delimiter=separator, strict=True)
    names = [(n or "").strip().lower() for n in rows.fieldnames or ()]
    unknown = [n for n in names if n not in _COLUMNS]
    if unknown or not {"study", "ordered_hours"} <= set(names):
        raise SettingsError(
            f"{path} row 1",
            f"the columns are {', '.join(names) or 'none'}",
            f"Use study, ordered_hours and, if wanted, {', '.join(sorted(_COLUMNS))}.",
        )
    rows.fieldnames = names
    orders: dict[str, str] = {}
    try:
        for row in rows:
            where = f"{path} row {rows.line_num}"
            if None in row or None in row.values():
                raise SettingsError(
                    where, "has another number of columns than row 1", "Correct it."
                )
            _add(orders, where, row)
    except csv.Error as error:
        raise SettingsError(f"{path} row {rows.line_num}", str(error), "Correct it.") from error
    return orders


def _from_toml(path: Path) -> dict[str, str]:
    source = read_toml(path)
    tables = source.data.get("orders")
    if not isinstance(tables, list) or set(source.data) != {"orders"}:
        raise SettingsError(str(path), "holds no list of [[orders]] tables", "Write one a study.")
    orders: dict[str, str] = {}
    for number, table in enumerate(tables, 1):
        where = f"{path} orders[{number}]"
        if not isinstance(table, dict):
            raise SettingsError(where, "is not a table", "Write [[orders]] and its keys.")
        row = {
            key: value if isinstance(value, str) else _toml_value(value)
            for key, value in table.items()
        }
        unknown = set(row) - _COLUMNS
        if unknown:
            raise SettingsError(where, f"{sorted(unknown)[0]} is not a key that is known here", "")
        _add(orders, where, row)
    return orders


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _add(orders: dict[str, str], where: str, row: dict[str, str]) -> None:
    cells = {key: value.strip() for key, value in row.items() if value.strip()}
    study = cells.pop("study", "")
    if not study:
        raise SettingsError(where, "names no study", "Fill the column study.")
    if study in orders:
        raise SettingsError(where, f"gives a second order for {study}", "Keep one of them.")
    lines = ["[order]"]
    for key, value in cells.items():
        if key in _TEXTS:
            if any(ord(c) < 32 or c in "\x7f'" for c in value):
                raise SettingsError(f"{where} {key}", "holds a character that no code has", "")
            lines.append(f"{key} = '{value}'")
        else:
            bare = value.lower() if key == "video" else value
            if not _BARE_VALUE.fullmatch(bare):
                raise SettingsError(f"{where} {key}", f"has the value {value!r}", "Correct it.")
            lines.append(f"{key} = {bare}")
    orders[study] = "\n".join(lines) + "\n"
