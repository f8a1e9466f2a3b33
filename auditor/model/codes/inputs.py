"""Codes of findings on what was handed in: folders, checksums, orders, logs."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

InputsCode = Literal[
    "cannot_open",
    "changed_while_reading",
    "link_not_followed",
    "linked_twice",
    "not_read_to_the_end",
    "order_facts_missing",
    "remote_study",
    "too_many_files",
]

CODES: dict[InputsCode, Entry] = {
    "cannot_open": Entry(
        "problem",
        meaning="A file or folder that could not be opened or listed",
    ),
    "changed_while_reading": Entry(
        "problem",
        meaning="A file that changed, grew or vanished while it was read",
    ),
    "link_not_followed": Entry(
        "caution",
        meaning="A link in the folder that was not followed",
    ),
    "linked_twice": Entry(
        "info",
        meaning="One file under several names; it was read once",
    ),
    "not_read_to_the_end": Entry(
        "problem",
        meaning="A file whose bytes could not all be read",
    ),
    "order_facts_missing": Entry(
        "caution",
        meaning="The hospital's request leaves out facts that the audit could use.",
    ),
    "remote_study": Entry(
        "info",
        meaning="The study lies in remote storage; how many of its bytes were fetched",
    ),
    "too_many_files": Entry(
        "problem",
        meaning="More files than the limit; the rest were not looked at",
    ),
}
