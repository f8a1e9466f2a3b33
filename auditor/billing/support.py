"""What is known of a study, and what order and logs support in any part of it.

Monitoring and video are judged on recorded time, also where usable time is what is counted: a lapse
in time that nobody could read is a lapse all the same.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from msgspec import Struct

from auditor.billing.setup import SetupChannels
from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.intervals import Pair
from auditor.core.units import PPM
from auditor.model import (
    Coverage,
    Int64,
    Interval,
    LogRead,
    Monitoring,
    MonitoringLevel,
    Order,
    Video,
)
from auditor.policy.billing import BillingSettings

LEVELS: tuple[MonitoringLevel, ...] = ("unmonitored", "intermittent", "continuous")
"""Levels of monitoring, lowest first."""


class BillingFacts(Struct, frozen=True):
    """What is known of the study; ``None`` where it is not.

    ``channels`` are those of the set-up and ``with_signal`` how many of them ever had a signal.
    ``usable`` is a plain pair of usable time, ``None`` where the signal was not scanned.
    ``restarts`` are instants at which the recording was started anew after a gap. ``monitoring``
    and ``video`` are ``None`` where no log was given: then, as with an empty log, what the order
    names is not documented, and the policy says which codes that leaves (by default those without,
    since each check is to be documented). ``video_log`` is the log of video, taken or not.
    """

    coverage: Coverage
    axis: Axis
    order: Order | None
    channels: SetupChannels | None = None
    with_signal: int | None = None
    usable: Pair | None = None
    monitoring: Monitoring | None = None
    video: Video | None = None
    video_log: LogRead | None = None
    restarts: tuple[int, ...] = ()
    sleep_seen: bool | None = None

    @property
    def recorded(self) -> Pair:
        """Recorded time."""
        return self.coverage.union_starts, self.coverage.union_ends

    @property
    def ordered_level(self) -> MonitoringLevel | None:
        """The level of monitoring that the order names."""
        return self.order.monitoring if self.order else None

    @property
    def ordered_video(self) -> bool | None:
        """Whether the order names video."""
        return self.order.video if self.order else None

    @property
    def filmed(self) -> Video | None:
        """The video, ``None`` also where its log holds none."""
        return self.video if self.video is not None and self.video.stretches else None


def levels(
    facts: BillingFacts, settings: BillingSettings, extents: Sequence[Interval]
) -> list[MonitoringLevel]:
    """The level of monitoring that order and log support in each of ``extents``."""
    ordered, log = facts.ordered_level or LEVELS[0], facts.monitoring
    as_ordered = settings.undocumented.monitoring == "as_ordered"
    if log is None or log.supported is None:
        return [ordered if as_ordered else LEVELS[0]] * len(extents)
    if settings.lapse.lowers == "study":
        extents = [facts.coverage.span] * len(extents)
    not_shown = dict(log.not_shown)
    shown = np.zeros(len(extents), np.int64)  # index into LEVELS
    for index in range(1, LEVELS.index(ordered) + 1):
        lapses = not_shown.get(LEVELS[index])
        if lapses is not None:
            here = held_by([one for one in lapses if settings.ends.needed or not one.at])
            shown[held_in(iv.intersection(facts.recorded, here), extents) == 0] = index
        elif as_ordered:
            # No log of checks can show this level; it stands where the one below it does.
            shown[shown == index - 1] = index
    return [LEVELS[i] for i in shown.tolist()]


def videos(
    facts: BillingFacts, settings: BillingSettings, extents: Sequence[Interval]
) -> list[bool]:
    """Whether the codes with video are supported in each of ``extents``."""
    video = facts.filmed
    if not facts.ordered_video:
        return [False] * len(extents)
    if video is None:
        return [settings.undocumented.video == "as_ordered"] * len(extents)
    if settings.video_share.by == "study":
        return [video.meets] * len(extents)
    held = held_in(iv.intersection(facts.recorded, held_by(video.stretches)), extents)
    # Exactly the share is enough. Python integers: a product may leave 64 bits.
    return [
        h * PPM >= r * video.threshold_ppm
        for h, r in zip(held.tolist(), held_in(facts.recorded, extents).tolist(), strict=True)
    ]


def held_in(pair: Pair, extents: Sequence[Interval]) -> Int64:
    """How much of ``pair`` lies in each of ``extents``, shape (n,), in nanoseconds."""
    starts, ends = iv.pair_of(extents)
    return iv.held_before(pair, ends) - iv.held_before(pair, starts)


def held_by(intervals: Sequence[Interval]) -> Pair:
    """The union of ``intervals`` as a plain pair."""
    return iv.union(*iv.pair_of(intervals))
