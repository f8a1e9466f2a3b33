"""Faults injected into the calls by which files are written and read: the n-th call fails.

Only calls that touch a path under ``watched`` count, so that libraries at work elsewhere are left
alone. ``once`` lets the next calls succeed; otherwise every call from the n-th on fails, as on a
disk that is full or a share that is gone.
"""

from __future__ import annotations

import builtins
import contextlib
import errno
import hashlib
import io
import os
import re
import sqlite3
import threading
from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import count
from pathlib import Path
from typing import Any

CALLS = ("open", "fsync", "rename", "replace", "mkdir", "rmdir", "unlink", "remove", "stat",
         "lstat", "scandir", "listdir", "link", "chmod", "fchmod", "fdopen", "io.open")  # fmt: skip
"""Of ``os``, and Python's own ``open``."""
READS = (
    "open",
    "io.open",
    "fstat",
    "stat",
    "lstat",
    "scandir",
    "fdopen",
    "pread",
    "preadv",
    "read",
)
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

    def __iter__(self) -> Iterator[Any]:
        self._faults.strike("read", self._path)
        return iter(self._file)

    def __getattr__(self, name: str) -> Any:
        return getattr(self._file, name)


@contextlib.contextmanager
def injected(faults: Faults, calls: Sequence[str] = CALLS) -> Iterator[Faults]:
    """Calls of ``os``, and ``open``, strike ``faults`` first."""

    def struck(name: str, real: Callable[..., Any]) -> Callable[..., Any]:
        def call(where: Any = ".", *rest: Any, **named: Any) -> Any:
            faults.strike(name, where)
            found = real(where, *rest, **named)
            if name in ("fdopen", "io.open"):
                path = _path(where)
                if path is not None and path.startswith(str(faults.watched)):
                    return _Watched(found, faults, path)
            return found

        return call

    places: list[tuple[Any, str, str]] = [(os, n, n) for n in calls if hasattr(os, n)]
    if "io.open" in calls:
        places += [(io, "open", "io.open"), (builtins, "open", "io.open")]
    real = [getattr(module, name) for module, name, _ in places]
    try:
        for (module, name, told), function in zip(places, real, strict=True):
            setattr(module, name, struck(told, function))
        yield faults
    finally:
        for (module, name, _), function in zip(places, real, strict=True):
            setattr(module, name, function)


def every_fault(
    name: str,
    watched: Path,
    step: Callable[[], int],
    prepare: Callable[[], None],
    check: Callable[[Faults, int], None],
    mended: Callable[[], None] = lambda: None,
    passes: tuple[int, ...] = (0, 1),
) -> int:
    """Run ``step`` with the n-th call failing, n = 1, 2, … until a run has none.

    Every other fault stays for ever, as of a full disk; a second pass swaps which do. ``check``
    follows each run. ``mended`` then runs what puts it right, and checks that: once for each state
    that a fault left, since from the same state the same follows. Prints the counts (``-s``).
    Returns how many runs there were.
    """
    runs = 0
    states: set[Hashable] = set()
    failed: Counter[str] = Counter()
    for swap in passes:
        number = 1
        while True:
            prepare()
            faults = Faults(watched, number, ERRORS[number % len(ERRORS)], number % 2 == swap)
            with injected(faults):
                status = step()
            failed.update(f.partition(" ")[0] for f in faults.failed)
            check(faults, status)
            runs += 1
            if not faults.failed:
                break
            as_if_dead(watched)
            state = state_of(watched)
            if state not in states:
                states.add(state)
                mended()
            number += 1
    told = ", ".join(f"{call} {count}" for call, count in failed.most_common())
    print(f"{name}: {runs} runs, {failed.total()} calls failed ({told}), {len(states)} states left")
    return runs


def every_read_fault(
    watched: Path, step: Callable[[int], int], forever: bool | None
) -> Iterator[tuple[int, Faults, int]]:
    """Run ``step``, which is told n, with the n-th read failing, n = 1, 2, … until a run has none.

    ``forever``: every later call about the same file fails too, as on a bad spot of a card; ``None``
    lets every other fault stay. Yields n, the faults and the step's status for each run, the last
    one, which met no fault, included.
    """
    for number in count(1):
        faults = Faults(watched, number, ERRORS[number % len(ERRORS)])
        faults.same = number % 2 == 0 if forever is None else forever
        with injected(faults, READS):
            status = step(number)
        yield number, faults, status
        if not faults.failed:
            return


def as_if_dead(home: Path) -> None:
    """Hidden names of this process become those of one that has ended."""
    for left in sorted(home.rglob(".*")):
        parts = left.name.rsplit(".", 2)
        if len(parts) == 3 and parts[2] in ("part", "old", "done") and parts[1].count("-") == 3:
            machine, pid, _, count = parts[1].split("-")
            left.rename(left.with_name(f"{parts[0]}.{machine}-{pid}-1-{count}.{parts[2]}"))


_TOKEN = re.compile(r"\.[0-9a-f]{8}(-\d+-\d+-\d+)?\.(part|old|done)")


def state_of(home: Path) -> Hashable:
    """All that a later run finds under ``home``; of hidden names not who made them."""
    found: list[tuple[str, str]] = []
    for path in home.rglob("*"):
        name = _TOKEN.sub(r".\2", path.relative_to(home).as_posix())
        if path.name == "history.sqlite":
            with contextlib.closing(sqlite3.connect(path)) as db:
                found.append((name, "\n".join(db.iterdump())))
        elif not path.name.startswith("history.sqlite-"):
            told = path.is_file() and ".lock" not in path.name
            raw = path.read_bytes() if told else b""
            found.append((name, hashlib.sha256(raw).hexdigest() if raw else ""))
    return tuple(sorted(found))
