"""Every file read once, from its first byte to its last: its blocks hashed and judged side by side.

What reads the blocks knows neither what a checksum is for nor how signals are judged: a file names
what takes its blocks in order (the digest) and what takes them in any order (the judge). Both
let go of the interpreter, so on two cores the shorter of the two costs nothing.
"""

from __future__ import annotations

import hashlib
import mmap
import threading
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.core.progress import Progress, Silent
from auditor.model import ByteSource, FileState

PAGE = mmap.PAGESIZE
BLOCK_BYTES = 4 << 20
"""Bytes read at a time: long enough that threads do not wait for each other's interpreter, short
enough that a block is still in the processor's cache when its second reader takes it (measured)."""
_BLOCKS = 6
"""Blocks in memory at once."""
_AHEAD = 2
"""Blocks read ahead of the digest, which cannot be divided, before anything is judged."""
_PIECE = 1 << 16
"""After a failed read: bytes that one bad spot costs, where no record's size is known."""


class Cut(Struct, frozen=True):
    """A block: bytes ``[start, end)`` of the file, and up to ``reach`` for its judge."""

    start: int
    end: int
    reach: int


class Block(Struct, frozen=True):
    """A block's bytes in memory: ``page[first : first + size]``, at least one byte before them.

    ``bad`` are byte ranges of the file that could not be read; their bytes here mean nothing.
    """

    number: int
    cut: Cut
    page: NDArray[np.uint8]
    first: int
    size: int
    bad: tuple[tuple[int, int], ...]


class ToRead(Struct, frozen=True):
    """One file. ``piece`` is what one bad spot costs: a record's bytes. ``judge`` takes blocks in
    any order, from several threads. ``before`` is what the file was when it was listed.
    """

    name: str
    open: Callable[[], AbstractContextManager[ByteSource]]
    cuts: Sequence[Cut]
    hashed: bool = True
    judge: Callable[[Block], None] | None = None
    piece: int = _PIECE
    before: FileState | None = None


class WasRead(Struct, frozen=True):
    """What became of one file.

    ``sha256`` is ``None`` where the bytes were not read as one unchanged whole. ``changed`` says
    that the file is no longer what was listed, ``failure`` why it could not be opened or read.
    """

    sha256: str | None = None
    changed: bool = False
    failure: str = ""
    bad: tuple[tuple[int, int], ...] = ()


def plain_cuts(size: int, start: int = 0) -> list[Cut]:
    """Blocks from ``start`` to the end of a file of which nothing is to be judged."""
    edges = [*range(start, size, BLOCK_BYTES), size]
    return [Cut(a, b, b) for a, b in pairwise(edges) if b > a]


def read_once(
    files: Sequence[ToRead], workers: int = 2, progress: Progress | None = None
) -> dict[str, WasRead]:
    """Read all ``files``; what became of each, by name.

    An error in a judge or an interrupt stops every thread after the step in hand and passes
    through; what the bytes hold or a disk refuses never raises.
    """
    progress, size = progress or Silent(), sum(c.end - c.start for f in files for c in f.cuts)
    progress.stage("Reading", size)
    work = _Work(files, progress)
    try:
        if size <= BLOCK_BYTES:  # threads would cost more than they bring
            work.run()
        else:
            _side_by_side(work, max(1, workers))
    finally:
        for one in work.every:
            one.close()
    return {one.file.name: one.outcome() for one in work.every}


def _side_by_side(work: _Work, workers: int) -> None:
    with ThreadPoolExecutor(workers, thread_name_prefix="read") as pool:
        try:
            for future in [pool.submit(work.run) for _ in range(workers)]:
                future.result()
        finally:
            work.stop()


@dataclass(slots=True)
class _State:
    """One file as it is being read."""

    file: ToRead
    digest: hashlib._Hash = field(default_factory=lambda: hashlib.sha256(usedforsecurity=False))
    opened: AbstractContextManager[ByteSource] | None = None
    source: ByteSource | None = None
    waiting: dict[int, Block] = field(default_factory=dict)
    """Blocks read and not yet hashed, by number."""
    next_hash: int = 0
    hashing: bool = False
    left: int = 0
    """Blocks that are not read yet."""
    bad: list[tuple[int, int]] = field(default_factory=list)
    changed: bool = False
    failure: str = ""

    def open(self) -> None:
        """Open the file before its first block; a failure is noted."""
        try:
            self.opened = self.file.open()
            self.source = self.opened.__enter__()
        except (RecordingError, OSError) as error:
            self.source = self.opened = None
            self.failure = str(error)
            gone = error.__cause__ or error
            self.changed = self.file.before is not None and isinstance(gone, FileNotFoundError)

    def close(self) -> None:
        """Close the file after its last block, and look whether it is another by now."""
        if self.opened is None:
            return
        now = getattr(self.source, "state", None)
        if now is not None and self.file.before is not None:
            try:
                self.changed = now() != self.file.before
            except OSError as error:  # nobody knows what was read then
                self.failure = f"{self.file.name}: {error.strerror or type(error).__name__}"
        self.opened.__exit__(None, None, None)
        self.opened = self.source = None

    def outcome(self) -> WasRead:
        whole = self.file.hashed and not (self.bad or self.changed or self.failure)
        sha256 = self.digest.hexdigest() if whole else None
        return WasRead(sha256, self.changed, self.failure, tuple(sorted(self.bad)))


