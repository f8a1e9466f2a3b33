"""``audit.json``: names and meanings that outside scripts rely on. Add, never change."""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from itertools import islice
from typing import Any

from auditor.core.clock import Axis
from auditor.core.text import storable
from auditor.model import (
    Advice,
    Answer,
    Audit,
    Decision,
    Finding,
    InputUsed,
    Order,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    Reason,
    RuleLine,
    SecondReading,
    Since,
)
from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.facts import COVERAGE, FILE, HOUR, INTERVAL, SHORTFALL, SIGNAL, STOP
from auditor.outputs.data.keys import Object, Row, Rows
from auditor.outputs.data.thresholds import BILLING, MONITORING, VIDEO
from auditor.outputs.note import chart_note

SCHEMA_NAME = "coverage-audit/2"

POLICY: Object[PolicyUsed] = Object(
    "The policy in force.",
    (
        k.text("name", "Its name.", lambda p: p.name),
        k.sha256("sha256", "Checksum of its file.", lambda p: p.sha256),
        k.text("checked", "When its sources were last checked.", lambda p: p.checked),
    ),
)
TOOL: Object[Audit] = Object(
    "The program and its policy.",
    (
        k.text("version", "Version of the auditor.", lambda a: a.version),
        k.utc("generated_utc", "When the audit was made.", lambda a: a.generated_utc),
        k.one("policy", "The policy in force.", lambda a: a.policy, POLICY),
        k.flag("redacted", "Whether identifiers were withheld.", lambda a: a.redacted),
    ),
)
STUDY: Object[Audit] = Object(
    "Which study this is.",
    (
        k.text("study_id?", "The order's study id.", lambda a: a.study_id),
        k.text("patient_code?", "The order's patient code, else the one that all counted files "
               "carry.", lambda a: a.patient_code),
        k.text("recorder?", "The equipment that the headers name.", lambda a: a.recorder),
        k.text("timezone?", "IANA name of the patient's zone; null: stamps as they stand.",
               lambda a: a.study.axis.zone),
        k.text("name", "Name of the study's folder.", lambda a: a.study.name),
    ),
)  # fmt: skip
INPUT: Object[InputUsed] = Object(
    "A file that decided something beside the recordings.",
    (
        k.word("kind", "What it is.", lambda i: i.kind,
               w.words("order", "monitoring", "video", "policy")),
        k.text("name", "Its name.", lambda i: i.name),
        k.sha256("sha256", "Checksum of its bytes.", lambda i: i.sha256),
    ),
)  # fmt: skip


def _ordered(audit: Audit) -> Order:
    assert audit.order is not None
    return audit.order


ORDER: Object[Audit] = Object(
    "The order.",
    (
        k.duration("ordered_s", "Ordered time.", lambda a: _ordered(a).ordered_ns),
        k.text("source", "Where the order came from.", lambda a: _ordered(a).source),
        k.time("hookup?", "The stated hook-up.", lambda a: a.hookup),
        k.time("planned_end?", "Planned start plus the ordered time.", lambda a: a.planned_end),
        k.flag("video?", "Whether video was ordered; null: the order does not say.",
               lambda a: _ordered(a).video),
        k.word("monitoring?", "Ordered level of monitoring; null: the order does not say.",
               lambda a: _ordered(a).monitoring, w.LEVELS),
        k.count("minimum_channels?", "EEG channels with signal that the order asks for; null: the "
                "policy's share of the recorded montage.",
                lambda a: _ordered(a).minimum_channels),
        k.flag("still_recording", "Whether the study goes on.",
               lambda a: _ordered(a).still_recording),
        k.word("reports?", "How the physician reports; null: not known.",
               lambda a: _ordered(a).reports, w.words("daily", "end")),
        k.text("patient_code?", "The order's patient code.", lambda a: _ordered(a).patient_code),
    ),
)  # fmt: skip

