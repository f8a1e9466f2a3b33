"""The same audit without the patient: no code, name, birth date, or name of a file or folder.

Identifiers are gathered from the order and from every readable header (patient field, and the
people and administration code of the recording field) and replaced wherever they stand in a text.
Files and folders get neutral names, whatever they were called; their checksums still identify them.
"""

from __future__ import annotations

import dataclasses
import re
from datetime import datetime
from typing import Any, TypeVar

import numpy as np

from auditor.model import Audit, HeaderClaim, PatientField, RecordingField

T = TypeVar("T")
WITHHELD = "[withheld]"
_SHORTEST_WORD = 3
# Words of a free-text patient field that name nobody; replacing them would garble the audit.
_COMMON = {"male", "female", "unknown", "patient", "test", "eeg", "edf", "startdate", "the", "and"}


def redact(audit: Audit) -> Audit:
    """A copy of ``audit`` in which no text holds an identifier or the name of an input."""
    names = _neutral_names(audit)
    words = _identifiers(audit)
    replace = _Replacer(names, words)
    study = dataclasses.replace(audit.study, name=WITHHELD)
    plain = dataclasses.replace(audit, study=study, patient_code=None, redacted=True)
    redacted: Audit = _walk(plain, replace)
    return redacted


class _Replacer:
    """Replaces longer texts first, so that a name inside a name is not cut in two."""

    def __init__(self, names: dict[str, str], words: set[str]) -> None:
        self._table = {k.casefold(): v for k, v in names.items()}
        self._table |= {w.casefold(): WITHHELD for w in words if w.casefold() not in self._table}
        keys = sorted(self._table, key=len, reverse=True)
        # A short identifier counts only as a whole word: 'Ann' must not garble 'annotation'.
        parts = [
            re.escape(k) if len(k) > 5 or not k.isalnum() else rf"(?<!\w){re.escape(k)}(?!\w)"
            for k in keys
        ]
        self._pattern = re.compile("|".join(parts), re.IGNORECASE) if parts else None

    def __call__(self, text: str) -> str:
        if self._pattern is None:
            return text
        return self._pattern.sub(lambda m: self._table.get(m.group().casefold(), WITHHELD), text)


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
    if isinstance(value, np.ndarray):
        return value
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        changed = {
            f.name: _walk(getattr(value, f.name), replace)
            for f in dataclasses.fields(value)
            if f.init
        }
        return dataclasses.replace(value, **changed)
    return value


def _neutral_names(audit: Audit) -> dict[str, str]:
    """Every input's name -> 'file-0001.edf', and every folder's -> 'folder-1'."""
    names: dict[str, str] = {}
    inputs = [f.recording.name for f in audit.study.files]
    inputs += [f.name for f in audit.study.unreadable]
    inputs += audit.study.other_files
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
