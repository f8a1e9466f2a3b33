"""The audit as JSON: the same facts, nothing computed here.

Names and meanings are relied on by outside scripts: add, never change.
"""

from __future__ import annotations

import io
import json

from auditor.core.clock import iso
from auditor.core.text import storable
from auditor.model import Audit
from auditor.outputs.data.billing_rows import (
    billing_row,
    monitoring_row,
    power_row,
    video_row,
)
from auditor.outputs.data.rows import Row, hour_row, optional_seconds
from auditor.outputs.data.study_rows import (
    cause_row,
    coverage_row,
    file_row,
    finding_row,
    order_row,
    shortfall_row,
    signal_row,
    unreadable_row,
)

SCHEMA_NAME = "coverage-audit/1"
_PPM = 1_000_000


def document(audit: Audit) -> Row:
    """The audit as plain JSON values, in the order of the published schema."""
    axis = audit.study.axis
    return {
        "schema": SCHEMA_NAME,
        "tool": {
            "version": audit.version,
            "generated_utc": audit.generated_utc,
            "policy": {
                "name": audit.policy.name,
                "sha256": audit.policy.sha256,
                "checked": audit.policy.checked,
            },
            "redacted": audit.redacted,
        },
        "study": {
            "study_id": audit.study_id,
            "patient_code": audit.patient_code,
            "recorder": audit.recorder,
            "timezone": axis.zone,
            "name": audit.study.name,
        },
        "order": order_row(audit, axis),
        "files": [file_row(f, axis) for f in audit.study.files]
        + [unreadable_row(f) for f in audit.study.unreadable],
        "coverage": coverage_row(audit, axis),
        "shortfall": shortfall_row(audit, axis),
        "stop": {
            "kind": audit.stop.kind,
            **cause_row(audit.stop.cause),
        },
        "signal": signal_row(audit.signal, audit.hours, audit.nights, axis),
        "hours": [hour_row(h, axis) for h in audit.hours],
        "monitoring": None if audit.monitoring is None else monitoring_row(audit.monitoring, axis),
        "video": None
        if audit.video is None
        else video_row(audit.video, audit.coverage.recorded_ns, axis),
        "billing": None if audit.billing is None else billing_row(audit.billing, axis),
        "power": None if audit.power is None else power_row(audit.power),
        "next_hookup": [{"text": a.text, "evidence": a.evidence} for a in audit.next_hookup],
        "decision": {
            "outcome": audit.decision.outcome,
            "headline": audit.decision.headline,
            "reasons": [
                {"code": r.code, "text": r.text, "question": r.question}
                for r in audit.decision.reasons
            ],
            "answers": [
                {"question": a.question, "state": a.state, "text": a.text}
                for a in audit.decision.answers
            ],
            "needed_s": optional_seconds(audit.decision.needed_ns),
        },
        "person_decisions": [
            {"outcome": d.outcome, "by": d.by, "note": d.note, "recorded_utc": d.recorded_utc}
            for d in audit.person_decisions
        ],
        "second_readers": [
            {
                "file": r.file,
                "library": r.library,
                "version": r.version,
                "recorded_s": optional_seconds(r.recorded_ns),
                "agrees": r.agrees,
                "note": r.note,
                "start": None if r.start_civil_ns is None else iso(r.start_civil_ns),
                "records": r.records,
            }
            for r in audit.second_readers
        ],
        "findings": [finding_row(f, axis) for f in audit.findings],
        "annotations": [
            {
                "at": axis.iso(a.at),
                "duration_s": optional_seconds(a.duration_ns),
                "text": a.text,
                "file": a.file,
                "in_recording": a.in_recording,
            }
            for a in audit.annotations
        ],
        "rules": [
            {
                "subject": r.subject,
                "value": r.value,
                "source": r.source,
                "mark": r.mark,
                "checked": r.checked,
            }
            for r in audit.rules
        ],
        "cautions": list(audit.cautions),
    }


def _fraction(part: int, whole: int) -> float:
    return part / whole if whole else 0.0


def json_text(audit: Audit) -> str:
    """``audit.json``: valid UTF-8 always, keys in a fixed order, one trailing newline."""
    encoder = json.JSONEncoder(ensure_ascii=False, indent=1, allow_nan=False)
    # Piece by piece: a list of all pieces would take several times the text's memory.
    text = io.StringIO()
    for piece in encoder.iterencode(document(audit)):
        text.write(piece)
    text.write("\n")
    # A lone surrogate can stand in a string only, where a backslash is written twice.
    return storable(text.getvalue(), backslash=r"\\")
