"""One file: what its header claims, what its bytes hold."""

from __future__ import annotations

from pathlib import Path
from typing import Literal

from msgspec import Struct

from auditor.core.fields import Event, Instant, Named, Ours, Person
from auditor.core.intervals import Int64
from auditor.model.byte_source import FileState, Opener
from auditor.model.codes import Finding

EARS = frozenset({"A1", "A2", "M1", "M2"})
"""Earlobes and mastoids: beside another electrode they are its reference."""


def is_reference(electrode: str | None) -> bool:
    """Whether an electrode's standard name is an ear's or mastoid's, or derived from them alone.

    Such channels are references: they are no electrodes of the montage, neither of the set-up nor
    of what can be read (common practice, no source).
    """
    return electrode is not None and set(electrode.split("-")) <= EARS


Format = Literal["EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"]


class PatientField(Struct, frozen=True):
    """The EDF+ subfields of the header's patient field; ``None`` where absent or 'X'.

    Source: EDF+ specification, additional specifications, item 3.
    """

    code: str | None = None
    sex: str | None = None
    birth_date: str | None = None
    name: str | None = None


class RecordingField(Struct, frozen=True):
    """The EDF+ subfields of the header's recording field; ``None`` where absent or 'X'.

    Source: EDF+ specification, additional specifications, item 4.
    """

    start_date: str | None = None
    administration_code: str | None = None
    technician: Person | None = None
    equipment: Named | None = None


class HeaderClaim(Struct, frozen=True):
    """What the main header says, as text or parsed; a claim, not a fact.

    Texts are decoded as Latin-1 (so that no byte is lost), stripped of padding, and untrusted.
    ``record_count`` and ``header_bytes`` are ``None`` where the field holds no integer.
    """

    patient: str
    recording: str
    start_date: str
    start_time: str
    header_bytes: int | None
    reserved: str
    record_count: int | None
    record_duration: str
    signals: int
    patient_field: PatientField
    recording_field: RecordingField


class Channel(Struct, frozen=True):
    """One signal of a file. ``offset`` is its first byte inside each data record."""

    index: int
    label: Named
    transducer: str
    dimension: str
    physical_min: float
    physical_max: float
    digital_min: int
    digital_max: int
    prefilter: str
    samples_per_record: int
    offset: int
    is_annotation: bool
    electrode: Ours | None = None
    """Standard name of the EEG electrode (mne's 10-05 names) or ``None`` for any other channel."""

    @property
    def is_eeg(self) -> bool:
        """Whether this channel carries EEG."""
        return self.electrode is not None


class Annotation(Struct, frozen=True):
    """One annotation. ``onset_ns`` counts from the header's start; ``text`` is untrusted."""

    onset_ns: int
    duration_ns: int | None
    text: Event
    record: int


class UnknownStart(Struct, frozen=True):
    """Records ``first .. last`` (inclusive) that state no start of their own.

    They are counted. Their first start lies in ``[earliest_ns, latest_ns]`` after the header's
    start (``latest_ns`` is ``None`` where nothing bounds it); ``earliest_ns`` is where they are
    drawn.
    """

    first: int
    last: int
    earliest_ns: int
    latest_ns: int | None


class Recording(Struct, frozen=True):
    """One readable file: facts measured from its bytes, with the header's claims beside them.

    ``name`` is the path relative to the study's folder with ``/`` between parts (untrusted text).
    ``offsets_ns`` has shape ``(records,)``: each counted record's start after the header's start,
    in file order. ``record_ns`` is the record duration. ``start_civil_ns`` is the header's start
    stamp as civil time (nanoseconds since 1970-01-01T00:00:00, no zone); the first record starts at
    ``start_civil_ns + offsets_ns[0]``. ``data_offset`` and ``record_bytes`` locate record ``i`` at
    byte ``data_offset + i * record_bytes``; samples take ``sample_bytes`` (2 EDF, 3 BDF).
    ``closed`` is false where the header was never brought up to date (record count -1).
    """

    name: Named
    path: Path
    size_bytes: int
    format: Format
    header: HeaderClaim
    start_civil_ns: Instant
    record_ns: int
    offsets_ns: Int64
    data_offset: int
    record_bytes: int
    sample_bytes: int
    closed: bool
    channels: tuple[Channel, ...]
    annotations: tuple[Annotation, ...]
    annotations_total: int
    """All annotations seen, of which ``annotations`` may hold only the first (policy limit)."""
    unknown_starts: tuple[UnknownStart, ...] = ()
    findings: tuple[Finding, ...] = ()
    sha256: Ours | None = None
    state: FileState | None = None
    """What the file was when it was listed."""
    likeness: str | None = None
    """The same for files that are taken as identical before their checksums are known."""
    start_known: bool = True
    """False where the header states no usable start date; ``start_civil_ns`` is then the first day
    of 1985 and stands for nothing."""
    opener: Opener | None = None
    """Opens the file's bytes where they are not on this machine; ``path`` is then only its name."""

    @property
    def records(self) -> int:
        """Number of counted data records."""
        return len(self.offsets_ns)

    @property
    def eeg_channels(self) -> tuple[Channel, ...]:
        """Channels that carry EEG."""
        return tuple(c for c in self.channels if c.is_eeg)


class UnreadableFile(Struct, frozen=True):
    """A file named like a recording that is none. ``finding`` says why and what to do."""

    name: Named
    path: Path
    size_bytes: int | None
    reason: str
    finding: Finding
    sha256: Ours | None = None
    state: FileState | None = None
    """What the file was when it was listed; ``None`` where it could not be opened."""
