"""The same samples in two copies: where a window of one copy's samples lies in the other.

One amplifier feeds both copies, so a window of digital samples is the same in both, bit by bit. A
window is taken from one copy where its values are distinctive, and looked for in the other at
growing distances from where the stamps say it should be. A hit is exact to the sample; a window
that is found twice proves nothing and is not used.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from auditor.model import Channel, Interval, Recording, StudyFile
from auditor.study.samples import Int32, SampleReader, sample_period, signal_channels
from auditor.units import NS

_LEAST, _MOST, _SECONDS = 96, 2048, 2
"""A window holds two seconds, but at least 96 samples (EEG of even a few bits a sample repeats none
of them by chance) and at most 2048."""
_DISTINCT = 20
_TURNS = 12
_NEAR_RATE = Fraction(1, 1000)
"""Sample rates that differ by less than this may be one rate by two clocks."""
_CHUNK = 4_000_000
_DRIFT_BOUND = Fraction(1, 2000)
"""No crystal is off by more than this (500 ppm; common practice, no source)."""
_MAX_RUNS = 64
"""Files in more runs than this are compared at places spread over them, not in each run."""
_NUDGES = (0, 1, 2, 5, 11, 23, 47, 97, 197)


@dataclass(frozen=True, slots=True)
class Anchor:
    """One sample known in both: ``offset_ns`` after its own file's start, ``instant`` on the axis.

    ``ratio`` is the reference's sample period over the copy's own: how much of the axis one
    nanosecond of the copy's sample count takes. ``sample_ns`` is the reference's sample period.
    """

    offset_ns: int
    instant: int
    ratio: Fraction
    sample_ns: int


@dataclass(frozen=True, slots=True)
class Window:
    """Distinctive samples of one channel from the start of ``record`` on."""

    key: str
    channel: Channel
    record: int
    samples: Int32


class Reference:
    """Placed files in which windows are looked for."""

    def __init__(self, files: Sequence[StudyFile]) -> None:
        placed = [(f.interval, f) for f in files]
        kept = sorted(
            ((i, f) for i, f in placed if i is not None),
            key=lambda p: (p[0].start, p[1].recording.name),
        )
        self.files = [f for _, f in kept]
        self._intervals = [i for i, _ in kept]
        self._starts = [i.start for i, _ in kept]
        self._longest = max((i.duration for i, _ in kept), default=0)
        self._channels = [signal_channels(f.recording) for f in self.files]

    @property
    def span(self) -> Interval:
        """Earliest start to latest end."""
        return Interval(self._starts[0], max(i.end for i in self._intervals))

    def keys(self) -> set[str]:
        """The channels that any file holds."""
        return {key for channels in self._channels for key in channels}

    def near(self, start: int, end: int) -> Iterator[int]:
        """Indices of the files that may hold time in ``[start, end)``."""
        low = bisect_left(self._starts, start - self._longest)
        for index in range(low, len(self.files)):
            if self._starts[index] >= end:
                return
            if self._intervals[index].end > start:
                yield index

    def holds(self, instant: int) -> bool:
        """Whether any file's records cover ``instant``."""
        for index in self.near(instant, instant + 1):
            file = self.files[index]
            if bool(((file.run_starts <= instant) & (instant < file.run_ends)).any()):
                return True
        return False

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
    with SampleReader(rec) as reader:
        for first in range(low, high, step):
            hay = reader.records(channel, first, min(high, first + step) + lap).tobytes()
            limit = (min(high, first + step) - first) * per * 4
            at = hay.find(wanted)
            while 0 <= at < limit:
                if at % 4 == 0:
                    yield first * per + at // 4
                at = hay.find(wanted, at + 4 - at % 4)


