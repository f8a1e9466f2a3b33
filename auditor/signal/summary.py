"""From each file's seconds to the study's usable time, channel by channel and hour by hour.

Several copies: the reader can use the better one, so a second is usable where any copy makes it so,
a channel is live where any copy holds it live, and it is in another state only where no copy holds
it live without that state.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from auditor import intervals as iv
from auditor.coverage import clock_hours
from auditor.intervals import Pair
from auditor.model import (
    ChannelFacts,
    Coverage,
    Int64,
    Interval,
    SignalFacts,
    Study,
    StudyFile,
)
from auditor.policy.signal import SignalSettings
from auditor.signal.reading import FileScan
from auditor.signal.states import FLAT, HUM, LARGE, NOT_LIVE, QUIET, RAILED, Flags
from auditor.signal.stretches import bad_stretches
from auditor.units import MINUTE

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Placed:
    """A scanned file with its seconds on the study axis: ``starts``, ``ends`` (seconds,)."""

    file: StudyFile
    scan: FileScan
    starts: Int64
    ends: Int64

    @property
    def flags(self) -> Flags:
        """The file's flags, shape (seconds, judged channels)."""
        return self.scan.flags

    def pair(self, chosen: Bools) -> Pair:
        """The seconds that ``chosen`` (seconds,) names, as a plain pair."""
        picked = np.flatnonzero(chosen)
        if not len(picked):
            return iv.empty()
        new = np.append(True, (np.diff(picked) > 1) | (self._apart[picked[1:] - 1]))
        first = np.flatnonzero(new)
        last = np.append(first[1:], len(picked)) - 1
        return iv.union(self.starts[picked[first]], self.ends[picked[last]])

    @property
    def _apart(self) -> Bools:
        apart: Bools = self.starts[1:] != self.ends[:-1]
        return apart


def place(file: StudyFile, scan: FileScan) -> Placed:
    """A scanned file on the study axis."""
    starts, ends = (file.map.instants(times) for times in scan.grid.times())
    return Placed(file, scan, starts, np.maximum(starts, ends))


@dataclass(frozen=True, slots=True)
class ChannelTime:
    """One channel's time on the axis, as plain pairs, the better copy deciding."""

    key: str
    label: str
    electrode: str | None
    recorded: Pair
    live: Pair
    flat: Pair
    railed: Pair
    hum: Pair
    large: Pair


def mark_flat(placed: Sequence[Placed], settings: SignalSettings) -> None:
    """Set ``FLAT`` on quiet seconds that last for the policy's time, channel by channel.

    The seconds of one copy are taken in time order through all its files: a hole, in which nothing
    says that the signal changed, neither ends such a stretch nor adds to it.
    """
    copies: dict[str | None, list[Placed]] = {}
    for one in placed:
        if len(one.starts):
            copies.setdefault(one.file.copy, []).append(one)
    for files in copies.values():
        files.sort(key=lambda one: int(one.starts[0]))
        for columns in _columns_by_key(files).values():
            parts = [(files[i], column) for i, column in columns]
            quiet = np.concatenate([(f.flags[:, c] & QUIET) != 0 for f, c in parts])
            lengths = np.concatenate([f.ends - f.starts for f, _ in parts])
            flat = _lasting(quiet, lengths, settings.flat_ns)
            at = 0
            for one, column in parts:
                here = flat[at : at + len(one.starts)]
                one.flags[:, column] |= here * FLAT
                at += len(one.starts)


def _columns_by_key(files: Sequence[Placed]) -> dict[str, list[tuple[int, int]]]:
    """Channel key -> (file, column) of each file that holds it, in the order of ``files``."""
    found: dict[str, list[tuple[int, int]]] = {}
    for index, one in enumerate(files):
        for column, plan in enumerate(one.scan.plans):
            found.setdefault(plan.key, []).append((index, column))
    return found


