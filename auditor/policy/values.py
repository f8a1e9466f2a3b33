"""Values that people write in settings files, checked against structs whose fields say their kind.

A field's ``Annotated`` may hold ``Before`` and ``After`` (functions that change or refuse a value),
``msgspec.Meta`` (bounds, lengths, a pattern) and a plain text: what the setting means. A validation
library would cost more time at each start than everything else that is read there.
"""

from __future__ import annotations

import difflib
import re
from collections.abc import Callable, Iterator, Mapping
from datetime import date, datetime, time
from decimal import Decimal
from functools import cache
from types import NoneType, UnionType
from typing import (
    Annotated,
    Any,
    Literal,
    NamedTuple,
    Protocol,
    TypeVar,
    Union,
    get_args,
    get_origin,
)

from msgspec import NODEFAULT, Meta, Struct
from msgspec.structs import FieldInfo, fields

from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, NS, PPM

_MOST = 10_000_000
"""No number that is meant is larger, in whatever unit."""
_T = TypeVar("_T")


def _key(name: str) -> str:
    """The key that a file writes: seconds as ``…_s``, shares as ``…_share``."""
    unit = {"_ns": "_s", "_ppm": "_share"}
    return next((name.removesuffix(end) + u for end, u in unit.items() if name.endswith(end)), name)


class Settings(Struct, frozen=True, rename=_key):
    """Base of every settings table: unknown keys and wrong types are errors."""


Table = TypeVar("Table", bound=Settings)


class Before(NamedTuple):
    """Changes a value as it is written, before its type is looked at. Raises ``ValueError``."""

    change: Callable[[object], object]


class After(NamedTuple):
    """Changes or refuses a value of the right type. Raises ``ValueError``."""

    change: Callable[[Any], Any]


class _Unit(NamedTuple):
    """Held in whole parts of a unit: ``size`` of them make one."""

    size: int
    words: str


def _decimal(value: object, what: str, least: int = -_MOST, most: int = _MOST) -> Decimal:
    if isinstance(value, int | Decimal) and not isinstance(value, bool):
        number = Decimal(value)
        if number.is_finite() and least <= number <= most:  # as it stands: abs() may overflow
            return number
    raise ValueError(f"must be {what} from {least:,} to {most:,}")


def _scaled(value: object, unit: _Unit) -> int:
    # Thirds of an hour cannot be written exactly; the nearest nanosecond is meant.
    return int((_decimal(value, f"a number of {unit.words}") * unit.size).quantize(Decimal(1)))


def _ppm(value: object) -> int:
    return int((_decimal(value, "a share, a number", 0, 1) * PPM).quantize(Decimal(1)))


def _number(value: object) -> float:
    return float(_decimal(value, "a number"))


Seconds = Annotated[int, _Unit(NS, "seconds")]
"""Written in seconds, held in nanoseconds."""
Hours = Annotated[int, _Unit(HOUR, "hours")]
"""Written in hours, held in nanoseconds."""
Share = Annotated[int, Before(_ppm)]
"""Written as a share 0..1, held in parts per million."""
Number = Annotated[float, Before(_number)]
"""A finite number, for physical quantities; never for time."""

MORE_THAN_0, FROM_0 = Meta(gt=0), Meta(ge=0)


class Written(Protocol):
    """Something that a person wrote, in which the place of a key can be named."""

    def place(self, keys: tuple[str, ...]) -> str:
        """File, line or cell, and the key, in words."""


class _WrongError(Exception):
    """What is wrong with the value under ``keys``; ``action`` is what to do, else its form."""

    def __init__(self, keys: tuple[str, ...], problem: str, action: str = "") -> None:
        self.keys, self.problem, self.action = keys, problem, action
        super().__init__(problem)


