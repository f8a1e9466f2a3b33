"""One definition of each object of ``audit.json``: what a key is called, means and holds.

From the same ``Object`` come the JSON value, the JSON Schema, the rows of a CSV file and of a
pandas table, so none of them can say something else. Nothing is computed here.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from functools import cache, partial
from itertools import islice
from operator import attrgetter
from typing import Any, Literal, TypeVar

from msgspec import Struct

from auditor.core.clock import Axis, isos
from auditor.core.durations import exact_seconds, hms, seconds
from auditor.core.text import cell, storable

T = TypeVar("T")
Row = dict[str, Any]
Node = dict[str, Any]
Words = Mapping[Any, str]
"""Codes with their meanings; an empty meaning where the code says it itself."""
Kind = Literal[
    "plain", "text", "word", "time", "civil", "utc", "duration", "texts", "numbers", "object",
    "list",
]  # fmt: skip

_TIME = r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.(\d{3}|\d{6}|\d{9}))?"
Many = Callable[["Object", Iterable[Any], Axis], Any]
"""What a list of objects becomes: ``listed`` or ``made_later``."""


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
        self, values: Sequence[Any], axis: Axis, many: Many
    ) -> Iterator[tuple[str, list[Any]]]:
        """What ``values`` hold under the key: its name, and one plain JSON value for each.

        A time has ``…_utc`` beside it where a zone is known.
        """
        found: list[Any] = [self.get(value) for value in values]
        if self.kind == "time":
            yield self.name, _where_known(axis.isos, found)
            if axis.zone is not None:
                in_utc = _where_known(lambda known: [f"{t}Z" for t in isos(known)], found)
                yield f"{self.name}_utc", in_utc
        elif self.kind == "civil":
            yield self.name, _where_known(isos, found)
        else:
            plain = self._plain(axis, many)
            if plain is not None:
                found = [None if one is None else plain(one) for one in found]
            yield self.name, found

    def _plain(self, axis: Axis, many: Many) -> Callable[[Any], Any] | None:
        """What makes a plain JSON value of one that is no time; ``None`` where it is one."""
        of = self.of
        if of is not None and self.kind == "object":
            return lambda held: of.row(held, axis, many)
        if of is not None:
            return lambda held: many(of, held, axis)
        return _PLAIN.get(self.kind)

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

    def row(self, value: Any, axis: Axis, many: Many | None = None) -> Row:
        """``value`` as plain JSON values; lists in it are ``listed`` or as ``many`` makes them."""
        return next(self.rows((value,), axis, many))

    def rows(self, values: Iterable[Any], axis: Axis, many: Many | None = None) -> Iterator[Row]:
        """Each of ``values`` as ``row``, made a few thousand at a time."""
        for some in _in_chunks(values):
            keys = self.keys
            if self.only_if is not None:  # such an object stands alone
                keys = (self.only_if, *keys) if self.only_if.get(some[0]) else (self.only_if,)
            columns = [one for key in keys for one in key.columns(some, axis, many or listed)]
            names = [name for name, _ in columns]
            for row in zip(*(found for _, found in columns), strict=True):
                yield dict(zip(names, row, strict=True))

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
        written, told, exact = cache(cell), cache(partial(hms, up=up)), cache(exact_seconds)
        for some in _in_chunks(values):
            held: dict[str, list[Any]] = {}
            for column in columns:
                name = column.removesuffix("_hms") + "_s" if column.endswith("_hms") else column
                key = every.get(name)
                if key is None:  # a time in UTC, which stands beside its own
                    continue
                if key.kind == "duration":
                    shown = told if name != column else exact
                    lengths = map(key.get, some)
                    held[column] = [None if ns is None else shown(ns) for ns in lengths]
                elif key.kind == "texts":
                    joint = "; " if name == "evidence" else " "
                    held[column] = [written(joint.join(key.get(one))) for one in some]
                else:
                    for title, found in key.columns(some, axis, listed):
                        texts = key.kind in ("text", "word")
                        held[title] = [written(f) if texts and f else f for f in found]
            yield from zip(*(held[column] for column in columns), strict=True)


def listed(of: Object, values: Iterable[Any], axis: Axis) -> list[Row]:
    """The whole list."""
    return list(of.rows(values, axis))


def made_later(of: Object, values: Iterable[Any], axis: Axis) -> Iterator[Row]:
    """The list while it is written, so that it never stands whole."""
    return of.rows(values, axis, made_later)


def _in_chunks(values: Iterable[T]) -> Iterator[tuple[T, ...]]:
    """``values``, a few thousand at a time."""
    rest = iter(values)
    while some := tuple(islice(rest, _CHUNK)):
        yield some


_CHUNK = 2048
"""Enough that what is done once for each of them is little, and little memory."""
_PLAIN: dict[Kind, Callable[[Any], Any]] = {
    "duration": seconds,
    "text": storable,
    "texts": lambda held: list(map(storable, held)),
    "numbers": list,
}
"""What makes plain JSON values of some kinds; the others are plain, or hold objects or times."""


def _where_known(texts: Callable[[list[int]], list[str]], found: list[Any]) -> list[Any]:
    """``texts`` of those of ``found`` that are known, ``None`` in the place of the others."""
    if None not in found:
        return texts(found)
    known = iter(texts([one for one in found if one is not None]))
    return [None if one is None else next(known) for one in found]


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

text = partial(_key, "text", {"type": "string"})
"""Text; untrusted where it came from a file, an order or a person."""
sha256 = partial(_key, "plain", {"type": "string", "pattern": "^[0-9a-f]{64}$"})
texts = partial(_key, "texts", {"type": "array", "items": {"type": "string"}})
numbers = partial(_key, "numbers", {"type": "array", "items": {"type": "integer"}})
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
