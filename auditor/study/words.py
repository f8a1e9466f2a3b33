"""Numbers of things in sentences."""

from __future__ import annotations


def quantity(count: int, noun: str, singular: str = "", plural: str = "") -> str:
    """'1 file carries', '3 files carry': a count, its noun and, where given, a verb to match."""
    words = [str(count), noun if count == 1 else f"{noun}s"]
    verb = singular if count == 1 else plural
    return " ".join([*words, verb] if verb else words)
