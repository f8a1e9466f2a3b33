"""From a block of raw bytes to the states of every channel and second in it."""

from __future__ import annotations

import mmap
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64, Recording
from auditor.policy.signal import SignalSettings
from auditor.signal.states import (
    QUIET,
    Flags,
    Float32,
    Group,
    Samples,
    hum_share,
    judge_range,
    mark_hum,
)
from auditor.units import NS

PAGE = mmap.PAGESIZE
HUM_ROOM = 1 << 18
"""Samples turned to floats at a time: they stay in the processor's cache."""


@dataclass(slots=True)
class Workspace:
    """One worker's reused memory. ``buffer`` starts on a page.

    A read from a page-aligned place in a file into memory that does not start on a page is several
    times slower; numpy's own arrays do not start on one.
    """

    buffer: memoryview = field(default_factory=lambda: memoryview(b""))
    page: NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))
    wide: NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    floats: Float32 = field(default_factory=lambda: np.empty(0, np.float32))

    def bytes_for(self, size: int) -> memoryview:
        """A writable buffer of ``size`` bytes that starts on a page."""
        if len(self.buffer) < size:
            # One page more in front: the 24-bit decoder looks at the byte before a sample.
            whole = memoryview(mmap.mmap(-1, PAGE + size))
            self.page = np.frombuffer(whole, np.uint8)
            self.buffer = whole[PAGE:]
        return self.buffer[:size]

    def samples(self, count: int, sample_bytes: int) -> Samples:
        """The first ``count`` samples of the buffer, shape (count,); valid until the next call.

        24-bit samples (BDF, little-endian two's complement) are read as the upper bytes of 32-bit
        values that begin one byte earlier, and shifted down, which keeps their sign.
        """
        if sample_bytes == 2:
            return np.ndarray((count,), "<i2", self.page, PAGE)
        above = np.ndarray((count,), "<i4", self.page, PAGE - 1, (3,))
        if len(self.wide) < count:
            self.wide = np.empty(count, np.int32)
        values = self.wide[:count]
        np.right_shift(above, 8, out=values)
        return values

    def float_room(self, count: int) -> Float32:
        """Room for ``count`` floats."""
        if len(self.floats) < count:
            self.floats = np.empty(count, np.float32)
        return self.floats


@dataclass(frozen=True, slots=True)
class NestedLayout:
    """Where each second's samples lie, for records of a whole number of seconds.

    ``pieces`` (n,) are the first samples, inside a record, of every second of every judged channel
    and of whatever lies between; ``places`` has one entry per group: the pieces of its channels,
    shape (channels x seconds,), in channel order.
    """

    seconds: int
    record_samples: int
    pieces: Int64
    places: tuple[Int64 | slice, ...]


def nested_layout(recording: Recording, groups: tuple[Group, ...]) -> NestedLayout | None:
    """The layout, or ``None`` where seconds do not nest evenly in records."""
    seconds, rest = divmod(recording.record_ns, NS)
    if rest or any(g.samples_per_record % seconds for g in groups):
        return None
    starts = {0}
    firsts = []
    for group in groups:
        length = group.samples_per_record // seconds
        first = group.offset_samples
        mine = first + length * np.arange(group.channels * seconds)
        firsts.append(mine)
        starts.update(mine.tolist())
        starts.add(first + group.channels * group.samples_per_record)
    record_samples = recording.record_bytes // recording.sample_bytes
    pieces = np.array(sorted(s for s in starts if s < record_samples), np.int64)
    places: list[Int64 | slice] = []
    for mine in firsts:
        at = np.searchsorted(pieces, mine)
        # Pieces of neighbours are neighbours: a view instead of a copy.
        places.append(slice(int(at[0]), int(at[0]) + len(at)))
    return NestedLayout(seconds, record_samples, pieces, tuple(places))


