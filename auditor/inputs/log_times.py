"""Times in a log's cells: ISO 8601 first, day-first dates and times of day only where they can be
read in one way."""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from auditor.core.clock import Axis, civil_ns, in_calendar
from auditor.core.errors import SettingsError
from auditor.core.text import printable
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.model import Interval
from auditor.policy.sourced import LogDates

_HALF_DAY = 12 * HOUR
_FAR = 366 * DAY
_TIME = (
    r"(?P<h>\d{1,2}):(?P<m>\d{2})(?::(?P<s>\d{2})(?:[.,](?P<f>\d{1,9}))?)?"
    r"(?:\s?(?P<half>[AaPp])\.?[Mm]\.?)?"
)
_ISO_DATE = r"(?P<y>\d{4})-(?P<mo>\d{2})-(?P<d>\d{2})"
_PARTS_DATE = r"(?P<a>\d{1,2})(?P<sep>[./-])(?P<b>\d{1,2})(?P=sep)(?P<y2>\d{4})"
_OFFSET = r"(?P<zone>Z|[+-]\d{2}:?\d{2})?"
_WHOLE = re.compile(rf"(?:(?:{_ISO_DATE}|{_PARTS_DATE})(?:[T ]\s*|,\s*))?{_TIME}\s*{_OFFSET}")
_ONLY_DATE = re.compile(rf"{_ISO_DATE}|{_PARTS_DATE}")

Order = Literal["day_first", "month_first"]


@dataclass(frozen=True, slots=True)
class Row:
    """One row: the file's name (untrusted), its line, and its cells by column name."""

    file: str
    line: int
    cells: Mapping[str, str]

    def get(self, column: str) -> str:
        """The cell of ``column``; empty where there is none."""
        return self.cells.get(column, "")


def fail(row: Row, column: str, problem: str, action: str) -> SettingsError:
    """The error for one cell, with row and column and the cell's text made harmless."""
    shown = printable(row.get(column).strip(), 60)
    value = f"{shown!r}" if shown else "the empty cell"
    where = f"{printable(row.file)} line {row.line}, column {column}"
    return SettingsError(where, f"{value} {problem}", action)


