"""Codes of findings on annotations and the timeline."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

CoverageCode = Literal[
    "annotation_outside_recording",
    "annotations_beyond_limit",
    "interruptions_not_looked_at",
]

CODES: dict[CoverageCode, Entry] = {
    "annotation_outside_recording": Entry(
        "info",
        meaning="Annotations whose time lies in an interruption, before the first record or after "
        "the last; they are kept",
        text="{outside} of {total} {verb} where nothing was recorded (in an interruption, before "
        "the first record or after the last). They are kept and change no duration. The first is "
        "at {first}.",
        action="Read them beside the interruptions: they often say why the recording was off.",
    ),
    "annotations_beyond_limit": Entry(
        meaning="A file holds more annotations than are kept; all were counted",
        text="The file holds {total} annotations, of which the first {kept} are kept. No duration "
        "depends on them; stop and check annotations beyond the limit were not looked at.",
        action="Look whether the recorder wrote an event in a loop.",
    ),
    "interruptions_not_looked_at": Entry(
        "info",
        meaning="There are so many interruptions that those inside files were not looked at for a "
        "cause one by one",
        text="The recording has {total}: only those at which a file ends or begins were looked at "
        "for a cause, {left} were not. No duration depends on it.",
        expected="at most {most}",
        observed="{total}",
        action="Look whether the recorder writes records that do not join.",
    ),
}
