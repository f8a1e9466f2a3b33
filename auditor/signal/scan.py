"""One file's states as its blocks come in: where they are cut, what is judged of each."""

from __future__ import annotations

from contextlib import suppress
from dataclasses import dataclass
from itertools import product

import numpy as np
from msgspec.structs import replace

from auditor.core.errors import RecordingError
from auditor.core.units import NS
from auditor.edf.source import Samples, decoded, open_bytes, read_exactly
from auditor.inputs.once import BLOCK_BYTES, Block, Cut, plain_cuts
from auditor.model import ByteSource, Int64, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.channels import Group, Plan, groups_of, plan_channels
from auditor.signal.grid import Grid, grid_of
from auditor.signal.judging import REPEAT, UNREAD, Flags, judge_records, judge_stream

LARGEST_RECORD = 32 << 20
"""Files whose records, or whose seconds, are larger are judged channel by channel, by reads of
their own beside the one pass, so that memory stays bounded."""
_CHANNEL_BYTES = 8 << 20


@dataclass(slots=True)
class FileScan:
    """One file's states as they are found.

    ``flags`` has shape (seconds, judged channels), bits of ``auditor.signal.judging``; 0 until
    there is something to say of a second. ``nested`` is the number of seconds that nest evenly in
    each record, 0 where they do not. ``cuts`` are the blocks in which the file is to be read: the
    header, then for each of ``parts`` the block that holds these seconds, then what is behind.
    """

    recording: Recording
    settings: SignalSettings
    grid: Grid
    plans: tuple[Plan, ...]
    groups: tuple[Group, ...]
    nested: int
    flags: Flags
    cuts: list[Cut]
    parts: list[tuple[int, int]]

    @property
    def huge(self) -> bool:
        """Whether the file is judged by reads of its own, and not in blocks."""
        return bool(self.plans) and _huge(self.recording)

    def judge(self, block: Block) -> None:
        """Judge the seconds that begin in one block. Safe to call from several threads."""
        if not 0 < block.number <= len(self.parts):
            return
        first, end = self.parts[block.number - 1]
        recording, size = self.recording, self.recording.record_bytes
        low, high = (found.tolist() for found in self.grid.records(np.array([first, end - 1])))
        first_record, end_record = low[0], high[1]
        at = block.first + recording.data_offset + first_record * size - block.cut.start
        count = (end_record - first_record) * size // recording.sample_bytes
        flat = decoded(block.page, at, count, recording.sample_bytes)
        records = flat.reshape(end_record - first_record, -1)
        out = self.flags[first:end]
        for group in self.groups:
            mine = out[:, group.columns]
            if self.nested:
                judge_records(records, group, self.nested, self.settings, mine)
            else:
                bounds = self.grid.bounds(first, end, group.samples_per_record)
                judge_stream(
                    _gathered(records, group),
                    bounds - first_record * group.samples_per_record,
                    self.grid.whole(first, end),
                    group,
                    self.settings,
                    mine,
                )
        if block.bad:
            begins, after = self.grid.records(np.arange(first, end))
            for low_byte, high_byte in block.bad:
                spoiled = (low_byte - recording.data_offset) // size
                last = -((recording.data_offset - high_byte) // size)
                out[(begins < last) & (after > spoiled)] = UNREAD

    def settle(self) -> None:
        """Once all blocks are judged: huge records by reads of their own, then repeats.

        Seconds that repeat the one before take what it turned out as.
        """
        if self.huge:
            self._judge_by_channel()
        if self.nested:  # every second holds samples
            return
        for states in self.flags.T:
            repeats = states == REPEAT
            if repeats.any():
                known = np.where(repeats, 0, np.arange(len(states)))
                states[:] = states[np.maximum.accumulate(known)]

    def _judge_by_channel(self) -> None:
        """One channel's samples of some seconds at a time, each by its own read."""
        rate = max(p.rate for p in self.plans) * self.recording.sample_bytes
        step = max(1, int(_CHANNEL_BYTES / rate))
        self.flags[:] = UNREAD  # until it is read
        with suppress(RecordingError, OSError), open_bytes(self.recording) as source:
            for group, first in product(self.groups, range(0, len(self.grid), step)):
                end = min(first + step, len(self.grid))
                bounds = self.grid.bounds(first, end, group.samples_per_record)
                low, high = int(bounds[0]), int(bounds[-1])
                with suppress(OSError):
                    stream = _channel(self.recording, source, group, low, high)
                    whole, out = self.grid.whole(first, end), self.flags[first:end, group.columns]
                    judge_stream(stream, bounds - low, whole, group, self.settings, out)


def prepare(recording: Recording, settings: SignalSettings) -> FileScan:
    """A file's grid, channels and blocks; nothing is read yet."""
    plans = plan_channels(recording, settings)
    if not plans:
        # Without a channel to judge the grid has no use, and a hostile header could make it huge.
        recording = replace(recording, offsets_ns=recording.offsets_ns[:0])
    grid = grid_of(recording)
    huge = _huge(recording)
    seconds, rest = divmod(recording.record_ns, NS)
    nested = not (rest or huge or any(p.channel.samples_per_record % seconds for p in plans))
    cuts, parts = _cuts(recording, grid if not huge else None)
    return FileScan(
        recording=recording,
        settings=settings,
        grid=grid,
        plans=plans,
        groups=groups_of(plans, recording.sample_bytes, single=huge),
        nested=seconds if nested else 0,
        # Each channel's seconds lie in a row: they are looked through channel by channel later.
        # Zeros that are never written take no memory, and most channels hold long runs of them.
        flags=np.zeros((len(plans), len(grid)), np.uint8).T,
        cuts=cuts,
        parts=parts,
    )


def _cuts(recording: Recording, grid: Grid | None) -> tuple[list[Cut], list[tuple[int, int]]]:
    """The header, blocks that begin with the first second that begins in their records, the rest.

    Their samples may reach into the records of the next block. Without a grid nothing is judged.
    """
    if grid is None or not len(grid):
        return plain_cuts(recording.size_bytes), []
    step = max(1, BLOCK_BYTES // recording.record_bytes)
    firsts = grid.first_seconds(np.arange(0, recording.records, step))
    ends = np.append(firsts[1:], len(grid))

    def byte(records: Int64) -> list[int]:
        return [recording.data_offset + r * recording.record_bytes for r in records.tolist()]

    starts, reaches = byte(grid.records(firsts)[0]), byte(grid.records(ends - 1)[1])
    behind = reaches[-1]
    cuts = [
        Cut(start, end, max(end, reach))
        for start, end, reach in zip(starts, [*starts[1:], behind], reaches, strict=True)
    ]
    return (
        [
            Cut(0, recording.data_offset, recording.data_offset),
            *cuts,
            *plain_cuts(recording.size_bytes, behind),
        ],
        list(zip(firsts.tolist(), ends.tolist(), strict=True)),
    )


def _huge(recording: Recording) -> bool:
    if recording.record_ns <= 0:
        return False
    second = recording.record_bytes * NS / recording.record_ns
    return max(second, recording.record_bytes) > LARGEST_RECORD


def _gathered(records: Samples, group: Group) -> Samples:
    """(records, record samples) to the group's (channels, records x samples)."""
    count, each = len(records), group.samples_per_record
    first = group.offset_samples
    mine = records[:, first : first + group.channels * each].reshape(count, group.channels, each)
    stream: Samples = np.empty((group.channels, count, each), records.dtype)
    np.copyto(stream, mine.swapaxes(0, 1))
    return stream.reshape(group.channels, -1)


def _channel(
    recording: Recording, source: ByteSource, group: Group, first: int, end: int
) -> Samples:
    """Samples ``[first, end)`` of a group of one channel, shape (1, n). Raises ``OSError``."""
    size, each = recording.sample_bytes, group.samples_per_record
    parts, at = [b"\0"], first  # one byte before the samples
    while at < end:
        record, within = divmod(at, each)
        count = min(end - at, each - within)
        start = recording.data_offset + record * recording.record_bytes
        start += (group.offset_samples + within) * size
        parts.append(read_exactly(source, start, count * size))
        if len(parts[-1]) < count * size:
            raise OSError("the file is shorter than it was")
        at += count
    page = np.frombuffer(b"".join(parts), np.uint8)
    return decoded(page, 1, end - first, size).reshape(1, -1)