def validate(
    table: type[Table],
    data: object,
    source: Written,
    path: tuple[str, ...] = (),
    forms: Mapping[str, str] = {},
) -> Table:
    """Check ``data`` (the part of ``source`` under ``path``) against ``table``.

    ``forms`` shows by key, or by dotted path, how a right value is written. Raises
    ``SettingsError`` that names the first wrong key with its place, the value, and the form that is
    wanted.
    """
    try:
        return _table(table, data, ())
    except _WrongError as wrong:
        named = (".".join(wrong.keys), *reversed(wrong.keys))
        form = next((f"Write it as in: {forms[key]}." for key in named if key in forms), "")
        action = (
            wrong.action
            or form
            or ("Add it." if wrong.problem == _MISSING else "Correct the value.")
        )
        raise SettingsError(source.place((*path, *wrong.keys)), wrong.problem, action) from None


_MISSING = "is missing"


@cache
def keys_of(table: type[Settings]) -> Mapping[str, FieldInfo]:
    """The fields of ``table`` by the key that a file writes."""
    return {field.encode_name: field for field in fields(table)}


def meaning_of(field: FieldInfo) -> str:
    """What a setting means, in words; empty where its table says it."""
    return next((part for part in _marks(field.type) if isinstance(part, str)), "")


def table_in(kind: Any) -> type[Settings] | None:
    """The table that values of ``kind`` are, or that stand in its list or its union."""
    if isinstance(kind, type) and issubclass(kind, Settings):
        return kind
    return next(filter(None, map(table_in, get_args(kind))), None)


def choices_of(kind: Any) -> tuple[object, ...]:
    """The values of a ``Literal``, else nothing."""
    bare = get_args(kind)[0] if get_origin(kind) is Annotated else kind
    return get_args(bare) if get_origin(bare) is Literal else ()


def written(value: Any, kind: Any) -> Any:
    """A value of ``kind`` as a file writes it: tables by their keys, times, shares as numbers."""
    if isinstance(value, Settings):
        known = keys_of(type(value)).items()
        return {key: written(getattr(value, field.name), field.type) for key, field in known}
    if isinstance(value, dict):
        return {key: written(one, None) for key, one in value.items()}
    if isinstance(value, tuple):
        return [written(one, kind) for one in value]
    size = next(filter(None, map(_size, _all_marks(kind))), None)
    if size is not None and value is not None:
        value = Decimal(value) / size
    whole = isinstance(value, float | Decimal) and value == int(value)
    return int(value) if whole else value


def _size(mark: object) -> int | None:
    return mark.size if isinstance(mark, _Unit) else 1_000_000 if mark == Before(_ppm) else None


def _all_marks(kind: Any) -> Iterator[Any]:
    """Those of ``kind`` and of what stands in its list or its union."""
    yield from _marks(kind)
    for part in get_args(kind):
        yield from _all_marks(part)


def _marks(kind: Any) -> tuple[Any, ...]:
    return get_args(kind)[1:] if get_origin(kind) is Annotated else ()


def _table(table: type[Table], data: object, keys: tuple[str, ...]) -> Table:
    if not isinstance(data, dict):
        raise _refused(keys, data, "must be a table of keys")
    known = keys_of(table)
    for key in data:
        if key not in known:
            near = difflib.get_close_matches(str(key).lower(), known, 1)
            meant = f"Is {near[0]} meant?" if near else f"The keys here are {', '.join(known)}."
            raise _WrongError((*keys, str(key)), "is not a key that is known here", meant)
    values = {}
    for key, field in known.items():
        if key in data:
            values[field.name] = _value(field.type, data[key], (*keys, key))
        elif field.default is NODEFAULT and field.default_factory is NODEFAULT:
            raise _WrongError((*keys, key), _MISSING)
    try:
        return table(**values)
    except ValueError as error:
        raise _refused(keys, data, str(error)) from None


