"""What the fields of frozen values hold beyond their types, for all that is made from the fields.

A field's ``Annotated`` may hold a ``Holds``.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import Enum, auto
from functools import cache
from typing import Annotated, Any, Literal, NamedTuple, get_args, get_origin, get_type_hints


class Holds(Enum):
    """What a number or text is. A text without any is a file's or a person's own words."""

    INSTANT = auto()
    """A time on the study axis or in civil nanoseconds, or an array of them."""
    NAME = auto()
    """Names a file, folder, channel or recorder."""
    PERSON = auto()
    """Names somebody."""
    EVENT = auto()
    """An annotation as written."""
    OURS = auto()
    """Words, codes and standard names of this program's own."""


Instant = Annotated[int, Holds.INSTANT]
Named = Annotated[str, Holds.NAME]
Person = Annotated[str, Holds.PERSON]
Event = Annotated[str, Holds.EVENT]
Ours = Annotated[str, Holds.OURS]


class Field(NamedTuple):
    """One field: its type, and the first mark that stands anywhere in it; a code is ours."""

    kind: Any
    holds: Holds | None


@cache
def fields_of(of: type) -> Mapping[str, Field]:
    """The fields of a struct or named tuple by name."""
    hints = get_type_hints(of, include_extras=True)
    return {name: Field(hint, _mark(hint)) for name, hint in hints.items()}


def _mark(hint: Any) -> Holds | None:
    if isinstance(hint, Holds):
        return hint
    if get_origin(hint) is Literal:
        return Holds.OURS
    return next(filter(None, map(_mark, get_args(hint))), None)
