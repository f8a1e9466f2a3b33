"""TOML files that people write, checked by pydantic models, with errors that name key and line."""

from __future__ import annotations

import hashlib
import re
import tomllib
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, NS

_LARGEST = 10**15
_LONGEST_LINE = 400
"""Characters of a line in which the key of an error is looked for."""
MAX_BYTES = 1_000_000
"""A settings file larger than this is not one that a person wrote."""


_DEEP = re.compile(
    rb"""(?:(?:[\w-]{1,64}|"[^"\n]{0,64}"|'[^'\n]{0,64}')[ \t]{0,8}\.[ \t]{0,8}){50}"""
)
"""A key of so many parts: no settings file has one, and the parser takes their square in time."""


class Strict(BaseModel):
    """Base of every settings model: unknown keys and wrong types are errors, values are frozen."""

    model_config = ConfigDict(extra="forbid", frozen=True, strict=True, populate_by_name=True)


def _scaled(value: object, unit: int, word: str) -> int:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError(f"must be a number of {word}")
    number = Decimal(value)
    if not number.is_finite():
        raise ValueError(f"must be a finite number of {word}")
    if not -10_000_000 <= number <= 10_000_000:  # compared as it stands: abs() may overflow
        raise ValueError(f"is not a believable number of {word}")
    scaled = number * unit
    if scaled != scaled.to_integral_value():
        # Thirds of an hour cannot be written exactly; the nearest nanosecond is meant.
        return int(scaled.quantize(Decimal(1)))
    return int(scaled)


def _ppm(value: object) -> int:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("must be a share, a number from 0 to 1")
    number = Decimal(value)
    if not number.is_finite() or not 0 <= number <= 1:
        raise ValueError("must be a share, a number from 0 to 1")
    return int((number * 1_000_000).quantize(Decimal(1)))


def _number(value: object) -> float:
    if isinstance(value, bool) or not isinstance(value, int | Decimal):
        raise ValueError("must be a number")
    number = Decimal(value)
    if not number.is_finite() or not -_LARGEST <= number <= _LARGEST:
        raise ValueError("must be a finite number of a believable size")
    return float(number)


Seconds = Annotated[int, BeforeValidator(lambda v: _scaled(v, NS, "seconds"))]
"""Written in seconds, held in nanoseconds."""
Hours = Annotated[int, BeforeValidator(lambda v: _scaled(v, HOUR, "hours"))]
"""Written in hours, held in nanoseconds."""
Share = Annotated[int, BeforeValidator(_ppm)]
"""Written as a share 0..1, held in parts per million."""
Number = Annotated[float, BeforeValidator(_number)]
"""A finite number, for physical quantities; never for time."""

Model = TypeVar("Model", bound=BaseModel)


@dataclass(frozen=True, slots=True)
class TomlText:
    """A TOML file's parsed content (numbers as ``Decimal``), its text and its SHA-256."""

    where: str
    text: str
    data: dict[str, Any]
    sha256: str


def read_toml(path: Path) -> TomlText:
    """Read and parse one TOML file. Raises ``SettingsError`` naming the file and line."""
    try:
        with path.open("rb") as file:
            raw = file.read(MAX_BYTES + 1)
    except OSError as error:
        raise SettingsError(
            str(path), f"cannot be read ({error.strerror})", "Check its name and permissions."
        ) from error
    if len(raw) > MAX_BYTES:
        raise SettingsError(str(path), f"is larger than {MAX_BYTES} bytes", "Is it the right file?")
    return parse_toml(raw, str(path))


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


def validate(
    model: type[Model], data: object, source: TomlText, path: tuple[str, ...] = ()
) -> Model:
    """Check ``data`` (the part of ``source`` under ``path``) against ``model``.

    Raises ``SettingsError`` that names the first wrong key with its line, and the value.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        keys = (*path, *(str(part) for part in first["loc"]))
        line = _line_of(source.text, keys)
        where = f"{source.where}{f' line {line}' if line else ''}: {_dotted(keys)}"
        raise SettingsError(where, *_in_words(first)) from None


_WANTED = {
    "bool_type": "must be true or false",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "string_type": "must be text in quotation marks",
    "string_too_short": "must not be empty",
    "datetime_type": "must be a date and a time of day without quotation marks, such as "
    "2027-03-02T09:30:00",
}
"""Plain words for what the validation library says in a programmer's."""


def _in_words(error: Any) -> tuple[str, str]:
    kind, value = error["type"], error.get("input")
    if kind == "extra_forbidden":
        return "is not a key that is known here", "Correct its spelling or remove it."
    if kind == "missing":
        return "is missing", "Add it."
    message = _WANTED.get(kind) or str(error["msg"]).removeprefix("Value error, ")
    message = re.sub("^Input should be ", "must be ", message).rstrip(".")
    message = message[:1].lower() + message[1:]
    return f"has the value {_as_written(value)}: {message}", "Correct the value."


def _as_written(value: object) -> str:
    """A value much as the file writes it."""
    if isinstance(value, bool):
        shown = str(value).lower()
    elif isinstance(value, datetime | date | time):
        shown = value.isoformat()
    elif isinstance(value, Decimal):
        shown = str(value)
    else:
        shown = repr(value)
    return shown if len(shown) <= 80 else shown[:77] + "..."


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
        if (
            key
            and ".".join(filter(None, (table, key.group(1)))) == ".".join(names)
            and (seen in (array_index, -1) or array_index == 0)
        ):
            return number
    return best
