"""One definition of each object of ``audit.json``: what a key is called, means and holds.

From the same ``Object`` come the JSON value, the JSON Schema, the rows of a CSV file and of a
pandas table, so none of them can say something else. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import islice
from typing import Any, Generic, Literal, TypeVar

from msgspec import Struct

from auditor.core.clock import Axis, isos
from auditor.core.durations import exact_seconds, hms, seconds
from auditor.core.text import cell

T = TypeVar("T")
Row = dict[str, Any]
Node = dict[str, Any]
Words = Mapping[Any, str]
"""Codes with their meanings; an empty meaning where the code says it itself."""
Kind = Literal["plain", "word", "time", "civil", "utc", "duration", "texts", "object", "list"]

_TIME = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.(\d{3}|\d{6}|\d{9}))?"
_SHA256: Node = {"type": "string", "pattern": "^[0-9a-f]{64}$"}


class Key(Struct, Generic[T], frozen=True):
    """One key. ``get`` gives its value from what the object describes; ``null``: it may be null."""

    name: str
    kind: Kind
    meaning: str
    get: Callable[[T], Any]
    null: bool
    node: Node
    of: Object[Any] | None = None

    def columns(
        self, values: Sequence[T], axis: Axis, *, lazy: bool = False
    ) -> Iterator[tuple[str, Kind, list[Any]]]:
        """What ``values`` hold under the key: name, kind and one plain JSON value for each.

        A time has ``…_utc`` beside it where a zone is known. With ``lazy``, a list of objects is
        ``Rows`` and one of texts a tuple.
        """
        found: list[Any] = [self.get(value) for value in values]
        if self.kind == "time":
            yield self.name, "time", _where_known(axis.isos, found)
            if axis.zone is not None:
                in_utc = _where_known(lambda known: [f"{t}Z" for t in isos(known)], found)
                yield f"{self.name}_utc", "utc", in_utc
        elif self.kind == "civil":
            yield self.name, self.kind, _where_known(isos, found)
        else:
            plain = self._plain(axis, lazy)
            if plain is not None:
                found = [None if one is None else plain(one) for one in found]
            yield self.name, self.kind, found

    def _plain(self, axis: Axis, lazy: bool) -> Callable[[Any], Any] | None:
        """What makes a plain JSON value of one that is no time; ``None`` where it is one."""
        of = self.of
        if self.kind == "duration":
            return seconds
        if self.kind == "texts":
            return tuple if lazy else list
        if of is not None and self.kind == "object":
            return lambda held: of.row(held, axis, lazy=lazy)
        if of is not None:
            return lambda held: Rows(of, held, axis) if lazy else list(of.rows(held, axis))
        return None

    def schema(self) -> Node:
        """The key's JSON Schema, with its meaning."""
        node = self.of.schema() if self.of is not None else dict(self.node)
        if self.kind == "list":
            node = {"type": "array", "items": node}
        if self.null:
            kind = node.get("type")
            plain = isinstance(kind, str) and "oneOf" not in node and self.of is None
            node = (
                {**node, "type": [kind, "null"]} if plain else {"anyOf": [node, {"type": "null"}]}
            )
        return {**node, "description": self.meaning}


