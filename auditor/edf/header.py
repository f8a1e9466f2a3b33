"""The header as one table of fields: claims parsed, every broken rule named.

Sources: EDF specification (header layout); EDF+ specification, sections 2.1 and 2.2 and additional
specifications 2 to 9; BDF: the format's own description. Nothing is repaired silently: what can
still be read is read and reported, what cannot be is a ``RecordingError`` naming field and byte.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from decimal import Decimal

from auditor.edf.notes import Notes
from auditor.edf.source import ByteSource, read_exactly
from auditor.edf.subfields import patient_subfields, recording_subfields
from auditor.electrodes import electrode_name
from auditor.errors import RecordingError
from auditor.model import Channel, Format, HeaderClaim
from auditor.safe_text import printable

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

ANNOTATION_LABELS = ("EDF Annotations", "BDF Annotations")
_INTEGER = re.compile(r"[+-]?\d{1,8}")
_DECIMAL = re.compile(r"[+-]?(?:\d{1,8}(?:\.\d{0,8})?|\.\d{1,8})")


@dataclass(frozen=True, slots=True)
class Header:
    """What the header says and where the data records lie.

    ``record_ns`` is ``None`` where the record duration field holds no usable number.
    """

    claim: HeaderClaim
    format: Format
    sample_bytes: int
    data_offset: int
    record_bytes: int
    record_ns: int | None
    channels: tuple[Channel, ...]

    @property
    def annotation_channels(self) -> tuple[Channel, ...]:
        """The annotation signals, in file order; the first carries the time-keeping."""
        return tuple(c for c in self.channels if c.is_annotation)


class _Fields:
    """The header's bytes by field, with the position of each for the error that names it."""

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
        """The field's text without padding, as Latin-1; odd bytes are noted."""
        at, width = self.place(name, index)
        raw = self.raw[at : at + width].decode("latin-1")
        text = raw.strip(" \0")
        shown = name if index is None else f"{name} of signal {index + 1}"
        if not (raw.isascii() and raw.isprintable()):
            seen = "" if name in ("patient", "recording") else text
            self.notes.field("header_not_ascii", shown, at, seen)
        elif text and raw[0] == " ":
            seen = "" if name in ("patient", "recording") else raw
            self.notes.field("header_not_left_justified", shown, at, seen)
        return text

    def integer(self, name: str, index: int | None = None) -> int | None:
        """The field's integer, ``None`` where it holds none."""
        text = self.text(name, index)
        return int(text) if text.isascii() and _INTEGER.fullmatch(text) else None

    def decimal(self, name: str, index: int | None = None) -> Decimal | None:
        """The field's plain decimal number, ``None`` where it holds none."""
        text = self.text(name, index)
        return Decimal(text) if text.isascii() and _DECIMAL.fullmatch(text) else None

    def error(
        self, name: str, problem: str, expected: str, index: int | None = None
    ) -> RecordingError:
        """The error that names the field, its byte, what stands there and what is expected."""
        at, width = self.place(name, index)
        seen = printable(self.raw[at : at + width].decode("latin-1").rstrip(" "))
        shown = name if index is None else f"{name} of signal {index + 1}"
        return RecordingError(
            self.notes.name,
            f"header field '{shown}' (byte {at}) {problem}: {seen!r}, expected {expected}",
            "Copy the file again from the recorder's card; if it is the same there, the header is "
            "damaged.",
            code="header_field_unreadable",
            field=shown,
            offset=at,
        )


def looks_like_recording(head: bytes) -> bool:
    """Whether ``head`` (a file's first 256 bytes or more) begins as a recording does."""
    if len(head) < BLOCK:
        return False
    if head[:8] == b"\xffBIOSEMI":
        return True
    forms = (
        (168, 8, rb"\d\d.\d\d.(\d\d|yy)"),
        (176, 8, rb"\d\d.\d\d.\d\d"),
        (184, 8, rb"\d+ *"),
        (236, 8, rb"-?\d+ *"),
        (244, 8, rb"\d+([.,]\d*)? *"),
        (252, 4, rb"\d+ *"),
    )
    fitting = sum(
        re.fullmatch(form, head[at : at + width]) is not None for at, width, form in forms
    )
    return fitting >= (3 if head[:8] == b"0       " else 5)