POWER: Object[PowerPlan] = Object(
    "Whether the power that the order names lasts, by the lab's own figures.",
    (
        k.duration("lasts_s", "How long it lasts.", lambda p: p.lasts_ns),
        k.duration("ordered_s", "Ordered time.", lambda p: p.ordered_ns),
        k.duration(
            "reserve_s?", "What the policy wants left over; null: nothing.", lambda p: p.reserve_ns
        ),
        k.flag("enough", "Whether it lasts with that reserve.", lambda p: p.enough),
        k.text("comparison", "How that fits the measured end.", lambda p: p.comparison),
        k.texts("would_last", "Set-ups that would last.", lambda p: p.would_last),
        k.texts("advice", "What to do.", lambda p: p.advice),
        k.texts("cautions", "What to heed.", lambda p: p.cautions),
    ),
)  # fmt: skip
ADVICE: Object[Advice] = Object(
    "One thing to change at the next hook-up.",
    (
        k.text("text", "What.", lambda a: a.text),
        k.text("evidence", "What shows the need.", lambda a: a.evidence),
    ),
)
REASON: Object[Reason] = Object(
    "One reason for the outcome.",
    (
        k.word("code", "Which.", lambda r: r.code, w.ANY_REASON),
        k.text("text", "In a sentence with the figure.", lambda r: r.text),
        k.word("question?", "The answer it bears on.", lambda r: r.question, w.QUESTIONS),
    ),
)
ANSWER: Object[Answer] = Object(
    "One of the four answers.",
    (
        k.word("question", "Which.", lambda a: a.question, w.QUESTIONS),
        k.word("state", "The answer.", lambda a: a.state, w.STATES),
        k.text("text", "The reason and the figure, in a sentence.", lambda a: a.text),
    ),
)
DECISION: Object[Decision] = Object(
    "What the files suggest. People decide.",
    (
        k.word("outcome", "The worst of the four answers.", lambda d: d.outcome, w.OUTCOMES),
        k.text("headline", "The reason that decided.", lambda d: d.headline),
        k.many("reasons", "Every reason, the one that decided first.", lambda d: d.reasons, REASON),
        k.duration("needed_s?", "Ordered time still needed; 0 beside complete, null without an "
                   "order.", lambda d: d.needed_ns),
        k.many("answers", "The four answers.", lambda d: d.answers, ANSWER),
    ),
)  # fmt: skip
NOTE: Object[Audit] = Object(
    "The chart note.",
    (k.text("text", "One paragraph without codes or judgement of the EEG.", chart_note),),
)
PERSON: Object[PersonDecision] = Object(
    "What a person decided; append-only.",
    (
        k.text("outcome", "What.", lambda d: d.outcome),
        k.text("by", "Who, as written.", lambda d: d.by),
        k.utc("at", "When.", lambda d: d.recorded_utc),
        k.text("note", "The note, as written.", lambda d: d.note),
        k.flag("made_on_this_audit", "Whether the person saw these numbers.",
               lambda d: d.made_on_this_audit),
    ),
)  # fmt: skip
SINCE: Object[Since] = Object(
    "What a study that goes on has gained since its last audit.",
    (
        k.utc("audited_utc", "When that audit was made.", lambda s: s.audited_utc),
        k.duration("recorded_s", "Counted time more than then; below 0 for less.",
                   lambda s: s.recorded_ns),
        k.number("files", "Counted files more than then.", lambda s: s.files),
    ),
)  # fmt: skip
SECOND: Object[SecondReading] = Object(
    "What another library says of one file. It never changes the outcome.",
    (
        k.text("file", "The file.", lambda r: r.file),
        k.text("library", "The library.", lambda r: r.library),
        k.text("version", "Its version.", lambda r: r.version),
        k.duration("recorded_s?", "Recorded time as it says; null: it refused the file.",
                   lambda r: r.recorded_ns),
        k.flag("agrees?", "Whether that is what we say; null: it refused the file.",
               lambda r: r.agrees),
        k.text("note", "What differs, and which fact of the file explains it.", lambda r: r.note),
        k.civil("start?", "The start as it says.", lambda r: r.start_civil_ns),
        k.count("records?", "Data records as it says.", lambda r: r.records),
    ),
)  # fmt: skip
FINDING: Object[Finding] = Object(
    "One thing that a person should know.",
    (
        k.word("code", "Which.", lambda f: f.code, w.CODES),
        k.word("severity", "How grave.", lambda f: f.severity, w.SEVERITIES),
        k.text("where", "The file and place, or the subject.", lambda f: f.where),
        k.text("text", "What it is, and what it does to the numbers.", lambda f: f.text),
        k.text("expected", "What was to be expected.", lambda f: f.expected),
        k.text("observed", "What is there.", lambda f: f.observed),
        k.text("action", "What to do.", lambda f: f.action),
        k.text("file?", "The file's name.", lambda f: f.file),
        k.duration("other_recorded_s?", "The study's recorded time under the other interpretation "
                   "of the files, where two are possible.", lambda f: f.other_recorded_ns),
        k.one("span?", "Where it lies in time.", lambda f: f.span, INTERVAL),
        k.word("question?", "The answer that it turns from yes to look; null: nobody need act.",
               lambda f: f.question, w.QUESTIONS),
    ),
)  # fmt: skip
ANNOTATION: Object[PlacedAnnotation] = Object(
    "An annotation of a counted file.",
    (
        k.time("at", "When.", lambda a: a.at),
        k.duration("duration_s?", "How long; null: not stated.", lambda a: a.duration_ns),
        k.text("text", "As written.", lambda a: a.text),
        k.text("file", "The file that holds it.", lambda a: a.file),
        k.flag("in_recording", "Whether something was recorded there.", lambda a: a.in_recording),
    ),
)
RULE: Object[RuleLine] = Object(
    "One threshold in force.",
    (
        k.text("subject", "What.", lambda r: r.subject),
        k.text("value", "Its value in words.", lambda r: r.value),
        k.text("source", "Where it comes from.", lambda r: r.source),
        k.text("mark", "How sure that is.", lambda r: r.mark),
        k.text("checked", "When it was last checked.", lambda r: r.checked),
    ),
)
AUDIT: Object[Audit] = Object(
    "Facts measured from the files of one returned study. Keys may be added; names and meanings "
    "stay.",
    (
        k.word("schema", "This schema.", lambda _: SCHEMA_NAME, w.words(SCHEMA_NAME)),
        k.one("tool", "The program and its policy.", lambda a: a, TOOL),
        k.one("study", "Which study.", lambda a: a, STUDY),
        k.many("inputs", "Order, logs and policy that were used.", lambda a: a.inputs, INPUT),
        k.one("order?", "The order; null: none.", lambda a: a if a.order else None, ORDER),
        k.many("files", "Every recording.", lambda a: (*a.study.files, *a.study.unreadable), FILE),
        k.one("coverage", "What was recorded.", lambda a: a, COVERAGE),
        k.one("shortfall?", "What is missing of the order; null without one.",
              lambda a: a.shortfall, SHORTFALL),
        k.one("stop", "How it ended.", lambda a: a.stop, STOP),
        k.one("signal", "What can be read.", lambda a: a, SIGNAL),
        k.many("hours", "Civil clock hours of the span; here also where the samples were not "
               "looked at.", lambda a: a.hours, HOUR),
        k.one("monitoring?", "Checks; null where neither ordered nor logged.",
              lambda a: a.monitoring, MONITORING),
        k.one("video?", "Video; null without a log.",
              lambda a: (a.video, a.coverage) if a.video else None, VIDEO),
        k.one("billing?", "Thresholds met; null without an order or codes.", lambda a: a.billing,
              BILLING),
        k.one("power?", "The power plan; null where none is ordered.", lambda a: a.power, POWER),
        k.many("next_hookup", "What to change at the next hook-up.", lambda a: a.next_hookup,
               ADVICE),
        k.one("decision", "Four answers and the outcome.", lambda a: a.decision, DECISION),
        k.one("note", "The chart note.", lambda a: a, NOTE),
        k.one("since?", "What came since the last audit; null unless the study goes on and has "
              "one.", lambda a: a.since, SINCE),
        k.many("persons", "What people decided.", lambda a: a.person_decisions, PERSON),
        k.many("second_readers", "What other libraries say.", lambda a: a.second_readers, SECOND),
        k.many("findings", "Everything found, gravest first.", lambda a: a.findings, FINDING),
        k.many("annotations", "Annotations in time order.", lambda a: a.annotations, ANNOTATION),
        k.many("rules", "Thresholds in force.", lambda a: a.rules, RULE),
        k.texts("cautions", "The usual cautions.", lambda a: a.cautions),
    ),
)  # fmt: skip


