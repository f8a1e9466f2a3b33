"""A worker's memory, and seconds that lie anyhow in records."""

from __future__ import annotations

import mmap
from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64
from auditor.policy.signal import SignalSettings
from auditor.signal.hum import HumRoom, mark_hum
from auditor.signal.scales import MIN_RATE
from auditor.signal.states import QUIET, REPEAT, Flags, Group, Samples, judge_extremes

PAGE = mmap.PAGESIZE
_WORTH = 8
"""Seconds in a row, on average, from which on they are worth a call of their own."""
_DECODED = 1 << 19
"""24-bit samples decoded at a time (measured)."""
_STRETCH = 1 << 20
"""Samples of seconds whose hum is judged in one go."""


@dataclass(slots=True)
class Workspace:
    """One worker's reused memory. ``buffer`` starts on a page.

    A read from a page-aligned place in a file into memory that does not start on a page is several
    times slower; numpy's own arrays do not start on one.
    """

    buffer: memoryview = field(default_factory=lambda: memoryview(b""))
    page: NDArray[np.uint8] = field(default_factory=lambda: np.empty(0, np.uint8))
    wide: NDArray[np.int32] = field(default_factory=lambda: np.empty(0, np.int32))
    hum: HumRoom = field(default_factory=HumRoom)

    def bytes_for(self, size: int) -> memoryview:
        """A writable buffer of ``size`` bytes that starts on a page."""
        if len(self.buffer) < size:
            # One page more in front: the 24-bit decoder looks at the byte before a sample.
            whole = memoryview(mmap.mmap(-1, PAGE + size))
            self.page = np.frombuffer(whole, np.uint8)
            self.buffer = whole[PAGE:]
        return self.buffer[:size]

    def raw(self, records: int, record_bytes: int) -> NDArray[np.uint8]:
        """The buffer's bytes as (records, record_bytes), without a copy."""
        return self.page[PAGE : PAGE + records * record_bytes].reshape(records, record_bytes)

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
        for first in range(0, count, _DECODED):  # the copy is still in the cache for the shift
            part = values[first : first + _DECODED]
            np.copyto(part, above[first : first + _DECODED])
            np.right_shift(part, 8, out=part)
        return values


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
    second long; ``out`` (seconds, channels) is written. A second in which no sample starts keeps
    the judgement of the one before it. Of channels with fewer than ``MIN_RATE`` samples in a
    second three samples in a row tell whether they change.
    """
    counts = np.diff(bounds)
    held = np.flatnonzero(counts)
    if not len(held):
        out[:] = REPEAT
        return
    starts, used = bounds[held], stream[:, : bounds[-1]]
    low = np.minimum.reduceat(used, starts, axis=1).astype(np.int32)
    high = np.maximum.reduceat(used, starts, axis=1).astype(np.int32)

    def at_limits(channels: Int64, seconds: Int64) -> Int64:
        found = np.zeros(len(channels), np.int64)
        for channel in np.unique(channels):
            limits = group.limits.of(np.array([channel]))
            beyond = (used[channel] <= limits.low[0]) | (used[channel] >= limits.high[0])
            here = channels == channel
            found[here] = np.add.reduceat(beyond, starts, dtype=np.int64)[seconds[here]]
        return found

    flags = judge_extremes(low, high, counts[held], group.limits, at_limits, settings)
    if group.rate < MIN_RATE:
        flags &= ~QUIET
        flags |= _three_alike(used, group.limits.quiet)[:, starts] * QUIET
    if group.mains_hz:
        _hum_stream(used, starts, counts[held], whole[held], group, settings, space.hum, flags)
    out[: held[0]] = REPEAT
    out[held[0] :] = flags.T[np.cumsum(counts[held[0] :] > 0) - 1]


def _three_alike(stream: Samples, quiet: NDArray[np.int32]) -> NDArray[np.bool_]:
    """Which samples belong to three or more in a row that hardly change; shape as ``stream``.

    ``stream`` is (channels, samples), ``quiet`` (channels, 1) the most that is no change.
    """
    alike = np.abs(np.diff(stream.astype(np.int32), axis=1)) <= quiet
    three = alike[:, :-1] & alike[:, 1:]
    found = np.zeros(stream.shape, np.bool_)
    for shift in range(3):
        found[:, shift : shift + three.shape[1]] |= three
    return found


def _hum_stream(
    stream: Samples,
    starts: Int64,
    counts: Int64,
    whole: NDArray[np.bool_],
    group: Group,
    settings: SignalSettings,
    room: HumRoom,
    out: Flags,
) -> None:
    """Hum in whole seconds, those of one length together. ``out`` is (channels, seconds)."""
    columns = group.hum_columns
    wanted = stream[columns]
    for length in np.unique(counts[whole]).tolist():
        step = max(1, _STRETCH // (length * len(wanted)))
        for rows in _stretches(np.flatnonzero(whole & (counts == length)), step):
            if len(rows) == rows[-1] - rows[0] + 1:  # neighbours: their samples lie in a row
                begin = starts[rows[0]]
                values = wanted[:, begin : begin + len(rows) * length]
                values = values.reshape(len(wanted), len(rows), length)
            else:
                values = wanted[:, starts[rows][:, None] + np.arange(length)]
            marked = out[columns, rows]
            mark_hum(values[None], group, settings, room, marked[None])
            out[columns, rows] = marked


def _stretches(rows: Int64, most: int) -> Iterator[Int64]:
    """``rows`` (ascending) in parts of at most ``most``: neighbours where they are long enough."""
    cuts = np.flatnonzero(np.diff(rows) > 1) + 1
    parts = [rows] if len(cuts) > len(rows) // _WORTH else np.split(rows, cuts)
    for part in parts:
        for first in range(0, len(part), most):
            yield part[first : first + most]
