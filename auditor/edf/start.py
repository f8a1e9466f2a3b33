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
    if match is None:
        _note_date(claim, notes)
        return None
    day, mark, month, year = match.groups()
    if year == "yy":  # past 2084 the date stands in the recording field alone
        return None
    try:
        found = date(full_year(int(year)), int(month), int(day))
    except ValueError:
        _note_date(claim, notes)
        return None
    if mark != "." or len(claim.start_date) != 8:
        _note_form(notes, "start date", 168, claim.start_date, "dd.mm.yy")
    return found


def _time_field(claim: HeaderClaim, notes: Notes) -> time:
    match = _PARTS.fullmatch(claim.start_time)
    if match is not None and match.group(4) != "yy":
        hours, mark, minutes, seconds = match.groups()
        try:
            found = time(int(hours), int(minutes), int(seconds))
        except ValueError:
            pass
        else:
            if mark != "." or len(claim.start_time) != 8:
                _note_form(notes, "start time", 176, claim.start_time, "hh.mm.ss")
            return found
    notes.add(
        "start_time_unreadable",
        at="field 'start time' (byte 176)",
        start_time=printable(claim.start_time),
    )
    return time(0)


def _note_date(claim: HeaderClaim, notes: Notes) -> None:
    notes.add(
        "start_date_unreadable",
        at="field 'start date' (byte 168)",
        start_date=printable(claim.start_date),
    )


def _note_form(notes: Notes, field: str, offset: int, observed: str, expected: str) -> None:
    notes.add(
        "start_stamp_form",
        at=f"field '{field}' (byte {offset})",
        field=field,
        expected=expected,
        observed=printable(observed),
    )
