"""Blocks of seconds of one file: cut, read and judged."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.model import ByteSource, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.blocks import Workspace, judge_stream
from auditor.signal.grid import Grid, grid_of
from auditor.signal.nested import Place, judge_nested, nested_places
from auditor.signal.scales import MIN_RATE, Plan, plan_channels
from auditor.signal.states import REPEAT, UNREAD, Flags, Group, Samples, groups_of
from auditor.signal.timekeeping import stamp_place

BLOCK_BYTES = 16 << 20
"""Bytes read at a time, in whole records. With less, two threads mostly wait for each other: numpy
lets go of the interpreter in each call, and to take it back costs more than a short call takes
(measured)."""
LARGEST_BLOCK = 32 << 20
"""Files whose records, or whose seconds, are larger are read channel by channel."""
_CHANNEL_BYTES = 8 << 20


@dataclass(slots=True)
class FileScan:
    """One file's states as they are found.

    ``flags`` has shape (seconds, judged channels), bits of ``auditor.signal.states``; 0 until there
    is something to say of a second. ``unread`` are byte ranges that could not be read, ``changed``
    says that the file is no longer what it was when its records were counted, ``failure`` why it
    could not be opened again. ``stamps`` (records, bytes) are the bytes with which records state
    their starts and ``seen`` (records,) says which were read.
    """

    recording: Recording
    grid: Grid
    plans: tuple[Plan, ...]
    groups: tuple[Group, ...]
    places: tuple[Place, ...] | None
    flags: Flags
    stamp_place: slice | None
    stamps: NDArray[np.uint8]
    seen: NDArray[np.bool_]
    unread: list[tuple[int, int]] = field(default_factory=list)
    changed: bool = False
    failure: str = ""

    @property
    def data_bytes(self) -> int:
        """Bytes of the counted records: what a scan reads."""
        return self.recording.records * self.recording.record_bytes if self.plans else 0


@dataclass(frozen=True, slots=True)
class Block:
    """Seconds ``[first, end)`` of one file, judged in one go; ``size`` bytes of progress.

    Their samples lie in records ``[first_record, end_record)``.
    """

    scan: FileScan
    first: int
    end: int
    first_record: int
    end_record: int
    size: int


def prepare(recording: Recording, settings: SignalSettings) -> FileScan:
    """A file's grid and channels, nothing read yet."""
    plans = plan_channels(recording, settings)
    if not plans:
        # Without a channel to judge the grid has no use, and a hostile header could make it huge.
        recording = replace(recording, offsets_ns=recording.offsets_ns[:0])
    grid = grid_of(recording)
    groups = groups_of(plans, recording.sample_bytes)
    places = None
    if plans and not _huge(recording) and all(p.rate >= MIN_RATE for p in plans):
        places = nested_places(recording, groups)
    stamped = None if _huge(recording) else stamp_place(recording)
    width = 0 if stamped is None else stamped.stop - stamped.start
    return FileScan(
        recording=recording,
        grid=grid,
        plans=plans,
        groups=groups,
        places=places,
        # Each channel's seconds lie in a row: they are looked through channel by channel later.
        # Zeros that are never written take no memory, and most channels hold long runs of them.
        flags=np.zeros((len(plans), len(grid)), np.uint8).T,
        stamp_place=stamped,
        stamps=np.zeros((recording.records, width), np.uint8),
        seen=np.zeros(recording.records, np.bool_),
    )


