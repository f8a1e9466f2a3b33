"""The study axis: civil stamps to instants and back, in integer nanoseconds.

An EDF header holds local time at the patient and no zone (EDF+ specification, item 8). With a
zone, instants are UTC and elapsed time is absolute; without one, stamps are taken as they stand.
Zone rules come from the IANA database (zoneinfo); no calendar arithmetic of our own.
"""

from __future__ import annotations

import difflib
import os
from collections.abc import Iterable, Iterator, Sequence
from datetime import UTC, datetime, timedelta, timezone
from zoneinfo import ZoneInfo, ZoneInfoNotFoundError, available_timezones

from msgspec import Struct

from auditor.core.errors import SettingsError
from auditor.core.fields import Ours
from auditor.core.units import HOUR, MINUTE, NS

_EPOCH = datetime(1970, 1, 1)
_MAX_S = (datetime(9999, 12, 30) - _EPOCH).days * 86_400
_MIN_S = (datetime(1, 1, 3) - _EPOCH).days * 86_400


def civil_ns(moment: datetime, extra_ns: int = 0) -> int:
    """Nanoseconds from 1970-01-01T00:00:00 to ``moment`` (naive), plus ``extra_ns``."""
    delta = moment.replace(tzinfo=None, fold=0) - _EPOCH
    return (delta.days * 86_400 + delta.seconds) * NS + delta.microseconds * 1000 + extra_ns


