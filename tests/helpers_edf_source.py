"""Bytes in memory in place of a file, with reads that can be watched and made to fail."""

from __future__ import annotations

import errno
from pathlib import Path

import pytest

from auditor.core.errors import RecordingError
from auditor.edf import read_recording
from auditor.model import Finding, Recording
from auditor.model.codes.edf import CODES

UNREADABLE = {
    "cannot_be_read", "empty", "header_field_unreadable", "not_a_recording", "nothing_recorded",
    "too_many_jumps", "too_many_records", "too_short",
}  # fmt: skip
"""Why a file named like a recording is none: codes of ``RecordingError``."""


class Bytes:
    """A ``ByteSource`` over ``raw``.

    Reads that touch a byte of ``bad`` raise an I/O error, as on a failing card. ``touched`` marks
    every byte that was read.
    """

    def __init__(self, raw: bytes, *, bad: range = range(0), through_bytes: int = 0) -> None:
        self.raw, self.bad, self.through_bytes = raw, bad, through_bytes
        self.touched = bytearray(len(raw))
        self.reads = 0

    @property
    def size(self) -> int:
        return len(self.raw)

    def read_into(self, offset: int, buffer: memoryview) -> int:
        self.reads += 1
        end = min(len(self.raw), offset + len(buffer))
        if self.bad and offset < self.bad.stop and end > self.bad.start:
            raise OSError(errno.EIO, "Input/output error")
        part = self.raw[offset:end]
        buffer[: len(part)] = part
        self.touched[offset:end] = b"\1" * len(part)
        return len(part)


def read(raw: bytes | Bytes, name: str = "card/study.edf") -> Recording:
    """Read bytes as a recording."""
    source = raw if isinstance(raw, Bytes) else Bytes(raw)
    return read_recording(Path(name), name, source)


def codes(recording: Recording, *severities: str) -> list[str]:
    """The codes of the findings of the given severities (all without any), sorted."""
    return sorted(f.code for f in recording.findings if not severities or f.severity in severities)


def seconds(recording: Recording) -> list[float]:
    """Each record's start in seconds after the header's start, for readable tests."""
    return [o / 1e9 for o in recording.offsets_ns.tolist()]


def finding(recording: Recording, code: str) -> Finding:
    """The one finding of that code, as complete as every finding must be."""
    [found] = [f for f in recording.findings if f.code == code]
    assert found.text.endswith(".")
    assert found.where.startswith("card/study.edf")
    assert found.action or found.severity == "info"
    assert code in CODES
    return found


def refused(raw: bytes) -> RecordingError:
    """The error with which the bytes are refused, as complete as every error must be."""
    with pytest.raises(RecordingError) as caught:
        read(raw)
    assert caught.value.code in UNREADABLE
    assert "card/study.edf" in str(caught.value)
    assert caught.value.action
    return caught.value