def _lasting(chosen: Bools, lengths: Int64, least_ns: int) -> Bools:
    """``chosen`` without its stretches shorter than ``least_ns``; all shapes (seconds,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], chosen, [False]))))
    first, end = edges[::2], edges[1::2]
    total = np.concatenate(([0], np.cumsum(lengths)))
    kept = total[end] - total[first] >= least_ns
    out = np.zeros(len(chosen) + 1, np.int8)
    out[first[kept]] += 1
    out[end[kept]] -= 1
    return np.cumsum(out[:-1], dtype=np.int8).astype(np.bool_)


def channel_times(placed: Sequence[Placed], recorded: Pair) -> tuple[ChannelTime, ...]:
    """Every judged channel's time; EEG first, each in the order in which the files name them.

    ``recorded`` is the study's union: what lies in a hole is no time of any channel.
    """
    found = []
    for key, columns in _columns_by_key(placed).items():
        parts = [(placed[i], column) for i, column in columns]

        def where(test: Callable[[Flags], Bools], parts: list[tuple[Placed, int]] = parts) -> Pair:
            pairs = [one.pair(test(one.flags[:, column])) for one, column in parts]
            return iv.intersection(_together(pairs), recorded)

        live = where(lambda f: (f & NOT_LIVE) == 0)
        plan = parts[0][0].scan.plans[parts[0][1]]
        found.append(
            ChannelTime(
                key=key,
                label=plan.channel.label.strip(),
                electrode=plan.channel.electrode,
                recorded=where(lambda f: np.ones(len(f), np.bool_)),
                live=live,
                flat=iv.subtract(where(lambda f: (f & FLAT) != 0), live),
                railed=iv.subtract(where(lambda f: (f & RAILED) != 0), live),
                hum=_unless_better(where, HUM),
                large=_unless_better(where, LARGE),
            )
        )
    found.sort(key=lambda c: c.electrode is None)
    return tuple(found)


def _unless_better(where: Callable[[Callable[[Flags], Bools]], Pair], state: np.uint8) -> Pair:
    """Time in ``state`` less the time for which some copy is live without it."""
    held = where(lambda f: (f & state) != 0)
    return (
        iv.subtract(held, where(lambda f: (f & (NOT_LIVE | state)) == 0)) if len(held[0]) else held
    )


def _together(pairs: Iterable[Pair]) -> Pair:
    held = list(pairs)
    if len(held) == 1:
        return held[0]
    return iv.union(np.concatenate([p[0] for p in held]), np.concatenate([p[1] for p in held]))


def usable_time(placed: Sequence[Placed], recorded: Pair, minimum_channels: int) -> Pair:
    """The plain pair of usable time: enough live EEG channels in one second of any one file."""
    pairs = [iv.empty()]
    for one in placed:
        eeg = [c for c, plan in enumerate(one.scan.plans) if plan.channel.is_eeg]
        live = np.zeros(len(one.starts), np.int32)
        for column in eeg:
            live += (one.flags[:, column] & NOT_LIVE) == 0
        pairs.append(one.pair(live >= minimum_channels))
    return iv.intersection(_together(pairs), recorded)


def summarise(
    placed: Sequence[Placed],
    study: Study,
    coverage: Coverage,
    minimum_channels: int,
    settings: SignalSettings,
) -> SignalFacts:
    """The study's signal facts from scanned files whose flat seconds are marked."""
    recorded = (coverage.union_starts, coverage.union_ends)
    usable = usable_time(placed, recorded, minimum_channels)
    hours = clock_hours(coverage, study.axis, usable)
    edges = np.array([(h.start, h.end) for h in hours], np.int64).reshape(-1, 2)
    times = channel_times(placed, recorded)
    gaps = _gaps(coverage)
    seams = iv.subtract(iv.holes(recorded), gaps)
    channels = tuple(_facts(time, edges, coverage, recorded, settings) for time in times)
    return SignalFacts(
        scanned=True,
        minimum_channels=minimum_channels,
        usable_ns=iv.total(usable),
        channels=channels,
        usable_starts=usable[0],
        usable_ends=usable[1],
        longest_usable_run=_longest(usable, seams),
        below_minimum_from=_last_of(usable, recorded, coverage, settings),
        bad_stretches=bad_stretches(times, iv.subtract(recorded, usable), gaps, settings),
        usable_minutes=_minutes(usable, recorded),
    )


