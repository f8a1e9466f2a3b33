"""The chart note: facts that a technologist would paste, and no code. All data are invented."""

from __future__ import annotations

import re

import helpers_audit as h
import pytest
from msgspec.structs import replace

from auditor.core.durations import hms
from auditor.core.units import HOUR
from auditor.model import PlacedAnnotation
from auditor.outputs.note import chart_note


def test_the_note_says_when_where_how_much_and_by_whom() -> None:
    audit = h.normal()
    note = chart_note(audit)
    assert "Study S-2041, patient code P-2041, recorder N-3." in note
    assert "EEG recorded Tue 2 Mar 2027 09:32:00 to Fri 5 Mar 2027" in note
    assert "(local time, America/Denver)" in note
    assert f"{hms(audit.coverage.recorded_ns)} of 72:00:00 ordered" in note
    assert "2 interruptions, 1:47:00 in all: Wed 3 Mar 2027 05:32:00 to 05:49:00 (0:17:00, " in note
    assert "before the planned end (Fri 5 Mar 2027 09:30:00), " in note
    assert "EEG T4 off from Wed 3 Mar 2027 15:44:00 to the end" in note
    assert "documented checks by RT-4, longest interval" in note
    assert "1 push-button event" in note
    assert "Set aside, not counted: 1 file" in note


def test_an_uneventful_study_says_so() -> None:
    note = chart_note(h.complete())
    assert "No interruption." in note
    assert "Ended as ordered." in note
    assert "Set aside" not in note


@pytest.mark.parametrize("scenario", ["normal", "complete", "no_order", "signal_off", "two_copies"])
def test_the_note_holds_no_code_one_line_and_one_style_of_a_date(scenario: str) -> None:
    note = chart_note(h.SCENARIOS[scenario]())
    assert not re.search(r"\b95\d{3}\b", note)
    assert "\n" not in note
    assert note.endswith(".")
    assert not re.search(r"\d{4}-\d\d-\d\d", note)
    assert re.search(r"[A-Z][a-z]{2} \d+ [A-Z][a-z]{2} \d{4} \d\d:\d\d:\d\d", note)


def test_without_a_zone_the_times_are_as_stamped_and_without_an_order_nothing_is_compared() -> None:
    note = chart_note(h.no_order())
    assert "(local time as stamped)" in note
    assert "ordered" not in note


def test_a_study_that_goes_on_has_no_end() -> None:
    audit = h.normal()
    note = chart_note(replace(audit, stop=replace(audit.stop, kind="so_far")))
    assert "The recording goes on." in note
    assert "planned end" not in note


def test_many_interruptions_are_counted_and_the_longest_named() -> None:
    audit = h.many_gaps(gaps=100)
    note = chart_note(audit)
    assert "100 interruptions" in note
    assert "the longest 6: " in note
    assert len(note) < 2000


def test_hostile_names_stay_short_and_printable() -> None:
    note = chart_note(h.hostile())
    assert note.isprintable()
    assert len(note) < 3000


def test_a_button_of_the_recorder_is_no_event_of_the_patient() -> None:
    audit = h.complete()
    at = audit.coverage.first_start + HOUR
    said = [PlacedAnnotation(at + i, None, text, "a.edf", True)
            for i, text in enumerate(["Push button", "event button", "Recording stop button"])]  # fmt: skip
    assert "2 push-button events" in chart_note(replace(audit, annotations=tuple(said)))