def read_header(source: ByteSource, notes: Notes) -> Header:
    """Read and check the header of ``source``; faults that leave it readable go to ``notes``.

    Raises ``RecordingError`` that names the field, its byte and what was expected, and ``OSError``.
    """
    if source.size < BLOCK:
        raise RecordingError(
            notes.name,
            "is empty" if not source.size else f"has {source.size} bytes; a header alone has 256",
            "Copy the file again from the recorder's card.",
            code="too_short",
            offset=source.size,
        )
    main = read_exactly(source, 0, BLOCK)
    if not looks_like_recording(main):
        raise RecordingError(
            notes.name,
            "does not begin as an EDF or BDF file does (field 'version', byte 0, and the fields "
            "after it)",
            "Check that this is a recording; if so, copy it again from the recorder's card.",
            field="version",
            offset=0,
        )
    fields = _Fields(main, 0, notes)
    signals = fields.integer("signals")
    if signals is None or signals < 1:
        raise fields.error("signals", "holds no number of signals", "an integer of at least 1")
    if BLOCK * (signals + 1) > source.size:
        raise fields.error(
            "signals",
            f"asks for {BLOCK * (signals + 1)} header bytes in a file of {source.size} bytes",
            f"at most {source.size // BLOCK - 1} signals",
        )
    fields = _Fields(read_exactly(source, 0, BLOCK * (signals + 1)), signals, notes)
    claim = _claim(fields, signals)
    form, sample_bytes = _format(fields, claim, notes)
    channels = _channels(fields, signals, sample_bytes)
    return Header(
        claim,
        form,
        sample_bytes,
        BLOCK * (signals + 1),
        sum(c.samples_per_record for c in channels) * sample_bytes,
        _record_ns(fields),
        channels,
    )


def _claim(fields: _Fields, signals: int) -> HeaderClaim:
    patient, recording = fields.text("patient"), fields.text("recording")
    return HeaderClaim(
        patient=patient,
        recording=recording,
        start_date=fields.text("start date"),
        start_time=fields.text("start time"),
        header_bytes=fields.integer("header bytes"),
        reserved=fields.text("reserved"),
        record_count=fields.integer("record count"),
        record_duration=fields.text("record duration"),
        signals=signals,
        patient_field=patient_subfields(patient),
        recording_field=recording_subfields(recording),
    )


def _format(fields: _Fields, claim: HeaderClaim, notes: Notes) -> tuple[Format, int]:
    bdf = fields.raw[:8] == b"\xffBIOSEMI"
    plus = claim.reserved[:5]
    if plus in ("EDF+C", "EDF+D", "BDF+C", "BDF+D"):
        form: Format = f"{'BDF' if bdf else 'EDF'}+{plus[4]}"  # type: ignore[assignment]
    else:
        form = "BDF" if bdf else "EDF"
    return form, 3 if bdf else 2


def _record_ns(fields: _Fields) -> int | None:
    value = fields.decimal("record duration")
    if value is None or value < 0:
        return None
    return int(value * 1_000_000_000)


def _channels(fields: _Fields, signals: int, sample_bytes: int) -> tuple[Channel, ...]:
    channels = []
    offset = 0
    for index in range(signals):
        samples = fields.integer("samples per record", index)
        if samples is None or samples < 0:
            raise fields.error(
                "samples per record",
                "holds no number of samples",
                "an integer of at least 1",
                index,
            )
        label = fields.text("label", index)
        dimension = fields.text("dimension", index)
        is_annotation = label in ANNOTATION_LABELS
        physical = [
            fields.decimal(name, index) for name in ("physical minimum", "physical maximum")
        ]
        digital = [fields.integer(name, index) for name in ("digital minimum", "digital maximum")]
        channels.append(
            Channel(
                index=index,
                label=label,
                transducer=fields.text("transducer", index),
                dimension=dimension,
                physical_min=float("nan") if physical[0] is None else float(physical[0]),
                physical_max=float("nan") if physical[1] is None else float(physical[1]),
                digital_min=0 if digital[0] is None else digital[0],
                digital_max=0 if digital[1] is None else digital[1],
                prefilter=fields.text("prefilter", index),
                samples_per_record=samples,
                offset=offset,
                is_annotation=is_annotation,
                electrode=None if is_annotation else electrode_name(label, dimension),
            )
        )
        offset += samples * sample_bytes
    return tuple(channels)
