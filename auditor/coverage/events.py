"""Annotations by their text, those of the patient first: what a technologist counts."""

from __future__ import annotations

import re
from collections.abc import Iterable

from msgspec import Struct

from auditor.core.text import LOOKED_AT
from auditor.model import PlacedAnnotation

_PATIENT = re.compile(
    r"push[\s_-]?button|\b(event|patient|pt|alarm|seizure)[\s_-]?(button|marker|mark|event|press)"
    r"|\bbutton[\s_-]?(press|push|event)|\bpressed (the )?(event |push )?button|\bdiary\b",
    re.IGNORECASE,
)
"""What recorders and technologists call an event that the patient or a caregiver marked (common
practice, no source)."""
_RECORDER = re.compile(r"\b(stop|start|power|on/off|record(ing)?|reset)\b", re.IGNORECASE)
"""A button of the recorder itself marks no event of the patient."""


class EventGroup(Struct, frozen=True):
    """Annotations of one text, upper and lower case and white space aside, in time order.

    ``text`` is as first written (untrusted). ``patient`` tells those that the patient or a
    caregiver marked.
    """

    text: str
    patient: bool
    annotations: tuple[PlacedAnnotation, ...]


def by_patient(text: str) -> bool:
    """Whether an annotation's text tells of an event that the patient or a caregiver marked."""
    text = text[:LOOKED_AT]
    return bool(_PATIENT.search(text)) and not _RECORDER.search(text)


def grouped(annotations: Iterable[PlacedAnnotation]) -> tuple[EventGroup, ...]:
    """``annotations`` by text: the patient's first, then the most frequent, then by time."""
    groups: dict[str, list[PlacedAnnotation]] = {}
    for annotation in annotations:
        groups.setdefault(" ".join(annotation.text.casefold().split()), []).append(annotation)
    found = [EventGroup(g[0].text, by_patient(g[0].text), tuple(g)) for g in groups.values()]
    return tuple(
        sorted(found, key=lambda g: (not g.patient, -len(g.annotations), g.annotations[0].at))
    )
