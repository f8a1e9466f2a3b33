"""Faults injected into the calls by which files are written and read: the n-th call fails.

Only calls that touch a path under ``watched`` count, so that libraries at work elsewhere are left
alone. ``once`` lets the next calls succeed; otherwise every call from the n-th on fails, as on a
disk that is full or a share that is gone.
"""

from __future__ import annotations

import contextlib
import errno
import os
import threading
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

CALLS = ("open", "fsync", "rename", "replace", "mkdir", "rmdir", "unlink", "remove", "stat",
         "lstat", "scandir", "listdir", "link", "chmod", "fchmod", "fdopen")  # fmt: skip
READS = ("open", "fstat", "stat", "lstat", "scandir", "fdopen", "pread", "preadv", "read")
"""The calls by which inputs are read."""
ERRORS = (errno.EIO, errno.ENOSPC, errno.EINVAL, errno.EACCES)


@dataclass
class Faults:
    """Counts the calls of one run; lets those from ``fail_at`` on fail (1 is the first)."""

    watched: Path
    fail_at: int = 0
    error: int = errno.EIO
    once: bool = True
    same: bool = False
    """With ``once``: later calls about the path that failed fail as well."""
    count: int = 0
    failed: list[str] = field(default_factory=list)
    calls: list[str] = field(default_factory=list)

    _one: threading.Lock = field(default_factory=threading.Lock, repr=False)

    def strike(self, name: str, where: object) -> None:
        """Count one call; raise where its turn has come."""
        path = _path(where)
        if path is None or not path.startswith(str(self.watched)):
            return
        with self._one:  # files are synced side by side
            self.count += 1
            self.calls.append(name)
            due = self.fail_at and (
                self.count == self.fail_at if self.once else self.count >= self.fail_at
            )
            again = self.same and any(f.endswith(f" {path}") for f in self.failed)
            if due or again:
                self.failed.append(f"{name} {path}")
                raise OSError(self.error, os.strerror(self.error), path)


def _path(where: object) -> str | None:
    """The path that a call is about, whether it was given a name or a descriptor."""
    try:
        if isinstance(where, int):
            return os.readlink(f"/proc/self/fd/{where}")  # noqa: PTH115  pathlib is under test
        if isinstance(where, str | bytes | os.PathLike):
            return os.path.abspath(os.fsdecode(where))  # noqa: PTH100  the same
    except OSError:
        pass
    return None


class _Watched:
    """A file whose writes and reads may fail too."""

    def __init__(self, file: Any, faults: Faults, path: str) -> None:
        self._file, self._faults, self._path = file, faults, path

    def write(self, data: Any) -> Any:
        self._faults.strike("write", self._path)
        return self._file.write(data)

    def writelines(self, pieces: Iterable[Any]) -> None:
        for piece in pieces:
            self.write(piece)

    def read(self, *size: int) -> Any:
        self._faults.strike("read", self._path)
        return self._file.read(*size)

    def __enter__(self) -> _Watched:
        return self

    def __exit__(self, *about: object) -> None:
        self._file.close()

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@contextlib.contextmanager
def injected(faults: Faults, calls: Sequence[str] = CALLS) -> Iterator[Faults]:
    """Calls of ``os`` strike ``faults`` first."""
    real: dict[str, Callable[..., Any]] = {n: getattr(os, n) for n in calls if hasattr(os, n)}

    def struck(name: str) -> Callable[..., Any]:
        def call(where: Any = ".", *rest: Any, **named: Any) -> Any:
            faults.strike(name, where)
            found = real[name](where, *rest, **named)
            if name == "fdopen":
                path = _path(where)
                if path is not None and path.startswith(str(faults.watched)):
                    return _Watched(found, faults, path)
            return found

        return call

    try:
        for name in real:
            setattr(os, name, struck(name))
        yield faults
    finally:
        for name, function in real.items():
            setattr(os, name, function)
