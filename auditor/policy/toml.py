"""TOML files that people write, checked by pydantic models, with errors that name key and line."""

from __future__ import annotations

import difflib
import hashlib
import re
import tomllib
from collections.abc import Mapping
from datetime import date, datetime, time
from decimal import Decimal
from pathlib import Path
from typing import Annotated, Any, Protocol, TypeVar, get_args

from msgspec import Struct
from pydantic import BaseModel, BeforeValidator, ConfigDict, ValidationError

from auditor.core.errors import SettingsError
from auditor.core.files import read_written
from auditor.core.units import HOUR, NS

_LARGEST = 10**15
_LONGEST_LINE = 400
"""Characters of a line in which the key of an error is looked for."""
MAX_BYTES = 1 << 20
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


class Written(Protocol):
    """Something that a person wrote, in which the place of a key can be named."""

    def place(self, keys: tuple[str, ...]) -> str:
        """File, line or cell, and the key, in words."""


def validate(
    model: type[Model],
    data: object,
    source: Written,
    path: tuple[str, ...] = (),
    forms: Mapping[str, str] = {},
) -> Model:
    """Check ``data`` (the part of ``source`` under ``path``) against ``model``.

    ``forms`` shows by key, or by dotted path, how a right value is written. Raises
    ``SettingsError`` that names the first wrong key with its place, the value, and the form that is
    wanted.
    """
    try:
        return model.model_validate(data)
    except ValidationError as error:
        first = error.errors(include_url=False)[0]
        own = tuple(str(part) for part in first["loc"])
        named = (".".join(own), *reversed(own))
        form = next((forms[key] for key in named if key in forms), "")
        problem, action = _in_words(first, f"Write it as in: {form}." if form else "")
        if first["type"] == "extra_forbidden":
            action = _known_keys(model, own) or action
        raise SettingsError(source.place((*path, *own)), problem, action) from None


_WANTED = {
    "bool_type": "must be true or false",
    "int_type": "must be a whole number",
    "int_from_float": "must be a whole number",
    "string_type": "must be text in quotation marks",
    "string_too_short": "must not be empty",
    "datetime_type": "must be a date and a time of day",
    "tuple_type": "must be a list in square brackets",
    "dict_type": "must be a table of keys",
    "model_type": "must be a table of keys",
}
"""Plain words for what the validation library says in a programmer's."""


def _in_words(error: Any, form: str) -> tuple[str, str]:
    kind, value = error["type"], error.get("input")
    if kind == "extra_forbidden":
        return "is not a key that is known here", "Correct its spelling or remove it."
    if kind == "missing":
        return "is missing", form or "Add it."
    message = _WANTED.get(kind) or str(error["msg"]).removeprefix("Value error, ")
    message = re.sub("^Input should be ", "must be ", message).rstrip(".")
    message = message[:1].lower() + message[1:]
    return f"has the value {_as_written(value)}: {message}", form or "Correct the value."


def _known_keys(model: type[BaseModel], keys: tuple[str, ...]) -> str:
    """The key that was likely meant by the last of ``keys``, or those that are known there."""
    at: type[BaseModel] | None = model
    for key in keys[:-1]:
        if at is None or key.isdigit():
            continue
        field = next((f for n, f in at.model_fields.items() if key in (n, f.alias)), None)
        at = None if field is None else _model_in(field.annotation)
    if at is None:
        return ""
    known = [field.alias or name for name, field in at.model_fields.items()]
    near = difflib.get_close_matches(keys[-1].lower(), known, 1)
    if near:
        return f"Is {near[0]} meant?"
    return f"The keys here are {', '.join(known)}."


def _model_in(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    found = (_model_in(part) for part in get_args(annotation))
    return next((model for model in found if model is not None), None)


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
        if key is None or not (seen in (array_index, -1) or array_index == 0):
            continue
        found, wanted = ".".join(filter(None, (table, key.group(1)))), ".".join(names)
        if found == wanted:
            return number
        if wanted.startswith(f"{found}."):  # an inline table that holds the key
            best = number
    return best
