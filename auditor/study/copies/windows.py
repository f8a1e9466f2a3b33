"""The same samples in two copies: where a window of one copy's samples lies in the other.

One amplifier feeds both copies, so a window of digital samples is the same in both, bit by bit. A
window is taken from one copy where its values are distinctive, and looked for in the other at
growing distances from where the stamps say it should be. A hit is exact to the sample; a window
that is found twice proves nothing and is not used.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from fractions import Fraction

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.model import Channel, Int64, Recording, StudyFile
from auditor.study.copies.samples import Int32, sample_period, samples_of, signal_channels
from auditor.study.placing import held, in_order

_LEAST, _MOST, _SECONDS = 96, 2048, 2
"""A window holds two seconds, but at least 96 samples (EEG of even a few bits a sample repeats none
of them by chance) and at most 2048."""
_DISTINCT = 20
_TURNS = 12
_NEAR_RATE = Fraction(1, 1000)
"""Sample rates that differ by less than this may be one rate by two clocks."""
_CHUNK = 4_000_000
_NUDGES = (0, 1, 2, 5, 11, 23, 47, 97, 197)


class Anchor(Struct, frozen=True):
    """One sample known in both: ``offset_ns`` after its own file's start, ``instant`` on the axis.

    ``ratio`` is the reference's sample period over the copy's own: how much of the axis one
    nanosecond of the copy's sample count takes. ``sample_ns`` is the reference's sample period.
    """

    offset_ns: int
    instant: int
    ratio: Fraction
    sample_ns: int


class Window(Struct, frozen=True):
    """Distinctive samples of one channel from the start of ``record`` on."""

    key: str
    channel: Channel
    record: int
    samples: Int32


class Reference:
    """Placed files in which windows are looked for."""

    def __init__(self, files: Sequence[StudyFile]) -> None:
        self.files = in_order(f for f in files if f.interval)
        self._starts = [f.start for f in self.files]
        self._ends = [f.end for f in self.files]
        self._longest = max((f.end - f.start for f in self.files), default=0)
        self._channels = [signal_channels(f.recording) for f in self.files]
        self._held = held(self.files)

    def keys(self) -> set[str]:
        """The channels that any file holds."""
        return {key for channels in self._channels for key in channels}

    def near(self, start: int, end: int) -> Iterator[int]:
        """Indices of the files that may hold time in ``[start, end)``."""
        low, high = (bisect_left(self._starts, at) for at in (start - self._longest, end))
        return (index for index in range(low, high) if self._ends[index] > start)

    def holds(self, instants: Int64) -> NDArray[np.bool_]:
        """Whether records cover each of ``instants``, shape (n,)."""
        starts, ends = self._held
        at = np.searchsorted(starts, instants, side="right") - 1
        return np.asarray((at >= 0) & (instants < ends[np.maximum(at, 0)]))

    def find(self, window: Window, own: Recording, guess: int, reach: int) -> Anchor | None:
        """The anchor of ``window`` within ``reach`` of ``guess``; ``None`` if absent or not unique.

        Raises ``OSError`` where a file cannot be read.
        """
        own_period = sample_period(own, window.channel)
        found: Anchor | None = None
        length = int(own_period * len(window.samples))
        for index in self.near(guess - reach, guess + reach + length):
            file, channel = self.files[index], self._channels[index].get(window.key)
            if channel is None:
                continue
            period = sample_period(file.recording, channel)
            ratio = period / own_period
            if abs(ratio - 1) > _NEAR_RATE:
                continue
            low, high = _records_between(file, guess - reach, guess + reach + length)
            for at in _hits(file.recording, channel, low, high, window.samples):
                record, sample = divmod(at, channel.samples_per_record)
                offset = int(file.recording.offsets_ns[record]) + round(sample * period)
                anchor = Anchor(
                    offset_ns=int(own.offsets_ns[window.record]),
                    instant=file.map.instant(offset),
                    ratio=ratio,
                    sample_ns=round(period),
                )
                if found is not None and abs(found.instant - anchor.instant) > anchor.sample_ns:
                    return None
                found = found or anchor
        return found


def _records_between(file: StudyFile, start: int, end: int) -> tuple[int, int]:
    """Record indices ``[low, high)`` that may hold time in ``[start, end)``."""
    rec, anchor = file.recording, file.map.anchor
    # A map's rate differs from 1 by far less than this margin over any study.
    margin = (
        rec.record_ns + abs(end - anchor) // 1000
        if file.map.rate_num != file.map.rate_den
        else rec.record_ns
    )
    low_ns, high_ns = start - anchor - margin, end - anchor + margin
    offsets = rec.offsets_ns
    if bool((np.diff(offsets) >= 0).all()):
        return int(np.searchsorted(offsets, low_ns)), int(np.searchsorted(offsets, high_ns))
    inside = np.flatnonzero((offsets >= low_ns) & (offsets < high_ns))
    return (int(inside[0]), int(inside[-1]) + 1) if len(inside) else (0, 0)


def _hits(rec: Recording, channel: Channel, low: int, high: int, needle: Int32) -> Iterator[int]:
    """Sample indices in the file at which ``needle`` stands, in records ``[low, high)``."""
    per, wanted = channel.samples_per_record, needle.tobytes()
    lap = -(-len(needle) // per)
    step = max(1, _CHUNK // per)
    with samples_of(rec) as read:
        for first in range(low, high, step):
            hay = read(channel, first, min(high, first + step) + lap).tobytes()
            limit = (min(high, first + step) - first) * per * 4
            at = hay.find(wanted)
            while 0 <= at < limit:
                if at % 4 == 0:
                    yield first * per + at // 4
                at = hay.find(wanted, at + 4 - at % 4)


def window_at(own: Recording, keys: set[str], record: int) -> Window | None:
    """The most distinctive window at or soon after ``record``; none where signals are flat.

    Raises ``OSError`` where the file cannot be read.
    """
    channels = sorted((k, c) for k, c in signal_channels(own).items() if k in keys)[:24]
    with samples_of(own) as read:
        for first in (record + nudge for nudge in _NUDGES):
            best: tuple[int, Window] | None = None
            for key, channel in channels:
                length = window_length(own, channel)
                need = -(-length // channel.samples_per_record)
                if first + need > own.records:
                    continue
                samples = read(channel, first, first + need)[:length]
                score = _distinct(samples)
                if score >= _DISTINCT and (best is None or score > best[0]):
                    best = score, Window(key, channel, first, samples)
            if best is not None:
                return best[1]
    return None


def window_length(own: Recording, channel: Channel) -> int:
    """Samples in a window of ``channel``."""
    two_seconds = _SECONDS * NS * channel.samples_per_record // max(own.record_ns, 1)
    return max(_LEAST, min(_MOST, two_seconds))


def _distinct(samples: Int32) -> int:
    """How many different values; 0 for a ramp or a slow wave that any window resembles."""
    steps = np.sign(np.diff(samples.astype(np.int64)))
    turns = int(np.count_nonzero(np.diff(steps[steps != 0])))
    return len(np.unique(samples)) if turns >= _TURNS else 0