def _facts(
    time: ChannelTime,
    edges: Int64,
    coverage: Coverage,
    recorded: Pair,
    settings: SignalSettings,
) -> ChannelFacts:
    states = (time.live, time.flat, time.railed, time.hum, time.large)
    by_hour = [_within(pair, edges[:, 0], edges[:, 1]).tolist() for pair in states]
    live, flat, railed, hum, large = (iv.total(pair) for pair in states)
    return ChannelFacts(
        label=time.label,
        electrode=time.electrode,
        live_ns=live,
        flat_ns=flat,
        railed_ns=railed,
        hum_ns=hum,
        large_ns=large,
        recorded_ns=iv.total(time.recorded),
        lost_at=_last_of(time.live, recorded, coverage, settings),
        hourly=tuple(zip(*by_hour, strict=True)),
        doubtful_from=_doubtful_from(time, recorded, coverage, settings),
    )


def _within(pair: Pair, starts: Int64, ends: Int64) -> Int64:
    return iv.held_before(pair, ends) - iv.held_before(pair, starts)


def _last_of(
    good: Pair, recorded: Pair, coverage: Coverage, settings: SignalSettings
) -> int | None:
    """The end of the last ``good`` time, where enough recorded time without it follows."""
    last = int(good[1][-1]) if len(good[1]) else coverage.first_start
    after = iv.total(iv.clip(recorded, Interval(last, coverage.last_end)))
    return last if after >= settings.lost_ns else None


def _doubtful_from(
    time: ChannelTime, recorded: Pair, coverage: Coverage, settings: SignalSettings
) -> int | None:
    """The earliest end of clean time after which nearly all is doubtful until the end.

    Clean is live without hum and not too large. A second or two that passes for clean does not
    mean that an electrode was put back, so a share decides.
    """
    clean = iv.subtract(iv.subtract(time.live, time.hum), time.large)
    begins = np.append(np.int64(coverage.first_start), clean[1])
    left = iv.total(recorded) - iv.held_before(recorded, begins)
    good = iv.total(clean) - iv.held_before(clean, begins)
    enough = left >= settings.lost_ns
    # Milliseconds: nanoseconds times a million would leave 64 bits after three hours.
    bad_ms, left_ms = (left - good) // 1_000_000, left // 1_000_000
    enough &= bad_ms * 1_000_000 >= left_ms * settings.doubtful_end_ppm
    return int(begins[np.argmax(enough)]) if enough.any() else None


def _gaps(coverage: Coverage) -> Pair:
    bounds = np.array([(g.start, g.end) for g in coverage.gaps], np.int64).reshape(-1, 2)
    return bounds[:, 0], bounds[:, 1]


def _longest(usable: Pair, seams: Pair) -> Interval | None:
    """The stretch with the most usable time in a row; a seam does not end one."""
    if not len(usable[0]):
        return None
    starts, ends = _together((usable, seams))
    held = _within(usable, starts, ends)
    at = int(np.argmax(held))
    inside = iv.clip(usable, Interval(int(starts[at]), int(ends[at])))
    return Interval(int(inside[0][0]), int(inside[1][-1]))


def _minutes(usable: Pair, recorded: Pair) -> tuple[tuple[int, int], ...]:
    """Minutes (of the axis) of whose recorded time some but not all is usable."""
    ends = np.concatenate((usable[0], usable[1] - 1))
    starts = np.unique(ends // MINUTE) * MINUTE
    good = _within(usable, starts, starts + MINUTE)
    partly = (good > 0) & (good < _within(recorded, starts, starts + MINUTE))
    return tuple(zip(starts[partly].tolist(), good[partly].tolist(), strict=True))
