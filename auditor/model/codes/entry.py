"""One entry of the catalogue of findings."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

Severity = Literal["info", "caution", "problem"]
SEVERITIES: tuple[Severity, ...] = ("info", "caution", "problem")
Question = Literal["order", "readable", "billing", "files"]


class Entry(Struct, frozen=True):
    """What a code means and how it is told.

    ``meaning`` is one phrase, for the schema and for a note. ``text``, ``expected``,
    ``observed`` and ``action`` are templates for ``str.format_map`` over the finding's values; a
    finding names one of ``forms`` where the text depends on the situation. ``text`` is complete by
    itself: what it is, and what it does to the numbers; ``action`` says what to do. A ``problem``
    puts a number in doubt or says that recorded data are missing or untrustworthy; most findings
    are a ``caution``.

    ``question`` names the answer that a finding of this code turns from yes to look, ``None`` where
    a person need not do anything about it; a ``problem`` bears on the files. ``headline`` is then
    the sentence with the figure that stands as that answer's reason, and as the audit's headline
    where it decides; it is the text's first sentence where none is given.
    """

    severity: Severity = "caution"
    meaning: str = ""
    text: str = ""
    expected: str = ""
    observed: str = ""
    action: str = ""
    forms: Mapping[str, str] = {}
    question: Question | None = None
    headline: str = ""
