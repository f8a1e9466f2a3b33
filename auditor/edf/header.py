"""The header: its bytes by field, claims parsed, every broken rule named.

Sources: EDF specification (layout); EDF+ specification, sections 2.1 (reserved field) and 2.2 and
additional specifications 2 to 9 (characters, left-justification, decimal point; 3 and 4: subfields
of the patient and recording fields); the description of BDF (byte 255, 'BIOSEMI', '24BIT'). Nothing
is repaired silently: what can still be read is read and reported, what cannot be is a
``RecordingError`` naming field and byte.
"""

from __future__ import annotations

import re
from datetime import date
from decimal import Decimal
from math import isfinite, isnan, nan
from typing import get_args

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.clock import MONTHS
from auditor.core.errors import RecordingError
from auditor.core.text import Own, printable
from auditor.core.units import NS
from auditor.edf.annotations import parse_annotations
from auditor.edf.electrodes import electrode_name
from auditor.edf.notes import Notes
from auditor.edf.source import read_exactly
from auditor.model import (
    ByteSource,
    Channel,
    FindingCode,
    Format,
    HeaderClaim,
    PatientField,
    RecordingField,
)

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
    "label": (0, 16),
    "transducer": (16, 80),
    "dimension": (96, 8),
    "physical minimum": (104, 8),
    "physical maximum": (112, 8),
    "digital minimum": (120, 8),
    "digital maximum": (128, 8),
    "prefilter": (136, 80),
    "samples per record": (216, 8),
    "signal reserved": (224, 32),
}
"""Field of the signal headers: (bytes of one signal before it, width). Each field stands for all
signals together."""

PRIVATE = ("patient", "recording")
"""Fields whose text is never quoted in a finding: they may identify the patient."""

_INTEGER = re.compile(r"[+-]?[0-9]{1,8}")
_DECIMAL = re.compile(r"[+-]?(?:[0-9]{1,8}(?:\.[0-9]{0,8})?|\.[0-9]{1,8})")
_EXPONENT = re.compile(r"[eE][+-]?[0-9]{1,3}$")


class Fields:
    """The header of ``signals`` signals. Numbers are plain digits, whatever Python would take."""

    def __init__(self, raw: bytes, signals: int, notes: Notes) -> None:
        self.raw, self.signals, self.notes = raw, signals, notes

    def place(self, name: str, index: int | None = None) -> tuple[int, int]:
        """(first byte, width) of a field; ``index`` is the signal's."""
        if index is None:
            return MAIN[name]
        before, width = SIGNAL[name]
        return BLOCK + before * self.signals + width * index, width

    def text(self, name: str, index: int | None = None) -> str:
        """The field's text without padding, as Latin-1."""
        at, width = self.place(name, index)
        return self.raw[at : at + width].decode("latin-1").strip(" \0")

    def check_characters(self) -> None:
        """Note every field with bytes other than printable ASCII, or not left-justified."""
        every: list[tuple[str, int | None]] = [(name, None) for name in MAIN if name != "version"]
        every += [(name, index) for name in SIGNAL for index in range(self.signals)]
        for name, index in every:
            at, width = self.place(name, index)
            raw = self.raw[at : at + width].decode("latin-1")
            if not (raw.isascii() and raw.isprintable()):
                self.note("header_not_ascii", name, index)
            elif raw[0] == " " and raw.strip():
                self.note("header_form", name, index)

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

    def _seen(self, name: str, index: int | None) -> tuple[str, int, str]:
        """How the field is called, its first byte, and what stands there."""
        at, width = self.place(name, index)
        called = name if index is None else f"{name} of signal {index + 1}"
        return called, at, self.raw[at : at + width].decode("latin-1").rstrip(" ")

    def note(self, code: FindingCode, name: str, index: int | None = None) -> None:
        """Add the field to the finding ``code``, which counts them all."""
        called, at, seen = self._seen(name, index)
        self.notes.field(code, called, at, "not shown" if name in PRIVATE else seen)

    def error(
        self, name: str, problem: str, expected: str, index: int | None = None
    ) -> RecordingError:
        """The error that names the field, its byte, what stands there and what is expected."""
        return self.notes.error(*self._seen(name, index), problem, expected)


_MONTHS = [name[:3].upper() for name in MONTHS]
_DATE = re.compile(r"(\d{2})-([A-Za-z]{3})-(\d{4})")


