"""From each file's seconds to the study's usable time, channel by channel and hour by hour.

Several copies: the reader can use the better one, so a second is usable where any copy makes it so,
a channel is live where any copy holds it live, and it is in another state only where no copy holds
it live without that state.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from auditor.core import intervals as iv
from auditor.core.intervals import Pair
from auditor.coverage.timeline import clock_hours
from auditor.model import (
    BadStretch,
    ChannelFacts,
    Coverage,
    Int64,
    Interval,
    SignalFacts,
    Study,
    is_reference,
)
from auditor.policy.sections import SignalSettings
from auditor.signal.judging import FLAT, LARGE, MAINS, MAINS_60, NO_SIGNAL, NONE, SATURATED
from auditor.signal.runs import ChannelRuns, Placed, by_key

MOST_CHANNEL_HOURS = 500_000
"""Beyond this no channel is given by the hour, only as a whole: each takes a row and memory.
256 channels over a month are 190,000."""
MOST_STRETCHES = 5000
"""Bad stretches kept; of more than that, the longest."""


_STATES = {"flat": FLAT, "saturated": SATURATED, "mains": MAINS, "large": LARGE}


class ChannelTime(Struct, frozen=True):
    """One channel's time on the axis, as plain pairs, the better copy deciding.

    ``states`` holds the time with signal, flat, saturated, mains and large, by these words.
    """

    label: str
    electrode: str | None
    recorded: Pair
    states: dict[str, Pair]
    at_60: Pair

    @property
    def in_montage(self) -> bool:
        """Whether this is an EEG channel and no reference."""
        return self.electrode is not None and not is_reference(self.electrode)


class _OneChannel:
    """A channel in all files that hold it: the time in which some copy has or has not a flag."""

    def __init__(self, parts: Sequence[ChannelRuns], recorded: Pair) -> None:
        self._parts, self._recorded = parts, recorded
        self._seen = np.bitwise_or.reduce(np.concatenate([part.values for part in parts]))
        self._known: dict[tuple[np.uint8, np.uint8], Pair] = {}

    def where(self, wanted: np.uint8, unwanted: np.uint8) -> Pair:
        """Time with any flag of ``wanted`` (any at all with 0) and none of ``unwanted``."""
        if wanted and not wanted & self._seen:
            return iv.empty()
        asked = wanted, unwanted & self._seen  # most channels have few flags: few are worked out
        if asked not in self._known:
            pairs = [part.where(*asked) for part in self._parts]
            self._known[asked] = iv.intersection(iv.union_of(pairs), self._recorded)
        return self._known[asked]

    def unless_better(self, state: np.uint8) -> Pair:
        """Time in ``state`` less that for which some copy has signal without it."""
        return iv.subtract(self.where(state, NONE), self.where(NONE, NO_SIGNAL | state))


def channel_times(placed: Sequence[Placed], recorded: Pair) -> tuple[ChannelTime, ...]:
    """Every judged channel's time; EEG first, each in the order in which the files name them.

    ``recorded`` is the study's union: what lies in a hole is no time of any channel.
    """
    found = []
    for parts in by_key(placed).values():
        channel, one = parts[0].plan.channel, _OneChannel(parts, recorded)
        signal = {"signal": one.where(NONE, NO_SIGNAL)}
        found.append(
            ChannelTime(
                label=channel.label.strip(),
                electrode=channel.electrode,
                recorded=one.where(NONE, NONE),
                states=signal | {word: one.unless_better(bit) for word, bit in _STATES.items()},
                at_60=one.where(MAINS_60, NONE),
            )
        )
    found.sort(key=lambda c: c.electrode is None)
    return tuple(found)


def enough_time(placed: Sequence[Placed], recorded: Pair, needed: int, without: np.uint8) -> Pair:
    """Time in which ``needed`` channels of any one file are in no state of ``without``."""
    pairs = [one.enough(needed, without) for one in placed]
    return iv.intersection(iv.union_of(pairs), recorded)


def _montages(study: Study) -> list[int]:
    """How many distinct EEG electrodes, references left out, each file with recorded time has."""
    files = (f.recording for f in study.counted if len(f.run_starts))
    names = ({c.electrode for c in recording.eeg_channels} for recording in files)
    return [sum(not is_reference(name) for name in own) for own in names]


def count_channels(study: Study, asked: int | None, settings: SignalSettings) -> tuple[int, int]:
    """(channels needed in a usable second, EEG channels recorded).

    Needed is what the order asks for, else the policy's share of the montage, rounded up. Of files
    with different montages the largest counts, so that no channel lost between them is forgotten.
    """
    montage = max(_montages(study), default=0)
    return asked or max(1, -(-montage * settings.needed_ppm // 1_000_000)), montage


def fewest_channels(study: Study) -> int:
    """The fewest EEG electrodes, references left out, of a counted file with recorded time."""
    return min(_montages(study), default=0)


def summarise(
    placed: Sequence[Placed],
    times: Sequence[ChannelTime],
    channels: tuple[int, int],
    study: Study,
    coverage: Coverage,
    settings: SignalSettings,
) -> SignalFacts:
    """The study's signal facts from scanned files whose flat seconds are marked.

    ``channels`` is (needed, recorded), as ``count_channels`` gives it.
    """
    needed, montage = channels
    recorded = (coverage.union_starts, coverage.union_ends)
    usable = enough_time(placed, recorded, needed, NO_SIGNAL)
    clean = enough_time(placed, recorded, needed, NO_SIGNAL | MAINS | LARGE)
    hours = clock_hours(coverage, study.axis, usable)
    edges, gaps = iv.pair_of(hours), iv.pair_of(coverage.gaps)
    dropouts = iv.subtract(iv.holes(recorded), gaps)
    if len(times) * len(hours) > MOST_CHANNEL_HOURS:
        edges = iv.empty()
    return SignalFacts(
        scanned=True,
        needed_channels=needed,
        usable_ns=iv.total(usable),
        clean_ns=iv.total(clean),
        montage_channels=montage,
        channels=tuple(_facts(time, edges, coverage, recorded, settings) for time in times),
        usable=usable,
        clean=clean,
        longest_usable_run=_longest(usable, dropouts),
        below_minimum_from=_last_of(usable, recorded, coverage, settings),
        bad_stretches=_bad_stretches(times, iv.subtract(recorded, usable), gaps, settings),
    )


def _facts(
    time: ChannelTime, edges: Pair, coverage: Coverage, recorded: Pair, settings: SignalSettings
) -> ChannelFacts:
    states = time.states
    by_hour = [_within(pair, *edges).tolist() for pair in states.values()]
    return ChannelFacts(
        label=time.label,
        electrode=time.electrode,
        **{f"{word}_ns": iv.total(pair) for word, pair in states.items()},
        recorded_ns=iv.total(time.recorded),
        lost_at=_last_of(states["signal"], recorded, coverage, settings),
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
    states = time.states
    clean = iv.subtract(iv.subtract(states["signal"], states["mains"]), states["large"])
    begins = np.append(np.int64(coverage.first_start), clean[1])
    left = iv.total(recorded) - iv.held_before(recorded, begins)
    good = iv.total(clean) - iv.held_before(clean, begins)
    enough = left >= settings.lost_ns
    # Milliseconds: nanoseconds times a million would leave 64 bits after three hours.
    bad_ms, left_ms = (left - good) // 1_000_000, left // 1_000_000
    enough &= bad_ms * 1_000_000 >= left_ms * settings.doubtful_end_ppm
    return int(begins[np.argmax(enough)]) if enough.any() else None


def _longest(usable: Pair, dropouts: Pair) -> Interval | None:
    """The stretch with the most usable time in a row; a dropout does not end one."""
    if not len(usable[0]):
        return None
    starts, ends = iv.union_of((usable, dropouts))
    held = _within(usable, starts, ends)
    at = int(np.argmax(held))
    inside = iv.clip(usable, Interval(int(starts[at]), int(ends[at])))
    return Interval(int(inside[0][0]), int(inside[1][-1]))


def _bad_stretches(
    times: Sequence[ChannelTime], unusable: Pair, gaps: Pair, settings: SignalSettings
) -> tuple[BadStretch, ...]:
    """Stretches of at least the policy's length, in time order.

    Shorter breaks than the policy's are bridged (dropouts too), but never a gap.
    Channels whose stretches begin and end together share one.
    """
    found: dict[tuple[int, int, str], list[str]] = {}
    for start, end in _long(unusable, gaps, settings):
        found[start, end, "few_channels"] = []
    for channel in times:
        if channel.electrode is None:
            continue
        for state in _STATES:
            for start, end in _long(channel.states[state], gaps, settings):
                found.setdefault((start, end, state), []).append(channel.label)
    longest = sorted(found, key=lambda k: (k[0] - k[1], k))[:MOST_STRETCHES]
    return tuple(
        BadStretch(start, end, state, tuple(found[start, end, state]))
        for start, end, state in sorted(longest)
    )


def _long(pair: Pair, gaps: Pair, settings: SignalSettings) -> list[tuple[int, int]]:
    if not len(pair[0]):
        return []
    bridged = iv.joined(pair, settings.stretch_join_ns)
    starts, ends = iv.subtract(bridged, gaps)
    long = ends - starts >= settings.stretch_ns
    return list(zip(starts[long].tolist(), np.asarray(ends[long]).tolist(), strict=True))
