"""``audit.json``: names and meanings that outside scripts rely on. Add, never change."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from types import GeneratorType
from typing import Any

import msgspec

from auditor.core.clock import Axis
from auditor.model import Audit, PersonDecision
from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.facts import COVERAGE, FILE, HOUR, INTERVAL, SHORTFALL, SIGNAL, STOP
from auditor.outputs.data.keys import Object, Row
from auditor.outputs.data.thresholds import BILLING, MONITORING, VIDEO
from auditor.outputs.note import chart_note

SCHEMA_NAME = "coverage-audit/2"

POLICY = Object(
    "The policy in force.",
    k.text("name", "Its name."),
    k.sha256("sha256", "Checksum of its file."),
    k.text("checked", "When its sources were last checked."),
)
TOOL = Object(
    "The program and its policy.",
    k.text("version", "Version of the auditor."),
    k.utc("generated_utc", "When the audit was made."),
    k.one("policy", "The policy in force.", POLICY),
    k.flag("redacted", "Whether identifiers were withheld."),
)
STUDY = Object(
    "Which study this is.",
    k.text("study_id?", "The order's study id."),
    k.text("patient_code?", "The order's patient code, else the one that all counted files carry."),
    k.text("recorder?", "The equipment that the headers name."),
    k.text("timezone?", "IANA name of the patient's zone; null: stamps as they stand.",
           "study.axis.zone"),
    k.text("name", "Name of the study's folder.", "study.name"),
)  # fmt: skip
INPUT = Object(
    "A file that decided something beside the recordings.",
    k.word("kind", "What it is.", w.words("order", "monitoring", "video", "policy")),
    k.text("name", "Its name."),
    k.sha256("sha256", "Checksum of its bytes."),
)
ORDER = Object(
    "The order.",
    k.duration("ordered_s", "Ordered time.", "order.ordered_ns"),
    k.text("source", "Where the order came from.", "order.source"),
    k.time("hookup?", "The stated hook-up."),
    k.time("planned_end?", "Planned start plus the ordered time."),
    k.flag("video?", "Whether video was ordered; null: the order does not say.", "order.video"),
    k.word("monitoring?", "Ordered level of monitoring; null: the order does not say.", w.LEVELS,
           "order.monitoring"),
    k.count("minimum_channels?", "EEG channels with signal that the order asks for; null: the "
            "policy's share of the recorded montage.", "order.minimum_channels"),
    k.flag("still_recording", "Whether the study goes on.", "order.still_recording"),
    k.word("reports?", "How the physician reports; null: not known.", w.words("daily", "end"),
           "order.reports"),
    k.text("patient_code?", "The order's patient code.", "order.patient_code"),
)  # fmt: skip
POWER = Object(
    "Whether the power that the order names lasts, by the lab's own figures.",
    k.duration("lasts_s", "How long it lasts."),
    k.duration("ordered_s", "Ordered time."),
    k.duration("reserve_s?", "What the policy wants left over; null: nothing."),
    k.flag("enough", "Whether it lasts with that reserve."),
    k.text("comparison", "How that fits the measured end."),
    k.texts("would_last", "Set-ups that would last."),
    k.texts("advice", "What to do."),
    k.texts("cautions", "What to heed."),
)
ADVICE = Object(
    "One thing to change at the next hook-up.",
    k.text("text", "What."),
    k.text("evidence", "What shows the need."),
)
REASON = Object(
    "One reason for the outcome.",
    k.word("code", "Which.", w.ANY_REASON),
    k.text("text", "In a sentence with the figure."),
    k.word("question?", "The answer it bears on.", w.QUESTIONS),
)
ANSWER = Object(
    "One of the four answers.",
    k.word("question", "Which.", w.QUESTIONS),
    k.word("state", "The answer.", w.STATES),
    k.text("text", "The reason and the figure, in a sentence."),
)
DECISION = Object(
    "What the files suggest. People decide.",
    k.word("outcome", "The worst of the four answers.", w.OUTCOMES),
    k.text("headline", "The reason that decided."),
    k.many("reasons", "Every reason, the one that decided first.", REASON),
    k.duration("needed_s?", "Ordered time still needed; 0 beside complete, null without an order."),
    k.many("answers", "The four answers.", ANSWER),
)
NOTE = Object(
    "The chart note.",
    k.text("text", "One paragraph without codes or judgement of the EEG.", chart_note),
)
PERSON = Object(
    "What a person decided; append-only.",
    k.text("outcome", "What."),
    k.text("by", "Who, as written."),
    k.utc("at", "When.", "recorded_utc"),
    k.text("note", "The note, as written."),
    k.flag("made_on_this_audit", "Whether the person saw these numbers."),
)
SINCE = Object(
    "What a study that goes on has gained since its last audit.",
    k.utc("audited_utc", "When that audit was made."),
    k.signed("recorded_s", "Counted time more than then; below 0 for less."),
    k.number("files", "Counted files more than then."),
)
SECOND = Object(
    "What another library says of one file. It never changes the outcome.",
    k.text("file", "The file."),
    k.text("library", "The library."),
    k.text("version", "Its version."),
    k.duration("recorded_s?", "Recorded time as it says; null: it refused the file."),
    k.flag("agrees?", "Whether that is what we say; null: it refused the file."),
    k.text("note", "What differs, and which fact of the file explains it."),
    k.civil("start?", "The start as it says.", "start_civil_ns"),
    k.count("records?", "Data records as it says."),
)
FINDING = Object(
    "One thing that a person should know.",
    k.word("code", "Which.", w.CODES),
    k.word("severity", "How grave.", w.SEVERITIES),
    k.text("where", "The file and place, or the subject."),
    k.text("text", "What it is, and what it does to the numbers."),
    k.text("expected", "What was to be expected."),
    k.text("observed", "What is there."),
    k.text("action", "What to do."),
    k.text("file?", "The file's name."),
    k.duration("other_recorded_s?", "The study's recorded time under the other interpretation of "
               "the files, where two are possible."),
    k.one("span?", "Where it lies in time.", INTERVAL),
    k.word("question?", "The answer that it turns from yes to look; null: nobody need act.",
           w.QUESTIONS),
)  # fmt: skip
ANNOTATION = Object(
    "An annotation of a counted file.",
    k.time("at", "When."),
    k.duration("duration_s?", "How long; null: not stated."),
    k.text("text", "As written."),
    k.text("file", "The file that holds it."),
    k.flag("in_recording", "Whether something was recorded there."),
)
RULE = Object(
    "One threshold in force.",
    k.text("subject", "What."),
    k.text("value", "Its value in words."),
    k.text("source", "Where it comes from."),
    k.text("mark", "How sure that is."),
    k.text("checked", "When it was last checked."),
)
AUDIT = Object(
    "Facts measured from the files of one returned study. Keys may be added; names and "
    "meanings stay.",
    k.word("schema", "This schema.", w.words(SCHEMA_NAME), lambda _: SCHEMA_NAME),
    k.one("tool", "The program and its policy.", TOOL, lambda a: a),
    k.one("study", "Which study.", STUDY, lambda a: a),
    k.many("inputs", "Order, logs and policy that were used.", INPUT),
    k.one("order?", "The order; null: none.", ORDER, lambda a: a if a.order else None),
    k.many("files", "Every recording.", FILE, lambda a: (*a.study.files, *a.study.unreadable)),
    k.one("coverage", "What was recorded.", COVERAGE, lambda a: a),
    k.one("shortfall?", "What is missing of the order; null without one.", SHORTFALL),
    k.one("stop", "How it ended.", STOP),
    k.one("signal", "What can be read.", SIGNAL, lambda a: a),
    k.many("hours", "Civil clock hours of the span; here also where the samples were not looked "
           "at.", HOUR),
    k.one("monitoring?", "Checks; null where neither ordered nor logged.", MONITORING),
    k.one("video?", "Video; null without a log.", VIDEO, lambda a: a if a.video else None),
    k.one("billing?", "Thresholds met; null without an order or codes.", BILLING),
    k.one("power?", "The power plan; null where none is ordered.", POWER),
    k.many("next_hookup", "What to change at the next hook-up.", ADVICE),
    k.one("decision", "Four answers and the outcome.", DECISION),
    k.one("note", "The chart note.", NOTE, lambda a: a),
    k.one("since?", "What came since the last audit; null unless the study goes on and has one.",
          SINCE),
    k.many("persons", "What people decided.", PERSON, "person_decisions"),
    k.many("second_readers", "What other libraries say.", SECOND),
    k.many("findings", "Everything found, gravest first.", FINDING),
    k.many("annotations", "Annotations in time order.", ANNOTATION),
    k.many("rules", "Thresholds in force.", RULE),
    k.texts("cautions", "The usual cautions."),
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


def json_pieces(audit: Audit) -> Iterator[str]:
    """``audit.json`` in pieces: valid UTF-8 always, keys in a fixed order, one trailing newline.

    The rows of a long list stand one a line and are made a few at a time, so a study with many
    interruptions takes little memory.
    """
    return _pieces(AUDIT.row(audit, audit.study.axis, k.made_later), "")


def plain_text(document: Row) -> str:
    """The text of ``audit.json`` that holds ``document``."""
    return "".join(_pieces(document, ""))


def _pieces(value: Any, indent: str, *, inline: bool = False) -> Iterator[str]:
    """``value`` as JSON text in pieces; keys and rows of lists on a line each, or ``inline``."""
    keyed = isinstance(value, dict)
    opens, closes = ("{", "}") if keyed else ("[", "]")
    mark, between = opens if inline else f"{opens}\n{indent} ", ", " if inline else f",\n{indent} "
    empty = True
    for key, held in value.items() if keyed else (("", row) for row in value):
        begin, mark, empty = f"{mark}{_encode(key)}: " if keyed else mark, between, False
        kind = type(held)
        if keyed and (kind is GeneratorType or (kind in (dict, list) and not inline)):
            yield begin
            yield from _pieces(held, f"{indent} ", inline=inline)
        elif kind is dict and GeneratorType in map(type, held.values()):
            yield begin
            yield from _pieces(held, indent, inline=True)
        else:
            yield f"{begin}{_encode(held)}"
    yield f"{opens}{closes}" if empty else closes if inline else f"\n{indent}{closes}"
    if not indent:
        yield "\n"


_encoder = msgspec.json.Encoder(enc_hook=list)  # of lists that are made while they are written


def _encode(value: Any) -> str:
    return msgspec.json.format(_encoder.encode(value), indent=0).decode()
