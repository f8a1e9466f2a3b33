"""Settings of ``[stop]``: why a recording stopped, and the causes of gaps."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from auditor.policy.sourced import Section
from auditor.policy.toml import Seconds, Strict

_MOST_PATTERN_CHARS = 300
# A repeated group can take time without end on a text made for it; single characters cannot.
_REPEATED_GROUP = re.compile(r"(?<!\\)\)[*+{]")


def _pattern(value: str) -> str:
    if len(value) > _MOST_PATTERN_CHARS:
        raise ValueError(f"must have at most {_MOST_PATTERN_CHARS} characters")
    try:
        compiled = re.compile(value, re.IGNORECASE)
    except re.error as error:
        raise ValueError(f"is no regular expression: {error}") from error
    if compiled.search("") is not None:
        raise ValueError("matches the empty text and so every annotation")
    if _REPEATED_GROUP.search(value):
        raise ValueError("repeats a group with *, + or {}; write it without that repeat")
    return value


def _as_tuple(value: object) -> object:
    return tuple(value) if isinstance(value, list) else value


_Pattern = Annotated[str, Field(min_length=1), AfterValidator(_pattern)]
_Patterns = Annotated[tuple[_Pattern, ...], BeforeValidator(_as_tuple)]
_Span = Annotated[Seconds, Field(ge=0)]


class Patterns(Strict):
    """Regular expressions, without regard to case, for what an annotation tells of a stop."""

    power_low: _Patterns
    supply_unplugged: _Patterns
    power_change: _Patterns
    patient: _Patterns
    technologist: _Patterns
    person: _Patterns
    orderly_end: _Patterns
    restart: _Patterns
    card_full: _Patterns
    electrode: _Patterns
    clock: _Patterns
    fault: _Patterns


class StopSettings(Section):
    """``[stop]``: what annotations tell of a stop or gap, and how near they must lie."""

    annotation_ns: _Span = Field(alias="annotation_s")
    """How near to a stop or gap an annotation must lie to tell of it."""
    power_warning_ns: _Span = Field(alias="power_warning_s")
    """How long before a stop or gap a warning of low power still tells of it."""
    patterns: Patterns
