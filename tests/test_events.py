"""Annotations by their text: the patient's events first, then the others with their counts."""

from __future__ import annotations

import pytest

from auditor.core.text import LOOKED_AT
from auditor.core.units import NS
from auditor.coverage.annotations import by_patient, grouped
from auditor.model import PlacedAnnotation


def at(second: int, text: str) -> PlacedAnnotation:
    return PlacedAnnotation(second * NS, None, text, "a.edf", True)


@pytest.mark.parametrize(
    ("text", "patient"),
    [
        ("Patient Event", True),
        ("PUSH BUTTON", True),
        ("push-button", True),
        ("Event marker", True),
        ("pt event: felt odd", True),
        ("Pressed the button", True),
        ("Stop button pressed", False),
        ("Power button pushed", False),
        ("Impedance check", False),
        ("Recording stopped by patient", False),
        ("", False),
        ("x" * (LOOKED_AT - 11) + "push button", True),
        ("x" * (LOOKED_AT - 10) + "push button", False),
        ("x" * 5000 + "push button", False),
    ],
)
def test_a_patients_event_is_told_by_its_words(text: str, patient: bool) -> None:
    # Common practice, no source: words as technologists and recorders write them.
    assert by_patient(text) is patient


def test_sixty_events_come_before_140_checks_and_each_text_is_one_line() -> None:
    every = [at(i * 10, "Impedance check") for i in range(140)]
    every += [at(i * 20 + 5, ("Patient event", "PATIENT  EVENT")[i % 2]) for i in range(60)]
    every += [at(3, "lights off")]
    groups = grouped(sorted(every, key=lambda a: a.at))
    assert [(g.text, g.patient, len(g.annotations)) for g in groups] == [
        ("Patient event", True, 60),
        ("Impedance check", False, 140),
        ("lights off", False, 1),
    ]
    assert groups[0].annotations[0].at == 5 * NS
