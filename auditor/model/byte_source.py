"""Where the bytes of a file come from, wherever it lies."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import AbstractContextManager
from typing import NamedTuple, Protocol


class FileState(NamedTuple):
    """What tells whether a file is still the one that was listed."""

    size: int
    modified_ns: int
    inode: int

    @staticmethod
    def of(status: os.stat_result) -> FileState:
        """The state that the system tells of an open file."""
        return FileState(status.st_size, status.st_mtime_ns, status.st_ino)


class ByteSource(Protocol):
    """The bytes of one recording. A remote range reader can stand in for a local file.

    A source may also carry:

    ``through_bytes: int``: stretches that lie at most so far apart are fetched in one large read,
    the bytes between them thrown away (the default is that of a local file);

    ``block_bytes: int``: the size of such a read;

    ``state() -> FileState``: what the file is by now, for files on this machine;

    ``read_rows(first, width, stride, count) -> bytes``: ``count`` stretches of ``width`` bytes,
    ``stride`` apart, joined, for a source that can fetch many at once. Raises ``OSError``.
    """

    @property
    def size(self) -> int:
        """Size in bytes when the source was opened."""

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """Fill ``buffer`` from byte ``offset`` on.

        Returns the number of bytes read, fewer than asked for only where the bytes end. Raises
        ``OSError`` where they cannot be read.
        """


Opener = Callable[[], AbstractContextManager[ByteSource]]
"""Opens the bytes of one file."""
