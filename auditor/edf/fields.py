"""The header's bytes by field, with the place of each for the finding or error that names it.

Source of the layout: EDF specification; EDF+ additional specifications 5 to 7 (characters,
left-justification, decimal point).
"""

from __future__ import annotations

import re
from decimal import Decimal
from math import isfinite, nan

from auditor.core.errors import RecordingError
from auditor.core.text import printable
from auditor.edf.notes import Notes
from auditor.model import FindingCode

BLOCK = 256
"""Bytes of the main header, and of the header of each signal."""

MAIN = {
    "version": (0, 8),
    "patient": (8, 80),
    "recording": (88, 80),
    "start date": (168, 8),
    "start time": (176, 8),
    "header bytes": (184, 8),
    "reserved": (192, 44),
    "record count": (236, 8),
    "record duration": (244, 8),
    "signals": (252, 4),
}
"""Field of the main header: (first byte, width)."""

SIGNAL = {
    "label": 16,
    "transducer": 80,
    "dimension": 8,
    "physical minimum": 8,
    "physical maximum": 8,
    "digital minimum": 8,
    "digital maximum": 8,
    "prefilter": 80,
    "samples per record": 8,
    "signal reserved": 32,
}
"""Field of the signal headers, in order: width. Each field stands for all signals together."""

PRIVATE = ("patient", "recording")
"""Fields whose text is never quoted in a finding: they may identify the patient."""

_INTEGER = re.compile(r"[+-]?[0-9]{1,8}")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]{1,8}(?:\.[0-9]{0,8})?|\.[0-9]{1,8})")
_EXPONENT = re.compile(r"[eE][+-]?[0-9]{1,3}$")


class Fields:
    """The header of ``signals`` signals. Numbers are plain digits, whatever Python would take."""

    def __init__(self, raw: bytes, signals: int, notes: Notes) -> None:
        self.raw, self.signals, self.notes = raw, signals, notes
        self._at: dict[str, int] = {}
        at = BLOCK
        for name, width in SIGNAL.items():
            self._at[name] = at
            at += width * signals

    def place(self, name: str, index: int | None = None) -> tuple[int, int]:
        """(first byte, width) of a field; ``index`` is the signal's."""
        if index is None:
            return MAIN[name]
        return self._at[name] + SIGNAL[name] * index, SIGNAL[name]

    def text(self, name: str, index: int | None = None) -> str:
        """The field's text without padding, as Latin-1."""
        at, width = self.place(name, index)
        return self.raw[at : at + width].decode("latin-1").strip(" \0")

    def check_characters(self) -> None:
        """Note every field with bytes other than printable ASCII, or not left-justified."""
        for name in MAIN:
            if name != "version":
                self._check(name, None)
        for name in SIGNAL:
            for index in range(self.signals):
                self._check(name, index)

    def _check(self, name: str, index: int | None) -> None:
        at, width = self.place(name, index)
        raw = self.raw[at : at + width].decode("latin-1")
        if not (raw.isascii() and raw.isprintable()):
            self.note("header_not_ascii", name, index)
        elif raw[0] == " " and raw.strip():
            self.note("header_not_left_justified", name, index)

    def integer(self, name: str, index: int | None = None) -> int | None:
        """The field's integer, ``None`` where it holds none."""
        text = self.text(name, index)
        return int(text) if _INTEGER.fullmatch(text) else None

    def decimal(self, name: str, index: int | None = None) -> Decimal | None:
        """The field's plain decimal number, ``None`` where it holds none."""
        text = self.text(name, index)
        return Decimal(text) if _DECIMAL.fullmatch(text) else None

    def quantity(self, name: str, index: int) -> float:
        """The field's number for a physical limit, NaN where it holds none; exponents are read."""
        text = self.text(name, index)
        if not _DECIMAL.fullmatch(_EXPONENT.sub("", text)):
            return nan
        value = float(text)
        return value if isfinite(value) else nan

    def note(self, code: FindingCode, name: str, index: int | None) -> None:
        """Add the field to the finding ``code``, which counts them all."""
        at, width = self.place(name, index)
        seen = self.raw[at : at + width].decode("latin-1").rstrip(" ")
        self.notes.field(code, _shown(name, index), at, "not shown" if name in PRIVATE else seen)

    def error(
        self, name: str, problem: str, expected: str, index: int | None = None
    ) -> RecordingError:
        """The error that names the field, its byte, what stands there and what is expected."""
        at, width = self.place(name, index)
        seen = printable(self.raw[at : at + width].decode("latin-1").rstrip(" "))
        return RecordingError(
            self.notes.name,
            f"header field '{_shown(name, index)}' (byte {at}) {problem}: '{seen}', "
            f"expected {expected}",
            "Copy the file again from the recorder's card; if it is the same there, the header is "
            "damaged.",
            code="header_field_unreadable",
            field=_shown(name, index),
            offset=at,
        )


def _shown(name: str, index: int | None) -> str:
    return name if index is None else f"{name} of signal {index + 1}"
