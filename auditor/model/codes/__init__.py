"""The catalogue: every code that an audit uses, once, with severity, meaning and words.

A check yields code, where and values; ``finding`` makes the sentence. Codes are literals, so the
type checker knows them; ``tests/test_codes.py`` finds one that is declared twice or never used.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.intervals import Interval
from auditor.model.codes import billing, coverage, edf, inputs, second_readers, signal, study
from auditor.model.codes.causes import CAUSES, CauseCode, Rank
from auditor.model.codes.decision import REASONS, ReasonCode
from auditor.model.codes.entry import SEVERITIES, Entry, Question, Severity
from auditor.model.codes.study import SET_ASIDE, SetAsideCode

FindingCode = (
    billing.BillingCode
    | coverage.CoverageCode
    | edf.EdfCode
    | inputs.InputsCode
    | signal.SignalCode
    | study.StudyCode
    | second_readers.SecondReadersCode
)
Value = int | str | tuple[str, ...]
"""What a template may be filled with. A ``core.text.Own`` is text of this program; any other
text comes from files, orders or people, and is withheld from a redacted audit."""


_ROOMS: tuple[Mapping[Any, Entry], ...] = (
    billing.CODES, coverage.CODES, edf.CODES, inputs.CODES, signal.CODES, study.CODES,
    second_readers.CODES,
)  # fmt: skip
FINDINGS: dict[FindingCode, Entry] = {code: e for room in _ROOMS for code, e in room.items()}
assert len(FINDINGS) == sum(map(len, _ROOMS)), "a code is declared twice"

__all__ = [
    "CAUSES", "FINDINGS", "REASONS", "SET_ASIDE", "SEVERITIES", "CauseCode", "Entry", "Finding",
    "FindingCode", "Question", "Rank", "ReasonCode", "SetAsideCode", "Severity", "Value",
    "finding", "worded",
]  # fmt: skip


class Finding(Struct, frozen=True):
    """One thing a person should know about the study; made by ``finding``.

    ``text`` is complete by itself: what it is, what it does to the numbers. ``action`` says what to
    do. A ``problem`` puts a number in doubt or says that recorded data are missing or
    untrustworthy. ``other_recorded_ns`` is the study's recorded time under the other reading of
    the files, where two are possible. ``form`` and ``values`` are what the texts were made from.
    """

    code: FindingCode
    severity: Severity
    where: str
    text: str
    expected: str = ""
    observed: str = ""
    action: str = ""
    file: str | None = None
    span: Interval | None = None
    other_recorded_ns: int | None = None
    form: str = ""
    values: tuple[tuple[str, Value], ...] = ()
    question: Question | None = None
    headline: str = ""


def finding(
    code: FindingCode,
    where: str = "",
    *,
    form: str = "",
    severity: Severity | None = None,
    file: str | None = None,
    span: Interval | None = None,
    other_recorded_ns: int | None = None,
    question: Question | None = None,
    **values: Value,
) -> Finding:
    """The finding ``code`` at ``where``, worded from its entry with ``values``.

    ``form`` chooses one of the entry's forms in place of ``text``; ``severity`` and ``question``
    replace the entry's. Raises ``KeyError`` where a template names a value that is not given.
    """
    return worded(
        Finding(
            code,
            severity or FINDINGS[code].severity,
            where,
            "",
            file=file,
            span=span,
            other_recorded_ns=other_recorded_ns,
            form=form,
            values=tuple(values.items()),
            question=question,
        )
    )


def worded(bare: Finding) -> Finding:
    """``bare`` with its texts made from its code, form and values."""
    entry = FINDINGS[bare.code]
    shown = {
        name: ", ".join(value) if isinstance(value, tuple) else value for name, value in bare.values
    }
    text = entry.forms[bare.form] if bare.form else entry.text
    return replace(
        bare,
        text=text.format_map(shown),
        expected=entry.expected.format_map(shown),
        observed=entry.observed.format_map(shown),
        action=entry.action.format_map(shown),
        question=bare.question
        or entry.question
        or ("files" if bare.severity == "problem" else None),
        headline=(entry.headline or text.partition(". ")[0].removesuffix(".")).format_map(shown),
    )
