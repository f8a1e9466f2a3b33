"""The JSON Schema of ``audit.json`` (draft 2020-12), with the meaning of every code."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from auditor.model.codes import CAUSES, FINDINGS, REASONS
from auditor.outputs.data import SCHEMA_NAME

Node = dict[str, Any]

_CIVIL: Node = {
    "type": "string",
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.(\d{3}|\d{6}|\d{9}))?$",
    "description": "ISO 8601 civil time at the patient, without offset.",
}
_UTC: Node = {
    "type": ["string", "null"],
    "pattern": r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d(\.(\d{3}|\d{6}|\d{9}))?Z$",
}
_SECONDS: Node = {"type": "number", "minimum": 0, "description": "Seconds."}
_TEXT: Node = {"type": "string"}
_COUNT: Node = {"type": "integer", "minimum": 0}
_FLAG: Node = {"type": "boolean"}
_SHARE: Node = {"type": "number", "minimum": 0, "maximum": 1}
_FINDINGS = {code: entry.meaning for code, entry in FINDINGS.items()}
_TEXTS: Node = {"type": "array", "items": _TEXT}


def _or_null(node: Node) -> Node:
    kind = node.get("type")
    if isinstance(kind, str) and "enum" not in node:
        return {**node, "type": [kind, "null"]}
    return {"anyOf": [node, {"type": "null"}]}


def _object(optional: tuple[str, ...] = (), /, **properties: Node) -> Node:
    """An object whose properties are required but for ``optional``; a trailing '_' is dropped.

    Keys may be added later, so none is forbidden. Every civil time may have a ``…_utc`` beside it.
    """
    named = {key.rstrip("_"): node for key, node in properties.items()}
    return {
        "type": "object",
        "properties": named,
        "patternProperties": {"_utc$": _UTC},
        "required": [key for key in named if key not in optional],
    }


def _list(node: Node) -> Node:
    return {"type": "array", "items": node}


def _word(words: Mapping[Any, str]) -> Node:
    """A code of the vocabulary, each with its meaning."""
    return {"oneOf": [{"const": code, "description": text} for code, text in words.items()]}


def _choice(*values: str | None) -> Node:
    return {"enum": list(values)}


def schema() -> Node:
    """The schema as a JSON value."""
    interval = {"start": _CIVIL, "end": _CIVIL, "duration_s": _SECONDS}
    cause = _word(CAUSES)
    judged = {"likely_cause": cause, "rank": _choice("witness", "pattern", "coincidence", None),
              "evidence": _TEXTS, "supporting": _TEXTS, "against": _TEXTS,
              "also": _list(cause)}  # fmt: skip
    level = _choice("unmonitored", "intermittent", "continuous", None)
    hour = _object(start=_CIVIL, recorded_s=_SECONDS, usable_s=_or_null(_SECONDS))
    total = _list(_object(code=_TEXT, count=_COUNT))
    technical = _object(
        units=_list(_object(code=_TEXT, count=_COUNT, band=_TEXT)),
        to_next_s=_or_null(_SECONDS),
        above_s=_SECONDS,
    )
    day = _object(code=_or_null(_TEXT), band=_TEXT)
    professional = _object(each_day=_list(day), whole_study=day)
    root = _object(
        schema={"const": SCHEMA_NAME},
        tool=_object(version=_TEXT, generated_utc=_UTC, policy=_object(name=_TEXT, sha256=_TEXT)),
        study=_object(
            study_id=_or_null(_TEXT),
            patient_code=_or_null(_TEXT),
            recorder=_or_null(_TEXT),
            timezone=_or_null(_TEXT),
            name=_TEXT,
        ),
        order=_or_null(
            _object(
                ordered_s=_SECONDS,
                source=_TEXT,
                hookup=_or_null(_CIVIL),
                planned_end=_or_null(_CIVIL),
                video=_or_null(_FLAG),
                monitoring=level,
                minimum_channels=_COUNT,
            )
        ),
        files=_list(_file()),
        coverage=_object(
            first_start=_CIVIL,
            last_end=_CIVIL,
            span_s=_SECONDS,
            recorded_s=_SECONDS,
            coverage_fraction=_SHARE,
            longest_run_s=_SECONDS,
            overlap_s=_SECONDS,
            gaps_s=_SECONDS,
            dropouts=_object(count=_COUNT, total_s=_SECONDS),
            segments=_list(_object(**interval, copies=_TEXTS)),
            gaps=_list(_object(**interval, **judged)),
            copies=_list({"type": "object"}),
        ),
        shortfall=_or_null(
            _object(
                ordered_s=_SECONDS,
                short_s=_SECONDS,
                late_start_s=_SECONDS,
                gaps_s=_SECONDS,
                dropouts_s=_SECONDS,
                early_stop_s=_SECONDS,
                outside_window_s=_SECONDS,
            )
        ),
        stop=_object(kind=_choice("as_ordered", "early", "late", "so_far", "unknown"), **judged),
        signal={
            "anyOf": [
                _object(scanned={"const": False}),
                _object(
                    scanned={"const": True},
                    minimum_channels=_COUNT,
                    usable_s=_SECONDS,
                    channels=_list(
                        _object(
                            label=_TEXT,
                            eeg=_FLAG,
                            signal_s=_SECONDS,
                            flat_s=_SECONDS,
                            saturated_s=_SECONDS,
                        )
                    ),
                    hours=_list(hour),
                ),
            ]
        },
        hours=_list(hour),
        monitoring=_or_null(
            _object(
                ordered=level,
                checks=_COUNT,
                longest_interval_s=_or_null(_SECONDS),
                supported=level,
                lapses=_list(_object(**interval)),
            )
        ),
        video=_or_null(
            _object(
                recorded_s=_SECONDS,
                fraction=_SHARE,
                meets=_FLAG,
                threshold=_SHARE,
                short_s=_SECONDS,
                periods=_list(_object(index=_COUNT, fraction=_SHARE, meets=_FLAG)),
            )
        ),
        billing=_or_null(
            _object(
                ("shorter",),
                basis=_TEXT,
                minimum=_or_null(
                    _object(
                        ordered_band=_or_null(_TEXT),
                        reached_band=_or_null(_TEXT),
                        met=_FLAG,
                        short_s=_SECONDS,
                        above_s=_SECONDS,
                        text=_TEXT,
                    )
                ),
                periods=_list(
                    _object(
                        index=_COUNT,
                        start=_CIVIL,
                        end=_CIVIL,
                        date=_or_null(_TEXT),
                        recorded_s=_SECONDS,
                        technical=technical,
                        monitoring=level,
                        video=_or_null(_FLAG),
                    )
                ),
                technical_totals=total,
                professional=professional,
                interpretations=_list(
                    _object(
                        if_=_TEXT,
                        technical_totals=total,
                        professional=professional,
                        not_billable_s=_SECONDS,
                    )
                ),
                setup=_object(code=_TEXT, supported=_or_null(_FLAG), note=_TEXT),
                shorter=_or_null(_object(code=_or_null(_TEXT), band=_TEXT, note=_TEXT)),
                cautions=_TEXTS,
            )
        ),
        power={"type": ["object", "null"]},
        next_hookup=_list(_object(text=_TEXT, evidence=_TEXT)),
        decision=_object(
            outcome=_choice("complete", "review", "repeat", "so_far"),
            headline=_TEXT,
            reasons=_list(_object(code=_word({**REASONS, **_FINDINGS}), text=_TEXT)),
            needed_s=_or_null(_SECONDS),
            answers=_list(
                _object(
                    question=_choice("order", "readable", "billing", "files"),
                    state=_choice("yes", "look", "no", "unknown"),
                    text=_TEXT,
                )
            ),
        ),
        second_readers=_list(
            _object(
                library=_TEXT,
                version=_TEXT,
                recorded_s=_or_null(_SECONDS),
                agrees=_or_null(_FLAG),
                note=_TEXT,
            )
        ),
        findings=_list(
            _object(
                code=_word(_FINDINGS),
                severity=_choice("info", "caution", "problem"),
                where=_TEXT,
                text=_TEXT,
            )
        ),
        annotations=_list({"type": "object"}),
        rules=_list({"type": "object"}),
        cautions=_TEXTS,
        person_decisions=_list({"type": "object"}),
    )
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "EEG study coverage audit",
        "description": "Facts measured from the files of one returned study. Keys may be added; "
        "names and meanings stay.",
        **root,
    }


def _file() -> Node:
    return _object(
        name=_TEXT,
        sha256=_or_null({"type": "string", "pattern": "^[0-9a-f]{64}$"}),
        size_bytes=_or_null(_COUNT),
        format=_choice("EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D", None),
        role=_choice("counted", "set_aside", "unreadable"),
        reason=_TEXT,
        copy=_or_null(_TEXT),
        start=_or_null(_CIVIL),
        end=_or_null(_CIVIL),
        records=_or_null(_COUNT),
        record_s=_or_null(_SECONDS),
        recorded_s=_or_null(_SECONDS),
        eeg_channels=_or_null(_COUNT),
        channels=_or_null(_COUNT),
        annotations=_or_null(_COUNT),
    )