class LogClock:
    """Turns the cells of one log into instants, row by row in file order.

    The order of day and month is that of the whole log: one date that can be read in only one way
    tells it for all. A time of day alone stands on the civil date of the recording's start, and
    passes midnight where it goes back by at least half a day.
    """

    def __init__(
        self,
        axis: Axis,
        span: Interval,
        dates: LogDates,
        rows: Sequence[Row],
        columns: Sequence[str],
    ) -> None:
        self._axis = axis
        self._near = Interval(span.start - _FAR, span.end + _FAR)
        self._start_civil = axis.civil(span.start)
        self._last_civil: int | None = None
        self._last_instant: int | None = None
        names = (*columns, "date")
        self._order = _order_of_dates(rows, names) if dates == "ask" else dates

    def instant(self, row: Row, column: str) -> int:
        """The instant of one cell. Raises ``SettingsError`` where it can be read in two ways."""
        text = row.get(column).strip()
        if not text:
            raise fail(row, column, "holds no time", "Write the time, or remove the row.")
        found = _WHOLE.fullmatch(text)
        if found is None:
            raise fail(
                row,
                column,
                "is no time that can be read",
                "Write date and time as 2027-03-02T09:30:00, or the time alone as 09:30.",
            )
        clock = self._time_of_day(row, column, found)
        day = self._date(row, column, found)
        if found["zone"]:
            instant = self._with_offset(row, column, found["zone"], day, clock)
            civil = self._axis.civil(instant)
        else:
            civil = clock + (self._rolled(row, column, clock) if day is None else day)
            instant = self._placed(row, column, civil)
        if not self._near.start <= instant <= self._near.end:
            raise fail(
                row,
                column,
                "lies more than a year from this recording",
                "Correct the date, or name the log that belongs to this study.",
            )
        self._last_civil, self._last_instant = civil, instant
        return instant

    def _time_of_day(self, row: Row, column: str, found: re.Match[str]) -> int:
        hours, minutes, seconds = (int(found[k] or 0) for k in ("h", "m", "s"))
        if found["half"]:
            if not 1 <= hours <= 12:
                raise fail(row, column, "is no time of day", "Write 1 to 12 with AM or PM.")
            hours = hours % 12 + (12 if found["half"] in "Pp" else 0)
        if hours > 23 or minutes > 59 or seconds > 59:
            raise fail(row, column, "is no time of day", "Write it from 00:00:00 to 23:59:59.")
        fraction = int((found["f"] or "0").ljust(9, "0"))
        return hours * HOUR + minutes * MINUTE + seconds * NS + fraction

    def _date(self, row: Row, column: str, found: re.Match[str]) -> int | None:
        """Civil midnight of the cell's date, or of the row's ``date`` column; ``None`` without."""
        if found["y"] or found["y2"]:
            return self._midnight(row, column, found)
        text = row.get("date").strip()
        if not text:
            return None
        alone = _ONLY_DATE.fullmatch(text)
        if alone is None:
            raise fail(row, "date", "is no date that can be read", "Write it as 2027-03-02.")
        return self._midnight(row, "date", alone)

    def _midnight(self, row: Row, column: str, found: re.Match[str]) -> int:
        if found["y"]:
            year, month, day = int(found["y"]), int(found["mo"]), int(found["d"])
        else:
            a, b, year = int(found["a"]), int(found["b"]), int(found["y2"])
            if self._order is None and a != b:
                raise fail(
                    row,
                    column,
                    f"could be day {a} of month {b} or day {b} of month {a}, and no other row "
                    "tells",
                    "Write dates as 2027-03-02, or set log_dates in the policy to day_first or "
                    "month_first.",
                )
            day, month = (b, a) if self._order == "month_first" else (a, b)
        try:
            midnight = civil_ns(datetime(year, month, day))
        except ValueError:
            raise fail(row, column, "is no date of the calendar", "Correct it.") from None
        if not in_calendar(midnight):
            raise fail(row, column, "lies outside the years that can be shown", "Correct it.")
        return midnight

    def _rolled(self, row: Row, column: str, clock: int) -> int:
        """Civil midnight of the day on which a time of day alone lies."""
        if self._last_civil is None:
            today = self._start_civil - self._start_civil % DAY
            before = self._start_civil - (today + clock)
            if before <= 0:
                return today
            if before > _HALF_DAY:  # a log does not begin half a day before its recording
                return today + DAY
            raise fail(
                row,
                column,
                "is earlier in the day than the recording's start: it may lie before the start or "
                "on the next day",
                "Write the date of this row as well.",
            )
        today = self._last_civil - self._last_civil % DAY
        back = self._last_civil - (today + clock)
        if back <= 0:
            return today
        if back >= _HALF_DAY:
            return today + DAY
        raise fail(
            row,
            column,
            "is earlier than the time before it: the rows may be out of order or a day may have "
            "passed",
            "Write the date of this row as well, or put the rows in order.",
        )

    def _placed(self, row: Row, column: str, civil: int) -> int:
        """The instant of a civil time; in the hour that the clocks repeat, only where one reading
        follows the row before."""
        if not self._axis.exists(civil):
            raise fail(
                row,
                column,
                f"was never shown by a clock in {self._axis.zone}: the clocks were put forward",
                "Correct the time.",
            )
        readings = self._axis.readings(civil)
        if len(readings) > 1 and self._last_instant is not None:
            readings = tuple(r for r in readings if r >= (self._last_instant or r)) or readings
        if len(readings) > 1:
            raise fail(
                row,
                column,
                "came twice, since the clocks were put back",
                "Add the offset of the one that is meant, such as 01:30-06:00.",
            )
        return readings[0]

    def _with_offset(self, row: Row, column: str, zone: str, day: int | None, clock: int) -> int:
        if self._axis.zone is None:
            raise fail(
                row,
                column,
                "has an offset, and the study's time zone is not known",
                "Write civil time at the patient, or name the timezone in the order file.",
            )
        offset = 0
        if zone != "Z":
            digits = zone[1:].replace(":", "")
            offset = int(digits[:2]) * HOUR + int(digits[2:]) * MINUTE
            offset = -offset if zone[0] == "-" else offset
        civil = clock + (self._rolled(row, column, clock) if day is None else day)
        if abs(offset) > 18 * HOUR:
            raise fail(row, column, "has no believable offset", "Correct it.")
        return civil - offset


def _order_of_dates(rows: Sequence[Row], columns: Sequence[str]) -> Order | None:
    """The order of day and month that the log's own dates show, or ``None`` where none does.

    Raises ``SettingsError`` where one row can only be day first and another only month first.
    """
    shown: dict[Order, tuple[Row, str]] = {}
    for row in rows:
        for column in columns:
            found = re.match(_PARTS_DATE, row.get(column).strip())
            if found is None:
                continue
            a, b = int(found["a"]), int(found["b"])
            order: Order | None = "day_first" if a > 12 else "month_first" if b > 12 else None
            if order is None or (a > 12 and b > 12):
                continue
            shown.setdefault(order, (row, column))
            if len(shown) == 2:
                other = shown["day_first" if order == "month_first" else "month_first"][0]
                raise fail(
                    row,
                    column,
                    f"has day and month in another order than line {other.line}",
                    "Write every date as 2027-03-02.",
                )
    return next(iter(shown), None)
