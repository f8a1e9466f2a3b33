"""The same audit without the patient: no code, name, birth date, or name of a file or folder.

Identifiers are gathered from the order and from every readable header (patient field, and the
people and administration code of the recording field) and replaced wherever they stand in a text.
Files and folders get neutral names, whatever they were called; their checksums still identify them.
"""

from __future__ import annotations

import contextlib
import dataclasses
import re
import unicodedata
from datetime import datetime
from typing import Any, TypeVar

import numpy as np

from auditor.core.clock import Axis
from auditor.core.text import printable
from auditor.model import (
    Audit,
    CopyCoverage,
    Finding,
    HeaderClaim,
    Order,
    PatientField,
    PolicyUsed,
    RecordingField,
    RuleLine,
    StudyCopy,
)
from auditor.model.codes import worded

T = TypeVar("T")
WITHHELD = "[withheld]"
_SHORTEST_WORD = 3
# Words of a free-text patient field, or names of files and folders, that name nobody; replacing
# them inside sentences would garble the audit.
_COMMON = {
    "male", "female", "unknown", "patient", "test", "eeg", "edf", "bdf", "startdate", "the", "and",
    "card", "computer", "copy", "data", "study", "studies", "record", "records", "recorder",
    "recording", "recordings", "recorded", "start", "time", "gap", "gaps", "file", "files",
    "folder", "order", "audit", "signal", "signals",
}  # fmt: skip
_OWN_TYPES: tuple[type, ...] = (Axis, PolicyUsed, RuleLine)
"""Values that hold nothing of the input; a folder called 'utc' must not change the zone."""
_OWN_WORDS = frozenset({
    "code", "severity", "format", "role", "copy", "copies", "kind", "likely_cause", "confidence",
    "rank", "mode", "monitoring", "ordered", "supported", "outcome", "state", "library", "version",
    "sha256", "generated_utc", "recorded_utc", "basis", "band", "also", "electrode", "timezone",
    "cautions", "mark",
})  # fmt: skip
"""Fields that hold words of the auditor's own; they stay whatever a file or folder is called."""
_OWN_NAMES: tuple[tuple[type, str], ...] = (
    (CopyCoverage, "name"),
    (StudyCopy, "name"),
    (Order, "source"),
)


def redact(audit: Audit) -> Audit:
    """A copy of ``audit`` in which no text holds an identifier or the name of an input."""
    names = _neutral_names(audit)
    words = _identifiers(audit)
    replace = _Replacer(names, words)
    study = dataclasses.replace(audit.study, name=WITHHELD)
    findings = tuple(_without_rows(finding) for finding in audit.findings)
    plain = dataclasses.replace(
        audit, study=study, patient_code=None, redacted=True, findings=findings
    )
    redacted: Audit = _walk(plain, replace)
    return redacted


def _without_rows(finding: Finding) -> Finding:
    """``finding`` without the rows of a log that it quotes: they hold names and notes."""
    if not any(name == "rows" for name, _ in finding.values):
        return finding
    values = tuple((n, WITHHELD if n == "rows" else value) for n, value in finding.values)
    return worded(dataclasses.replace(finding, values=values))


class _Replacer:
    """Replaces longer texts first, so that a name inside a name is not cut in two."""

    def __init__(self, names: dict[str, str], words: set[str]) -> None:
        found = {v: to for name, to in names.items() for v in _variants(name)}
        found |= {v: WITHHELD for word in words for v in _variants(word) if v not in found}
        self._table = {k.casefold(): to for k, to in found.items()}
        keys = sorted({*found, *self._table}, key=lambda k: (-len(k), k))
        keys = [k for k in keys if len(k) > 1 and k.casefold() not in _COMMON]
        # A short identifier counts only as a whole word: 'Ann' must not garble 'annotation'.
        parts = [
            re.escape(k) if len(k) > 5 or not k.isalnum() else rf"(?<!\w){re.escape(k)}(?!\w)"
            for k in keys
        ]
        self._pattern = re.compile("|".join(parts), re.IGNORECASE) if parts else None

    def __call__(self, text: str) -> str:
        whole = self._table.get(text.casefold())
        if whole is not None:
            return whole
        if self._pattern is None:
            return text
        return self._pattern.sub(lambda m: self._table.get(m.group().casefold(), WITHHELD), text)


