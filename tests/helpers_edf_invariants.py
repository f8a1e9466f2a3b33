"""What must hold for any bytes at all: a sound recording or an error of the family."""

from __future__ import annotations

import random
from collections.abc import Iterator
from math import isnan

import numpy as np
from helpers_edf import MAIN_FIELDS, SIGNAL_FIELDS, Sig, edf, event
from helpers_edf_source import UNREADABLE, Bytes, read

from auditor.core.clock import in_calendar
from auditor.core.errors import RecordingError
from auditor.core.text import printable
from auditor.model import SEVERITIES, Recording
from auditor.model.codes.edf import CODES

SMALL = [Sig("EEG Fp1", 4), Sig("SpO2", 1, "%")]


def bases() -> dict[str, bytes]:
    """Small files of every kind, each near a different border of the rules."""
    events = {0: [event(0.5, "Lights off", "Door")], 2: [event(2, "Anfall", duration=3.5)]}
    return {
        "EDF": edf(records=4, plain=True, signals=SMALL),
        "EDF+C": edf(onsets=["0.25", "1.25", "2.25"], reserved="EDF+C", signals=SMALL, events=events),
        "EDF+D": edf(onsets=[0, 1, 7, 8], signals=SMALL, events=events, annotation_first=True),
        "BDF": edf(records=3, plain=True, bdf=True, signals=SMALL),
        "BDF+D": edf(onsets=[0, 1, 30], bdf=True, signals=SMALL, annotation_signals=2),
        "never closed": edf(onsets=[0, 1, 2, None], signals=SMALL, fields={"record count": "-1"}, tail=b"\0" * 200),
        "annotations": edf(onsets=[0], signals=[], duration="0", events={0: [event(5, "x")]}),
        "thirds": edf(onsets=[f"{i / 3:.6f}" for i in range(12)], duration="0.333333", signals=SMALL),
        "missing": edf(onsets=[0, None, 2, None, 90, None], signals=SMALL),
    }  # fmt: skip


def check(raw: bytes, name: str = "study.edf") -> Recording | None:
    """Read ``raw`` and check everything that must hold; ``None`` where it is refused."""
    source = Bytes(raw)
    try:
        recording = read(source, name)
    except RecordingError as error:
        told = error.code in UNREADABLE and name in str(error) and error.problem and error.action
        if not (told and printable(str(error)) == str(error)):
            raise
        return None
    assert source.raw is raw
    sound(recording, len(raw))
    return recording


def sound(recording: Recording, size: int) -> None:
    """The invariants of a recording read from ``size`` bytes."""
    offsets = recording.offsets_ns
    assert offsets.dtype == np.int64
    assert 1 <= len(offsets) <= (size - recording.data_offset) // recording.record_bytes
    assert recording.record_bytes == recording.sample_bytes * sum(
        c.samples_per_record for c in recording.channels
    )
    assert recording.record_ns >= 0
    starts = [recording.start_civil_ns + o for o in offsets.tolist()]
    ends = [s + recording.record_ns for s in starts]
    assert in_calendar(min(starts))
    assert in_calendar(max(ends))
    assert max(map(abs, [*starts, *ends, len(offsets) * recording.record_ns])) < 2**63
    union, reach = 0, min(starts)
    for start in sorted(starts):
        end = start + recording.record_ns
        union += max(0, end - max(start, reach))
        reach = max(reach, end)
    assert union <= len(offsets) * recording.record_ns
    assert union <= reach - min(starts)
    place = 0
    for channel in recording.channels:
        assert channel.offset == place
        place += channel.samples_per_record * recording.sample_bytes
        assert isnan(channel.physical_min) == isnan(channel.physical_max) or channel.is_annotation
    for note in recording.annotations:
        assert note.text
        note.text.encode("utf-8")
        assert 0 <= note.record < len(offsets)
        assert in_calendar(recording.start_civil_ns + note.onset_ns + (note.duration_ns or 0))
        assert note.duration_ns is None or note.duration_ns >= 0
    assert recording.annotations_total >= len(recording.annotations)
    for unknown in recording.unknown_starts:
        assert 0 <= unknown.first <= unknown.last < len(offsets)
        assert unknown.earliest_ns == int(offsets[unknown.first])
        assert unknown.latest_ns is None or unknown.latest_ns >= unknown.earliest_ns
    assert len(recording.findings) <= len({f.code for f in recording.findings}) + 1
    for found in recording.findings:
        assert found.code in CODES
        assert found.severity in SEVERITIES
        assert found.text.endswith(".")
        assert len(found.text) + len(found.observed) < 2000
        shown = found.text + found.where + found.observed + found.expected
        assert printable(shown) == shown
    if recording.unknown_starts:
        assert any(f.severity == "problem" for f in recording.findings)


def field_edges(raw: bytes) -> Iterator[int]:
    """The first byte of every header field, and the end of the header."""
    at, signals = 0, int(raw[252:256])
    for _, width in MAIN_FIELDS:
        yield at
        at += width
    for _, width in SIGNAL_FIELDS:
        for _ in range(signals):
            yield at
            at += width
    yield at


TEXTS = [b"-1", b"0", b"1E9", b"99999999", b"nan", b"inf", b"0,5", b"", b"\xff\xff", b"\0\0\0\0", b"-0", b"1.5", b"9" * 8,
         b"+" + b"9" * 7, b"0.000001", b"yy.yy.yy", b"31.12.99", b"EDF+D", b"BDF+C", b"EDF Annotations"]  # fmt: skip
PIECES = [
    b"\0",
    b"\x14",
    b"\x15",
    b"+",
    b"-",
    b".",
    b"+0\x14\x14\0",
    b"+9" * 20,
    b"\x14\0+1\x14x\x14\0",
    b"\xff" * 3,
    b"\0" * 40,
    b" " * 256,
]


def mutate(raw: bytes, rng: random.Random) -> bytes:
    """One to three changes: bits, cuts, insertions, swapped and overwritten fields."""
    for _ in range(rng.choice((1, 1, 1, 2, 3))):
        raw = _change(raw, rng)
    return raw


def _change(raw: bytes, rng: random.Random) -> bytes:
    if not raw:
        return raw
    data = bytearray(raw)
    kind = rng.randrange(7)
    if kind == 0:
        for _ in range(rng.choice((1, 1, 4, 16))):
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        del data[rng.randrange(len(data) + 1) :]
    elif kind == 2:
        at = rng.randrange(len(data) + 1)
        data[at:at] = rng.choice(PIECES)
    elif kind == 3:
        at = rng.randrange(len(data))
        del data[at : at + rng.choice((1, 2, 8, 96))]
    elif kind == 4 and len(data) >= 512:
        a, b = rng.randrange(0, len(data) - 16), rng.randrange(0, len(data) - 16)
        width = rng.choice((1, 8, 16))
        data[a : a + width], data[b : b + width] = data[b : b + width], data[a : a + width]
    elif kind == 5:
        text = rng.choice(TEXTS)
        at = rng.choice([168, 176, 184, 192, 236, 244, 252, rng.randrange(len(data))])
        width = 4 if at == 252 else 44 if at == 192 else 8
        data[at : at + width] = text[:width].ljust(width)
    else:
        at = rng.randrange(len(data))
        data[at : at + 16] = bytes(rng.randrange(256) for _ in range(16))
    return bytes(data)