def _value(kind: Any, value: object, keys: tuple[str, ...]) -> Any:
    marks = _marks(kind)
    bare = get_args(kind)[0] if marks else kind
    unit = next((mark for mark in marks if isinstance(mark, _Unit)), None)
    try:
        new = value
        for mark in reversed(marks):
            if isinstance(mark, Before):
                new = mark.change(new)
        new = _scaled(new, unit) if unit else _plain(bare, new, keys)
        for mark in marks:
            if isinstance(mark, After):
                new = mark.change(new)
            elif isinstance(mark, Meta):
                _bounded(new, mark, unit)
    except ValueError as error:
        raise _refused(keys, value, str(error)) from None
    return new


_KINDS: dict[Any, tuple[tuple[type, ...], tuple[type, ...], str]] = {
    bool: ((bool,), (), "must be true or false"),
    int: ((int,), (bool,), "must be a whole number"),
    float: ((float,), (), "must be a number"),
    str: ((str,), (), "must be text in quotation marks"),
    datetime: ((datetime,), (), "must be a date and a time of day"),
    date: ((date,), (datetime,), "must be a date"),
    time: ((time,), (), "must be a time of day"),
}
"""By kind: types of a right value, types among them that are none, and what is wanted in words."""


def _plain(kind: Any, value: object, keys: tuple[str, ...]) -> Any:
    if kind in _KINDS:
        types, but, wanted = _KINDS[kind]
        if not isinstance(value, types) or isinstance(value, but):
            raise ValueError(wanted)
        return value
    if isinstance(kind, type) and issubclass(kind, Settings):
        return value if isinstance(value, kind) else _table(kind, value, keys)
    origin, parts = get_origin(kind), get_args(kind)
    if origin is Literal:
        if not isinstance(value, str) or value not in parts:
            *others, last = map(repr, parts)
            raise ValueError(
                f"must be {', '.join(others)} or {last}" if others else f"must be {last}"
            )
        return value
    if origin in (Union, UnionType):
        (one,) = (part for part in parts if part is not NoneType)
        return None if value is None else _value(one, value, keys)
    if origin is tuple:
        if not isinstance(value, list | tuple):
            raise ValueError("must be a list in square brackets")
        return tuple(_value(parts[0], v, (*keys, str(at))) for at, v in enumerate(value))
    assert origin is dict, kind
    if not isinstance(value, dict):
        raise ValueError("must be a table of keys")
    return {key: _value(parts[1], v, (*keys, str(key))) for key, v in value.items()}


def _bounded(value: Any, mark: Meta, unit: _Unit | None) -> None:
    """Raise ``ValueError`` in words where ``value`` does not keep the limits of ``mark``."""
    if value is None:
        return
    size, words = (unit.size, f" {unit.words}") if unit else (1, "")

    def shown(bound: Any) -> str:
        return f"{Decimal(bound) / size:f}{words}"

    if mark.gt is not None and not value > mark.gt:
        raise ValueError(f"must be more than {shown(mark.gt)}")
    if mark.ge is not None and not value >= mark.ge:
        raise ValueError(f"must be at least {shown(mark.ge)}")
    if mark.le is not None and not value <= mark.le:
        raise ValueError(f"must be at most {shown(mark.le)}")
    of = "characters" if isinstance(value, str) else "entries"
    if mark.min_length is not None and len(value) < mark.min_length:
        raise ValueError("must not be empty")
    if mark.max_length is not None and len(value) > mark.max_length:
        raise ValueError(f"must have at most {mark.max_length} {of}")
    if mark.pattern is not None and re.search(mark.pattern, value) is None:
        raise ValueError(f"must match {mark.pattern}")


def _refused(keys: tuple[str, ...], value: object, wanted: str) -> _WrongError:
    return _WrongError(keys, f"has the value {as_written(value)}: {wanted}")


def as_written(value: object) -> str:
    """A value much as the file writes it."""
    shown = repr(value)
    if isinstance(value, bool):
        shown = shown.lower()
    elif isinstance(value, date | time):
        shown = value.isoformat()
    elif isinstance(value, Decimal):
        shown = str(value)
    return shown if len(shown) <= 80 else shown[:77] + "..."