def blocks_of(scan: FileScan) -> Iterator[Block]:
    """The file's seconds in blocks of about ``BLOCK_BYTES``, in file order."""
    grid, recording = scan.grid, scan.recording
    if not len(grid):
        return
    if _huge(recording):
        rate = max(p.rate for p in scan.plans) * recording.sample_bytes
        step = max(1, int(_CHANNEL_BYTES / rate))
        cuts = np.arange(0, len(grid), step)
    else:
        records = max(1, BLOCK_BYTES // recording.record_bytes)
        # A block begins with the first second that begins in its records.
        cuts = grid.first_seconds(np.arange(0, recording.records, records))
    ends = np.append(cuts[1:], len(grid))
    begins, after = grid.records(cuts)[0], grid.records(ends - 1)[1]
    sizes = np.diff(np.append(begins, recording.records)) * recording.record_bytes
    columns = (array.tolist() for array in (cuts, ends, begins, after, sizes))
    for values in zip(*columns, strict=True):
        yield Block(scan, *values)


def _huge(recording: Recording) -> bool:
    if recording.record_ns <= 0:
        return False
    second = recording.record_bytes * NS / recording.record_ns
    return max(second, recording.record_bytes) > LARGEST_BLOCK


def judge(block: Block, source: ByteSource, settings: SignalSettings, space: Workspace) -> None:
    """Read one block and write its states into the file's flags."""
    if _huge(block.scan.recording):
        _judge_by_channel(block, source, settings, space)
    else:
        _judge_whole_records(block, source, settings, space)


def give_up(block: Block) -> None:
    """Mark the seconds of a block that cannot be read, because its file could not be opened."""
    block.scan.flags[block.first : block.end] = UNREAD


def settle(scan: FileScan) -> None:
    """Once all blocks are judged: seconds that repeat the one before take what it turned out as."""
    if scan.places is not None:  # every second holds samples
        return
    for states in scan.flags.T:
        repeats = states == REPEAT
        if repeats.any():
            known = np.where(repeats, 0, np.arange(len(states)))
            states[:] = states[np.maximum.accumulate(known)]


def _judge_whole_records(
    block: Block, source: ByteSource, settings: SignalSettings, space: Workspace
) -> None:
    scan, grid = block.scan, block.scan.grid
    recording = scan.recording
    first, end = block.first_record, block.end_record
    bad = _read_records(scan, source, first, end, space)
    _take_stamps(scan, first, end, space)
    flat = space.samples(
        (end - first) * recording.record_bytes // recording.sample_bytes, recording.sample_bytes
    )
    out = scan.flags[block.first : block.end]
    if scan.places is not None:
        for group, place in zip(scan.groups, scan.places, strict=True):
            mine = out[:, group.columns]
            judge_nested(flat, end - first, place, group, settings, space.hum, mine)
    else:
        records = flat.reshape(end - first, -1)
        for group in scan.groups:
            stream = _gathered(records, group)
            bounds = grid.bounds(block.first, block.end, group.samples_per_record)
            judge_stream(
                stream,
                bounds - first * group.samples_per_record,
                grid.whole(block.first, block.end),
                group,
                settings,
                space,
                out[:, group.columns],
            )
    for low, high in bad:
        scan.seen[low:high] = False
        begins, after = grid.records(np.arange(block.first, block.end))
        out[(begins < high) & (after > low)] = UNREAD


def _take_stamps(scan: FileScan, first: int, end: int, space: Workspace) -> None:
    place, size = scan.stamp_place, scan.recording.record_bytes
    if place is not None:
        scan.stamps[first:end] = space.raw(end - first, size)[:, place]
        scan.seen[first:end] = True


def _gathered(records: Samples, group: Group) -> Samples:
    """(records, record samples) to the group's (channels, records x samples)."""
    count, each = len(records), group.samples_per_record
    first = group.offset_samples
    mine = records[:, first : first + group.channels * each].reshape(count, group.channels, each)
    stream: Samples = np.empty((group.channels, count, each), records.dtype)
    np.copyto(stream, mine.swapaxes(0, 1))
    return stream.reshape(group.channels, -1)


def _read_records(
    scan: FileScan, source: ByteSource, first: int, end: int, space: Workspace
) -> list[tuple[int, int]]:
    """Read records ``[first, end)`` into the buffer; the record ranges that could not be read."""
    recording = scan.recording
    size = recording.record_bytes
    start = recording.data_offset + first * size
    buffer = space.bytes_for((end - first) * size)
    try:
        got = source.read_into(start, buffer)
    except OSError:
        return _read_one_by_one(scan, source, first, end, space)
    if got == len(buffer):
        return []
    scan.unread.append((start + got, start + len(buffer)))
    return [(first + got // size, end)]


def _read_one_by_one(
    scan: FileScan, source: ByteSource, first: int, end: int, space: Workspace
) -> list[tuple[int, int]]:
    """After a failed read: every record by itself, so that one bad spot costs one record."""
    size = scan.recording.record_bytes
    buffer = space.bytes_for((end - first) * size)
    bad = []
    for record in range(first, end):
        start = scan.recording.data_offset + record * size
        part = buffer[(record - first) * size : (record - first + 1) * size]
        try:
            got = source.read_into(start, part)
        except OSError:
            got = 0
        if got < size:
            scan.unread.append((start + got, start + size))
            bad.append((record, record + 1))
    return bad


def _judge_by_channel(
    block: Block, source: ByteSource, settings: SignalSettings, space: Workspace
) -> None:
    """Huge records: only one channel's samples of these seconds at a time."""
    scan = block.scan
    for group in scan.groups:
        bounds = scan.grid.bounds(block.first, block.end, group.samples_per_record)
        for index in range(group.channels):
            single = group.only(index)
            out = scan.flags[block.first : block.end, single.columns]
            if _read_channel(scan, source, single, int(bounds[0]), int(bounds[-1]), space):
                stream = space.samples(int(bounds[-1] - bounds[0]), scan.recording.sample_bytes)
                judge_stream(
                    stream.reshape(1, -1),
                    bounds - bounds[0],
                    scan.grid.whole(block.first, block.end),
                    single,
                    settings,
                    space,
                    out,
                )
            else:
                out[:] = UNREAD


def _read_channel(
    scan: FileScan, source: ByteSource, group: Group, first: int, end: int, space: Workspace
) -> bool:
    """Samples ``[first, end)`` of a group of one channel into the buffer; whether all came."""
    recording, each = scan.recording, group.samples_per_record
    size = recording.sample_bytes
    buffer = space.bytes_for((end - first) * size)
    done = 0
    while first < end:
        record, within = divmod(first, each)
        count = min(end - first, each - within)
        start = recording.data_offset + record * recording.record_bytes
        start += (group.offset_samples + within) * size
        part = buffer[done : done + count * size]
        try:
            got = source.read_into(start, part)
        except OSError:
            got = 0
        if got < len(part):
            scan.unread.append((start + got, start + len(part)))
            return False
        done += len(part)
        first += count
    return True