def judge_nested(
    flat: Samples,
    records: int,
    layout: NestedLayout,
    groups: tuple[Group, ...],
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """States of whole records: ``flat`` (records x record samples,), ``out`` (seconds, channels).

    Each record holds a whole number of seconds; ``out`` is written.
    """
    starts = (np.arange(records)[:, None] * layout.record_samples + layout.pieces).ravel()
    lowest = np.minimum.reduceat(flat, starts).reshape(records, -1)
    highest = np.maximum.reduceat(flat, starts).reshape(records, -1)
    for group, place in zip(groups, layout.places, strict=True):
        low = _by_second(lowest[:, place], group.channels, layout.seconds)
        high = _by_second(highest[:, place], group.channels, layout.seconds)
        length = group.samples_per_record // layout.seconds
        views = _seconds_view(flat, records, layout, group, length)

        def at_limits(
            rows: Int64, columns: Int64, views: Samples = views, group: Group = group
        ) -> Int64:
            record, second = np.divmod(rows, layout.seconds)
            values = views[record, columns, second]
            beyond = (values <= group.low[columns, None]) | (values >= group.high[columns, None])
            return np.asarray(beyond.sum(axis=1), np.int64)

        counts = np.full(len(low), length, np.int64)
        mine = out[:, group.columns]
        judge_range(low, high, counts, group, at_limits, settings, mine)
        if group.mains_hz:
            _hum_nested(views, low, high, group, settings, space, mine)


def _hum_nested(
    views: Samples,
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    group: Group,
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """Hum in blocks of records. ``views`` is (records, channels, seconds, samples)."""
    records, _, seconds, _ = views.shape
    wanted = views[:, group.hum_columns]
    low, high = low[:, group.hum_columns], high[:, group.hum_columns]
    per_record = max(1, wanted[0].size)
    step = max(1, HUM_ROOM // per_record)
    room = space.float_room(step * per_record)
    for first in range(0, records, step):
        end = min(records, first + step)
        rows = slice(first * seconds, end * seconds)
        shape = (end - first, seconds, -1)
        share = hum_share(
            wanted[first:end],
            low[rows].reshape(shape).swapaxes(1, 2),
            high[rows].reshape(shape).swapaxes(1, 2),
            group,
            room,
        )
        by_second = share.swapaxes(1, 2).reshape((end - first) * seconds, -1)
        mark_hum(by_second, group, settings, out[rows])


def _by_second(reduced: Samples, channels: int, seconds: int) -> NDArray[np.int32]:
    """(records, channels x seconds) to (records x seconds, channels)."""
    values = reduced.astype(np.int32)
    if seconds == 1:
        return values
    split = values.reshape(-1, channels, seconds).swapaxes(1, 2)
    return np.ascontiguousarray(split).reshape(-1, channels)


def _seconds_view(
    flat: Samples, records: int, layout: NestedLayout, group: Group, length: int
) -> Samples:
    """A group's samples without a copy, shape (records, channels, seconds, samples)."""
    size = flat.itemsize
    return np.ndarray(
        (records, group.channels, layout.seconds, length),
        flat.dtype,
        flat,
        group.offset_samples * size,
        (layout.record_samples * size, group.samples_per_record * size, length * size, size),
    )


def judge_stream(
    stream: Samples,
    bounds: Int64,
    whole: NDArray[np.bool_],
    group: Group,
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """States of seconds that lie anyhow in records.

    ``stream`` (channels, samples) is each channel's samples in file order; ``bounds``
    (seconds + 1,) are the seconds' first samples in it; ``whole`` (seconds,) says which are a full
    second long; ``out`` (seconds, channels) is written. A last bit of a second in which no sample
    starts keeps the judgement of the second before it.
    """
    counts = np.diff(bounds)
    held = np.flatnonzero(counts)
    if not len(held):
        out[:] = QUIET
        return
    starts, mine = bounds[held], np.zeros((len(held), group.channels), np.uint8)
    used = stream[:, : bounds[-1]]
    low = np.minimum.reduceat(used, starts, axis=1).T.astype(np.int32)
    high = np.maximum.reduceat(used, starts, axis=1).T.astype(np.int32)

    def at_limits(rows: Int64, columns: Int64) -> Int64:
        found = np.zeros(len(rows), np.int64)
        for column in np.unique(columns):
            values = used[column]
            beyond = (values <= group.low[column]) | (values >= group.high[column])
            sums = np.add.reduceat(beyond, starts, dtype=np.int64)
            here = columns == column
            found[here] = sums[rows[here]]
        return found

    judge_range(low, high, counts[held], group, at_limits, settings, mine)
    if group.mains_hz:
        _hum_stream(
            used, starts, counts[held], whole[held], low, high, group, settings, space, mine
        )
    # Seconds without a sample repeat the one before.
    out[:] = mine[np.maximum(np.cumsum(counts > 0) - 1, 0)]


def _hum_stream(
    stream: Samples,
    starts: Int64,
    counts: Int64,
    whole: NDArray[np.bool_],
    low: NDArray[np.int32],
    high: NDArray[np.int32],
    group: Group,
    settings: SignalSettings,
    space: Workspace,
    out: Flags,
) -> None:
    """Hum in whole seconds, those of one length together, in blocks."""
    wanted = stream[group.hum_columns]
    for length in np.unique(counts[whole]).tolist():
        rows = np.flatnonzero(whole & (counts == length))
        step = max(1, HUM_ROOM // (length * len(wanted)))
        room = space.float_room(step * length * len(wanted))
        for first in range(0, len(rows), step):
            here = rows[first : first + step]
            values = wanted[:, starts[here][:, None] + np.arange(length)]
            share = hum_share(
                values,
                low[here][:, group.hum_columns].T,
                high[here][:, group.hum_columns].T,
                group,
                room,
            )
            marked = out[here]
            mark_hum(share.T, group, settings, marked)
            out[here] = marked
