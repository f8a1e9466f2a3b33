"""Parts that policy sections share: where a rule comes from, how sure it is, lists, patterns."""

from __future__ import annotations

import re
from typing import Annotated, Literal, get_args

from msgspec import Meta, field

from auditor.policy.values import After, Settings, keys_of

Mark = Literal[
    "read", "secondary", "memory", "inferred", "common practice", "our choice", "not stated"
]
"""How a rule is known: read in the named source, seen on a secondary page only, from memory, our
own inference, common practice without a source, our own choice, or nothing stated."""

MARKS: tuple[Mark, ...] = get_args(Mark)
"""From the surest to the least sure."""


class Sourced(Settings, frozen=True, kw_only=True):
    """Where a rule comes from and how sure it is.

    A lab enters its own here: ``source`` with edition and page of its code book, ``checked`` the
    date, ``checked_by`` who did.
    """

    source: Annotated[str, Meta(max_length=600)] = ""
    mark: Mark = "not stated"
    checked: Annotated[str, Meta(max_length=40)] = ""
    checked_by: Annotated[str, Meta(max_length=100)] = ""


class About(Sourced, frozen=True, kw_only=True):
    """Where the values of a section come from; ``keys`` are those that come from elsewhere."""

    keys: dict[str, Sourced] = field(default_factory=dict)


class Section(Settings, frozen=True, kw_only=True):
    """Base of a section of the policy. The text beside a setting's type is its meaning in words."""

    about: About = About()

    def __post_init__(self) -> None:
        known = keys_of(type(self))
        for key in self.about.keys:
            if key.split(".")[0] not in known:
                raise ValueError(f"about.keys names {key}, which is no key of this section")


# A repeated group can take time without end on a text made for it; single characters cannot.
_REPEATED_GROUP = re.compile(r"(?<!\\)\)[*+{]")


def _regular(pattern: str) -> str:
    if not 0 < len(pattern) <= 300:
        raise ValueError("must be a regular expression of 1 to 300 characters")
    try:
        compiled = re.compile(pattern, re.IGNORECASE)
    except re.error as error:
        raise ValueError(f"is not a regular expression: {error}") from error
    if compiled.search("") is not None:
        raise ValueError("matches the empty text and so every annotation")
    if _REPEATED_GROUP.search(pattern):
        raise ValueError("repeats a group with *, + or {}; write it without that repeat")
    return pattern


Pattern = Annotated[str, After(_regular)]
"""A regular expression, searched in any case."""

LogDates = Annotated[
    Literal["ask", "day_first", "month_first"],
    "How a log's dates such as 03/02/2027 are read; 'ask': as lies in the recording, else not.",
]
