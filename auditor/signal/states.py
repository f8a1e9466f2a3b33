"""The states of a channel in one second, as bits, and how they are judged from its samples."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64
from auditor.policy.signal import SignalSettings
from auditor.signal.scales import Plan

NONE = np.uint8(0)
QUIET = np.uint8(1)
"""No change beyond the flat amplitude in this second; flat where it lasts long enough."""
RAILED = np.uint8(2)
HUM = np.uint8(4)
LARGE = np.uint8(8)
UNREAD = np.uint8(16)
"""The samples could not be read: never live."""
FLAT = np.uint8(32)
REPEAT = np.uint8(64)
"""No sample starts in this second: as the one before it, once that is known."""
NOT_LIVE = np.uint8(RAILED | FLAT | UNREAD)

_GATHERED = 1 << 17
"""Samples gathered at a time."""

Flags = NDArray[np.uint8]
Samples = NDArray[np.int16] | NDArray[np.int32]


@dataclass(frozen=True, slots=True)
class Limits:
    """What channels are judged by, in digital steps; arrays of shape (channels, 1).

    ``quiet`` and ``large`` are peak-to-peak amplitudes, ``low`` and ``high`` the digital limits.
    """

    quiet: NDArray[np.int32]
    large: NDArray[np.int32]
    low: NDArray[np.int32]
    high: NDArray[np.int32]

    def of(self, channels: Int64) -> Limits:
        """The limits of the channels at these indices, in that order; shape (n, 1)."""
        return Limits(
            self.quiet[channels], self.large[channels], self.low[channels], self.high[channels]
        )

    def together(self, bunch: int) -> Limits:
        """The strictest limits of every ``bunch`` channels in a row; shape (bunches, 1).

        What keeps within them keeps within those of each channel, but for ``quiet``, which is the
        most that any of them calls quiet.
        """
        firsts = np.arange(0, len(self.low), bunch)
        return Limits(
            np.maximum.reduceat(self.quiet, firsts),
            np.minimum.reduceat(self.large, firsts),
            np.maximum.reduceat(self.low, firsts),
            np.minimum.reduceat(self.high, firsts),
        )

    def count(self, seconds: Samples) -> Int64:
        """How many samples of each second lie at or beyond the limits.

        ``seconds`` has shape (channels, samples). Returns shape (channels,).
        """
        beyond = (seconds <= self.low) | (seconds >= self.high)
        return np.asarray(beyond.sum(axis=1), np.int64)


@dataclass(frozen=True, slots=True)
class Group:
    """Neighbouring channels with the same number of samples in a record, judged together.

    ``columns`` are their columns among the file's judged channels.
    """

    columns: slice
    channels: int
    samples_per_record: int
    offset_samples: int
    rate: float
    limits: Limits
    mains_hz: tuple[int, ...]
    hum_columns: slice
    """Those of the group's own columns, from the first EEG channel to the last."""
    eeg: NDArray[np.bool_]
    """Shape (channels, 1)."""

    def only(self, index: int) -> Group:
        """The group of the one channel ``index``."""
        one = slice(index, index + 1)
        hum = bool(self.eeg[index])
        return replace(
            self,
            columns=slice(self.columns.start + index, self.columns.start + index + 1),
            channels=1,
            offset_samples=self.offset_samples + index * self.samples_per_record,
            limits=self.limits.of(np.array([index])),
            mains_hz=self.mains_hz if hum else (),
            hum_columns=slice(0, int(hum)),
            eeg=self.eeg[one],
        )


def groups_of(plans: tuple[Plan, ...], sample_bytes: int) -> tuple[Group, ...]:
    """The judged channels as groups of neighbours with one rate."""
    found: list[Group] = []
    first = 0
    for end in range(1, len(plans) + 1):
        if end < len(plans) and _neighbours(plans[end - 1], plans[end], sample_bytes):
            continue
        found.append(_group(plans[first:end], first, sample_bytes))
        first = end
    return tuple(found)


def _neighbours(a: Plan, b: Plan, sample_bytes: int) -> bool:
    count = a.channel.samples_per_record
    return (
        count == b.channel.samples_per_record
        and b.channel.offset == a.channel.offset + count * sample_bytes
    )


def _group(plans: tuple[Plan, ...], first: int, sample_bytes: int) -> Group:
    eeg = np.array([bool(p.mains_hz) for p in plans])
    held = np.flatnonzero(eeg)
    return Group(
        columns=slice(first, first + len(plans)),
        channels=len(plans),
        samples_per_record=plans[0].channel.samples_per_record,
        offset_samples=plans[0].channel.offset // sample_bytes,
        rate=plans[0].rate,
        limits=Limits(
            quiet=_column([p.quiet_steps for p in plans]),
            large=_column([p.large_steps for p in plans]),
            low=_column([p.low for p in plans]),
            high=_column([p.high for p in plans]),
        ),
        mains_hz=next((p.mains_hz for p in plans if p.mains_hz), ()),
        hum_columns=slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0),
        eeg=eeg[:, None],
    )


def _column(values: list[int]) -> NDArray[np.int32]:
    return np.array(values, np.int32)[:, None]


def judge_extremes(
    lowest: NDArray[np.int32],
    highest: NDArray[np.int32],
    counts: Int64 | int,
    limits: Limits,
    at_limits: Callable[..., Int64],
    settings: SignalSettings,
) -> Flags:
    """Quiet, saturated and large from each second's lowest and highest sample.

    ``lowest`` and ``highest`` have one shape, whose last two axes are (channels, seconds);
    ``counts`` is the number of samples in each second. ``at_limits(*indices)`` counts the samples
    at or beyond the digital limits of seconds by their indices; it is asked only for seconds whose
    range touches one.
    """
    span = highest - lowest
    flags: Flags = (span <= limits.quiet) * QUIET
    large = span > limits.large
    if large.any():
        flags |= large * LARGE
    touched = np.nonzero((lowest <= limits.low) | (highest >= limits.high))
    if len(touched[0]):
        beyond = at_limits(*touched) * 1_000_000
        least = np.broadcast_to(counts, span.shape)[touched] * settings.saturated_ppm
        flags[touched] |= (beyond >= least) * RAILED
    return flags


def gathered(
    samples: Samples, chosen: NDArray[np.bool_]
) -> Iterator[tuple[tuple[Int64, ...], Samples]]:
    """The ``chosen`` seconds of ``samples``, which has one axis more, a part at a time.

    Yields their indices, one array an axis of ``chosen``, and copies of their samples, shape
    (seconds, samples).
    """
    places = np.flatnonzero(chosen)
    step = max(1, _GATHERED // samples.shape[-1])
    for first in range(0, len(places), step):
        here = np.unravel_index(places[first : first + step], chosen.shape)
        yield here, samples[here]
