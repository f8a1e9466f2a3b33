"""Codes of findings on what other libraries say. None of them bears on an answer."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

SecondReadersCode = Literal[
    "second_reader_disagrees", "second_reader_no_answer", "second_reader_skipped"
]

CODES: dict[SecondReadersCode, Entry] = {
    "second_reader_disagrees": Entry(
        meaning="Another library reads a file differently, or not at all, and no fact that this "
        "audit found of the file explains it",
        text="The library {library} differs from this audit, and nothing that the audit found of "
        "the file explains it. {note} The audit's numbers are its own and stand on the file's "
        "bytes.",
        expected="the same recorded time, start and number of records, to one sample",
        action="Where this file decides the outcome, have a person who knows the format look at "
        "it, and keep it.",
    ),
    "second_reader_no_answer": Entry(
        meaning="Another library crashed on a file or took too long with it",
        text="The library {library} could not check this file. {note} The audit's numbers do not "
        "rest on it.",
        action="Nothing to do; copy the file again if other findings doubt it.",
    ),
    "second_reader_skipped": Entry(
        "info",
        meaning="Files were not given to the second readers",
        text="Not given to the second readers: {count} (first of them: {files}); {reasons}. The "
        "audit's numbers do not rest on them.",
    ),
}