class Object(Struct, Generic[T], frozen=True):
    """A JSON object made from a ``T``. Where ``only_if`` (a flag's key and how it is told) is not
    true, the object holds that flag alone."""

    meaning: str
    keys: tuple[Key[T], ...]
    only_if: tuple[Key[T], Callable[[T], bool]] | None = None

    def row(self, value: T, axis: Axis, *, lazy: bool = False) -> Row:
        """``value`` as plain JSON values; with ``lazy``, lists of objects are ``Rows``."""
        keys = self.keys
        if self.only_if is not None:
            flag, told = self.only_if
            keys = (flag, *keys) if told(value) else (flag,)
        return {
            name: column[0]
            for key in keys
            for name, _, column in key.columns((value,), axis, lazy=lazy)
        }

    def rows(self, values: Iterable[T], axis: Axis) -> Iterator[Row]:
        """Each of ``values`` as plain JSON values."""
        return (self.row(value, axis) for value in values)

    @property
    def flat(self) -> bool:
        """Whether its keys are always there and hold no objects."""
        return self.only_if is None and all(key.of is None for key in self.keys)

    def has(self, name: str) -> bool:
        """Whether it has a key called ``name``."""
        return any(key.name == name for key in self.keys)

    def key(self, name: str) -> Key[T]:
        """The key called ``name``."""
        return next(key for key in self.keys if key.name == name)

    def schema(self) -> Node:
        """The object's JSON Schema. Keys may be added later, so none is forbidden."""
        if self.only_if is None:
            return _object(self.keys, self.meaning)
        flag, _ = self.only_if
        off = {**flag.schema(), "const": False}
        whole = _object((flag, *self.keys), self.meaning)
        whole["properties"][flag.name] = {**flag.schema(), "const": True}
        alone = {"type": "object", "properties": {flag.name: off}, "required": [flag.name]}
        return {"anyOf": [whole, alone], "description": self.meaning}

    def csv_rows(
        self, values: Iterable[T], axis: Axis, columns: tuple[str, ...], *, up: bool
    ) -> Iterator[tuple[Any, ...]]:
        """``values`` under ``columns``: seconds in full decimals, so that a sum in a spreadsheet is
        the sum here; a column ``…_hms`` holds the duration ``…_s`` as text, rounded ``up`` or down.
        """
        every = {key.name: key for key in self.keys}
        for some in in_chunks(values):
            held: dict[str, list[Any]] = {}
            for column in columns:
                name = column.removesuffix("_hms") + "_s" if column.endswith("_hms") else column
                key = every.get(name)
                if key is None:  # a time in UTC, which stands beside its own
                    continue
                if key.kind == "duration":
                    told = partial(hms, up=up) if name != column else exact_seconds
                    held[column] = _once(told, [key.get(value) for value in some])
                else:
                    for title, kind, found in key.columns(some, axis, lazy=True):
                        joint = "; " if title == "evidence" else " "
                        held[title] = (
                            found if kind == "time" else _once(partial(_cell, joint), found)
                        )
            yield from zip(*(held[column] for column in columns), strict=True)


def _cell(joint: str, found: Any) -> Any:
    if isinstance(found, tuple):
        found = joint.join(map(str, found))
    return cell(found) if isinstance(found, str) else found


class Rows(Struct, Generic[T], frozen=True):
    """A list of objects that is made while it is written, so that it never stands whole."""

    of: Object[T]
    values: Iterable[T]
    axis: Axis

    def texts(self, encode: Callable[[Any], str], joint: str) -> Iterator[str]:
        """The JSON texts of many objects at a time with ``joint`` between; of ``of.flat`` ones."""
        for some in in_chunks(self.values):
            names, columns = [], []
            for key in self.of.keys:
                for name, kind, found in key.columns(some, self.axis, lazy=True):
                    names.append(encode(name))
                    columns.append(_encoded(kind, found, encode))
            form = "{" + ", ".join(f"{name}: %s" for name in names) + "}"
            yield joint.join(map(form.__mod__, zip(*columns, strict=True)))


def _encoded(kind: Kind, found: list[Any], encode: Callable[[Any], str]) -> list[str]:
    if kind in ("time", "utc") and None not in found:
        return [f'"{text}"' for text in found]
    return ["null" if text is None else text for text in _once(encode, found)]


def in_chunks(values: Iterable[T]) -> Iterator[tuple[T, ...]]:
    """``values``, a few thousand at a time."""
    rest = iter(values)
    while some := tuple(islice(rest, _CHUNK)):
        yield some


_CHUNK = 2048
"""Enough that what is done once for each of them is little, and little memory."""


def _where_known(texts: Callable[[list[int]], list[str]], found: list[Any]) -> list[Any]:
    """``texts`` of those of ``found`` that are known, ``None`` in the place of the others."""
    if None not in found:
        return texts(found)
    known = iter(texts([one for one in found if one is not None]))
    return [None if one is None else next(known) for one in found]


def _once(make: Callable[[Any], Any], found: list[Any]) -> list[Any]:
    """``make`` of each of ``found`` but ``None``; of equal ones once."""
    if len({*map(type, found)} - {type(None)}) > 1:  # 1 and true are equal and not the same
        return [None if one is None else make(one) for one in found]
    made = {one: None if one is None else make(one) for one in set(found)}
    return [made[one] for one in found]


