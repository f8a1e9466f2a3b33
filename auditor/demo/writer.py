"""Writes EDF, EDF+ and BDF(+) files byte by byte, for invented studies.

Independent of the reader, so that neither is tested against itself. Layout: EDF+ specification,
section 2 and the original EDF header; BDF's differences from its author's description: byte 255
and 'BIOSEMI' in place of the version, samples of 24 bits.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from datetime import datetime
from pathlib import Path
from typing import Literal, NamedTuple

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.units import NS

FileFormat = Literal["EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"]
Int16 = NDArray[np.int16]
Int32 = NDArray[np.int32]
Int64 = NDArray[np.int64]
Bytes = NDArray[np.uint8]

FIELDS: Mapping[str, tuple[int, int]] = {
    "version": (0, 8),
    "patient": (8, 80),
    "recording": (88, 80),
    "start_date": (168, 8),
    "start_time": (176, 8),
    "header_bytes": (184, 8),
    "reserved": (192, 44),
    "record_count": (236, 8),
    "record_duration": (244, 8),
    "signals": (252, 4),
}
"""First byte and length of every field of the main header."""

_SIGNAL_FIELDS = {
    "label": 16, "transducer": 80, "dimension": 8, "physical_min": 8, "physical_max": 8,
    "digital_min": 8, "digital_max": 8, "prefilter": 80, "samples": 8,
}  # fmt: skip
"""Length of every field of a signal, by its name here; 32 bytes in reserve follow."""

MONTHS = ("JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC")
"""English, whatever the machine's locale: EDF+ specification, additional specifications, item 4."""


class Event(NamedTuple):
    """One annotation; ``onset_ns`` counts from the header's start."""

    onset_ns: int
    text: str
    duration_ns: int | None = None


class Signal(Struct, frozen=True):
    """One signal as its header describes it. ``annotation`` signals hold text, not samples."""

    label: str
    samples: int
    """Samples in each data record."""
    dimension: str = "uV"
    physical_min: str = "-3276.8"
    physical_max: str = "3276.7"
    digital_min: int = -32768
    digital_max: int = 32767
    transducer: str = "synthetic, no electrode"
    prefilter: str = "simulated"
    annotation: bool = False


