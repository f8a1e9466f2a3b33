"""Codes of findings on what other libraries say."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

SecondReadersCode = Literal[
    "second_reader_disagrees",
    "second_reader_no_answer",
    "second_reader_skipped",
]

CODES: dict[SecondReadersCode, Entry] = {
    "second_reader_disagrees": Entry(
        "caution",
        meaning="Another library reads a file differently and no known reason fits.",
    ),
    "second_reader_no_answer": Entry(
        "caution",
        meaning="Another library crashed on a file or took too long with it.",
    ),
    "second_reader_skipped": Entry(
        "caution",
        meaning="Files were not given to the second readers.",
    ),
}
