"""How values of the audit are written on the page. Formatting only: nothing is measured here."""

from __future__ import annotations

import re
from datetime import datetime
from functools import lru_cache

from markupsafe import Markup, escape

from auditor.core.clock import Axis, civil_ns, day_text, iso, time_text
from auditor.core.durations import exact_seconds, hms, in_words
from auditor.core.text import printable
from auditor.core.units import DAY

DASH = "–"

_STAMP = re.compile(r"\b\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(?=(\.\d+)?(?![\d.]|[+-]\d))")


def shown(value: object) -> object:
    """Every value on its way to the page: text without control or reordering characters.

    A sentence's ISO 8601 stamps are written as every other time of the page; texts from files
    stay as they are.
    """
    if isinstance(value, str) and not isinstance(value, Markup):
        return _written(value)
    return value


@lru_cache(maxsize=4096)  # most texts of a page are our own and come again on the next
def _written(text: str) -> Markup:
    return escape(_STAMP.sub(_restyled, printable(text)))


def _restyled(stamp: re.Match[str]) -> str:
    try:
        return time_text(civil_ns(datetime.fromisoformat(stamp.group())))
    except ValueError:
        return stamp.group()


def day(date: str) -> str:
    """'2027-03-02', a date of our own, as 'Tue 2 Mar 2027'."""
    return _together(day_text(civil_ns(datetime.fromisoformat(date))))


def utc(stamp: str) -> str:
    """'2027-03-02T09:30:00Z', a time of our own, as 'Tue 2 Mar 2027 09:30:00 UTC'."""
    return f"{shown(stamp.removesuffix('Z'))} UTC"


def clip(text: str, limit: int = 300) -> str:
    """``text`` or its beginning with how much was left out."""
    if len(text) <= limit:
        return text
    return f"{text[:limit]}… ({len(text) - limit} more characters)"


def untrusted(text: str, limit: int = 300) -> Markup:
    """Text from a file, set apart from the sentence's direction and cut to ``limit``."""
    return Markup("<bdi>{}</bdi>").format(printable(clip(text, limit)))


def recorded(ns: int | None) -> Markup | str:
    """``h:mm:ss`` rounded down, with the exact seconds; a dash for an unknown duration."""
    return DASH if ns is None else _data(ns, hms(ns))


def missing(ns: int | None) -> Markup | str:
    """``h:mm:ss`` rounded up, with the exact seconds; a dash for an unknown duration."""
    return DASH if ns is None else _data(ns, hms(ns, up=True))


def _data(ns: int, text: str) -> Markup:
    exact = exact_seconds(ns)
    zero = "" if ns else 'class="zero" '
    # Digits of our own: nothing to escape.
    return Markup(f'<data {zero}value="{exact}" title="exactly {exact} s">{text}</data>')  # noqa: S704


def whole_minutes(ns: int) -> int:
    """Whole minutes, rounded down."""
    return ns // 60_000_000_000


def percent(ppm: int) -> str:
    """A share in parts per million as percent, rounded down to a tenth."""
    return f"{ppm // 10_000}.{ppm // 1000 % 10} %"


def place(hundredths: int) -> str:
    """A position of the picture as a percentage: 1234 -> '12.34%'."""
    whole, rest = divmod(hundredths, 100)
    return f"{whole}.{rest:02d}".rstrip("0").rstrip(".") + "%"


def count(number: int, singular: str, plural: str | None = None) -> str:
    """'1 gap', '5,000 gaps', 'no gaps'."""
    many = plural or f"{singular}s"
    if number == 0:
        return f"no {many}"
    return f"{number:,} {singular if number == 1 else many}"


def size(number: int | None) -> str:
    """A number of bytes with thousands set apart."""
    return DASH if number is None else f"{number:,}"


def sentence(text: str) -> str:
    """``text`` with a capital at its beginning."""
    return text[:1].upper() + text[1:]


def signed(ns: int) -> str:
    """A clock difference in words: '0.75 s fast', '2 s slow', 'none'."""
    if ns == 0:
        return "none"
    return f"{in_words(abs(ns))} {'ahead' if ns > 0 else 'behind'}"


def drift(ppb: int) -> str:
    """A clock's rate against the reference in parts per million, from parts per 10^9."""
    if ppb == 0:
        return "none"
    whole, rest = divmod(abs(ppb), 1000)
    exact = f"{whole}.{rest:03d}".rstrip("0").rstrip(".")
    return f"{exact} ppm {'fast' if ppb > 0 else 'slow'}"


class Clock:
    """Writes instants of one study as civil time at the patient, in one style.

    ``undated`` is the first record of a study whose start is not known: its times are told as time
    after that record.
    """

    def __init__(self, axis: Axis, undated: int | None = None) -> None:
        self._axis = axis
        self._undated = undated

    def at(self, instant: int | None) -> Markup | str:
        """'Tue 2 Mar 2027 09:30:00'; a dash where it is not known."""
        if instant is None:
            return DASH
        if self._undated is not None:
            return self.plain(instant)
        title = civil = iso(self._axis.civil(instant))
        if self._axis.zone is not None:
            utc_ns = Axis().said(instant)
            title = f"{self.plain(instant)} ({utc_ns} UTC)"
        text = _together(self.plain(instant))  # a time of our own, as all here
        return Markup(f'<time datetime="{civil}" title="{title}">{text}</time>')  # noqa: S704

    def plain(self, instant: int) -> str:
        """The same without mark-up."""
        if self._undated is not None:
            return f"{hms(instant - self._undated)} after the start"
        return self._axis.said(instant)

    def day(self, instant: int) -> str:
        """'Tue 2 Mar 2027'."""
        if self._undated is not None:
            return self.weekday(instant)
        return _together(day_text(self._axis.civil(instant)))

    def time(self, instant: int) -> str:
        """'09:30:00', beside a date."""
        if self._undated is not None:
            return hms(instant - self._undated)
        return self.plain(instant)[-8:]

    def weekday(self, instant: int) -> str:
        """'Tue 2 Mar', for the pictures' axes; 'day 2' where no date is known."""
        if self._undated is not None:
            first = self._axis.civil(self._undated) // DAY
            return f"day {self._axis.civil(instant) // DAY - first + 1}"
        return _together(day_text(self._axis.civil(instant))[:-5])


def _together(text: str) -> str:
    """A date breaks only before its time of day."""
    day, gap, time = text.rpartition(" ") if ":" in text else (text, "", "")
    return day.replace(" ", "\N{NO-BREAK SPACE}") + gap + time