def _variants(text: str) -> set[str]:
    """``text`` in the ways in which it may stand in texts made from the input.

    Escaped for display; with accents as one character or two; and, from a header that holds UTF-8
    in spite of its format, as the name that was meant.
    """
    forms = {text}
    with contextlib.suppress(UnicodeError):
        forms.add(text.encode("latin-1").decode("utf-8"))
    forms |= {unicodedata.normalize(form, t) for t in tuple(forms) for form in ("NFC", "NFD")}
    return forms | {printable(form) for form in forms}


def _walk(value: Any, replace: _Replacer) -> Any:
    if isinstance(value, str):
        return replace(value)
    if isinstance(value, HeaderClaim):
        return dataclasses.replace(
            value,
            patient=WITHHELD,
            recording=WITHHELD,
            patient_field=PatientField(),
            recording_field=RecordingField(),
        )
    if isinstance(value, tuple):
        return tuple(_walk(v, replace) for v in value)
    if isinstance(value, (np.ndarray, *_OWN_TYPES)):
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        changed = {
            f.name: _walk(getattr(value, f.name), replace)
            for f in dataclasses.fields(value)
            if f.init and not _is_own(value, f.name)
        }
        return dataclasses.replace(value, **changed)
    return value


def _is_own(value: Any, field: str) -> bool:
    """Whether ``field`` of ``value`` holds words of the auditor's own, no text of the input."""
    if any(isinstance(value, kind) and field == name for kind, name in _OWN_NAMES):
        return True
    held = getattr(value, field)
    words = held if isinstance(held, tuple) else (held,)
    return field in _OWN_WORDS and all(isinstance(word, str) for word in words)


def _neutral_names(audit: Audit) -> dict[str, str]:
    """Every input's name -> 'file-0001.edf', and every folder's -> 'folder-1'."""
    names: dict[str, str] = {}
    inputs = [f.recording.name for f in audit.study.files]
    inputs += [f.name for f in audit.study.unreadable]
    inputs += audit.study.other_files
    inputs += [used.name for used in audit.inputs if used.kind != "policy"]
    inputs += [log.name for log in audit.logs]
    folders: set[str] = {c.folder for c in audit.study.copies}
    for number, name in enumerate(inputs, 1):
        ending = re.search(r"\.(edf|bdf)$", name, re.IGNORECASE)
        names[name] = f"file-{number:04d}" + (ending.group().lower() if ending else "")
        base = name.rsplit("/", 1)[-1]
        names.setdefault(base, names[name])
        parts = name.split("/")[:-1]
        folders |= {"/".join(parts[: i + 1]) for i in range(len(parts))}
    folders |= {audit.study.name, str(audit.study.root), audit.study.root.name}
    for number, folder in enumerate(sorted(f for f in folders if f not in {"", ".", "/"}), 1):
        names.setdefault(folder, f"folder-{number}")
    return {k: v for k, v in names.items() if k}


def _identifiers(audit: Audit) -> set[str]:
    words: set[str] = set()
    for code in (audit.patient_code, audit.order.patient_code if audit.order else None):
        if code:
            words.add(code)
    for file in audit.study.files:
        header = file.recording.header
        patient, recording = header.patient_field, header.recording_field
        words |= {header.patient, header.recording}
        for text in (patient.code, patient.name, recording.technician,
                     recording.administration_code):  # fmt: skip
            words |= _spellings(text)
        if patient.birth_date:
            words |= _date_spellings(patient.birth_date)
        if patient.code is None:  # a free-text field: any of its words may be the patient's
            words |= set(re.split(r"[\s_,;]+", header.patient))
    return {
        w for w in (w.strip() for w in words)
        if len(w) >= _SHORTEST_WORD and w.casefold() not in _COMMON
    }  # fmt: skip


def _spellings(text: str | None) -> set[str]:
    """A subfield as written, with spaces for underscores, and each of its parts."""
    if not text:
        return set()
    parts = [p for p in re.split(r"[\s_,;]+", text) if p]
    joined = {"".join(parts), " ".join(parts), " ".join(reversed(parts)), ", ".join(parts),
              "_".join(parts), "_".join(reversed(parts))}  # fmt: skip
    return {text, *parts, *joined}


def _date_spellings(text: str) -> set[str]:
    try:
        born = datetime.strptime(text, "%d-%b-%Y")
    except ValueError:
        return {text}
    forms = ("%d-%b-%Y", "%Y-%m-%d", "%d.%m.%Y", "%d/%m/%Y", "%m/%d/%Y", "%Y%m%d", "%d%m%Y",
             "%d.%m.%y", "%d %B %Y", "%B %d, %Y")  # fmt: skip
    return {text, *(born.strftime(form) for form in forms)}