def windows(own: Recording, keys: set[str], record: int, most: int = 2) -> list[Window]:
    """The most distinctive windows at or soon after ``record``; empty where signals are flat.

    Raises ``OSError`` where the file cannot be read.
    """
    channels = {k: c for k, c in signal_channels(own).items() if k in keys}
    with SampleReader(own) as reader:
        for nudge in _NUDGES:
            best: list[tuple[int, Window]] = []
            for key, channel in sorted(channels.items())[:24]:
                length = _window(own, channel)
                first, need = record + nudge, -(-length // channel.samples_per_record)
                if first + need > own.records:
                    continue
                samples = reader.records(channel, first, first + need)[:length]
                score = _distinct(samples)
                if score >= _DISTINCT:
                    best.append((score, Window(key, channel, first, samples)))
            if best:
                best.sort(key=lambda b: (-b[0], b[1].key))
                return [w for _, w in best[:most]]
    return []


def _window(own: Recording, channel: Channel) -> int:
    """Samples in a window of ``channel``."""
    two_seconds = _SECONDS * NS * channel.samples_per_record // max(own.record_ns, 1)
    return max(_LEAST, min(_MOST, two_seconds))


def _distinct(samples: Int32) -> int:
    """How many different values; 0 for a ramp or a slow wave that any window resembles."""
    steps = np.sign(np.diff(samples.astype(np.int64)))
    turns = int(np.count_nonzero(np.diff(steps[steps != 0])))
    return len(np.unique(samples)) if turns >= _TURNS else 0


def spread(first: int, last: int, points: int) -> list[int]:
    """``points`` whole numbers from ``first`` to ``last``, the ends among them."""
    if last <= first or points < 2:
        return [first]
    return sorted({first + (last - first) * i // (points - 1) for i in range(points)})


def first_anchor(
    own: Sequence[StudyFile], reference: Reference, reaches: Sequence[int | None]
) -> tuple[int, Anchor] | None:
    """The first place that both hold: (index into ``own``, anchor).

    ``own`` are files placed by their own stamps. Each of ``reaches`` is tried for a few places
    before the next; ``None`` looks everywhere. Raises ``OSError`` where a file cannot be read.
    """
    keys = reference.keys()
    places = _places(own)
    chosen = [(i, windows(own[i].recording, keys, record, 1)) for i, record in places]
    for reach in reaches:
        # Looking everywhere reads a whole channel each time: half of the places must do.
        for index, found in chosen if reach is not None else chosen[:4]:
            for window in found:
                rec = own[index].recording
                guess = own[index].map.instant(int(rec.offsets_ns[window.record]))
                where, far = guess, reach
                if reach is None:
                    span = reference.span
                    where = (span.start + span.end) // 2
                    far = span.duration // 2 + NS
                anchor = reference.find(window, rec, where, far if far is not None else 0)
                if anchor is not None:
                    return index, anchor
    return None


def _places(own: Sequence[StudyFile], most: int = 8) -> list[tuple[int, int]]:
    """Places spread over the copy's records: the middle first, then quarters and the ends."""
    counts = [f.recording.records for f in own]
    total = sum(counts)
    places = []
    for share in (8, 4, 12, 2, 14, 6, 10, 1)[:most]:
        at = total * share // 16
        for index, count in enumerate(counts):
            if at < count:
                places.append((index, at))
                break
            at -= count
    return places


def anchors(
    own: Sequence[StudyFile],
    reference: Reference,
    known: tuple[int, Anchor],
    points: int,
    reaches: Sequence[int],
) -> dict[int, list[Anchor]]:
    """Anchors of every file of ``own`` where the reference holds the same time, by file index.

    ``known`` is a first anchor. Files are walked outwards from it, so that each search starts from
    the clock's offset at the nearest known place. Raises ``OSError`` where a file cannot be read.
    """
    keys = reference.keys()
    start = known[0]
    found: dict[int, list[Anchor]] = {start: [known[1]]}
    each = max(3, min(points, 400 // max(1, len(own))))
    wide_left = 12
    for direction in (range(start, len(own)), range(start - 1, -1, -1)):
        delta, when = _offset_at(own[start], known[1])
        for index in direction:
            file, rec = own[index], own[index].recording
            hits: list[Anchor] = list(found.get(index, []))
            for record in _targets(rec, each):
                for window in windows(rec, keys, record, 1):
                    stamped = file.map.instant(int(rec.offsets_ns[window.record]))
                    guess = stamped - delta
                    near = 2 * NS + int(abs(guess - when) * _DRIFT_BOUND)
                    for reach in (near, *(r for r in reaches if r > near)):
                        if reach > near and (wide_left <= 0 or not reference.holds(guess)):
                            break
                        anchor = reference.find(window, rec, guess, reach)
                        if anchor is not None:
                            hits.append(anchor)
                            delta, when = _offset_at(file, anchor)
                            break
                        wide_left -= reach > near
            if hits:
                unique = {a.offset_ns: a for a in hits}
                found[index] = [unique[k] for k in sorted(unique)]
    return found


def _targets(rec: Recording, each: int) -> list[int]:
    """Records at which to compare: spread over the file, and the ends of each of its runs."""
    tail = max(
        (-(-_window(rec, c) // c.samples_per_record) for c in signal_channels(rec).values()),
        default=1,
    )
    found = set(spread(0, max(0, rec.records - 1 - tail), each))
    breaks = np.flatnonzero(np.diff(rec.offsets_ns) != rec.record_ns) + 1
    if len(breaks) < _MAX_RUNS:
        firsts = [0, *breaks.tolist()]
        lasts = [*breaks.tolist(), rec.records]
        for first, last in zip(firsts, lasts, strict=True):
            found |= {first, max(first, last - 1 - tail)}
    return sorted(found)


def _offset_at(file: StudyFile, anchor: Anchor) -> tuple[int, int]:
    """(clock offset, instant): the file's own stamp less the axis at the anchor."""
    return file.map.instant(anchor.offset_ns) - anchor.instant, anchor.instant


def same_samples(a: StudyFile, b: StudyFile, shared: Interval, points: int = 5) -> bool | None:
    """Whether two files hold the same samples wherever they are compared inside ``shared``.

    ``None`` where they have no channel of one rate in common, or their records never start
    together. Raises ``OSError`` where a file cannot be read.
    """
    mine, theirs = signal_channels(a.recording), signal_channels(b.recording)
    keys = sorted(
        k
        for k in mine.keys() & theirs.keys()
        if sample_period(a.recording, mine[k]) == sample_period(b.recording, theirs[k])
    )
    if not keys:
        return None
    starts = a.map.instants(a.recording.offsets_ns)
    inside = np.flatnonzero(
        (starts >= shared.start) & (starts + a.recording.record_ns <= shared.end)
    )
    if not len(inside):
        return None
    other = b.map.instants(b.recording.offsets_ns)
    compared = 0
    with SampleReader(a.recording) as reader, SampleReader(b.recording) as second:
        for index in spread(0, len(inside) - 1, points):
            record = int(inside[index])
            match = np.flatnonzero(
                (other <= starts[record]) & (other + b.recording.record_ns > starts[record])
            )
            for at in match[:1].tolist():
                into = int(starts[record]) - int(other[at])
                for key in keys[:8]:
                    same = _same_at(reader, mine[key], record, second, theirs[key], at, into)
                    if same is False:
                        return False
                    compared += same is True
    return True if compared else None


def _same_at(
    reader: SampleReader,
    channel: Channel,
    record: int,
    second: SampleReader,
    other: Channel,
    at: int,
    into_ns: int,
) -> bool | None:
    """Whether a record's samples stand in the other file ``into_ns`` after its record ``at``."""
    skip = into_ns / sample_period(second.recording, other)
    if skip.denominator != 1 and abs(skip - round(skip)) > Fraction(1, 100):
        return None  # the two sample grids do not meet
    mine = reader.records(channel, record, record + 1)
    lap = -(-(len(mine) + round(skip)) // other.samples_per_record)
    theirs = second.records(other, at, at + lap)[round(skip) : round(skip) + len(mine)]
    count = min(len(mine), len(theirs))
    return bool((mine[:count] == theirs[:count]).all()) if count else None
