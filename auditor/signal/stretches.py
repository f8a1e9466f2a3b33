"""Bad stretches: what is worth marking in the reader's own tools."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

import numpy as np

from auditor.core import intervals as iv
from auditor.core.intervals import Pair
from auditor.model import BadStretch
from auditor.policy.signal import SignalSettings

MOST = 5000
"""Stretches kept; of more than that, the longest."""

FEW_LIVE = "few_live"
STATES = {
    "flat": "The channel did not change.",
    "saturated": "The channel stood at the limits of what could be recorded.",
    "hum": "Mains hum made up most of the channel's power.",
    "large": "The channel was larger than an EEG can be.",
    FEW_LIVE: "Fewer than the minimum of EEG channels were live, so the time is not usable.",
}
"""Every word of ``BadStretch.state`` with its meaning."""


class Times(Protocol):
    """What is needed of a channel: its label and its time in each state."""

    @property
    def label(self) -> str:
        """The channel's label."""

    @property
    def electrode(self) -> str | None:
        """The electrode, or ``None`` for a channel without EEG."""

    @property
    def flat(self) -> Pair:
        """Flat time."""

    @property
    def saturated(self) -> Pair:
        """Saturated time."""

    @property
    def hum(self) -> Pair:
        """Time with hum."""

    @property
    def large(self) -> Pair:
        """Time too large."""


def bad_stretches(
    channels: Sequence[Times], unusable: Pair, gaps: Pair, settings: SignalSettings
) -> tuple[BadStretch, ...]:
    """Stretches of at least the policy's length, in time order.

    Shorter breaks than the policy's are bridged (dropouts too), but never a gap.
    Channels whose stretches begin and end together share one.
    """
    found: dict[tuple[int, int, str], list[str]] = {}
    for start, end in _long(unusable, gaps, settings):
        found[start, end, FEW_LIVE] = []
    for channel in channels:
        if channel.electrode is None:
            continue
        states = {
            "flat": channel.flat,
            "saturated": channel.saturated,
            "hum": channel.hum,
            "large": channel.large,
        }
        for state, pair in states.items():
            for start, end in _long(pair, gaps, settings):
                found.setdefault((start, end, state), []).append(channel.label)
    longest = sorted(found, key=lambda k: (k[0] - k[1], k))[:MOST]
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
