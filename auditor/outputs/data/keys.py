"""One definition of each object of ``audit.json``: what a key is called, means and holds.

From the same ``Object`` come the JSON value, the JSON Schema, the rows of a CSV file and of a
pandas table, so none of them can say something else. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import partial
from itertools import islice
from operator import attrgetter
from typing import Any, Literal, TypeVar

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

_AS_IT_IS = ("plain", "word", "utc")
_TIME = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.(\d{3}|\d{6}|\d{9}))?"


class Key(Struct, frozen=True):
    """One key. ``get`` gives its value from what the object describes; ``null``: it may be null."""

    name: str
    kind: Kind
    meaning: str
    get: Callable[[Any], Any]
    null: bool
    node: Node
    of: Object | None = None

    def columns(
        self, values: Sequence[Any], axis: Axis, *, lazy: bool = False
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
            return lambda held: Rows(of, held, axis) if lazy else Rows(of, held, axis).plain()
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


class Object:
    """A JSON object: what it is, and its keys. Where ``only_if`` (a flag) is not true, the object
    holds that flag alone."""

    def __init__(self, meaning: str, *keys: Key, only_if: Key | None = None) -> None:
        self.meaning = meaning
        self.keys = keys
        self.only_if = only_if

    def row(self, value: Any, axis: Axis, *, lazy: bool = False) -> Row:
        """``value`` as plain JSON values; with ``lazy``, lists of objects are ``Rows``."""
        keys = self.keys
        if self.only_if is not None:
            keys = (self.only_if, *keys) if self.only_if.get(value) else (self.only_if,)
        row = {}
        for key in keys:
            if key.kind in _AS_IT_IS:
                row[key.name] = key.get(value)
            else:
                for name, _, column in key.columns((value,), axis, lazy=lazy):
                    row[name] = column[0]
        return row

    def rows(self, values: Iterable[Any], axis: Axis) -> Iterator[Row]:
        """Each of ``values`` as plain JSON values."""
        return (self.row(value, axis) for value in values)

    @property
    def flat(self) -> bool:
        """Whether its keys are always there and hold no objects."""
        return self.only_if is None and all(key.of is None for key in self.keys)

    def kinds(self, columns: Iterable[str], axis: Axis) -> dict[str, Kind]:
        """What each of ``columns`` holds, with ``…_utc`` of every time where a zone is known; for
        ``…_hms``, which is no key, as for text."""
        every = {key.name: key.kind for key in self.keys}
        kinds: dict[str, Kind] = {column: every.get(column, "plain") for column in columns}
        if axis.zone is not None:
            kinds |= {f"{c}_utc": "utc" for c, kind in kinds.items() if kind == "time"}
        return kinds

    def schema(self) -> Node:
        """The object's JSON Schema. Keys may be added later, so none is forbidden."""
        flag = self.only_if
        if flag is None:
            return _object(self.keys, self.meaning)
        off = {**flag.schema(), "const": False}
        whole = _object((flag, *self.keys), self.meaning)
        whole["properties"][flag.name] = {**flag.schema(), "const": True}
        alone = {"type": "object", "properties": {flag.name: off}, "required": [flag.name]}
        return {"anyOf": [whole, alone], "description": self.meaning}

    def csv_rows(
        self, values: Iterable[Any], axis: Axis, columns: Sequence[str], *, up: bool
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


class Rows(Struct, frozen=True):
    """A list of objects that is made while it is written, so that it never stands whole."""

    of: Object
    values: Iterable[Any]
    axis: Axis

    def plain(self) -> list[Row]:
        """The whole list."""
        return list(self.of.rows(self.values, self.axis))

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


def _object(keys: Iterable[Key], meaning: str) -> Node:
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


def _key(
    kind: Kind,
    node: Node,
    name: str,
    meaning: str,
    get: str | Callable[[Any], Any] = "",
    *,
    unit: str = "",
    of: Object | None = None,
) -> Key:
    """One key. A name that ends in '?' may be null; the '?' is no part of it.

    ``get`` is a function of the value described, or the attribute (with dots) that holds it: where
    it is not given the one of the key's name, which for a duration ``…_s`` is ``…_ns``.
    """
    plain = name.removesuffix("?")
    held = plain.removesuffix("_s") + "_ns" if kind == "duration" else plain
    getter = get if callable(get) else attrgetter(get or held)
    return Key(plain, kind, meaning + unit, getter, plain != name, node, of)


# Each of these makes a key of one kind from its name, its meaning and how it is got.

text = partial(_key, "plain", {"type": "string"})
"""Text; untrusted where it came from a file, an order or a person."""
sha256 = partial(_key, "plain", {"type": "string", "pattern": "^[0-9a-f]{64}$"})
texts = partial(_key, "texts", {"type": "array", "items": {"type": "string"}})
numbers = partial(_key, "texts", {"type": "array", "items": {"type": "integer"}})
flag = partial(_key, "plain", {"type": "boolean"})
count = partial(_key, "plain", {"type": "integer", "minimum": 0})
position = partial(_key, "plain", {"type": "integer", "minimum": 1})
number = partial(_key, "plain", {"type": "integer"})
"""A whole number of either sign."""
share = partial(_key, "plain", {"type": "number", "minimum": 0, "maximum": 1})
time = partial(
    _key,
    "time",
    {"type": "string", "pattern": f"{_TIME}$"},
    unit=" ISO 8601, local time, no offset.",
)
"""An instant on the study axis, written as local time without offset."""
civil = partial(
    _key,
    "civil",
    {"type": "string", "pattern": f"{_TIME}$"},
    unit=" ISO 8601, as it stands in the file.",
)
"""A stamp in civil nanoseconds, written as it stands."""
utc = partial(_key, "utc", {"type": "string", "pattern": f"{_TIME}Z$"})
"""A time in UTC, as text already."""
duration = partial(_key, "duration", {"type": "number", "minimum": 0}, unit=" Seconds.")
"""Nanoseconds, written as seconds."""
signed = partial(_key, "duration", {"type": "number"}, unit=" Seconds.")
"""The same, of either sign."""


def word(name: str, meaning: str, words: Words, get: str | Callable[[Any], Any] = "") -> Key:
    """A code of ``words``, each with its meaning."""
    told = [{"const": c, **({"description": m} if m else {})} for c, m in words.items()]
    return _key("word", {"oneOf": told}, name, meaning, get)


def one(name: str, meaning: str, of: Object, get: str | Callable[[Any], Any] = "") -> Key:
    """An object inside."""
    return _key("object", {}, name, meaning, get, of=of)


def many(name: str, meaning: str, of: Object, get: str | Callable[[Any], Any] = "") -> Key:
    """A list of objects."""
    return _key("list", {}, name, meaning, get, of=of)
