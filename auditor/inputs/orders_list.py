"""The order of each study of a batch: the file beside it, or its entry in a list of orders.

A list is a CSV table or a TOML file of ``[[orders]]`` tables. ``study`` (the folder's path below
the root, or the last part of it) and ``ordered_hours`` are needed; the other keys of an order
file's ``[order]`` and ``[power]`` tables may follow. Each entry becomes an order file's text and
passes the same checks.
"""

from __future__ import annotations

import csv
import hashlib
import io
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from auditor.core.errors import AuditorError, SettingsError
from auditor.inputs.order import order_of, read_order
from auditor.model import Order, StudyFolder
from auditor.policy import Policy
from auditor.policy.toml import parse_toml, read_toml

_TEXTS = ("study_id", "patient_code", "timezone", "monitoring", "mode")
_BARE = ("ordered_hours", "hookup", "video", "minimum_channels", "batteries", "hours_per_battery",
         "external_hours", "mode_share")  # fmt: skip
_POWER = ("batteries", "hours_per_battery", "external_hours", "mode", "mode_share")
_COLUMNS = {"study", *_TEXTS, *_BARE}
_BARE_VALUE = re.compile(r"[0-9A-Za-z:.+\- ]{1,40}")
_MAX_BYTES = 50_000_000


@dataclass(frozen=True, slots=True)
class StudyOrder:
    """The order of one study (``None``: none), the checksum of its text, an error in its place."""

    order: Order | None = None
    sha256: str | None = None
    error: str | None = None


@dataclass(slots=True)
class OrderBook:
    """Finds the order of each study. ``timezone`` is the zone given for all of them."""

    path: Path | None
    policy: Policy
    timezone: str | None
    _listed: dict[str, str] = field(init=False)
    _unused: set[str] = field(init=False)
    _parts: Counter[str] = field(init=False, default_factory=Counter)

    def __post_init__(self) -> None:
        self._listed = {} if self.path is None else read_orders(self.path)
        self._unused = set(self._listed)

    def names(self) -> frozenset[str]:
        """The studies that the list names."""
        return frozenset(self._listed)

    def expect(self, studies: Sequence[StudyFolder]) -> None:
        """The studies that there are, so that a name which fits two of them is known."""
        self._parts = Counter(_last(s.key) for s in studies)

    def of(self, study: StudyFolder) -> StudyOrder:
        """The order of ``study``. Raises nothing."""
        names = [n for n in dict.fromkeys((study.key, _last(study.key))) if n in self._listed]
        self._unused -= set(names)
        try:
            if study.order is not None:
                return self._from_file(study.order)
            if not names:
                return StudyOrder()
            if names[0] != study.key and self._parts[names[0]] > 1:
                return StudyOrder(
                    error=f"the list of orders names {names[0]}, and {self._parts[names[0]]} "
                    "studies are called that; write the path below ROOT there"
                )
            return self._from_list(names[0])
        except (AuditorError, OSError) as error:
            return StudyOrder(error=f"its order cannot be taken: {error}")

    def unused(self) -> tuple[str, ...]:
        """Studies that the list names and that are not there: not returned yet, or misspelt."""
        return tuple(sorted(self._unused))

    def _from_file(self, path: Path) -> StudyOrder:
        digest = hashlib.sha256(path.read_bytes()).hexdigest()
        order = read_order(path.resolve(), timezone=self.timezone)
        return StudyOrder(order, digest)

    def _from_list(self, name: str) -> StudyOrder:
        assert self.path is not None
        source = parse_toml(self._listed[name].encode(), f"{self.path} (order of {name})")
        beside = self.path.resolve().parent
        order = order_of(source.data, source, beside, source.sha256, self.path.name)
        return StudyOrder(order, source.sha256)


def _last(key: str) -> str:
    return key.rsplit("/", 1)[-1]


def read_orders(path: Path) -> dict[str, str]:
    """Study key (or last part of it) -> the text of its order file (TOML).

    Raises ``SettingsError`` that names the file, the row and the column or key.
    """
    return _from_toml(path) if path.suffix.lower() == ".toml" else _from_csv(path)


def _from_csv(path: Path) -> dict[str, str]:
    try:
        if path.stat().st_size > _MAX_BYTES:
            raise SettingsError(
                str(path), f"is larger than {_MAX_BYTES} bytes", "Is it the right file?"
            )
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise SettingsError(
            str(path), f"cannot be read ({error.strerror})", "Check its name and permissions."
        ) from error
    except UnicodeDecodeError as error:
        raise SettingsError(
            str(path), f"byte {error.start} is not UTF-8", "Save the table as UTF-8."
        ) from error
    header = text.split("\n", 1)[0]
    separator = max(",;\t", key=header.count)
    rows = csv.DictReader(io.StringIO(text), delimiter=separator, strict=True)
    orders: dict[str, str] = {}
    try:
        names = [(n or "").strip().lower() for n in rows.fieldnames or ()]
        unknown = [n for n in names if n not in _COLUMNS]
        if unknown or not {"study", "ordered_hours"} <= set(names) or len(set(names)) < len(names):
            raise SettingsError(
                f"{path} row 1",
                f"the columns are {', '.join(names) or 'none'}",
                "Use study, ordered_hours and, if wanted, "
                f"{', '.join(sorted(_COLUMNS - {'study', 'ordered_hours'}))}.",
            )
        rows.fieldnames = names
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
        unknown = sorted(set(table) - _COLUMNS)
        if unknown:
            raise SettingsError(
                f"{where}: {unknown[0]}", "is not a key that is known here", "Correct or remove it."
            )
        _add(orders, where, {key: _toml_value(value) for key, value in table.items()})
    return orders


def _toml_value(value: Any) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    return value.isoformat() if hasattr(value, "isoformat") else str(value)


def _add(orders: dict[str, str], where: str, row: dict[str, str]) -> None:
    cells = {key: value.strip() for key, value in row.items() if value.strip()}
    study = cells.pop("study", "").replace("\\", "/").strip("/")
    if not study:
        if not cells:
            return  # an empty row
        raise SettingsError(where, "names no study", "Fill the column study.")
    if study in orders:
        raise SettingsError(where, f"gives a second order for {study}", "Keep one of them.")
    lines = ["[order]", *(_line(where, k, v) for k, v in cells.items() if k not in _POWER)]
    power = [_line(where, k, v) for k, v in cells.items() if k in _POWER]
    if power:
        lines += ["[power]", *power]
    orders[study] = "\n".join(lines) + "\n"


def _line(where: str, key: str, value: str) -> str:
    if key in _TEXTS:
        if any(ord(c) < 32 or c in "\x7f'" for c in value):
            raise SettingsError(
                f"{where}: {key}", f"the value {value!r} holds a control character or quote",
                "Remove it.",
            )  # fmt: skip
        return f"{key} = '{value}'"
    bare = value.lower() if key == "video" else value
    if not _BARE_VALUE.fullmatch(bare):
        raise SettingsError(f"{where}: {key}", f"has the value {value!r}", "Correct the value.")
    return f"{key} = {bare}"
