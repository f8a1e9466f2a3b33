"""Dates and times as people write them, with every way in which each can be read.

Nothing is guessed here: 5/3/2027 has two readings, and whoever knows the recording's time decides.
"""

from __future__ import annotations

import re
from datetime import date, datetime
from typing import Literal

from msgspec import Struct

from auditor.core.clock import MONTHS, STUDY_YEARS, civil_ns, full_year
from auditor.core.units import HOUR, MINUTE, NS

DateOrder = Literal["day_first", "month_first", "year_first"]
ORDERS: tuple[DateOrder, ...] = ("day_first", "month_first", "year_first")
_LONGEST = 60
_WEEKDAY = re.compile(
    r"(mon|tues?|wed(nes)?|thu(rs?)?|fri|sat(ur)?|sun)(day)?[.,]?\s+", re.IGNORECASE
)
_DATE = (
    r"(?P<date>\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{8}|\d{1,2}(?P<sep>[-/.])\d{1,2}(?P=sep)\d{2,4}"
    r"|\d{1,2}(?:st|nd|rd|th)?[\s.-]{0,3}[A-Za-z]{3,9}[\s.,-]{1,3}\d{2,4}"
    r"|[A-Za-z]{3,9}[\s.-]{1,3}\d{1,2}(?:st|nd|rd|th)?[\s.,-]{1,3}\d{2,4})"
)
_TIME = (
    r"(?P<h>\d{1,2})(?::(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?)?"
    r"(?:\s?(?P<half>[AaPp])\.?\s?[Mm]\.?)?|(?P<hhmm>\d{4})(?:\s?(?:h|hrs?))?"
)
_OFFSET = r"(?:\s?(?P<zone>Z|[+-]\d{2}:?\d{2}))?"
_DATE_TIME = re.compile(rf"{_DATE}(?:(?:[T ,;]|\s)\s{{0,3}}(?:at\s)?(?:{_TIME}){_OFFSET})?")
_TIME_DATE = re.compile(rf"(?:{_TIME})(?:[ ,;]|\s)\s{{0,3}}(?:on\s)?{_DATE}")
_ONLY_TIME = re.compile(rf"(?:{_TIME}){_OFFSET}")


class Stamp(Struct, frozen=True):
    """One date and time. ``dates`` are its possible dates with the order of day, month and year.

    The order is ``None`` where the date can be read in only one way. Without ``dates`` it is a time
    of day alone, without ``clock_ns`` a date alone. ``offset_ns`` is that from UTC, where written.
    """

    dates: tuple[tuple[DateOrder | None, date], ...]
    clock_ns: int | None
    offset_ns: int | None = None

    def midnight(self, order: DateOrder | None) -> int | None:
        """Civil midnight of the date read in ``order``; ``None`` where it has no such reading."""
        for own, day in self.dates:
            if own is None or own == order:
                return _midnight(day)
        return None

    def civil_readings(self) -> tuple[int, ...]:
        """Every civil time that it can be, for a date with a time; distinct, in order."""
        if self.clock_ns is None:
            return ()
        return tuple(sorted({_midnight(day) + self.clock_ns for _, day in self.dates}))


def _midnight(day: date) -> int:
    return civil_ns(datetime(day.year, day.month, day.day))


def read_stamp(text: str, beside: str = "") -> Stamp:
    """``text`` as a date and time, a date or a time; ``beside`` is the cell of a date column.

    Raises ``ValueError`` with what is wrong, where it is none.
    """
    shown = " ".join(text.split())
    if not shown and not beside.strip():
        raise ValueError("holds no time")
    if len(shown) > _LONGEST:
        raise ValueError("is no time that can be read")
    shown = _WEEKDAY.sub("", shown, count=1)
    found = _DATE_TIME.fullmatch(shown) or _TIME_DATE.fullmatch(shown)
    if found is None and shown:
        found = _ONLY_TIME.fullmatch(shown)
        if found is None:
            raise ValueError("is no time that can be read")
        if found["h"] and not found["m"] and not found["half"]:
            raise ValueError("is no time that can be read")
    groups = found.groupdict() if found is not None else {}
    dates = _dates(groups["date"]) if groups.get("date") else ()
    if not dates and beside.strip():
        alone = _DATE_TIME.fullmatch(_WEEKDAY.sub("", " ".join(beside.split())[:_LONGEST]))
        if alone is None:
            raise ValueError("stands beside a date that cannot be read")
        dates = _dates(alone["date"])
    return Stamp(dates, _clock(groups), _offset(groups.get("zone")))


def _clock(groups: dict[str, str | None]) -> int | None:
    whole = groups.get("hhmm")
    if whole:
        hours, minutes, seconds = int(whole[:2]), int(whole[2:]), 0
    elif groups.get("h"):
        hours, minutes, seconds = (int(groups.get(key) or 0) for key in ("h", "m", "s"))
    else:
        return None
    half = groups.get("half")
    if half:
        if not 1 <= hours <= 12:
            raise ValueError("is no time of day: AM and PM go with 1 to 12")
        hours = hours % 12 + (12 if half in "Pp" else 0)
    if hours > 23 or minutes > 59 or seconds > 59:
        raise ValueError("is no time of day from 00:00:00 to 23:59:59")
    fraction = int((groups.get("f") or "0").ljust(9, "0"))
    return hours * HOUR + minutes * MINUTE + seconds * NS + fraction


def _offset(text: str | None) -> int | None:
    if not text or text == "Z":
        return 0 if text else None
    digits = text[1:].replace(":", "")
    offset = int(digits[:2]) * HOUR + int(digits[2:]) * MINUTE
    if offset > 18 * HOUR:
        raise ValueError("has no believable offset from UTC")
    return -offset if text[0] == "-" else offset


def _dates(text: str) -> tuple[tuple[DateOrder | None, date], ...]:
    parts = re.findall(r"\d+|[A-Za-z]+", re.sub(r"(?<=\d)(st|nd|rd|th)\b", "", text))
    if len(parts) == 1:  # 20270302
        parts = [text[:4], text[4:6], text[6:]]
    a, b, c = parts
    ways: list[tuple[DateOrder | None, str, str, str]]
    if b.isalpha():
        ways = [(None, c, b, a)]
    elif a.isalpha():
        ways = [(None, c, a, b)]
    elif len(a) == 4:
        ways = [(None, a, b, c)]
    else:
        ways = [("day_first", c, b, a), ("month_first", c, a, b)]
        ways += [("year_first", a, b, c)] if len(c) == 2 else []
    days = [(order, _day(year, month, day)) for order, year, month, day in ways]
    found = tuple((order, day) for order, day in days if day and day.year in STUDY_YEARS)
    if not found:
        raise ValueError("is no date of the calendar")
    if len({day for _, day in found}) == 1 and len(found) > 1:
        return ((None, found[0][1]),)  # 05/05: day and month are the same
    return found


def _day(year: str, month: str, day: str) -> date | None:
    if not (year.isdigit() and day.isdigit()) or len(year) == 3:
        return None
    if month.isalpha():
        start = month.lower()
        named = [i for i, name in enumerate(MONTHS, 1) if name.lower().startswith(start)]
        month = str(named[0]) if len(named) == 1 else "0"
    try:
        return date(full_year(int(year)) if len(year) <= 2 else int(year), int(month), int(day))
    except ValueError:
        return None
