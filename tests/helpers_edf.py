"""Writes EDF, EDF+ and BDF bytes for tests: plain Python, independent of the code under test.

Everything can be set, right or wrong: each header field as text or bytes, each record's
time-keeping onset, each annotation list, each byte after the last record.

    from helpers_edf import Sig, edf, event

    raw = edf(onsets=[0, 1, 5])                        # EDF+D: records start at 0, 1 and 5 s
    raw = edf(onsets=[0, 1], reserved="EDF+C")         # EDF+C
    raw = edf(records=3, plain=True)                   # plain EDF: no annotation signal
    raw = edf(onsets=[0, 1], bdf=True)                 # BDF+D
    raw = edf(onsets=[0, None, 2])                     # record 1 has no time-keeping annotation
    raw = edf(onsets=["0.25", "1.25"])                 # onsets as text, written as they stand
    raw = edf(onsets=[0, 1], events={0: [event(0.5, "Lights off")]})   # lists after time-keeping
    raw = edf(onsets=[0, 1], fields={"record count": "-1", "start date": "02.03.27"})
    raw = edf(onsets=[0, 1], signal_fields={("physical minimum", 0): "-187,5"})
    raw = edf(onsets=[0, 1], tail=b"\\0" * 100)        # bytes after the last record
    path.write_bytes(raw)

``edf`` returns the whole file. ``layout`` tells where a field or record lies, so that a test can
damage one byte. Field layout: EDF specification; annotation lists: EDF+ specification 2.2.
"""

from __future__ import annotations

import struct
from collections.abc import Callable, Mapping, Sequence

from msgspec import Struct

Onset = int | float | str | bytes | None

MAIN_FIELDS = (
    ("version", 8), ("patient", 80), ("recording", 80), ("start date", 8), ("start time", 8),
    ("header bytes", 8), ("reserved", 44), ("record count", 8), ("record duration", 8),
    ("signals", 4),
)  # fmt: skip
SIGNAL_FIELDS = (
    ("label", 16), ("transducer", 80), ("dimension", 8), ("physical minimum", 8),
    ("physical maximum", 8), ("digital minimum", 8), ("digital maximum", 8), ("prefilter", 80),
    ("samples per record", 8), ("signal reserved", 32),
)  # fmt: skip


class Sig(Struct, frozen=True):
    """One signal. ``rate`` is samples per record. ``samples(record)`` gives its digital values.

    Without ``samples`` the values are a ramp that differs by record and sample (never flat).
    """

    label: str = "EEG Fp1"
    rate: int = 8
    dimension: str = "uV"
    physical: tuple[str, str] = ("-3200", "3200")
    digital: tuple[str, str] = ("-32768", "32767")
    transducer: str = "AgAgCl cup electrodes"
    prefilter: str = "HP:0.1Hz LP:75Hz"
    samples: Callable[[int], Sequence[int]] | None = None

    def values(self, record: int) -> Sequence[int]:
        """The digital values of one record."""
        if self.samples is not None:
            return self.samples(record)
        return [(record * 7 + i * 13) % 2001 - 1000 for i in range(self.rate)]


def onset_text(onset: Onset) -> bytes:
    """'+1.5' of 1.5 (text and bytes stay as they are, a sign is set in front of bare digits)."""
    if isinstance(onset, bytes):
        return onset
    text = onset if isinstance(onset, str) else f"{onset:.9f}".rstrip("0").rstrip(".")
    return (text if text[:1] in "+-" else f"+{text}").encode("latin-1")


def time_keeping(onset: Onset) -> bytes:
    """The list that states a record's start; empty for ``None``."""
    return b"" if onset is None else onset_text(onset) + b"\x14\x14\0"


def event(onset: Onset, *texts: str | bytes, duration: str | float | None = None) -> bytes:
    """One annotation list with one or more texts at the same onset."""
    stamp = onset_text(onset)
    if duration is not None:
        stamp += b"\x15" + onset_text(duration).lstrip(b"+")
    encoded = [t if isinstance(t, bytes) else t.encode() for t in texts]
    return stamp + b"\x14" + b"".join(t + b"\x14" for t in encoded) + b"\0"


def pad(value: str | bytes, width: int) -> bytes:
    """A header field: Latin-1, cut or padded with spaces to ``width`` bytes."""
    raw = value if isinstance(value, bytes) else value.encode("latin-1")
    return raw[:width].ljust(width, b" ")


