"""Durations as text. Shown recorded time rounds down and missing time rounds up.

No shown number may cross a threshold: 11:59:59.9 recorded is shown as 11:59:59, and 0:00:00.1
missing as 0:00:01.
"""

from __future__ import annotations

from auditor.core.text import Own
from auditor.core.units import NS


def _whole(ns: int, up: bool) -> int:
    return -(-abs(ns) // NS) if up else abs(ns) // NS


def hms(ns: int, *, up: bool = False) -> Own:
    """``h:mm:ss`` of a duration, rounded down to the second, or up with ``up``; sign kept."""
    seconds = _whole(ns, up)
    sign = "-" if ns < 0 and seconds else ""
    return Own(f"{sign}{seconds // 3600}:{seconds // 60 % 60:02d}:{seconds % 60:02d}")


def clock(ns: int, *, up: bool = False) -> Own:
    """``m:ss`` of a duration under an hour, else ``h:mm:ss``; rounded as ``hms``."""
    shown = hms(ns, up=up)
    return Own(shown[2:].removeprefix("0")) if shown.startswith("0:") else shown


def seconds(ns: int) -> float:
    """Seconds as the double nearest to ``ns`` / 10^9 (exact to the nanosecond below 48 days)."""
    return ns / NS


def exact_seconds(ns: int) -> Own:
    """Seconds as decimal text without rounding, for tables that people check by hand."""
    whole, rest = divmod(abs(ns), NS)
    sign = "-" if ns < 0 else ""
    return Own(f"{sign}{whole}" + (f".{rest:09d}".rstrip("0") if rest else ""))


def in_words(ns: int, *, up: bool = False) -> Own:
    """A duration for a sentence: '47 h 12 min', '3 min 5 s', '0.25 s'; rounded as ``hms``."""
    if abs(ns) < NS and ns:
        return Own(f"{exact_seconds(ns)} s")
    total = _whole(ns, up)
    units = (total // 3600, "h"), (total // 60 % 60, "min"), (total % 60, "s")
    parts = [f"{count} {unit}" for count, unit in units if count]
    return Own(("-" if ns < 0 else "") + (" ".join(parts) or "0 s"))