class _Work:
    """What is to be done next, shared by the threads."""

    def __init__(self, files: Sequence[ToRead], progress: Progress) -> None:
        self.every = [_State(file, left=len(file.cuts)) for file in files]
        self._progress = progress
        self._ready = threading.Condition()
        self._unread = self._all()
        self._upcoming = next(self._unread, None)
        self._free = [_buffer(BLOCK_BYTES) for _ in range(_BLOCKS)]
        self._to_judge: deque[tuple[_State, Block]] = deque()
        self._to_hash: deque[_State] = deque()
        self._holders: dict[int, int] = {}
        """How many readers still need a buffer, by its identity."""
        self._ahead = 0
        """Blocks read and not yet hashed, of all files."""
        self._busy = 0
        self._stopped = False

    def _all(self) -> Iterator[tuple[_State, int]]:
        for one in self.every:
            if not one.file.cuts:
                one.open()
                one.close()
            yield from ((one, number) for number in range(len(one.file.cuts)))

    def stop(self) -> None:
        """Let every thread end after the step in hand."""
        with self._ready:
            self._stopped = True
            self._ready.notify_all()

    def run(self) -> None:
        """One thread: step after step until nothing is left."""
        while True:
            with self._ready:
                while True:
                    if self._stopped:
                        return
                    step = self._step()
                    if step is not None:
                        break
                    if self._upcoming is None and not self._busy and not self._to_judge:
                        self._ready.notify_all()
                        return
                    self._ready.wait()
                self._busy += 1
            try:
                step()
            except BaseException:
                self.stop()
                raise
            finally:
                with self._ready:
                    self._busy -= 1
                    self._ready.notify_all()

    def _step(self) -> Callable[[], None] | None:
        """The next step; the digest first, since it cannot be divided among threads."""
        if self._to_hash:
            one = self._to_hash.popleft()
            block = one.waiting.pop(one.next_hash)
            one.hashing = True
            return lambda: self._hash(one, block)
        behind = self._to_judge and self._ahead >= _AHEAD
        if self._upcoming is not None and self._free and not behind:
            (one, number), self._upcoming = self._upcoming, next(self._unread, None)
            buffer = self._free.pop()
            if number == 0:
                one.open()
            return lambda: self._read(one, number, buffer)
        if self._to_judge:
            state, block = self._to_judge.popleft()
            return lambda: self._judge(state, block)
        return None

    def _read(self, one: _State, number: int, buffer: NDArray[np.uint8]) -> None:
        cut = one.file.cuts[number]
        size = cut.reach - cut.start
        if len(buffer) < 2 * PAGE + size:
            buffer = _buffer(size)
        # A read from a place in a file to one that lies alike in its page is the fastest.
        first = PAGE + cut.start % PAGE
        view = buffer[first : first + size].data
        bad = _filled(one.source, cut.start, view, one.file.piece)
        block = Block(number, cut, buffer, first, size, tuple(bad))
        with self._ready:
            one.bad += [(a, min(b, cut.end)) for a, b in bad if a < cut.end]
            one.left -= 1
            if not one.left:
                one.close()
            readers = one.file.hashed + (one.file.judge is not None)
            self._holders[id(buffer)] = readers
            if one.file.judge is not None:
                self._to_judge.append((one, block))
            if one.file.hashed:
                one.waiting[number] = block
                self._ahead += 1
                self._offer(one)
            if not readers:
                self._let_go(block)
        self._progress.advance(cut.end - cut.start)

    def _hash(self, one: _State, block: Block) -> None:
        size = block.cut.end - block.cut.start
        one.digest.update(block.page[block.first : block.first + size].data)
        with self._ready:
            one.next_hash += 1
            self._ahead -= 1
            one.hashing = False
            self._offer(one)
            self._let_go(block)

    def _judge(self, one: _State, block: Block) -> None:
        assert one.file.judge is not None
        one.file.judge(block)
        with self._ready:
            self._let_go(block)

    def _offer(self, one: _State) -> None:
        if not one.hashing and one.next_hash in one.waiting and one not in self._to_hash:
            self._to_hash.append(one)

    def _let_go(self, block: Block) -> None:
        key = id(block.page)
        self._holders[key] -= 1
        if self._holders[key] <= 0:
            del self._holders[key]
            large = len(block.page) > 4 * BLOCK_BYTES
            self._free.append(_buffer(BLOCK_BYTES) if large else block.page)


def _buffer(size: int) -> NDArray[np.uint8]:
    """Memory for a block that begins on a page; numpy's own arrays begin 16 bytes behind one."""
    return np.frombuffer(mmap.mmap(-1, 2 * PAGE + size), np.uint8)


def _filled(
    source: ByteSource | None, start: int, view: memoryview, piece: int
) -> list[tuple[int, int]]:
    """Fill ``view`` from byte ``start``; the ranges that could not be read."""
    if source is None:
        return [(start, start + len(view))]
    # A whole that fails is read piece by piece, so that one bad spot costs one piece.
    for size in (max(1, len(view)), piece):
        bad, failed = list[tuple[int, int]](), False
        for at in range(0, len(view), size):
            part = view[at : at + size]
            try:
                got = source.read_into(start + at, part)
            except OSError:
                got, failed = 0, True
            if got < len(part):
                bad.append((start + at + got, start + at + len(part)))
        if not failed:
            break
    return bad