def annotation_signal(fmt: FileFormat, size: int = 120) -> Signal:
    """An annotation signal of ``size`` bytes in each record (made a multiple of the sample)."""
    low, high = (-8388608, 8388607) if fmt.startswith("BDF") else (-32768, 32767)
    return Signal(
        f"{fmt[:3]} Annotations", -(-size // sample_bytes(fmt)), "", "-1", "1", low, high, "", "",
        annotation=True,
    )  # fmt: skip


def sample_bytes(fmt: FileFormat) -> int:
    """Bytes of one sample: 2 in EDF, 3 in BDF."""
    return 3 if fmt.startswith("BDF") else 2


class Header(Struct, frozen=True):
    """What the main header will say. ``start`` is civil time, whole seconds.

    ``patient`` and ``recording`` are whole fields; ``patient_field`` and ``recording_field`` write
    them. ``record_duration`` is the text of its eight characters.
    """

    format: FileFormat
    start: datetime
    signals: tuple[Signal, ...]
    record_duration: str = "1"
    patient: str = "X X X X"
    recording: str = "Startdate X X X X"

    def __post_init__(self) -> None:
        assert len(self.record_duration) <= 8, self.record_duration
        assert self.start.microsecond == 0, self.start

    @property
    def record_bytes(self) -> int:
        """Bytes of one data record."""
        return sum(s.samples for s in self.signals) * sample_bytes(self.format)

    @property
    def header_bytes(self) -> int:
        """Bytes of the whole header."""
        return 256 * (len(self.signals) + 1)

    def encode(self, record_count: int) -> bytes:
        """The header's bytes with ``record_count`` in its place."""
        bdf = self.format.startswith("BDF")
        reserved = {"EDF": "", "BDF": "24BIT"}.get(self.format, self.format)
        main = [
            b"\xffBIOSEMI" if bdf else _field("0", 8),
            _field(self.patient, 80),
            _field(self.recording, 80),
            _field(date_field(self.start), 8),
            _field(self.start.strftime("%H.%M.%S"), 8),
            _field(str(self.header_bytes), 8),
            _field(reserved, 44),
            _field(str(record_count), 8),
            _field(self.record_duration, 8),
            _field(str(len(self.signals)), 4),
        ]
        of_signals = [
            _field(str(getattr(signal, name)), width)
            for name, width in _SIGNAL_FIELDS.items()
            for signal in self.signals
        ]
        return b"".join([*main, *of_signals, _field("", 32 * len(self.signals))])


def date_field(start: datetime) -> str:
    """The eight characters of the start date; 'yy' past 2084 (EDF+ specification, item 2)."""
    year = f"{start.year % 100:02d}" if 1985 <= start.year <= 2084 else "yy"
    return f"{start.day:02d}.{start.month:02d}.{year}"


def patient_field(code: str, *, sex: str = "X", birth: str = "X", name: str = "X") -> str:
    """The patient field: code, sex, birth date, name (EDF+ specification, item 3)."""
    return " ".join(part.replace(" ", "_") for part in (code, sex, birth, name))


def recording_field(
    start: datetime, *, administration: str = "X", technician: str = "X", equipment: str = "X"
) -> str:
    """The recording field: Startdate and the date, then three subfields (item 4)."""
    day = f"{start.day:02d}-{MONTHS[start.month - 1]}-{start.year}"
    parts = ("Startdate", day, administration, technician, equipment)
    return " ".join(part.replace(" ", "_") for part in parts)


def onset_text(ns: int) -> bytes:
    """A signed onset in seconds with as many decimals as it needs."""
    whole, rest = divmod(abs(ns), NS)
    if not rest and ns >= 0:
        return b"+%d" % whole
    text = f"{'-' if ns < 0 else '+'}{whole}"
    return (text + (f".{rest:09d}".rstrip("0") if rest else "")).encode()


def annotation_bytes(event: Event) -> bytes:
    """One time-stamped annotation list (EDF+ specification, 2.2.2), ended by its zero byte."""
    duration = b""
    if event.duration_ns is not None:
        duration = b"\x15" + onset_text(event.duration_ns)[1:]
    return onset_text(event.onset_ns) + duration + b"\x14" + event.text.encode() + b"\x14\x00"


class Writer:
    """Streams records into one file.

    ``write`` takes samples as ``(records, ordinary samples of one record)`` digital integers in the
    order of the header's ordinary signals, the records' onsets (nanoseconds after the header's
    start, shape ``(records,)``; used only where the header has an annotation signal) and events,
    which go into these records in order, each into the first one from its onset on that has room.
    ``close`` writes the record count; ``close(count=-1)`` leaves the file as one never closed.
    """

    def __init__(self, path: Path, header: Header) -> None:
        self.header = header
        self.records = 0
        self._bytes = sample_bytes(header.format)
        self._timed = any(s.annotation for s in header.signals)
        self._waiting: list[Event] = []
        path.parent.mkdir(parents=True, exist_ok=True)
        encoded = header.encode(-1)
        self._file = path.open("wb")
        try:
            self._file.write(encoded)
        except BaseException:
            self._file.close()
            raise

    def __enter__(self) -> Writer:
        return self

    def __exit__(self, failed: object, *_: object) -> None:
        if failed is not None:
            self._file.close()
        elif not self._file.closed:
            self.close()

    def write(
        self,
        samples: Int16 | Int32,
        onsets_ns: Int64 | Sequence[int],
        events: Sequence[Event] = (),
        *,
        silent: Collection[int] = (),
    ) -> None:
        """Append records. Those of ``silent`` (indices in this call) state no time of their own."""
        count = len(onsets_ns)
        total = sum(s.samples for s in self.header.signals)
        block = np.zeros((count, total, self._bytes), np.uint8)
        place = taken = 0
        texts = self._texts([int(o) for o in onsets_ns], events, silent) if self._timed else []
        for signal in self.header.signals:
            part = block[:, place : place + signal.samples]
            place += signal.samples
            if signal.annotation:
                raw = b"".join(t.ljust(signal.samples * self._bytes, b"\0") for t in texts.pop(0))
                part[...] = np.frombuffer(raw, np.uint8).reshape(part.shape)
            else:
                values = samples[:, taken : taken + signal.samples]
                taken += signal.samples
                little = np.ascontiguousarray(values, "<i4" if self._bytes == 3 else "<i2")
                part[...] = little.view(np.uint8).reshape(*values.shape, -1)[..., : self._bytes]
        self.records += count
        self._file.write(block.data)

    def close(self, count: int | None = None) -> None:
        """Write the record count (``count`` where the header is to claim another) and close."""
        assert not self._waiting, f"no room for {self._waiting}"
        claimed = self.records if count is None else count
        with self._file:
            self._file.seek(FIELDS["record_count"][0])
            self._file.write(_field(str(claimed), 8))

    def _texts(
        self, onsets: Sequence[int], events: Sequence[Event], silent: Collection[int]
    ) -> list[list[bytes]]:
        """The bytes of each annotation signal, record by record; time-keeping in the first."""
        rooms = [s.samples * self._bytes for s in self.header.signals if s.annotation]
        first = [
            b"" if i in silent else onset_text(onset) + b"\x14\x14\x00"
            for i, onset in enumerate(onsets)
        ]
        texts = [first, *([b""] * len(onsets) for _ in rooms[1:])]
        pending = sorted([*self._waiting, *events])
        index = 0
        while pending and index < len(onsets):
            raw = annotation_bytes(pending[0])
            # A recorder writes an event with the record under way or the first one after it.
            later = index + 1 < len(onsets) and pending[0].onset_ns >= onsets[index + 1]
            lane = next(
                (n for n, room in enumerate(rooms) if len(texts[n][index]) + len(raw) <= room), None
            )
            if later or lane is None or index in silent:
                index += 1
            else:
                texts[lane][index] += raw
                pending.pop(0)
        self._waiting = pending
        return texts


def _field(text: str, width: int) -> bytes:
    # Bytes beyond ASCII are written as they are: some fixtures need a header that breaks the rule.
    raw = text.encode("latin-1")
    assert len(raw) <= width, (text, width)
    return raw.ljust(width)
