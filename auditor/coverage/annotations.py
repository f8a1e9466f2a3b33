"""Every file's annotations on the study axis, and by their text: what a technologist counts."""

from __future__ import annotations

import re
from collections.abc import Iterable

import numpy as np
from msgspec import Struct

from auditor.core.text import LOOKED_AT, Own, printable, quantity
from auditor.core.units import NS
from auditor.model import Coverage, Finding, PlacedAnnotation, Study, finding


def place_annotations(
    study: Study, coverage: Coverage
) -> tuple[tuple[PlacedAnnotation, ...], tuple[Finding, ...]]:
    """The annotations of all counted files in time order, and what is odd about them.

    The same text at the same second in another copy is the same event and is given once, from the
    copy whose name comes first. An onset that leaves the calendar was dropped by the reader.
    """
    placed: list[PlacedAnnotation] = []
    seen: dict[tuple[str, int], str] = {}
    findings: list[Finding] = []
    for file in sorted(study.counted, key=lambda f: f.copy or ""):
        recording = file.recording
        if recording.annotations_total > len(recording.annotations):
            findings.append(
                finding(
                    "annotations_beyond_limit",
                    printable(recording.name),
                    file=recording.name,
                    total=recording.annotations_total,
                    kept=len(recording.annotations),
                )
            )
        for note in recording.annotations:
            at = file.map.instant(note.onset_ns)
            if _known_from_another_copy(seen, note.text, at, file.copy or ""):
                continue
            placed.append(
                PlacedAnnotation(at, note.duration_ns, note.text, recording.name,
                                 _inside(coverage, at))
            )  # fmt: skip
    placed.sort(key=lambda a: (a.at, a.file, a.text))
    outside = [a for a in placed if not a.in_recording]
    if outside:
        verb = Own("lies" if len(outside) == 1 else "lie")
        findings.append(
            finding(
                "annotation_outside_recording",
                printable(outside[0].file),
                outside=len(outside),
                total=quantity(len(placed), "annotation"),
                verb=verb,
                first=Own(study.axis.said(outside[0].at)),
            )
        )
    return tuple(placed), tuple(findings)


def _known_from_another_copy(
    seen: dict[tuple[str, int], str], text: str, at: int, copy: str
) -> bool:
    second = at // NS
    for near in (second - 1, second, second + 1):
        if seen.get((text, near), copy) != copy:
            return True
    seen.setdefault((text, second), copy)
    return False


def _inside(coverage: Coverage, at: int) -> bool:
    index = int(np.searchsorted(coverage.union_starts, at, side="right")) - 1
    return index >= 0 and at < int(coverage.union_ends[index])


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
