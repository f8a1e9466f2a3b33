"""Plain values as TOML text: the order and the policy that the desk's forms write."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time
from decimal import Decimal

_BARE = re.compile(r"[A-Za-z0-9_-]+")

Value = object
"""str, int, bool, Decimal, date, time, datetime, a list of these, or a mapping."""


def toml_text(data: Mapping[str, Value], remark: str = "") -> str:
    """``data`` as TOML; a mapping of mappings gives its tables. Read back, it equals ``data``.

    Raises ``ValueError`` for text that UTF-8 cannot hold and ``TypeError`` for another type.
    """
    lines = [f"# {remark}"] if remark else []
    lines += _table(data, ())
    return "\n".join(lines) + "\n"


def _table(data: Mapping[str, Value], path: tuple[str, ...]) -> Iterator[str]:
    plain = {k: v for k, v in data.items() if not _is_table(v, path)}
    if path and (plain or not data):
        yield f"[{'.'.join(map(_key, path))}]"
    for key, value in plain.items():
        yield f"{_key(key)} = {_value(value)}"
    for key, value in data.items():
        if key not in plain:
            assert isinstance(value, Mapping)
            yield from _table(value, (*path, key))


def _is_table(value: Value, path: tuple[str, ...]) -> bool:
    """Sections are tables; what lies deeper stands on one line, as such files are written."""
    return isinstance(value, Mapping) and not path


def _key(key: str) -> str:
    return key if _BARE.fullmatch(key) else _quoted(key)


def _quoted(text: str) -> str:
    text.encode("utf-8")  # raises for what no file in UTF-8 can hold
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _value(value: Value) -> str:
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return _quoted(value)
    if isinstance(value, int | Decimal):
        return f"{value:f}" if isinstance(value, Decimal) else str(value)
    if isinstance(value, datetime | date | time):
        return value.isoformat()
    if isinstance(value, list | tuple):
        return f"[{', '.join(map(_value, value))}]"
    if isinstance(value, Mapping):
        pairs = ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items())
        return f"{{ {pairs} }}"
    raise TypeError(f"{type(value).__name__} has no form in TOML")
