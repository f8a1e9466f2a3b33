"""What order and logs support in any part of the study: the level of monitoring, and video.

Both are judged on recorded time, also where usable time is what is counted: a lapse in time
that nobody could read is a lapse all the same.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Literal

import numpy as np
from msgspec import Struct

from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.intervals import Pair
from auditor.model import Coverage, Int64, Interval, Monitoring, MonitoringLevel, Video
from auditor.policy.billing import BillingSettings, SplitRule

LEVELS: tuple[MonitoringLevel, ...] = ("unmonitored", "intermittent", "continuous")
"""Levels of monitoring, lowest first."""


class Choices(Struct, frozen=True):
    """One answer to each open question. ``Choices.of`` gives the policy's own.

    ``ends``: the time to the first check and from the last one must keep the limits too.
    ``period_start_ns`` is the fixed hour at which each period starts, ``None`` for the first
    record's start; with a fixed hour each period is banded by itself.
    """

    split: SplitRule
    period_start_ns: int | None
    gap_tolerance_ns: int
    restart_moves_clock: bool
    lapse_lowers: Literal["period", "study"]
    ends: bool
    video_by: Literal["study", "period"]
    monitoring_as_ordered: bool
    video_as_ordered: bool
    once: bool = False
    """Whether one report over a time without whole-study code carries the day codes."""

    @classmethod
    def of(cls, settings: BillingSettings) -> Choices:
        """The policy's answers."""
        return cls(
            split=settings.split.default,
            period_start_ns=settings.period_start_ns,
            gap_tolerance_ns=settings.gaps.tolerance_ns,
            restart_moves_clock=settings.restart.moves_clock,
            lapse_lowers=settings.lapse.lowers,
            ends=settings.ends.needed,
            video_by=settings.video_share.by,
            monitoring_as_ordered=settings.undocumented.monitoring == "as_ordered",
            video_as_ordered=settings.undocumented.video == "as_ordered",
        )


class Facts(Struct, frozen=True):
    """What is known of the study. ``pair`` is the time that counts: recorded, or usable."""

    coverage: Coverage
    axis: Axis
    pair: Pair
    ordered_video: bool | None
    ordered_level: MonitoringLevel | None
    monitoring: Monitoring | None
    video: Video | None
    restarts: tuple[int, ...]
    video_log_taken: bool = True

    @property
    def recorded(self) -> Pair:
        """Recorded time, also where usable time is what is counted."""
        return self.coverage.union_starts, self.coverage.union_ends

    def counted(self, choices: Choices) -> Pair:
        """The time that counts, with gaps below the tolerance closed."""
        if not choices.gap_tolerance_ns:
            return self.pair
        return iv.joined(self.pair, choices.gap_tolerance_ns)

    def clock_starts(self, choices: Choices) -> tuple[int, ...]:
        """Restarts that begin a new clock."""
        return self.restarts if choices.restart_moves_clock else ()


class Support:
    """Levels of monitoring and video that ``facts`` support under ``choices``.

    ``levels`` and ``videos`` take parts of the study and answer for each.
    """

    def __init__(self, facts: Facts, choices: Choices) -> None:
        self._facts = facts
        self._choices = choices
        self._recorded = facts.recorded
        log = facts.monitoring
        documented = log is not None and log.supported is not None
        self._lapses: dict[MonitoringLevel, Pair] | None = None
        if log is not None and documented:
            self._lapses = {
                level: iv.intersection(self._recorded, _pair(broken))
                for level, broken in (log.not_shown if choices.ends else log.not_shown_between)
            }
        self._video: Pair | None = None
        if facts.video is not None:
            self._video = iv.intersection(self._recorded, _pair(facts.video.stretches))

    def levels(self, extents: Sequence[Interval]) -> list[MonitoringLevel]:
        """The level that order and log support in each of ``extents``."""
        ordered = self._facts.ordered_level or LEVELS[0]
        if ordered == LEVELS[0]:
            return [ordered] * len(extents)
        if self._lapses is None:
            level = ordered if self._choices.monitoring_as_ordered else LEVELS[0]
            return [level] * len(extents)
        if self._choices.lapse_lowers == "study":
            extents = [self._facts.coverage.span] * len(extents)
        shown = np.zeros(len(extents), np.int64)  # index into LEVELS
        for index in range(1, LEVELS.index(ordered) + 1):
            lapses = self._lapses.get(LEVELS[index])
            if lapses is not None:
                shown[held_in(lapses, extents) == 0] = index
            elif self._choices.monitoring_as_ordered:
                # No log of checks can show this level; it stands where the one below it does.
                shown[shown == index - 1] = index
        return [LEVELS[i] for i in shown.tolist()]

    def videos(self, extents: Sequence[Interval], *, by_study: bool = False) -> list[bool]:
        """Whether the codes with video are supported in each of ``extents``."""
        video = self._facts.video
        if not self._facts.ordered_video:
            return [False] * len(extents)
        if video is None or self._video is None:
            return [self._choices.video_as_ordered] * len(extents)
        if by_study or self._choices.video_by == "study":
            return [video.meets] * len(extents)
        held, recorded = held_in(self._video, extents), held_in(self._recorded, extents)
        # Exactly the share is enough. Python integers: a product may leave 64 bits.
        return [
            h * 1_000_000 >= r * video.threshold_ppm
            for h, r in zip(held.tolist(), recorded.tolist(), strict=True)
        ]


def held_in(pair: Pair, extents: Sequence[Interval]) -> Int64:
    """How much of ``pair`` lies in each of ``extents``, shape (n,), in nanoseconds."""
    starts = np.array([e.start for e in extents], np.int64)
    ends = np.array([e.end for e in extents], np.int64)
    return iv.held_before(pair, ends) - iv.held_before(pair, starts)


def _pair(intervals: Sequence[Interval]) -> Pair:
    return iv.union(
        np.array([i.start for i in intervals], np.int64),
        np.array([i.end for i in intervals], np.int64),
    )
