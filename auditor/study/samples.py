"""Digital samples of single channels, read at a position; never a whole file at once."""

from __future__ import annotations

import os
from dataclasses import dataclass
from fractions import Fraction
from types import TracebackType

import numpy as np
from numpy.typing import NDArray

from auditor.model import Channel, Recording

Int32 = NDArray[np.int32]

_WHOLE_RECORDS_BELOW = 16_384
"""Records up to this size are read whole; of larger ones only the channel's own bytes."""
_BLOCK_BYTES = 4 << 20


def channel_key(channel: Channel) -> str:
    """What names the same channel in two files: the electrode, else the label."""
    return channel.electrode or " ".join(channel.label.lower().split())


def signal_channels(recording: Recording) -> dict[str, Channel]:
    """The ordinary channels by key; of several with one key the first."""
    found: dict[str, Channel] = {}
    for channel in recording.channels:
        if not channel.is_annotation and channel.samples_per_record > 0:
            found.setdefault(channel_key(channel), channel)
    return found


def sample_period(recording: Recording, channel: Channel) -> Fraction:
    """Nanoseconds between two samples, exact."""
    return Fraction(recording.record_ns, channel.samples_per_record)


@dataclass(slots=True)
class SampleReader:
    """Reads samples of one recording. Raises ``OSError`` where the file cannot be read."""

    recording: Recording
    _handle: int = -1

    def __enter__(self) -> SampleReader:
        flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
        self._handle = os.open(self.recording.path, flags)
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        value: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        os.close(self._handle)
        self._handle = -1

    def records(self, channel: Channel, first: int, last: int) -> Int32:
        """Samples of records ``[first, last)`` as int32, shape (records x samples per record,)."""
        rec = self.recording
        first, last = max(0, first), min(last, rec.records)
        width = channel.samples_per_record * rec.sample_bytes
        if last <= first:
            return np.empty(0, np.int32)
        out = np.empty((last - first, width), np.uint8)
        if rec.record_bytes <= _WHOLE_RECORDS_BELOW:
            step = max(1, _BLOCK_BYTES // rec.record_bytes)
            for low in range(first, last, step):
                high = min(last, low + step)
                raw = self._read(
                    rec.data_offset + low * rec.record_bytes, (high - low) * rec.record_bytes
                )
                block = raw.reshape(high - low, rec.record_bytes)
                out[low - first : high - first] = block[:, channel.offset : channel.offset + width]
        else:
            for index in range(first, last):
                at = rec.data_offset + index * rec.record_bytes + channel.offset
                out[index - first] = self._read(at, width)
        return _as_int32(out.reshape(-1), rec.sample_bytes)

    def _read(self, offset: int, size: int) -> NDArray[np.uint8]:
        parts, left = [], size
        while left:
            raw = self._pread(left, offset)
            if not raw:
                raise OSError("the file is shorter than it was")
            parts.append(raw)
            offset += len(raw)
            left -= len(raw)
        return np.frombuffer(parts[0] if len(parts) == 1 else b"".join(parts), np.uint8)

    def _pread(self, size: int, offset: int) -> bytes:
        if hasattr(os, "pread"):
            return os.pread(self._handle, size, offset)
        os.lseek(self._handle, offset, os.SEEK_SET)
        return os.read(self._handle, size)


def _as_int32(raw: NDArray[np.uint8], sample_bytes: int) -> Int32:
    if sample_bytes == 2:
        return raw.view("<i2").astype(np.int32)
    wide = np.zeros((len(raw) // 3, 4), np.uint8)
    wide[:, 1:] = raw.reshape(-1, 3)  # in the upper bytes, so that the shift keeps the sign
    return np.asarray(wide.reshape(-1).view("<i4") >> 8, np.int32)