def edf(
    onsets: Sequence[Onset] | None = None,
    *,
    records: int | None = None,
    plain: bool = False,
    bdf: bool = False,
    signals: Sequence[Sig] = (Sig(), Sig("EEG Fp2")),
    duration: str = "1",
    start_date: str = "02.03.27",
    start_time: str = "09.30.00",
    patient: str = "P-2041 X X X",
    recording: str = "Startdate 02-MAR-2027 X X N-3",
    reserved: str | None = None,
    events: Mapping[int, Sequence[bytes]] | None = None,
    annotation_bytes: int = 64,
    annotation_signals: int = 1,
    annotation_first: bool = False,
    annotation_at: Sequence[int] = (),
    raw_annotations: Mapping[tuple[int, int], bytes] | None = None,
    fields: Mapping[str, str | bytes] | None = None,
    signal_fields: Mapping[tuple[str, int], str | bytes] | None = None,
    tail: bytes = b"",
) -> bytes:
    """A whole file as bytes.

    ``onsets`` gives each record's time-keeping onset (EDF+); its length is the number of records.
    With ``plain`` or without ``onsets`` there are ``records`` records, at 0, 1, 2 … record
    durations. ``events`` adds annotation lists (see ``event``) to a record's first annotation
    signal; ``raw_annotations`` sets all bytes of annotation signal ``k`` of record ``i`` by
    ``(i, k)``. ``annotation_at`` are the annotation signals' places among all signals.
    ``annotation_bytes`` is each annotation signal's length per record (BDF: rounded up
    to a multiple of 3). ``fields`` and ``signal_fields`` (by field and signal index, in file order)
    overwrite header text as it stands.
    """
    kind = "BDF" if bdf else "EDF"
    if onsets is None:
        step = float(duration)
        onsets = [i * step for i in range(3 if records is None else records)]
    size = 3 if bdf else 2
    note_samples = -(-annotation_bytes // size)
    notes = [] if plain else [_annotation_signal(kind, note_samples)] * annotation_signals
    every = [*notes, *signals] if annotation_first else [*signals, *notes]
    if annotation_at:
        every = list(signals)
        for place in annotation_at:
            every.insert(place, _annotation_signal(kind, note_samples))
    if reserved is None:
        reserved = ("24BIT" if bdf else "") if plain else f"{kind}+D"
    main = {
        "version": b"\xffBIOSEMI" if bdf else "0",
        "patient": patient,
        "recording": recording,
        "start date": start_date,
        "start time": start_time,
        "header bytes": str(256 * (len(every) + 1)),
        "reserved": reserved,
        "record count": str(len(onsets)),
        "record duration": duration,
        "signals": str(len(every)),
        **(fields or {}),
    }
    out = b"".join(pad(main[name], width) for name, width in MAIN_FIELDS)
    for name, width in SIGNAL_FIELDS:
        for index, signal in enumerate(every):
            value = (signal_fields or {}).get((name, index), _signal_text(signal, name))
            out += pad(value, width)
    parts = [out]
    for record, onset in enumerate(onsets):
        number = 0
        for signal in every:
            if not signal.label.endswith(" Annotations"):
                parts.append(pack(signal.values(record), bdf=bdf))
                continue
            data = time_keeping(onset) if number == 0 else b""
            if number == 0:
                data += b"".join((events or {}).get(record, ()))
            data = (raw_annotations or {}).get((record, number), data)
            width = note_samples * size
            assert len(data) <= width, f"{len(data)} annotation bytes do not fit in {width}"
            parts.append(data.ljust(width, b"\0"))
            number += 1
    return b"".join(parts) + tail


def pack(values: Sequence[int], *, bdf: bool = False) -> bytes:
    """Digital values as little-endian two's complement, 2 bytes each (BDF: 3)."""
    if bdf:
        return b"".join((v & 0xFFFFFF).to_bytes(3, "little") for v in values)
    return struct.pack(f"<{len(values)}h", *values)


def layout(raw: bytes, name: str, index: int | None = None) -> slice:
    """Where a header field lies in ``raw``; ``index`` is the signal's, in file order."""
    at = 0
    for field_name, width in MAIN_FIELDS:
        if index is None and field_name == name:
            return slice(at, at + width)
        at += width
    signals = int(raw[252:256])
    for field_name, width in SIGNAL_FIELDS:
        if field_name == name:
            assert index is not None
            return slice(at + width * index, at + width * (index + 1))
        at += width * signals
    raise KeyError(name)


def with_bytes(raw: bytes, where: slice, value: str | bytes) -> bytes:
    """``raw`` with the bytes at ``where`` replaced, padded with spaces to the same length."""
    return raw[: where.start] + pad(value, where.stop - where.start) + raw[where.stop :]


def _annotation_signal(kind: str, samples: int) -> Sig:
    limits = ("-8388608", "8388607") if kind == "BDF" else ("-32768", "32767")
    return Sig(f"{kind} Annotations", samples, "", ("-1", "1"), limits, "", "")


def _signal_text(signal: Sig, name: str) -> str:
    return {
        "label": signal.label,
        "transducer": signal.transducer,
        "dimension": signal.dimension,
        "physical minimum": signal.physical[0],
        "physical maximum": signal.physical[1],
        "digital minimum": signal.digital[0],
        "digital maximum": signal.digital[1],
        "prefilter": signal.prefilter,
        "samples per record": str(signal.rate),
        "signal reserved": "",
    }[name]