def document(audit: Audit) -> Row:
    """The audit as plain JSON values."""
    return AUDIT.row(audit, audit.study.axis)


def schema() -> Row:
    """The JSON Schema (draft 2020-12) of ``audit.json``, every key and code with its meaning."""
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "EEG study coverage audit",
        **AUDIT.schema(),
    }


def person_rows(decisions: Iterable[PersonDecision]) -> list[Row]:
    """``persons`` as ``audit.json`` holds them."""
    return list(PERSON.rows(decisions, Axis()))


def json_text(audit: Audit) -> str:
    """``audit.json``: valid UTF-8 always, keys in a fixed order, one trailing newline."""
    return "".join(json_pieces(audit))


def json_pieces(audit: Audit) -> Iterator[str]:
    """``json_text`` in pieces, one after another.

    The rows of a long list stand one a line and are made a few at a time, so a study with many
    interruptions takes little memory.
    """
    return _storable(_pieces(AUDIT.row(audit, audit.study.axis, lazy=True), "", _ENCODER.encode))


def plain_text(document: Row) -> str:
    """The text of ``audit.json`` that holds ``document``."""
    return "".join(_storable(_pieces(document, "", _ENCODER.encode)))


_ENCODER = json.JSONEncoder(ensure_ascii=False, allow_nan=False)
_PIECE = 64


