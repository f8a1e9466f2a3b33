"""Where the bytes of a recording come from: positioned reads, never a write; bytes to samples."""

from __future__ import annotations

import mmap
import os
import threading
from contextlib import AbstractContextManager
from itertools import repeat
from pathlib import Path
from time import perf_counter_ns

import numpy as np
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.core.files import NotRegularError, open_regular
from auditor.model import ByteSource, FileState, Recording

THROUGH_BYTES = 8192
"""Local files: distance between wanted stretches up to which reading through beats skipping.

Measured: a positioned read costs as much as reading some 12 kB that are in the page cache.
"""
_BLOCK = 1 << 18
_BATCH = 256
"""Reads between two looks at the clock, at first; more and more while they come at once."""
_SLOW_NS = 20_000
"""A positioned read that takes longer did not come from the page cache (those take 1 to 2 us)."""
_SLOW_BATCHES = 3
"""Batches in a row that must have been slow: a busy machine may hold up one of them."""
_SLOW_STRIDE = 1 << 17
"""Beyond this distance skipping is faster on any disk."""
_DECODED = 1 << 19
"""24-bit samples decoded at a time (measured)."""

Samples = NDArray[np.int16] | NDArray[np.int32]


class LocalFile:
    """A regular file, opened read-only. Use as a context manager."""

    through_bytes = THROUGH_BYTES

    def __init__(self, path: Path, name: str) -> None:
        """Open ``path``. Raises ``RecordingError`` naming ``name`` where that is impossible."""
        try:
            self.fd, status = open_regular(path)
        except NotRegularError:
            raise RecordingError(
                name,
                "is not a regular file (a device, a pipe or a folder)",
                "Only files are read.",
                code="cannot_be_read",
            ) from None
        except (OSError, ValueError) as error:
            raise RecordingError(
                name,
                f"cannot be opened ({(getattr(error, 'strerror', None) or str(error)).lower()})",
                "Check that the file is there and may be read, and copy it again.",
                code="cannot_be_read",
            ) from error
        self.slow_batches = 0
        self._lock = threading.Lock()
        self.opened = FileState.of(status)

    @property
    def size(self) -> int:
        """Size in bytes when the file was opened."""
        return self.opened.size

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """See ``ByteSource.read_into``."""
        done = 0
        while done < len(buffer):
            got = self._read_at(offset + done, buffer[done:])
            if not got:
                break
            done += got
        return done

    def _read_at(self, offset: int, buffer: memoryview) -> int:
        """One positioned read; where the system has none, seek and read under a lock."""
        if hasattr(os, "preadv"):
            return os.preadv(self.fd, [buffer], offset)
        with self._lock:
            os.lseek(self.fd, offset, os.SEEK_SET)
            found = os.read(self.fd, len(buffer))
        buffer[: len(found)] = found
        return len(found)

    def state(self) -> FileState:
        """What the file is by now."""
        return FileState.of(os.fstat(self.fd))

    def close(self) -> None:
        """Close the file."""
        os.close(self.fd)

    def __enter__(self) -> LocalFile:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def open_bytes(recording: Recording) -> AbstractContextManager[ByteSource]:
    """The bytes of ``recording`` once more, wherever it lies.

    Raises ``RecordingError`` where they cannot be opened.
    """
    if recording.opener is not None:
        return recording.opener()
    return LocalFile(recording.path, recording.name)


def read_exactly(source: ByteSource, offset: int, length: int) -> bytes:
    """``length`` bytes from ``offset``; fewer where the bytes end. Raises ``OSError``."""
    buffer = bytearray(max(0, min(length, source.size - offset)))
    got = source.read_into(offset, memoryview(buffer)) if buffer else 0
    return bytes(buffer[:got])


def read_strided(source: ByteSource, first: int, width: int, stride: int, count: int) -> bytes:
    """``count`` stretches of ``width`` bytes, ``stride`` apart, joined; shorter where bytes end.

    Reads stretch by stretch, or everything in large reads where the stretches lie close together or
    a local file turns out not to be in memory yet: a disk delivers 16 kB in a row much faster than
    a few bytes out of each 16 kB. Raises ``OSError`` where any stretch cannot be read.
    """
    if stride - width <= getattr(source, "through_bytes", THROUGH_BYTES):
        return _read_through(source, first, width, stride, count)
    read_rows = getattr(source, "read_rows", None)
    if read_rows is not None:
        rows: bytes = read_rows(first, width, stride, count)
        return rows
    places = range(first, first + stride * count, stride)
    if not isinstance(source, LocalFile) or not hasattr(os, "pread"):
        return b"".join([read_exactly(source, at, width) for at in places])
    pread, fds, widths = os.pread, repeat(source.fd), repeat(width)
    parts: list[bytes] = []
    begin, batch = 0, _BATCH
    while begin < count:
        here = min(batch, count - begin)
        if source.slow_batches >= _SLOW_BATCHES and stride <= _SLOW_STRIDE:
            parts.append(_read_through(source, places[begin], width, stride, count - begin))
            break
        started = perf_counter_ns()
        # Joined while the pieces are still in the processor's cache.
        parts.append(b"".join(map(pread, fds, widths, places[begin : begin + here])))
        waited = perf_counter_ns() - started > here * _SLOW_NS
        source.slow_batches = source.slow_batches + 1 if waited else 0
        begin, batch = begin + here, _BATCH if waited else min(2 * batch, 16 * _BATCH)
    return b"".join(parts)


def _read_through(source: ByteSource, first: int, width: int, stride: int, count: int) -> bytes:
    """``read_strided`` in large reads that fetch the bytes between, too."""
    step = min(count, max(1, getattr(source, "block_bytes", _BLOCK) // stride))
    # An anonymous map begins on a page; reads into other buffers are several times slower.
    pages = mmap.mmap(-1, step * stride)
    block = memoryview(pages)
    rows = np.frombuffer(pages, np.uint8).reshape(step, stride)
    parts = []
    for begin in range(0, count, step):
        here = min(step, count - begin)
        wanted = stride * (here - 1) + width
        got = source.read_into(first + begin * stride, block[:wanted])
        if got < wanted:
            parts += [bytes(block[at : min(at + width, got)]) for at in range(0, got, stride)]
            break
        parts.append(rows[:here, :width].tobytes())
    return b"".join(parts)


def decoded(page: NDArray[np.uint8], first: int, count: int, sample_bytes: int) -> Samples:
    """The ``count`` samples from byte ``first`` of ``page``, shape (count,); 16 bits: no copy.

    24-bit samples (BDF, little-endian two's complement) are read as the upper bytes of 32-bit
    values that begin one byte earlier, and shifted down, which keeps their sign; so one byte before
    ``first`` must be there.
    """
    if sample_bytes == 2:
        return np.ndarray((count,), "<i2", page, first)
    above = np.ndarray((count,), "<i4", page, first - 1, (3,))
    values = np.empty(count, np.int32)
    for begin in range(0, count, _DECODED):  # the copy is still in the cache for the shift
        part = values[begin : begin + _DECODED]
        np.copyto(part, above[begin : begin + _DECODED])
        np.right_shift(part, 8, out=part)
    return values
