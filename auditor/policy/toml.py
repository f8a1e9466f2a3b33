"""TOML files that people write, and the line on which a key of theirs stands."""

from __future__ import annotations

import hashlib
import re
import tomllib
from collections.abc import Mapping
from decimal import Decimal
from pathlib import Path
from typing import Any

from msgspec import Struct

from auditor.core.errors import SettingsError
from auditor.core.files import read_written

_LONGEST_LINE = 400
"""Characters of a line in which the key of an error is looked for."""
MAX_BYTES = 1 << 20
"""A settings file larger than this is not one that a person wrote."""


_DEEP = re.compile(
    rb"""(?:(?:[\w-]{1,64}|"[^"\n]{0,64}"|'[^'\n]{0,64}')[ \t]{0,8}\.[ \t]{0,8}){50}"""
)
"""A key of so many parts: no settings file has one, and the parser takes their square in time."""


class TomlText(Struct, frozen=True):
    """A TOML file's parsed content (numbers as ``Decimal``), its text and its SHA-256."""

    where: str
    text: str
    data: dict[str, Any]
    sha256: str

    def place(self, keys: tuple[str, ...]) -> str:
        """The file, the line where it can be found, and the dotted key."""
        line = _line_of(self.text, keys)
        return f"{self.where}{f' line {line}' if line else ''}: {_dotted(keys)}"


def read_toml(path: Path) -> TomlText:
    """Read and parse one TOML file. Raises ``SettingsError`` naming the file and line."""
    return parse_toml(read_written(path, most=MAX_BYTES), str(path))


def parse_toml(raw: bytes, where: str) -> TomlText:
    """Parse TOML bytes. Raises ``SettingsError`` naming ``where`` and the line."""
    if _DEEP.search(raw):
        raise SettingsError(where, "has a key of more than 50 parts", "Is it the right file?")
    try:
        text = raw.decode("utf-8-sig")
        data = tomllib.loads(text.replace("\r\n", "\n"), parse_float=Decimal)
    except UnicodeDecodeError as error:
        raise SettingsError(
            where, f"byte {error.start} is not UTF-8", "Save the file as UTF-8 text."
        ) from error
    except (tomllib.TOMLDecodeError, RecursionError, ArithmeticError, ValueError) as error:
        raise SettingsError(where, f"is not valid TOML: {error}", "Correct that line.") from error
    return TomlText(where, text, data, hashlib.sha256(raw).hexdigest())


def _dotted(keys: tuple[str, ...]) -> str:
    text = ""
    for key in keys:
        text += f"[{key}]" if key.isdigit() else f".{key}" if text else key
    return text


def _line_of(text: str, keys: tuple[str, ...]) -> int | None:
    """The line of the deepest of ``keys`` that can be found: a table header, then a key in it."""
    names = [k for k in keys if not k.isdigit()]
    array_index = next((int(k) for k in keys if k.isdigit()), 0)
    lines = text.splitlines()
    table, best, seen = "", None, -1
    for number, whole in enumerate(lines, 1):
        line = whole[:_LONGEST_LINE].strip()
        header = re.match(r"\[\[?([^\]]+)\]\]?\s*(#.*)?$", line)
        if header:
            table = header.group(1).strip().replace('"', "")
            if table == ".".join(names[: table.count(".") + 1]):
                seen += 1
                if seen == array_index or best is None:
                    best = number
            continue
        key = re.match(r"""["']?([^"'=\s]+)["']?\s*=""", line)
        if key is None or not (seen in (array_index, -1) or array_index == 0):
            continue
        found, wanted = ".".join(filter(None, (table, key.group(1)))), ".".join(names)
        if found == wanted:
            return number
        if wanted.startswith(f"{found}."):  # an inline table that holds the key
            best = number
    return best


def toml_text(data: Mapping[str, Any], remark: str) -> str:
    """``data`` as TOML below a line with ``remark``; read back, it equals ``data``.

    Raises ``ValueError`` for text that UTF-8 cannot hold and ``TypeError`` for what TOML has not.
    """
    import tomli_w

    text = f"# {remark}\n{tomli_w.dumps(data)}"
    text.encode()
    return text