def _storable(pieces: Iterator[str]) -> Iterator[str]:
    # A lone surrogate can stand in a string only, where a backslash is written twice.
    while some := "".join(islice(pieces, _PIECE)):
        yield storable(some, backslash=r"\\")
    yield "\n"


def _pieces(value: Any, indent: str, encode: Callable[[Any], str]) -> Iterator[str]:
    inner = f"{indent} "
    if isinstance(value, dict):
        mark = "{"
        for key, held in value.items():
            yield f"{mark}\n{inner}{encode(key)}: "
            yield from _pieces(held, inner, encode)
            mark = ","
        yield f"\n{indent}}}"
    elif isinstance(value, list | tuple | Rows):
        mark = "["
        for row in _lines(value, encode, f",\n{inner}"):
            yield f"{mark}\n{inner}"
            yield from row
            mark = ","
        yield "[]" if mark == "[" else f"\n{indent}]"
    else:
        yield encode(value)


def _lines(
    value: Sequence[Any] | Rows[Any], encode: Callable[[Any], str], joint: str
) -> Iterator[Iterable[str]]:
    """Rows of a list as JSON text, each on one line, in pieces; many at once by their ``joint``."""
    if not isinstance(value, Rows):
        return ((encode(row),) for row in value)
    if value.of.flat:
        return ((text,) for text in value.texts(encode, joint))
    rows = (value.of.row(one, value.axis, lazy=True) for one in value.values)
    return (_line(row, encode) for row in rows)


def _line(value: Any, encode: Callable[[Any], str]) -> Iterator[str]:
    if isinstance(value, dict):
        mark = "{"
        for key, held in value.items():
            yield f"{mark}{encode(key)}: "
            yield from _line(held, encode)
            mark = ", "
        yield "}" if value else "{}"
    elif isinstance(value, Rows):
        mark = "["
        for row in _lines(value, encode, ", "):
            yield mark
            yield from row
            mark = ", "
        yield "[]" if mark == "[" else "]"
    else:
        yield encode(value)
