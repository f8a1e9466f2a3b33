"""What annotations near a stop or a gap tell of it."""

from __future__ import annotations

import re
from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from functools import lru_cache

from auditor.core.clock import Axis
from auditor.core.text import printable
from auditor.model import PlacedAnnotation
from auditor.policy.stop import StopSettings

MOST_CHARS = 300
"""Patterns look at so much of an annotation's text; more can only be made to cost time."""


@lru_cache(maxsize=64)
def _compiled(patterns: tuple[str, ...]) -> re.Pattern[str] | None:
    if not patterns:
        return None
    return re.compile("|".join(f"(?:{p})" for p in patterns), re.IGNORECASE)


class Words:
    """The annotations that match any of the policy's patterns, in time order.

    An annotation counts for the first kind whose patterns it matches, in the order of ``KINDS``.
    """

    KINDS = (
        "power_low",
        "power_change",
        "card_full",
        "electrode",
        "person",
        "clock",
        "fault",
        "orderly_end",
        "restart",
    )

    def __init__(
        self, annotations: Sequence[PlacedAnnotation], settings: StopSettings, axis: Axis
    ) -> None:
        self._axis = axis
        found = []
        known: dict[str, str | None] = {}
        for annotation in annotations:
            text = annotation.text[:MOST_CHARS]
            if text not in known:
                known[text] = kind_of(text, settings)
            kind = known[text]
            if kind is not None:
                found.append((annotation.at, kind, annotation))
        found.sort(key=lambda f: f[0])
        self._found = found
        self._times = [f[0] for f in found]

    def between(self, start: int, end: int) -> dict[str, PlacedAnnotation]:
        """Kind -> the last annotation of that kind in ``[start, end]``."""
        low, high = bisect_left(self._times, start), bisect_right(self._times, end)
        return {kind: annotation for _, kind, annotation in self._found[low:high]}

    def quoted(self, annotation: PlacedAnnotation) -> str:
        """The annotation as it is told in evidence."""
        text = printable(annotation.text, 120)
        return f"the annotation '{text}' at {self._axis.iso(annotation.at)}"


def kind_of(text: str, settings: StopSettings) -> str | None:
    """The kind of an annotation's text, or ``None`` where it tells nothing of a stop."""
    for kind in Words.KINDS:
        pattern = _compiled(getattr(settings.patterns, kind))
        if pattern is not None and pattern.search(text):
            return kind
    return None
