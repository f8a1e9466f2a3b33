"""Weighing what speaks for and against a cause. No cause is certain; 'not known' is an answer."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

NOT_KNOWN = "not_known"


@dataclass(frozen=True, slots=True)
class Clue:
    """One thing seen that speaks for ``cause`` (``weight`` above 0) or against it (below).

    1 fits it, 2 points to it, 3 shows it by itself. With weight 0 it only tells what was looked at.
    """

    cause: str
    weight: int
    text: str


def note(text: str) -> Clue:
    """A clue that decides nothing, told where no cause is known."""
    return Clue(NOT_KNOWN, 0, text)


@dataclass(frozen=True, slots=True)
class Verdict:
    """The likeliest cause, the confidence in it, and everything for and against it."""

    cause: str
    confidence: str
    evidence: tuple[str, ...]
    against: tuple[str, ...]


def weigh(clues: Iterable[Clue], order: Sequence[str]) -> Verdict:
    """The cause with the greatest sum of weights; of equals the one that stands first in ``order``.

    A sum of 3 gives high, 2 moderate and 1 low confidence; one step less where another cause has
    the same sum. Without a sum above 0 the cause is not known.
    """
    clues = tuple(clues)
    sums: dict[str, int] = {}
    for clue in clues:
        sums[clue.cause] = sums.get(clue.cause, 0) + clue.weight
    sums.pop(NOT_KNOWN, None)
    best = max(sums, key=lambda c: (sums[c], -order.index(c)), default=NOT_KNOWN)
    if sums.get(best, 0) <= 0:
        return Verdict(NOT_KNOWN, "none", (), tuple(dict.fromkeys(map(_told, clues))))
    rivals = [c for c in sums if c != best and sums[c] == sums[best]]
    step = min(sums[best], 3) - bool(rivals)
    confidence = ("low", "low", "moderate", "high")[step]
    evidence = tuple(c.text for c in clues if c.cause == best and c.weight > 0)
    against = [c.text for c in clues if c.cause == best and c.weight < 0]
    against += [_told(c) for c in clues if c.cause not in (best, NOT_KNOWN) and c.weight > 0]
    against += [c.text for c in clues if c.cause == NOT_KNOWN]
    # One thing seen may speak for two causes; it is told once.
    return Verdict(best, confidence, evidence, tuple(dict.fromkeys(against)))


def _told(clue: Clue) -> str:
    if clue.cause == NOT_KNOWN or clue.weight <= 0:
        return clue.text
    return f"Would also fit {clue.cause.replace('_', ' ')}: {clue.text}"
