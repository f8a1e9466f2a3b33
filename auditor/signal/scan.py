"""One file's seconds, and their states as its blocks come in.

Seconds are counted in file time from the start of each *run*: records that follow one another. A
second is made of the samples that start in it, from however many records hold them, so records of
0.1 s, 0.333333 s, 1 s or 30 s give the same grid. What is left at a run's end is a last, shorter
second, judged on what is there and counted at its true length.
"""

from __future__ import annotations

from contextlib import suppress
from itertools import product
from math import gcd

import numpy as np
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.core.intervals import distinct
from auditor.core.units import NS
from auditor.edf.source import Samples, decoded, open_bytes, read_exactly
from auditor.inputs.once import BLOCK_BYTES, Block, Cut, plain_cuts
from auditor.model import ByteSource, Int64, Recording
from auditor.policy.sections import SignalSettings
from auditor.signal.channels import Group, groups_of, plan_channels
from auditor.signal.judging import REPEAT, UNREAD, Flags, judge_records, judge_stream

LARGEST_RECORD = 32 << 20
"""Files whose records, or whose seconds, are larger are judged channel by channel, by reads of
their own beside the one pass, so that memory stays bounded."""
_CHANNEL_BYTES = 8 << 20
_JITTER_NS = 50_000_000
"""Onsets written with few digits make neighbouring records seem to lie a little apart or to
overlap. Up to this much, and at most a tenth of a record, does not begin a new run; the grid
follows the onsets all the same, and a hole is never counted as time."""


class Grid(Struct, frozen=True):
    """A file's seconds in file order, held by its runs; arrays have shape (runs,).

    ``run_first`` is each run's first record, ``run_end`` the record after its last, ``run_second``
    its first second. ``offsets`` (records,) are the records' starts after the header's start.
    """

    record_ns: int
    offsets: Int64
    run_first: Int64
    run_end: Int64
    run_second: Int64
    seconds: int

    def __len__(self) -> int:
        return self.seconds

    def _runs(self, seconds: Int64) -> tuple[Int64, Int64]:
        """Each second's run, and its number in that run."""
        run = np.searchsorted(self.run_second, seconds, side="right") - 1
        return run, seconds - self.run_second[run]

    def records(self, seconds: Int64) -> tuple[Int64, Int64]:
        """The first record that holds samples of each second, and the record after the last."""
        run, number = self._runs(seconds)
        begin = self.run_first[run] + number * NS // self.record_ns
        after = self.run_first[run] - (-(number + 1) * NS // self.record_ns)
        return begin, np.minimum(after, self.run_end[run])

    def first_seconds(self, records: Int64) -> Int64:
        """The first second that begins in or after each of ``records``, ascending, no two alike."""
        run = np.maximum(np.searchsorted(self.run_first, records, side="right") - 1, 0)
        inside = (records - self.run_first[run]) * self.record_ns
        found = self.run_second[run] - (-inside // NS)
        return distinct(found[found < self.seconds])

    def whole(self, first: int, end: int) -> NDArray[np.bool_]:
        """Whether each second of ``[first, end)`` is a whole one: a run's last may be shorter."""
        run, number = self._runs(np.arange(first, end))
        length = (self.run_end[run] - self.run_first[run]) * self.record_ns
        full: NDArray[np.bool_] = (number + 1) * NS <= length
        return full

    def times(self) -> tuple[Int64, Int64]:
        """Start and end of every second, nanoseconds after the file's header start."""
        if not self.seconds:
            return np.empty(0, np.int64), np.empty(0, np.int64)
        run, number = self._runs(np.arange(self.seconds))
        at, rest = np.divmod(number * NS, self.record_ns)
        starts = self.offsets[self.run_first[run] + at] + rest
        last = np.append(self.run_second[1:], self.seconds) - 1
        ends = np.append(starts[1:], 0)
        ends[last] = self.offsets[self.run_end - 1] + self.record_ns
        return starts, ends

    def bounds(self, first: int, end: int, samples_per_record: int) -> Int64:
        """First sample of each second ``first .. end`` (inclusive), shape (end - first + 1,).

        Samples are counted from the file's first record, at ``samples_per_record``. Sample ``i`` of
        a run starts ``i * record_ns / samples_per_record`` after the run does; a second holds the
        samples that start in it.
        """
        run, number = self._runs(np.arange(first, min(end + 1, self.seconds)))
        step, per = NS * samples_per_record, self.record_ns
        common = gcd(step, per)
        step, per = step // common, per // common
        highest = int(number.max(initial=0))
        if highest * step + per > np.iinfo(np.int64).max:
            within = np.array([-(-int(k) * step // per) for k in number], np.int64)
        else:
            within = -(-number * step // per)
        found = self.run_first[run] * samples_per_record + within
        if end + 1 > self.seconds:
            found = np.append(found, np.int64(len(self.offsets) * samples_per_record))
        return found


def grid_of(recording: Recording) -> Grid:
    """The grid of a recording's counted records; empty where its records hold no time."""
    offsets, length = recording.offsets_ns, recording.record_ns
    if not len(offsets) or length <= 0:
        none = np.empty(0, np.int64)
        return Grid(length, offsets, none, none, none, 0)
    jitter = min(_JITTER_NS, length // 10)
    apart = np.abs(np.diff(offsets) - length) > jitter
    run_first = np.append(0, np.flatnonzero(apart) + 1).astype(np.int64)
    run_end = np.append(run_first[1:], len(offsets))
    seconds = -(-(run_end - run_first) * length // NS)
    run_second = np.cumsum(seconds) - seconds
    return Grid(length, offsets, run_first, run_end, run_second, int(seconds.sum()))


class FileScan:
    """One file's states as they are found; nothing is read to begin with.

    ``flags`` has shape (seconds, judged channels), bits of ``auditor.signal.judging``; 0 until
    there is something to say of a second. ``nested`` is the number of seconds that nest evenly in
    each record, 0 where they do not. ``cuts`` are the blocks in which the file is to be read: the
    header, then for each of ``parts`` the block that holds these seconds, then what is behind.
    """

    def __init__(self, recording: Recording, settings: SignalSettings) -> None:
        self.settings, self.plans = settings, plan_channels(recording, settings)
        if not self.plans:
            # Without a channel to judge the grid has no use: a hostile header could make it huge.
            recording = replace(recording, offsets_ns=recording.offsets_ns[:0])
        self.recording, self.grid, huge = recording, grid_of(recording), _huge(recording)
        self.groups = groups_of(self.plans, recording.sample_bytes, single=huge)
        seconds, rest = divmod(recording.record_ns, NS)
        uneven = rest or any(p.channel.samples_per_record % seconds for p in self.plans)
        self.nested = 0 if huge or uneven else seconds
        # Each channel's seconds lie in a row: they are looked through channel by channel later.
        # Zeros that are never written take no memory, and most channels hold long runs of them.
        self.flags: Flags = np.zeros((len(self.plans), len(self.grid)), np.uint8).T
        self.cuts, self.parts = _cuts(recording, None if huge else self.grid)

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
