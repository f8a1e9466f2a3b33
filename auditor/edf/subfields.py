"""Subfields of the patient and recording fields (EDF+ additional specifications 3 and 4)."""

from __future__ import annotations

import re
from datetime import date

from auditor.model import PatientField, RecordingField

_MONTHS = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]
_DATE = re.compile(r"(\d{2})-([A-Za-z]{3})-(\d{4})")


def _known(part: str) -> str | None:
    return None if part in ("", "X") else part.replace("_", " ")


def patient_subfields(text: str) -> PatientField:
    """Code, sex, birth date and name; all ``None`` where the field has not that form."""
    parts = text.split(" ")
    if len(parts) < 4 or parts[1] not in ("F", "M", "X"):
        return PatientField()
    birth = parts[2]
    if birth != "X" and subfield_date(birth) is None:
        return PatientField()
    return PatientField(_known(parts[0]), _known(parts[1]), _known(birth), _known(parts[3]))


def recording_subfields(text: str) -> RecordingField:
    """Start date, code, technician and equipment; all ``None`` without 'Startdate' in front."""
    parts = text.split(" ")
    if parts[0] != "Startdate":
        return RecordingField()
    padded = [*parts[1:5], "", "", "", ""]
    return RecordingField(*(_known(p) for p in padded[:4]))


def subfield_date(text: str) -> date | None:
    """The date of 'dd-MMM-yyyy' with an English month, ``None`` where it is none."""
    match = _DATE.fullmatch(text)
    if match is None or match.group(2).upper() not in _MONTHS:
        return None
    try:
        month = _MONTHS.index(match.group(2).upper()) + 1
        return date(int(match.group(3)), month, int(match.group(1)))
    except ValueError:
        return None
