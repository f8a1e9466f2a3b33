"""The same samples in two files: read at a position, compared, and looked for.

One amplifier feeds both copies, so a window of digital samples is the same in both, bit by bit. A
window is taken from one copy where its values are distinctive, and looked for in the other at
growing distances from where the stamps say it should be. A hit is exact to the sample; a window
that is found twice proves nothing and is not used.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from fractions import Fraction
from functools import partial

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.errors import RecordingError
from auditor.core.units import NS
from auditor.edf.source import decoded, open_bytes, read_strided
from auditor.model import ByteSource, Channel, Int64, Interval, Recording, StudyFile
from auditor.study.placing import held, in_order

Int32 = NDArray[np.int32]
_LEAST, _MOST, _SECONDS = 96, 2048, 2
"""A window holds two seconds, but at least 96 samples (EEG of even a few bits a sample repeats none
of them by chance) and at most 2048."""
_DISTINCT = 20
_TURNS = 12
_NEAR_RATE = Fraction(1, 1000)
"""Sample rates that differ by less than this may be one rate by two clocks."""
_CHUNK = 4_000_000
_NUDGES = (0, 1, 2, 5, 11, 23, 47, 97, 197)


def channel_key(channel: Channel) -> str:
    """What names the same channel in two files: the electrode, else the label."""
    return channel.electrode or " ".join(channel.label.lower().split())


def signal_channels(recording: Recording) -> dict[str, Channel]:
    """The ordinary channels by key; of several with one key the first."""
    found: dict[str, Channel] = {}
    for channel in recording.channels:
        if not channel.is_annotation and channel.samples_per_record > 0:
            found.setdefault(channel_key(channel), channel)
    return found


def sample_period(recording: Recording, channel: Channel) -> Fraction:
    """Nanoseconds between two samples, exact."""
    return Fraction(recording.record_ns, channel.samples_per_record)


Read = Callable[[Channel, int, int], Int32]
"""Samples of a channel in records ``[first, last)``, shape (records x samples per record,)."""


@contextmanager
def samples_of(recording: Recording) -> Iterator[Read]:
    """Reads samples of one recording. Raises ``OSError`` where the file cannot be read."""
    try:
        with open_bytes(recording) as source:
            yield partial(_records, recording, source)
    except RecordingError as error:
        raise OSError(error.problem) from error


def _records(rec: Recording, source: ByteSource, channel: Channel, first: int, last: int) -> Int32:
    first, last = max(0, first), min(last, rec.records)
    if last <= first:
        return np.empty(0, np.int32)
    count = (last - first) * channel.samples_per_record
    at, width = rec.data_offset + first * rec.record_bytes + channel.offset, rec.sample_bytes
    raw = read_strided(
        source, at, channel.samples_per_record * width, rec.record_bytes, last - first
    )
    if len(raw) < count * width:
        raise OSError("the file is shorter than it was")
    return decoded(np.frombuffer(b"\0" + raw, np.uint8), 1, count, width).astype(np.int32)


def spread(first: int, last: int, points: int) -> list[int]:
    """``points`` whole numbers from ``first`` to ``last``, the ends among them."""
    if last <= first or points < 2:
        return [first]
    return sorted({first + (last - first) * i // (points - 1) for i in range(points)})


def same_bytes(a: Recording, b: Recording) -> bool:
    """Whether two files are taken as byte for byte one (``Recording.likeness``)."""
    return a.likeness is not None and a.likeness == b.likeness


def same_samples(a: StudyFile, b: StudyFile, shared: Interval, points: int = 5) -> bool:
    """Whether two files hold the same samples wherever they are compared inside ``shared``.

    Nothing can be compared where they have no channel of one rate in common, or their records never
    start together. Raises ``OSError`` where a file cannot be read.
    """
    mine, theirs = signal_channels(a.recording), signal_channels(b.recording)
    keys = sorted(
        k
        for k in mine.keys() & theirs.keys()
        if sample_period(a.recording, mine[k]) == sample_period(b.recording, theirs[k])
    )
    starts = a.map.instants(a.recording.offsets_ns)
    inside = np.flatnonzero(
        (starts >= shared.start) & (starts + a.recording.record_ns <= shared.end)
    )
    if not keys or not len(inside):
        return False
    other = b.map.instants(b.recording.offsets_ns)
    compared = 0
    with samples_of(a.recording) as first, samples_of(b.recording) as second:
        for index in spread(0, len(inside) - 1, points):
            record = int(inside[index])
            match = np.flatnonzero(
                (other <= starts[record]) & (other + b.recording.record_ns > starts[record])
            )
            for at in match[:1].tolist():
                into = int(starts[record]) - int(other[at])
                for key in keys[:8]:
                    skip = into / sample_period(b.recording, theirs[key])
                    if skip.denominator != 1 and abs(skip - round(skip)) > Fraction(1, 100):
                        continue  # the two sample grids do not meet
                    own = first(mine[key], record, record + 1)
                    lap = -(-(len(own) + round(skip)) // theirs[key].samples_per_record)
                    copy = second(theirs[key], at, at + lap)[round(skip) : round(skip) + len(own)]
                    if not np.array_equal(own[: len(copy)], copy):
                        return False
                    compared += len(copy) > 0
    return compared > 0


# ---------------------------------------------------------------- windows


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
