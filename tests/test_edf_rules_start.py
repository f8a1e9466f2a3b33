"""A start date or time that breaks a rule of EDF+ is found, and no hour is lost by it.

Rules 11 to 13. Source: EDF+ specification (edfplus.info/specs/edfplus.html), section 2.1.3.
"""

from __future__ import annotations

import pytest
from helpers_edf import edf
from helpers_edf_source import codes, finding, read, seconds

from auditor.core.clock import iso

# Rule 11: years (EDF+ 2.1.3 no. 2).


@pytest.mark.parametrize(
    ("field", "recording_field", "start"),
    [("31.12.85", "X", "1985"), ("01.01.99", "X", "1999"), ("01.01.00", "X", "2000"), ("31.12.84", "X", "2084"),
     ("01.01.yy", "Startdate 01-JAN-2085 X X X", "2085"), ("01.01.yy", "Startdate 01-JAN-2190 X X X", "2190")],
)  # fmt: skip
def test_11_two_digit_years_begin_in_1985(field: str, recording_field: str, start: str) -> None:
    recording = read(edf(records=1, plain=True, start_date=field, recording=recording_field))
    assert iso(recording.start_civil_ns)[:4] == start
    assert recording.findings == ()


def test_11_yy_without_a_date_in_the_recording_field_has_no_start() -> None:
    recording = read(edf(records=1, plain=True, start_date="01.01.yy", recording="X"))
    assert not recording.start_known
    assert seconds(recording) == [0]


# Rule 12: the recording and patient fields (EDF+ 2.1.3 no. 3 and 4).


def test_12_two_dates_that_disagree_are_told_with_both() -> None:
    recording = read(edf(onsets=[0], start_date="03.02.27"))
    found = finding(recording, "start_date_conflict")
    assert (found.expected, found.observed) == ("2027-03-02", "2027-02-03")
    assert iso(recording.start_civil_ns) == "2027-03-02T09:30:00"


@pytest.mark.parametrize(
    "text", ["02-MRZ-2027", "2-MAR-2027", "30-FEB-2027", "02-MAR-27", "02-MAR-9999", "02.03.2027"]
)
def test_12_a_date_that_is_none_gives_way_to_the_two_digit_field(text: str) -> None:
    recording = read(edf(onsets=[0], recording=f"Startdate {text} X X X"))
    assert finding(recording, "recording_date_unreadable").severity == "caution"
    assert iso(recording.start_civil_ns) == "2027-03-02T09:30:00"


def test_12_a_name_in_the_place_of_the_date_is_not_quoted() -> None:
    recording = read(edf(onsets=[0], recording="Startdate Harry_Example X X X"))
    assert "Harry" not in repr(recording.findings)
    assert finding(recording, "recording_date_unreadable").observed == "no date"


@pytest.mark.parametrize("text", ["", "31.02.27", "00.00.00", "2.3.2027", "aa.bb.cc", "20270302"])
def test_12_a_date_field_that_is_none_gives_way_to_the_recording_field(text: str) -> None:
    recording = read(edf(onsets=[0], fields={"start date": text}))
    found = finding(recording, "start_date_unreadable")
    assert (found.severity, found.observed) == ("caution", text[:8])
    assert iso(recording.start_civil_ns) == "2027-03-02T09:30:00"
    assert recording.start_known
    without = read(edf(onsets=[0, 1], fields={"start date": text}, recording="X"))
    assert not without.start_known
    assert without.records == 2


@pytest.mark.parametrize("text", ["02/03/27", "02-03-27", "2.3.27", "02:03:27"])
def test_12_a_date_in_another_form_is_read_and_told(text: str) -> None:
    recording = read(edf(records=1, plain=True, fields={"start date": text}, recording="X"))
    assert codes(recording) == ["header_form"]
    assert iso(recording.start_civil_ns) == "2027-03-02T09:30:00"


@pytest.mark.parametrize(
    ("patient", "recording"),
    [
        ("Patient 7", "Startdate 02-MAR-2027 X X X"),
        ("X X X X", "Long-term EEG"),
        ("P-1 W X X", "Startdate 02-MAR-2027 X X X"),
        ("P-1 F 1951 X", "Startdate 02-MAR-2027 X X X"),
    ],
)
def test_12_missing_subfields_are_mentioned_without_their_text(
    patient: str, recording: str
) -> None:
    found = finding(
        read(edf(onsets=[0], patient=patient, recording=recording)), "subfields_missing"
    )
    assert found.severity == "info"
    assert "Patient 7" not in repr(found)


# Rule 13: the start time (EDF+ 2.1.3 no. 8: local time, no zone).


@pytest.mark.parametrize(
    "text", ["", "24.00.00", "09.60.00", "09.30.60", "09.30Z", "9h30", "aa.bb.cc"]
)
def test_13_a_start_time_that_is_none_is_a_problem_and_loses_no_hour(text: str) -> None:
    recording = read(edf(onsets=[0, 1], fields={"start time": text}))
    found = finding(recording, "start_time_unreadable")
    assert (found.severity, found.observed) == ("problem", text)
    assert iso(recording.start_civil_ns) == "2027-03-02T00:00:00"
    assert seconds(recording) == [0, 1]


@pytest.mark.parametrize("text", ["09:30:00", "9.30.00", "09-30-00"])
def test_13_a_start_time_in_another_form_is_read_and_told(text: str) -> None:
    recording = read(edf(onsets=[0], fields={"start time": text}))
    assert codes(recording) == ["header_form"]
    assert iso(recording.start_civil_ns) == "2027-03-02T09:30:00"
