"""Numbers of things in sentences."""

from __future__ import annotations


def quantity(
    count: int, noun: str, singular: str = "", plural: str = "", *, plural_noun: str = ""
) -> str:
    """'1 file carries', '3 files carry': a count, its noun and, where given, a verb to match.

    ``plural_noun`` where more than an s is added to ``noun``.
    """
    words = [str(count), noun if count == 1 else plural_noun or f"{noun}s"]
    verb = singular if count == 1 else plural
    return " ".join([*words, verb] if verb else words)
