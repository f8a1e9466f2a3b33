"""Stretches of seconds in one state: what a file's flags come down to, channel by channel."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core import intervals as iv
from auditor.core.intervals import Pair
from auditor.model import Int64, StudyFile, is_reference
from auditor.policy.sections import SignalSettings
from auditor.signal.channels import Plan
from auditor.signal.judging import FLAT, QUIET, Flags
from auditor.signal.scan import FileScan

Bools = NDArray[np.bool_]
Int32 = NDArray[np.int32]


def _stretches(seconds: Pair, values: NDArray[np.generic]) -> Int32:
    """First second of each stretch of equal ``values`` (seconds,) whose seconds lie in a row."""
    starts, ends = seconds
    if not len(starts):
        return np.empty(0, np.int32)
    new = values[1:] != values[:-1]
    new |= starts[1:] != ends[:-1]
    return np.append(0, np.flatnonzero(new) + 1).astype(np.int32)


@dataclass(slots=True)
class ChannelRuns:
    """One channel of one file as stretches with the same flags.

    ``values`` and ``first`` (each stretch's first second) have shape (stretches,); ``seconds`` are
    the starts and ends of the file's seconds on the study axis, shape (seconds,). What follows
    from them is worked out when asked for: a channel that flickers has very many stretches.
    """

    plan: Plan
    values: Flags
    first: Int32
    seconds: Pair

    @property
    def end(self) -> Int32:
        """The second after each stretch's last."""
        return np.append(self.first[1:], np.int32(len(self.seconds[0])))[: len(self.first)]

    def times(self) -> Pair:
        """Start and end of each stretch on the study axis (not a plain pair: they touch)."""
        starts, ends = self.seconds
        return starts[self.first], ends[self.end - 1]

    def where(self, wanted: np.uint8, unwanted: np.uint8) -> Pair:
        """Time with any flag of ``wanted`` (any time at all with 0) and none of ``unwanted``."""
        chosen = (self.values & unwanted) == 0
        if wanted:
            chosen &= (self.values & wanted) != 0
        starts, ends = self.seconds
        return iv.union(starts[self.first[chosen]], ends[self.end[chosen] - 1])


class Placed(Struct, frozen=True):
    """A scanned file on the study axis: its seconds, and its channels' stretches."""

    file: StudyFile
    scan: FileScan
    seconds: Pair
    channels: tuple[ChannelRuns, ...]

    def enough(self, needed: int, without: np.uint8) -> Pair:
        """The seconds in which so many EEG channels are in no state of ``without``.

        References (ears, mastoids) are not counted.
        """
        starts, ends = self.seconds
        change = np.zeros(len(starts) + 1, np.int32)
        for channel in self.channels:
            electrode = channel.plan.channel.electrode
            if electrode is not None and not is_reference(electrode):
                good = (channel.values & without) == 0
                change[channel.first[good]] += 1
                change[channel.end[good]] -= 1
        enough = np.cumsum(change[:-1]) >= needed
        return iv.union(starts[enough], ends[enough])


def place(file: StudyFile, scan: FileScan) -> Placed:
    """A scanned file on the study axis; flat time is not marked yet."""
    starts, ends = (file.map.instants(times) for times in scan.grid.times())
    seconds = starts, np.maximum(starts, ends)
    channels = []
    for column, plan in enumerate(scan.plans):
        flags = scan.flags[:, column]
        first = _stretches(seconds, flags)
        channels.append(ChannelRuns(plan, flags[first], first, seconds))
    return Placed(file, scan, seconds, tuple(channels))


def mark_flat(placed: Sequence[Placed], settings: SignalSettings) -> None:
    """Set ``FLAT`` on quiet stretches that last for the policy's time, channel by channel.

    A copy's stretches are taken in time order through all its files: a hole, in which nothing says
    that the signal changed, neither ends quiet time nor adds to it.
    """
    copies: dict[str | None, list[Placed]] = {}
    for one in placed:
        if len(one.seconds[0]):
            copies.setdefault(one.file.copy, []).append(one)
    for files in copies.values():
        files.sort(key=lambda one: int(one.seconds[0][0]))
        for parts in by_key(files).values():
            quiet = np.concatenate([(p.values & QUIET) != 0 for p in parts])
            lengths = np.concatenate([ends - starts for starts, ends in (p.times() for p in parts)])
            flat = _lasting(quiet, lengths, settings.flat_ns)
            at = 0
            for part in parts:
                part.values |= flat[at : at + len(part.values)] * FLAT
                at += len(part.values)


def by_key(placed: Sequence[Placed]) -> dict[str, list[ChannelRuns]]:
    """Channel key -> that channel in each file that holds it, in the order of ``placed``."""
    found: dict[str, list[ChannelRuns]] = {}
    for one in placed:
        for channel in one.channels:
            found.setdefault(channel.plan.key, []).append(channel)
    return found


def _lasting(chosen: Bools, lengths: Int64, least_ns: int) -> Bools:
    """``chosen`` without neighbours that together last less than ``least_ns``; shapes (n,)."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], chosen, [False]))))
    first, end = edges[::2], edges[1::2]
    total = np.concatenate(([0], np.cumsum(lengths)))
    kept = total[end] - total[first] >= least_ns
    lasting = chosen.copy()
    lasting[chosen] = np.repeat(kept, end - first)
    return lasting
