"""Where the bytes of a recording come from: positioned reads, never a write."""

from __future__ import annotations

import os
import stat
from pathlib import Path
from types import TracebackType
from typing import Protocol

from auditor.errors import RecordingError

THROUGH_BYTES = 4096
"""Local files: distance between wanted stretches up to which reading through beats skipping."""


class ByteSource(Protocol):
    """The bytes of one recording. A remote range reader can stand in for a local file.

    A source may also carry ``through_bytes: int``: stretches that lie at most so far apart are
    fetched in one large read, the bytes between them thrown away (a remote source, where each
    request is dear, sets it high; the default is ``THROUGH_BYTES``).
    """

    @property
    def size(self) -> int:
        """Size in bytes when the source was opened."""

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill ``buffer`` from byte ``offset`` on.

        Returns the number of bytes read, fewer than asked for only where the bytes end. Raises
        ``OSError`` where they cannot be read.
        """


class LocalFile:
    """A regular file, opened read-only. Use as a context manager."""

    through_bytes = THROUGH_BYTES

    def __init__(self, path: Path, name: str) -> None:
        """Open ``path``. Raises ``RecordingError`` naming ``name`` where that is impossible."""
        # Without O_NONBLOCK opening a pipe would wait for a writer for ever.
        flags = os.O_RDONLY | getattr(os, "O_CLOEXEC", 0) | getattr(os, "O_NONBLOCK", 0)
        try:
            self.fd = os.open(path, flags | getattr(os, "O_NOCTTY", 0) | getattr(os, "O_BINARY", 0))
        except (OSError, ValueError) as error:
            raise RecordingError(
                name,
                f"cannot be opened ({_why(error)})",
                "Check that the file is there and may be read, and copy it again.",
                code="cannot_be_read",
            ) from error
        status = os.fstat(self.fd)
        if not stat.S_ISREG(status.st_mode):
            os.close(self.fd)
            raise RecordingError(
                name,
                "is not a regular file (a device, a pipe or a folder)",
                "Only files are read.",
                code="cannot_be_read",
            )
        self._before = (status.st_size, status.st_mtime_ns)

    @property
    def size(self) -> int:
        """Size in bytes when the file was opened."""
        return self._before[0]

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """See ``ByteSource.read_into``."""
        done = 0
        while done < len(buffer):
            got = os.preadv(self.fd, [buffer[done:]], offset + done)
            if not got:
                break
            done += got
        return done

    def changed(self) -> tuple[int, int] | None:
        """(size before, size now) where size or modification time changed since opening."""
        status = os.fstat(self.fd)
        if (status.st_size, status.st_mtime_ns) == self._before:
            return None
        return self._before[0], status.st_size

    def close(self) -> None:
        """Close the file."""
        os.close(self.fd)

    def __enter__(self) -> LocalFile:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()


def read_exactly(source: ByteSource, offset: int, length: int) -> bytes:
    """``length`` bytes from ``offset``; fewer where the bytes end. Raises ``OSError``."""
    buffer = bytearray(max(0, min(length, source.size - offset)))
    got = source.read_into(offset, memoryview(buffer)) if buffer else 0
    return bytes(buffer[:got])


def read_strided(source: ByteSource, first: int, width: int, stride: int, count: int) -> bytes:
    """``count`` stretches of ``width`` bytes, ``stride`` apart, joined; shorter where bytes end.

    Raises ``OSError`` where any of them cannot be read.
    """
    if stride - width > getattr(source, "through_bytes", THROUGH_BYTES):
        if isinstance(source, LocalFile):
            fd, pread = source.fd, os.pread
            stop = first + stride * count
            return b"".join([pread(fd, width, at) for at in range(first, stop, stride)])
        return b"".join([read_exactly(source, first + i * stride, width) for i in range(count)])
    block = read_exactly(source, first, stride * (count - 1) + width)
    return b"".join([block[at : at + width] for at in range(0, len(block), stride)])


def _why(error: Exception) -> str:
    return (getattr(error, "strerror", None) or str(error)).lower()