def _known(part: str) -> str | None:
    return None if part in ("", "X") else part.replace("_", " ")


def patient_subfields(text: str) -> PatientField:
    """Code, sex, birth date and name; all ``None`` where the field has not that form."""
    parts = text.split(" ")
    if len(parts) < 4 or parts[1] not in ("F", "M", "X"):
        return PatientField()
    birth = parts[2]
    if birth != "X" and subfield_date(birth) is None:
        return PatientField()
    return PatientField(_known(parts[0]), _known(parts[1]), _known(birth), _known(parts[3]))


def recording_subfields(text: str) -> RecordingField:
    """Start date, code, technician and equipment; all ``None`` without 'Startdate' in front."""
    parts = text.split(" ")
    if parts[0] != "Startdate":
        return RecordingField()
    padded = [*parts[1:5], "", "", "", ""]
    return RecordingField(*(_known(p) for p in padded[:4]))


def subfield_date(text: str) -> date | None:
    """The date of 'dd-MMM-yyyy' with an English month, ``None`` where it is none."""
    match = _DATE.fullmatch(text)
    if match is None or match.group(2).upper() not in _MONTHS:
        return None
    try:
        month = _MONTHS.index(match.group(2).upper()) + 1
        return date(int(match.group(3)), month, int(match.group(1)))
    except ValueError:
        return None


EDF_VERSION = b"0       "
BDF_VERSION = b"\xffBIOSEMI"
_FORMS = (
    (168, 8, rb"\d\d\D\d\d\D(\d\d|yy)"),
    (176, 8, rb"\d\d\D\d\d\D\d\d"),
    (184, 8, rb" *\d+[ \0]*"),
    (236, 8, rb" *-?\d+[ \0]*"),
    (244, 8, rb" *\d+([.,]\d*)?[ \0]*"),
    (252, 4, rb" *\d+[ \0]*"),
)
"""Main header fields (first byte, width) whose form tells a recording from other files."""


def looks_like_recording(head: bytes) -> bool:
    """Whether ``head`` (a file's first 256 bytes or more) begins as a recording does.

    With the right version two well-formed fields are enough, with a damaged one five of six.
    """
    if len(head) < 256:
        return False
    fitting = sum(
        re.fullmatch(form, head[at : at + width], re.DOTALL) is not None
        for at, width, form in _FORMS
    )
    return fitting >= (2 if head[:8] in (EDF_VERSION, BDF_VERSION) else 5)


def decide_format(version: bytes, claim: HeaderClaim, notes: Notes) -> tuple[Format, int]:
    """The format and the bytes per sample. The version tells EDF from BDF, the reserved field
    plain from plus; where the version is damaged the reserved field tells both.
    """
    reserved = claim.reserved
    kind = reserved[:5].upper()
    says_bdf = kind in ("BDF+C", "BDF+D", "24BIT")
    bdf = version == BDF_VERSION or (version != EDF_VERSION and says_bdf)
    family = "BDF" if bdf else "EDF"
    if version not in (EDF_VERSION, BDF_VERSION):
        notes.add(
            "version_wrong",
            at="field 'version' (byte 0)",
            family=Own(family),
            version=printable(version.decode("latin-1")),
        )
    if kind[:3] in ("EDF", "BDF") and kind[3:] in ("+C", "+D"):
        form: Format = next(f for f in get_args(Format) if f == family + kind[3:])
    else:
        form = "BDF" if bdf else "EDF"
        known = reserved[:4].upper() in ("EDF+", "BDF+", "24BI")
        if (known or bdf) and not (bdf and kind == "24BIT"):
            notes.add(
                "reserved_unknown",
                at="field 'reserved' (byte 192)",
                form="" if known else "plain_version",
                severity=None if known else "info",
                format=Own(form),
                reserved=reserved[:8],
            )
    if says_bdf != bdf and (says_bdf or kind[:4] == "EDF+"):
        notes.add(
            "format_contradiction",
            at="fields 'version' (byte 0) and 'reserved' (byte 192)",
            severity="problem" if says_bdf else "caution",
            family=Own(family),
            sample_bytes=3 if bdf else 2,
            format=Own(form),
            reserved=printable(reserved[:8]),
        )
    return form, 3 if bdf else 2


ANNOTATION_LABELS = ("EDF ANNOTATIONS", "BDF ANNOTATIONS")