def civil_datetime(ns: int) -> datetime:
    """The naive datetime of a civil ``ns``, rounded down to the microsecond.

    Raises ``OverflowError`` outside the years 1 to 9999.
    """
    return _EPOCH + timedelta(seconds=ns // NS, microseconds=ns % NS // 1000)


def iso(ns: int) -> str:
    """ISO 8601 text of a civil ``ns``: no fraction, or 3, 6 or 9 digits as needed; exact."""
    text = civil_datetime(ns).replace(microsecond=0).isoformat()
    fraction = ns % NS
    if not fraction:
        return text
    digits = f"{fraction:09d}"
    while digits.endswith("000"):
        digits = digits[:-3]
    return f"{text}.{digits}"


def isos(times: Iterable[int]) -> list[str]:
    """``iso`` of each of many civil ``times``; the hour is written anew where it changes."""
    texts: list[str] = []
    begin = end = 0
    head = ""
    for ns in times:
        if not begin <= ns < end:
            begin = ns - ns % HOUR
            end, head = begin + HOUR, iso(begin)[:-5]
        second, fraction = divmod(ns - begin, NS)
        texts.append(iso(ns) if fraction else head + _WITHIN_HOUR[second])
    return texts


_WITHIN_HOUR = tuple(f"{second // 60:02d}:{second % 60:02d}" for second in range(3600))
_DAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
MONTHS = (
    "January", "February", "March", "April", "May", "June", "July", "August", "September",
    "October", "November", "December",
)  # fmt: skip


def day_text(ns: int) -> str:
    """'Tue 2 Mar 2027': the day of a civil ``ns`` as every output for people writes it."""
    at = civil_datetime(ns)
    return f"{_DAYS[at.weekday()]} {at.day} {MONTHS[at.month - 1][:3]} {at.year}"


def time_text(ns: int) -> str:
    """'Tue 2 Mar 2027 09:30:00': a civil ``ns``, the second rounded down, for people to read."""
    return f"{day_text(ns)} {civil_datetime(ns):%H:%M:%S}"


class Axis(Struct, frozen=True):
    """Converts between civil time at the patient and instants on the study axis.

    ``zone`` is an IANA name, or ``None`` where no zone is known: then instant and civil time are
    the same number.
    """

    zone: Ours | None = None

    def __post_init__(self) -> None:
        if self.zone is not None:
            zone_info(self.zone)

    def readings(self, civil: int) -> tuple[int, ...]:
        """Every instant that shows ``civil`` on the patient's clock, in time order.

        One as a rule; two in the hour that daylight saving repeats. In the hour that it skips no
        clock shows ``civil``: the one reading returned continues the offset before the change
        (PEP 495, fold=0).
        """
        if self.zone is None:
            return (civil,)
        moment, rest = civil_datetime(civil - civil % NS), civil % NS
        zone = zone_info(self.zone)
        instants = []
        for fold in (0, 1):
            offset = moment.replace(tzinfo=zone, fold=fold).utcoffset()
            assert offset is not None
            instants.append(civil_ns(moment - offset, rest))
        valid = sorted({i for i in instants if self.civil(i) == civil})
        return tuple(valid) if valid else (instants[0],)

    def exists(self, civil: int) -> bool:
        """Whether any clock in the zone ever shows ``civil``."""
        return self.civil(self.readings(civil)[0]) == civil

    def instant(self, civil: int, near: int | None = None) -> int:
        """The instant of ``civil``; of two readings the one nearest ``near``, else the first."""
        readings = self.readings(civil)
        if near is None:
            return readings[0]
        return min(readings, key=lambda r: abs(r - near))

    def civil(self, instant: int) -> int:
        """The civil time that the patient's clock shows at ``instant``."""
        if self.zone is None:
            return instant
        return instant + self.offset(instant)

    def offset(self, instant: int) -> int:
        """Civil time less UTC at ``instant``, in nanoseconds; 0 without a zone."""
        if self.zone is None:
            return 0
        moment = civil_datetime(instant - instant % NS).replace(tzinfo=UTC)
        offset = moment.astimezone(zone_info(self.zone)).utcoffset()
        assert offset is not None
        return (offset.days * 86_400 + offset.seconds) * NS + offset.microseconds * 1000

    def iso(self, instant: int) -> str:
        """Civil time of ``instant`` as ISO 8601 without offset."""
        return iso(self.civil(instant))

    def isos(self, instants: Sequence[int]) -> list[str]:
        """``iso`` of each of many ``instants``; the zone is asked once for each hour of them."""
        return isos(instants if self.zone is None else self._civils(instants))

    def _civils(self, instants: Iterable[int]) -> Iterator[int]:
        offsets: dict[int, int | None] = {}
        for instant in instants:
            hour = instant // HOUR
            if hour not in offsets:
                # A zone changes its clock once in an hour at most.
                first, last = self.offset(hour * HOUR), self.offset((hour + 1) * HOUR - 1)
                offsets[hour] = first if first == last else None
            offset = offsets[hour]
            yield self.civil(instant) if offset is None else instant + offset

    def said(self, instant: int) -> str:
        """The civil time of ``instant`` for people to read; see ``time_text``."""
        return time_text(self.civil(instant))


_ZONES: dict[str, ZoneInfo | timezone] = {"UTC": UTC}


def zone_info(name: str) -> ZoneInfo | timezone:
    """The zone of an IANA ``name``.

    Raises ``SettingsError`` where the database has none of that name.
    """
    found = _ZONES.get(name)
    if found is None:
        try:
            found = _ZONES[name] = ZoneInfo(name)
        except (ZoneInfoNotFoundError, ValueError, OSError) as error:
            near = near_zones(name)
            raise SettingsError(
                f"time zone {name[:60]!r}",
                "the IANA time zone database has no zone of this name",
                f"Is {' or '.join(near)} meant?"
                if near
                else 'Write a name such as "America/Denver" or "Europe/Vienna".',
            ) from error
    return found


def near_zones(name: str) -> list[str]:
    """Up to three names of zones that look like ``name`` or end in it as their town."""
    every = sorted(available_timezones())
    wanted = name[:60].strip().lower().replace(" ", "_")
    towns = [zone for zone in every if "/" in zone and zone.lower().endswith(f"/{wanted}")]
    lower = {zone.lower(): zone for zone in every}
    near = difflib.get_close_matches(wanted, list(lower), 3, 0.75)
    return list(dict.fromkeys([*towns, *(lower[zone] for zone in near)]))[:3]


def full_year(two_digits: int) -> int:
    """The year of a start date field: 85-99 are 1985-1999, 00-84 are 2000-2084.

    Source: EDF+ specification, additional specifications, item 2.
    """
    return two_digits + (1900 if two_digits >= 85 else 2000)


FIRST_START, LAST_START = civil_ns(datetime(1985, 1, 1)), civil_ns(datetime(2084, 12, 31, 23, 59))
"""The first and the last minute that such a field can state, as civil nanoseconds."""
STUDY_YEARS = range(1900, 2201)
"""Years of a start that are taken; nanoseconds in 64 bits end in 2262."""


def in_calendar(civil: int) -> bool:
    """Whether ``civil`` lies within the years that a calendar date can show here."""
    return _MIN_S * NS <= civil <= _MAX_S * NS


def hour_apart(ns: int) -> bool:
    """Whether ``ns`` is an hour, forward or back, as summer time or a wrong zone sets a clock off.

    People set clocks and write times down to the minute (common practice, no source).
    """
    return abs(abs(ns) - HOUR) <= 2 * MINUTE


def now_utc() -> str:
    """The time of making: SOURCE_DATE_EPOCH (seconds) where set, else the clock's."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    moment = datetime.fromtimestamp(int(fixed), UTC) if fixed.isdecimal() else datetime.now(UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")
