"""Codes of findings on annotations and the timeline."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

CoverageCode = Literal[
    "annotation_outside_recording",
    "annotations_beyond_limit",
]

CODES: dict[CoverageCode, Entry] = {
    "annotation_outside_recording": Entry(
        "info",
        meaning="Annotations whose time lies in a gap, before the first record or after the "
        "last; they are kept.",
    ),
    "annotations_beyond_limit": Entry(
        "caution",
        meaning="A file holds more annotations than are kept; all were counted.",
    ),
}