class Header(Struct, frozen=True):
    """What the header says and where the data records lie.

    ``record_ns`` is ``None`` where the record duration field holds no number of at least 0, and
    ``rounding_ns`` by how much it may be rounded to fit in 8 characters.
    """

    claim: HeaderClaim
    format: Format
    sample_bytes: int
    data_offset: int
    record_bytes: int
    record_ns: int | None
    rounding_ns: float
    channels: tuple[Channel, ...]

    @property
    def annotation_channels(self) -> tuple[Channel, ...]:
        """The annotation signals, in file order; the first carries the time-keeping."""
        return tuple(c for c in self.channels if c.is_annotation)

    @property
    def has_points(self) -> bool:
        """Whether each ordinary signal is a single sample, which in EDF+D may last no time.

        Source: EDF+ specification, section 2.1.2.
        """
        ordinary = [c for c in self.channels if not c.is_annotation]
        return self.format[3:] == "+D" and all(c.samples_per_record == 1 for c in ordinary)

    @property
    def has_signals(self) -> bool:
        """Whether any ordinary signal holds samples."""
        return any(c.samples_per_record for c in self.channels if not c.is_annotation)


def read_header(source: ByteSource, notes: Notes) -> Header:
    """Read and check the header of ``source``; faults that leave it readable go to ``notes``.

    Raises ``RecordingError`` that names the field, its byte and what was expected, and ``OSError``.
    """
    if source.size < BLOCK:
        raise RecordingError(
            notes.name,
            "is empty"
            if not source.size
            else f"has {source.size} {'byte' if source.size == 1 else 'bytes'}; a header alone "
            "has 256",
            code="too_short" if source.size else "empty",
        )
    main = read_exactly(source, 0, BLOCK)
    if not looks_like_recording(main):
        raise RecordingError(
            notes.name,
            "does not begin as an EDF or BDF file does (field 'version' at byte 0, expected '0' "
            "or byte 255 and 'BIOSEMI', and the fields after it)",
            "Check that this is a recording; if so, copy it again from the recorder's card.",
        )
    # The number of signals stands in two fields: where one is damaged, the other is tried.
    main_fields = Fields(main, 0, Notes(notes.name))
    stated, length = main_fields.integer("signals") or 0, main_fields.integer("header bytes") or 0
    errors = []
    for signals in dict.fromkeys((stated, stated if length % BLOCK else length // BLOCK - 1)):
        tried = Notes(notes.name)
        try:
            header = _with_signals(source, signals, tried)
        except RecordingError as error:
            errors.append(error)
            continue
        if signals != stated:
            at, text = "field 'signals' (byte 252)", main_fields.text("signals")
            tried.add("signal_count_wrong", at=at, signals=signals, stated=text)
        notes.take(tried)
        return header
    raise errors[0]


def _with_signals(source: ByteSource, signals: int, notes: Notes) -> Header:
    """The header, read as one of ``signals`` signals. Raises ``RecordingError``."""
    length = BLOCK * (signals + 1)
    raw = read_exactly(source, 0, min(max(BLOCK, length), source.size))
    fields = Fields(raw, signals, notes)
    if signals < 1:
        raise fields.error("signals", "holds no number of signals", "an integer of at least 1")
    if length > len(raw):
        if fields.integer("header bytes") == length:
            raise RecordingError(
                notes.name,
                f"has {source.size} bytes; its header alone takes {length}",
                code="too_short",
            )
        raise fields.error(
            "signals",
            f"asks for {length} header bytes in a file of {source.size} bytes",
            f"at most {source.size // BLOCK - 1} signals",
        )
    claim = _claim(fields, signals)
    form, sample_bytes = decide_format(raw[:8], claim, notes)
    channels = _channels(fields, signals, sample_bytes)
    record_bytes = sum(c.samples_per_record for c in channels) * sample_bytes
    fields.check_characters()
    if "+" in form:
        _check_subfields(fields, claim)
    at, duration = BLOCK * (signals + 1), _duration(fields)
    header = Header(claim, form, sample_bytes, at, record_bytes, *duration, channels)
    if claim.header_bytes != at:
        return replace(header, data_offset=_data_offset(source, header, notes))
    return header


def _data_offset(source: ByteSource, header: Header, notes: Notes) -> int:
    """Where the data begin: 256 x (signals + 1), unless the file's bytes say otherwise."""
    claim, length = header.claim, header.data_offset
    stated = claim.header_bytes

    def fits(at: int) -> bool:
        for note in header.annotation_channels[:1]:
            width = min(note.samples_per_record * header.sample_bytes, 4096)
            first = read_exactly(source, at + note.offset, width)
            if parse_annotations(first).time_keeping_ns is not None:
                return True
        claimed = (claim.record_count or 0) * header.record_bytes
        return claimed != 0 and at + claimed == source.size

    chosen = length
    if stated is not None and length < stated < source.size and fits(stated) and not fits(length):
        chosen = stated
    sure = fits(chosen)
    notes.add(
        "header_length_wrong",
        at="field 'header bytes' (byte 184)",
        severity="caution" if sure else "problem",
        signals=claim.signals,
        length=length,
        chosen=chosen,
        begins=Own(
            ", where they do begin." if sure else "; whether they begin there is not certain."
        ),
        stated=Own("no number" if stated is None else str(stated)),
    )
    return chosen


def _claim(fields: Fields, signals: int) -> HeaderClaim:
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


def _check_subfields(fields: Fields, claim: HeaderClaim) -> None:
    """EDF+ additional specifications 3 and 4."""
    if claim.recording.split(" ")[0] != "Startdate" or len(claim.recording.split(" ")) < 5:
        fields.note("subfields_missing", "recording")
    if claim.patient != "X X X X" and patient_subfields(claim.patient) == PatientField():
        fields.note("subfields_missing", "patient")


def _duration(fields: Fields) -> tuple[int | None, float]:
    value = fields.decimal("record duration")
    if value is None or value < 0:
        return None, 0.0
    text = fields.text("record duration")
    decimals = len(text.partition(".")[2])
    # Fewer than 8 characters leave room for another digit: the number is meant as it stands.
    rounding = 0.5 * 10.0 ** (9 - decimals) if decimals and len(text) >= 8 else 0.0
    return int(value * NS), rounding


def _channels(fields: Fields, signals: int, sample_bytes: int) -> tuple[Channel, ...]:
    channels = []
    offset = 0
    for index in range(signals):
        samples = fields.integer("samples per record", index)
        if samples is None or samples < 0:
            problem = "holds no number of samples"
            raise fields.error("samples per record", problem, "an integer of at least 1", index)
        if not samples:
            fields.note("channel_without_samples", "samples per record", index)
        label, dimension = fields.text("label", index), fields.text("dimension", index)
        is_annotation = label.upper() in ANNOTATION_LABELS
        if is_annotation and label != f"{'BDF' if sample_bytes == 3 else 'EDF'} Annotations":
            fields.note("header_form", "label", index)
        physical, digital = _limits(fields, index, sample_bytes, is_annotation=is_annotation)
        channels.append(
            Channel(
                index=index,
                label=label,
                transducer=fields.text("transducer", index),
                dimension=dimension,
                physical_min=physical[0],
                physical_max=physical[1],
                digital_min=digital[0],
                digital_max=digital[1],
                prefilter=fields.text("prefilter", index),
                samples_per_record=samples,
                offset=offset,
                is_annotation=is_annotation,
                electrode=None if is_annotation else electrode_name(label, dimension),
            )
        )
        offset += samples * sample_bytes
    return tuple(channels)


def _limits(
    fields: Fields, index: int, sample_bytes: int, *, is_annotation: bool
) -> tuple[tuple[float, float], tuple[int, int]]:
    """Physical and digital limits; physical ones are NaN where the channel cannot be scaled."""
    full = 1 << (8 * sample_bytes - 1)
    low, high = (fields.integer(f"digital {end}", index) for end in ("minimum", "maximum"))
    bottom, top = (fields.quantity(f"physical {end}", index) for end in ("minimum", "maximum"))
    digital = (-full if low is None else low, full - 1 if high is None else high)
    if is_annotation:
        return (bottom, top), digital
    unreadable = {
        "digital minimum": low is None,
        "digital maximum": high is None,
        "physical minimum": isnan(bottom),
        "physical maximum": isnan(top),
    }
    wrong = [name for name, is_so in unreadable.items() if is_so]
    if not wrong and not -full <= digital[0] < digital[1] < full:
        wrong = ["digital maximum"]
    elif not wrong and bottom == top:
        wrong = ["physical maximum"]
    for name in wrong:
        fields.note("channel_scale_wrong", name, index)
    return (nan, nan) if wrong else (bottom, top), digital
