"""One pass over the samples of a study's files, on a few threads, in bounded memory."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import AbstractContextManager

from auditor.core.errors import RecordingError
from auditor.core.progress import Progress
from auditor.edf.source import LocalFile, open_bytes
from auditor.model import ByteSource, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.blocks import Workspace
from auditor.signal.reading import Block, FileScan, blocks_of, give_up, judge, settle

Opener = Callable[[Recording], AbstractContextManager[ByteSource]]
"""Opens a recording's bytes."""


def scan_files(
    scans: Sequence[FileScan],
    settings: SignalSettings,
    workers: int,
    progress: Progress,
    opener: Opener = open_bytes,
) -> None:
    """Fill the flags of all ``scans``.

    An error or an interrupt stops every thread after the block in hand and passes through.
    """
    progress.stage("signal", sum(s.data_bytes for s in scans))
    blocks = _Shared(scans)
    stop = threading.Event()

    def work() -> None:
        space, reader = Workspace(), _Reader(opener)
        try:
            while not stop.is_set() and (block := blocks.take()) is not None:
                source = reader.source_of(block.scan)
                if source is None:
                    give_up(block)
                else:
                    judge(block, source, settings, space)
                progress.advance(block.size)
        finally:
            reader.close()

    count = max(1, workers)
    with ThreadPoolExecutor(count, thread_name_prefix="signal") as pool:
        try:
            for future in [pool.submit(work) for _ in range(count)]:
                future.result()
        finally:
            stop.set()
    for scan in scans:
        settle(scan)


class _Shared:
    """The blocks of all files in order; several threads take from it."""

    def __init__(self, scans: Sequence[FileScan]) -> None:
        self._blocks = self._all(scans)
        self._lock = threading.Lock()

    @staticmethod
    def _all(scans: Sequence[FileScan]) -> Iterator[Block]:
        for scan in scans:
            yield from blocks_of(scan)

    def take(self) -> Block | None:
        """The next block, or ``None`` at the end."""
        with self._lock:
            return next(self._blocks, None)


class _Reader:
    """One thread's open file: the one that its last block lay in."""

    def __init__(self, opener: Opener) -> None:
        self._opener = opener
        self._scan: FileScan | None = None
        self._opened: AbstractContextManager[ByteSource] | None = None
        self._source: ByteSource | None = None

    def source_of(self, scan: FileScan) -> ByteSource | None:
        """The source of ``scan``, or ``None`` where it cannot be opened (noted in ``scan``)."""
        if scan is self._scan:
            return self._source
        self.close()
        self._scan = scan
        try:
            self._opened = self._opener(scan.recording)
            self._source = self._opened.__enter__()
        except (RecordingError, OSError) as error:
            scan.failure = str(error)
            self._opened = self._source = None
            return None
        if self._source.size != scan.recording.size_bytes:
            scan.changed = True
        return self._source

    def close(self) -> None:
        """Close what is open; note whether the file changed meanwhile."""
        if self._opened is not None and self._scan is not None:
            if isinstance(self._source, LocalFile) and self._source.changed() is not None:
                self._scan.changed = True
            self._opened.__exit__(None, None, None)
        self._scan = self._opened = self._source = None
