"""Every file read once, from its first byte to its last: its blocks hashed and judged side by side.

What reads the blocks knows neither what a checksum is for nor how signals are judged: a file names
its judge, and the digest is made beside it. Both let go of the interpreter, so on two cores the
shorter of the two costs nothing.
"""

from __future__ import annotations

import hashlib
import mmap
from collections import deque
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
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
    any order, from two threads. ``before`` is what the file was when it was listed.
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

    This thread reads, and judges a block while it is in its processor's cache; with two ``workers``
    another hashes, which takes about as long, and judges a block where it has nothing else to do.
    An error in a judge or an interrupt passes through after the blocks in hand; what the bytes hold
    or a disk refuses never raises.
    """
    progress, size = progress or Silent(), sum(c.end - c.start for f in files for c in f.cuts)
    progress.stage("Reading", size)
    every = [_State(file) for file in files]
    alone = workers < 2 or size <= BLOCK_BYTES  # a thread would cost more than it brings
    in_hand: deque[tuple[NDArray[np.uint8], Future[None] | None]] = deque()
    with nullcontext() if alone else ThreadPoolExecutor(1, "beside") as beside:
        for one in every:
            with one.opened() as source:
                for number, cut in enumerate(one.file.cuts):
                    idle = all(last.done() for _, last in in_hand if last is not None)
                    full = len(in_hand) == (1 if alone else _BLOCKS)
                    free = _free(*in_hand.popleft()) if full else None
                    block = _read(one, source, number, cut, free)
                    own = block.page[block.first : block.first + cut.end - cut.start].data
                    last = None
                    if one.file.hashed:
                        if beside is None:
                            one.digest.update(own)
                        else:
                            last = beside.submit(one.digest.update, own)
                    if one.file.judge is not None:
                        if beside is None or not idle:
                            one.file.judge(block)
                        else:
                            last = beside.submit(one.file.judge, block)
                    in_hand.append((block.page, last))
                    progress.advance(cut.end - cut.start)
        while in_hand:
            _free(*in_hand.popleft())
    return {one.file.name: one.outcome() for one in every}


@dataclass(slots=True)
class _State:
    """One file as it is being read."""

    file: ToRead
    digest: hashlib._Hash = field(default_factory=lambda: hashlib.sha256(usedforsecurity=False))
    bad: list[tuple[int, int]] = field(default_factory=list)
    changed: bool = False
    failure: str = ""

    @contextmanager
    def opened(self) -> Iterator[ByteSource | None]:
        """Its bytes, ``None`` where they cannot be opened; then whether it is another by now."""
        before = self.file.before
        with ExitStack() as stack:
            try:
                source = stack.enter_context(self.file.open())
            except (RecordingError, OSError) as error:
                self.failure = str(error)
                gone = error.__cause__ or error
                self.changed = before is not None and isinstance(gone, FileNotFoundError)
                yield None
                return
            yield source
            now = getattr(source, "state", None)
            if now is not None and before is not None:
                try:
                    self.changed = now() != before
                except OSError as error:  # nobody knows what was read then
                    self.failure = f"{self.file.name}: {error.strerror or type(error).__name__}"

    def outcome(self) -> WasRead:
        whole = self.file.hashed and not (self.bad or self.changed or self.failure)
        sha256 = self.digest.hexdigest() if whole else None
        return WasRead(sha256, self.changed, self.failure, tuple(sorted(self.bad)))


def _read(
    one: _State,
    source: ByteSource | None,
    number: int,
    cut: Cut,
    buffer: NDArray[np.uint8] | None,
) -> Block:
    """The block ``number`` of a file, in ``buffer`` where it is large enough."""
    size = cut.reach - cut.start
    if buffer is None or len(buffer) < 2 * PAGE + size:
        buffer = _buffer(max(size, BLOCK_BYTES))
    # A read from a place in a file to one that lies alike in its page is the fastest.
    first = PAGE + cut.start % PAGE
    bad = _filled(source, cut.start, buffer[first : first + size].data, one.file.piece)
    one.bad += [(a, min(b, cut.end)) for a, b in bad if a < cut.end]
    return Block(number, cut, buffer, first, size, tuple(bad))


def _free(buffer: NDArray[np.uint8], last: Future[None] | None) -> NDArray[np.uint8] | None:
    """A block's memory once the last that is done with it is done; very much of it is not kept."""
    if last is not None:
        last.result()
    return buffer if len(buffer) <= 4 * BLOCK_BYTES else None


def _buffer(size: int) -> NDArray[np.uint8]:
    """Memory for a block that begins on a page; numpy's own arrays begin 16 bytes behind one."""
    return np.frombuffer(mmap.mmap(-1, 2 * PAGE + size), np.uint8)


def _filled(
    source: ByteSource | None, start: int, view: memoryview, piece: int
) -> list[tuple[int, int]]:
    """Fill ``view`` from byte ``start``; the ranges that could not be read."""
    if source is None:
        return [(start, start + len(view))]
    try:
        got = source.read_into(start, view)
    except OSError:
        return _filled_by_pieces(source, start, view, piece)
    return [(start + got, start + len(view))] if got < len(view) else []


def _filled_by_pieces(
    source: ByteSource, start: int, view: memoryview, piece: int
) -> list[tuple[int, int]]:
    """Every piece by itself, so that one bad spot costs one piece."""
    bad: list[tuple[int, int]] = []
    for at in range(0, len(view), piece):
        part = view[at : at + piece]
        try:
            got = source.read_into(start + at, part)
        except OSError:
            got = 0
        if got < len(part):
            bad.append((start + at + got, start + at + len(part)))
    return bad
