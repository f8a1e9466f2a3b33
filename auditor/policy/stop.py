"""Settings of ``[stop]``: why a recording stopped, and the causes of gaps."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator, BeforeValidator, Field

from auditor.policy.sourced import Section
from auditor.policy.toml import Seconds, Share, Strict

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
_Bytes = Annotated[int, Field(gt=0)]


class Patterns(Strict):
    """Regular expressions, without regard to case, for what an annotation tells of a stop."""

    power_low: _Patterns
    power_change: _Patterns
    person: _Patterns
    orderly_end: _Patterns
    restart: _Patterns
    card_full: _Patterns
    electrode: _Patterns
    clock: _Patterns
    fault: _Patterns


class FileLimit(Strict):
    """The largest file that a file system or recorder can hold."""

    bytes: _Bytes
    name: Annotated[str, Field(min_length=1, max_length=120)]


class StopSettings(Section):
    """``[stop]``: why a recording stopped, and the causes of gaps."""

    annotation_ns: _Span = Field(alias="annotation_s")
    """How near to a stop or gap an annotation must lie to tell of it."""
    power_warning_ns: _Span = Field(alias="power_warning_s")
    """How long before a stop or gap a warning of low power still tells of it."""
    electrodes_ns: _Span = Field(alias="electrodes_s")
    """How long before the stop the loss of electrodes still tells of it."""
    change_from_ns: _Span = Field(alias="change_from_s")
    change_to_ns: _Span = Field(alias="change_to_s")
    """A gap of this length before a new file fits a change of packs."""
    piece_ns: _Span = Field(alias="piece_s")
    """How regular the starts of files must be to be a schedule."""
    clock_ns: _Span = Field(alias="clock_s")
    """How close to one hour a gap or stop must lie to look like a change of the clock."""
    file_limits: Annotated[tuple[FileLimit, ...], BeforeValidator(_as_tuple)]
    file_slack_bytes: Annotated[int, Field(ge=0)]
    card_bytes: Annotated[tuple[_Bytes, ...], BeforeValidator(_as_tuple)]
    card_slack_ppm: Share = Field(alias="card_slack_share")
    patterns: Patterns