def _object(keys: Iterable[Key[Any]], meaning: str) -> Node:
    properties: Node = {}
    required = []
    for key in keys:
        properties[key.name] = key.schema()
        required.append(key.name)
        if key.kind == "time":
            properties[f"{key.name}_utc"] = {
                "type": ["string", "null"],
                "pattern": f"{_TIME}Z$",
                "description": f"{key.name} in UTC; only where a time zone is known.",
            }
    return {
        "type": "object",
        "description": meaning,
        "properties": properties,
        "required": required,
    }


def _told(words: Words) -> Node:
    return {
        "oneOf": [{"const": c, **({"description": m} if m else {})} for c, m in words.items()],
    }


# Each of these makes one key from its name, its meaning and how it is got. A name that ends in '?'
# may be null; the '?' is no part of it.


def _key(
    name: str,
    kind: Kind,
    meaning: str,
    get: Callable[[T], Any],
    node: Node,
    of: Object[Any] | None = None,
) -> Key[T]:
    return Key(name.removesuffix("?"), kind, meaning, get, name.endswith("?"), node, of)


def text(name: str, meaning: str, get: Callable[[T], str | None]) -> Key[T]:
    """Text; untrusted where it came from a file, an order or a person."""
    return _key(name, "plain", meaning, get, {"type": "string"})


def sha256(name: str, meaning: str, get: Callable[[T], str | None]) -> Key[T]:
    """A SHA-256 checksum in hexadecimal digits."""
    return _key(name, "plain", meaning, get, _SHA256)


def texts(name: str, meaning: str, get: Callable[[T], Iterable[str]]) -> Key[T]:
    """A list of texts."""
    return _key(name, "texts", meaning, get, {"type": "array", "items": {"type": "string"}})


def numbers(name: str, meaning: str, get: Callable[[T], Iterable[int]]) -> Key[T]:
    """A list of whole numbers."""
    return _key(name, "texts", meaning, get, {"type": "array", "items": {"type": "integer"}})


def count(name: str, meaning: str, get: Callable[[T], int | None], least: int = 0) -> Key[T]:
    """A whole number of at least ``least``."""
    return _key(name, "plain", meaning, get, {"type": "integer", "minimum": least})


def number(name: str, meaning: str, get: Callable[[T], int | None]) -> Key[T]:
    """A whole number of either sign."""
    return _key(name, "plain", meaning, get, {"type": "integer"})


def flag(name: str, meaning: str, get: Callable[[T], bool | None]) -> Key[T]:
    """True or false."""
    return _key(name, "plain", meaning, get, {"type": "boolean"})


def share(name: str, meaning: str, get: Callable[[T], float | None]) -> Key[T]:
    """A share from 0 to 1."""
    return _key(name, "plain", meaning, get, {"type": "number", "minimum": 0, "maximum": 1})


def word(name: str, meaning: str, get: Callable[[T], str | None], words: Words) -> Key[T]:
    """A code of ``words``, each with its meaning."""
    return _key(name, "word", meaning, get, _told(words))


def time(name: str, meaning: str, get: Callable[[T], int | None]) -> Key[T]:
    """An instant on the study axis, written as local time without offset."""
    node = {"type": "string", "pattern": f"{_TIME}$"}
    return _key(name, "time", f"{meaning} ISO 8601, local time, no offset.", get, node)


def civil(name: str, meaning: str, get: Callable[[T], int | None]) -> Key[T]:
    """A stamp in civil nanoseconds, written as it stands."""
    node = {"type": "string", "pattern": f"{_TIME}$"}
    return _key(name, "civil", f"{meaning} ISO 8601, as it stands in the file.", get, node)


def utc(name: str, meaning: str, get: Callable[[T], str]) -> Key[T]:
    """A time in UTC, as text already."""
    return _key(name, "utc", meaning, get, {"type": "string", "pattern": f"{_TIME}Z$"})


def duration(
    name: str,
    meaning: str,
    get: Callable[[T], int | None],
    signed: bool = False,
) -> Key[T]:
    """Nanoseconds, written as seconds."""
    node = {"type": "number"} if signed else {"type": "number", "minimum": 0}
    return _key(name, "duration", f"{meaning} Seconds.", get, node)


V = TypeVar("V")


def one(name: str, meaning: str, get: Callable[[T], V | None], of: Object[V]) -> Key[T]:
    """An object inside."""
    return _key(name, "object", meaning, get, {}, of)


def many(
    name: str, meaning: str, get: Callable[[T], Iterable[V] | None], of: Object[V],
) -> Key[T]:  # fmt: skip
    """A list of objects."""
    return _key(name, "list", meaning, get, {}, of)
