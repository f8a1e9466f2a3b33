"""The header: claims parsed, every broken rule named.

Sources: EDF specification (layout); EDF+ specification, sections 2.1 and 2.2 and additional
specifications 2 to 9; the description of BDF. Nothing is repaired silently: what can still be read
is read and reported, what cannot be is a ``RecordingError`` naming field and byte.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan, nan

from auditor.core.errors import RecordingError
from auditor.core.text import Own
from auditor.core.units import NS
from auditor.edf.annotations import parse_annotations
from auditor.edf.electrodes import electrode_name
from auditor.edf.fields import BLOCK, Fields
from auditor.edf.kind import decide_format, looks_like_recording
from auditor.edf.notes import Notes
from auditor.edf.source import read_exactly
from auditor.edf.subfields import patient_subfields, recording_subfields
from auditor.model import ByteSource, Channel, Format, HeaderClaim, PatientField

ANNOTATION_LABELS = ("EDF ANNOTATIONS", "BDF ANNOTATIONS")


@dataclass(frozen=True, slots=True)
class Header:
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
            "Copy the file again from the recorder's card.",
            code="too_short" if source.size else "empty",
            offset=source.size,
        )
    main = read_exactly(source, 0, BLOCK)
    if not looks_like_recording(main):
        raise RecordingError(
            notes.name,
            "does not begin as an EDF or BDF file does (field 'version' at byte 0, expected '0' "
            "or byte 255 and 'BIOSEMI', and the fields after it)",
            "Check that this is a recording; if so, copy it again from the recorder's card.",
            field="version",
            offset=0,
        )
    return _with_either_count(source, main, notes)


def _with_either_count(source: ByteSource, main: bytes, notes: Notes) -> Header:
    """The number of signals stands in two fields: where one is damaged, the other is tried."""
    fields = Fields(main, 0, Notes(notes.name))
    stated, length = fields.integer("signals"), fields.integer("header bytes")
    other = length // BLOCK - 1 if length is not None and length % BLOCK == 0 else None
    first_error: RecordingError | None = None
    for signals in dict.fromkeys((stated, other)):
        if signals is None or signals < 1:
            continue
        tried = Notes(notes.name)
        try:
            header = _with_signals(source, signals, tried)
        except RecordingError as error:
            first_error = first_error or error
            continue
        if signals != stated:
            tried.add(
                "signal_count_wrong",
                at="field 'signals' (byte 252)",
                signals=signals,
                fields=fields.text("signals"),
            )
        notes.take(tried)
        return header
    raise first_error or fields.error(
        "signals", "holds no number of signals", "an integer of at least 1"
    )


def _with_signals(source: ByteSource, signals: int, notes: Notes) -> Header:
    length = BLOCK * (signals + 1)
    raw = read_exactly(source, 0, min(length, source.size))
    fields = Fields(raw, signals, notes)
    if length > len(raw):
        if fields.integer("header bytes") == length:
            raise RecordingError(
                notes.name,
                f"has {source.size} bytes; its header alone takes {length}",
                "The copy was cut short: copy the file again from the recorder's card.",
                code="too_short",
                offset=source.size,
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
    record_ns, rounding_ns = _duration(fields)
    fields.check_characters()
    if "+" in form:
        _check_subfields(fields, claim)
    return Header(
        claim,
        form,
        sample_bytes,
        _data_offset(source, claim, channels, sample_bytes, record_bytes, notes),
        record_bytes,
        record_ns,
        rounding_ns,
        channels,
    )


def _data_offset(
    source: ByteSource,
    claim: HeaderClaim,
    channels: tuple[Channel, ...],
    sample_bytes: int,
    record_bytes: int,
    notes: Notes,
) -> int:
    """Where the data begin: 256 x (signals + 1), unless the file's bytes say otherwise."""
    length = BLOCK * (claim.signals + 1)
    stated = claim.header_bytes
    if stated == length:
        return length

    def fits(at: int) -> bool:
        note = next((c for c in channels if c.is_annotation), None)
        if note is not None:
            width = min(note.samples_per_record * sample_bytes, 4096)
            first = read_exactly(source, at + note.offset, width)
            if parse_annotations(first).time_keeping_ns is not None:
                return True
        count = claim.record_count
        return bool(record_bytes and count and at + count * record_bytes == source.size)

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
        fields.note("subfields_missing", "recording", None)
    if claim.patient != "X X X X" and patient_subfields(claim.patient) == PatientField():
        fields.note("subfields_missing", "patient", None)


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
            fields.note("annotation_label_other", "label", index)
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
    stated = [fields.integer(f"digital {end}", index) for end in ("minimum", "maximum")]
    low = -full if stated[0] is None else stated[0]
    high = full - 1 if stated[1] is None else stated[1]
    bottom, top = (fields.quantity(f"physical {end}", index) for end in ("minimum", "maximum"))
    if is_annotation:
        return (bottom, top), (low, high)
    unreadable = {
        "digital minimum": stated[0] is None,
        "digital maximum": stated[1] is None,
        "physical minimum": isnan(bottom),
        "physical maximum": isnan(top),
    }
    for name, is_so in unreadable.items():
        if is_so:
            fields.note("channel_scale_unreadable", name, index)
    if any(unreadable.values()):
        return (nan, nan), (low, high)
    if high <= low or low < -full or high >= full:
        fields.note("channel_scale_wrong", "digital maximum", index)
        return (nan, nan), (low, high)
    if bottom == top:
        fields.note("channel_scale_wrong", "physical maximum", index)
        return (nan, nan), (low, high)
    return (bottom, top), (low, high)
