"""When the header says that the recording started (civil time at the patient).

Sources: EDF specification (fields); EDF+ additional specifications 2 (years), 4 (recording field)
and 8 (local time).
"""

from __future__ import annotations

import re
from datetime import date, datetime, time

from auditor.core.clock import STUDY_YEARS, civil_ns, full_year
from auditor.core.text import Own, printable
from auditor.edf.header import subfield_date
from auditor.edf.notes import Notes
from auditor.model import HeaderClaim

_PARTS = re.compile(r"(\d{1,2})([.:/-])(\d{1,2})\2(\d{1,2}|yy)")


def start_civil_ns(claim: HeaderClaim, notes: Notes) -> int | None:
    """The header's start stamp as civil nanoseconds; ``None`` where no field holds a date.

    The date in the recording field beats the two-digit date field. Without a date the file has its
    length and no place in time.
    """
    stated = _recording_date(claim, notes)
    short = _date_field(claim, notes)
    day = stated or short
    if day is None:
        return None
    if stated and short and stated != short:
        notes.add(
            "start_date_conflict",
            at="fields 'recording' (byte 88) and 'start date' (byte 168)",
            stated=stated.isoformat(),
            short=short.isoformat(),
        )
    return civil_ns(datetime.combine(day, _time_field(claim, notes)))


def _recording_date(claim: HeaderClaim, notes: Notes) -> date | None:
    text = claim.recording_field.start_date
    if text is None:
        return None
    day = subfield_date(text)
    if day is None or day.year not in STUDY_YEARS:
        notes.add(
            "recording_date_unreadable",
            at="field 'recording' (byte 88)",
            text=text[:11] if text[:1].isdigit() else Own("no date"),
        )
        return None
    return day


def _date_field(claim: HeaderClaim, notes: Notes) -> date | None:
    match = _PARTS.fullmatch(claim.start_date)
    if match is not None and match.group(4) == "yy":
        return None  # past 2084 the date stands in the recording field alone
    try:
        if match is None:
            raise ValueError
        found = date(full_year(int(match.group(4))), int(match.group(3)), int(match.group(1)))
    except ValueError:
        notes.add(
            "start_date_unreadable",
            at="field 'start date' (byte 168)",
            start_date=printable(claim.start_date),
        )
        return None
    _check_form(notes, "start date", 168, claim.start_date)
    return found


def _time_field(claim: HeaderClaim, notes: Notes) -> time:
    match = _PARTS.fullmatch(claim.start_time)
    try:
        if match is None:
            raise ValueError
        found = time(int(match.group(1)), int(match.group(3)), int(match.group(4)))
    except ValueError:  # "yy" is none either
        notes.add(
            "start_time_unreadable",
            at="field 'start time' (byte 176)",
            start_time=printable(claim.start_time),
        )
        return time(0)
    _check_form(notes, "start time", 176, claim.start_time)
    return found


def _check_form(notes: Notes, field: str, byte: int, observed: str) -> None:
    if len(observed) != 8 or observed[2] != ".":
        notes.field("header_form", field, byte, observed)
