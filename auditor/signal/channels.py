"""What each channel is judged by: limits in digital steps, worked out from its header fields.

A sample's physical value is linear in its digital value (EDF specification, "digital minimum" and
"physical maximum" of a signal), so the physical limits are reached exactly where the digital ones
are, and an amplitude in microvolts is an amplitude in digital steps.
"""

from __future__ import annotations

import math
from itertools import groupby

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.model import Channel, Recording
from auditor.policy.sections import SignalSettings

MAX_RATE = 200_000
"""Samples per second beyond which a channel is not judged: none of the kind reaches it."""
MIN_RATE = 2
"""Samples per second below which a channel is not judged: a second by itself says nothing about a
change, and no EEG can be read."""
MOST_SECONDS = 20_000_000
"""Seconds of all channels together that are judged of a file that holds fewer bytes. Memory follows
the seconds: without this bound a small file whose header claims records of days would take
gigabytes. Any channel with a sample in each second takes at least two bytes for it."""
NYQUIST_SHARE = 0.48
"""Mains hum is judged only below this share of the sampling rate: above, filters and aliasing leave
too little of it to judge."""
_NEVER = 1 << 30
"""A digital value and an amplitude that no sample of 24 bits reaches."""

_MICROVOLTS = {"v": 1e6, "mv": 1e3, "uv": 1.0, "nv": 1e-3, "pv": 1e-6}


class Plan(Struct, frozen=True):
    """How one channel is judged. Amplitudes are peak to peak in digital steps.

    ``quiet_steps``: at most this much in a second is no change. ``large_steps``: more than this is
    implausible. ``low`` and ``high`` are the digital limits (out of reach where the header's are
    none). ``mains_hz`` are the frequencies that the rate can show, empty for channels without EEG.
    ``scaled`` is false where the header gives no usable scale or no usable digital limits.
    """

    channel: Channel
    key: str
    rate: float
    quiet_steps: int
    large_steps: int
    low: int
    high: int
    mains_hz: tuple[int, ...]
    scaled: bool


def step_uv(channel: Channel) -> float | None:
    """Microvolts in one digital step (positive), or ``None`` where the header gives no scale."""
    unit = channel.dimension.strip().replace("µ", "u").replace("μ", "u")  # two signs for micro
    # Careless hands write MV for the millivolt, never for a million volts.
    factor = _MICROVOLTS.get(unit.lower())
    digital = channel.digital_max - channel.digital_min
    physical = channel.physical_max - channel.physical_min
    if factor is None or digital <= 0 or not math.isfinite(physical) or physical == 0:
        return None
    step = abs(physical) / digital * factor
    return step if math.isfinite(step) and step > 0 else None


def samples_per_second(channel: Channel, record_ns: int) -> float:
    """The channel's sampling rate in Hz."""
    return channel.samples_per_record * NS / record_ns


def plan_channels(recording: Recording, settings: SignalSettings) -> tuple[Plan, ...]:
    """The channels that can be judged, in file order; annotation channels never are."""
    plans: list[Plan] = []
    times_seen: dict[str, int] = {}
    for channel in recording.channels:
        if channel.is_annotation or recording.record_ns <= 0:
            continue
        key = channel.electrode or channel.label.strip()
        times_seen[key] = times_seen.get(key, 0) + 1
        rate = samples_per_second(channel, recording.record_ns)
        if not MIN_RATE <= rate <= MAX_RATE:
            continue
        # A name that a file holds twice stands for two channels, told apart by their order.
        order = times_seen[key]
        plans.append(_plan(channel, key if order == 1 else f"{key} ({order})", rate, settings))
    seconds = recording.record_ns * recording.records // NS * (len(plans) + 4)
    return () if seconds > max(MOST_SECONDS, recording.size_bytes) else tuple(plans)


def _plan(channel: Channel, key: str, rate: float, settings: SignalSettings) -> Plan:
    step = step_uv(channel)
    # Without a scale only a signal that does not change at all is surely flat.
    quiet = 0 if step is None else _steps(settings.flat_uv, step)
    large = _NEVER if step is None else _steps(settings.large_uv, step)
    limits = channel.digital_min < channel.digital_max
    mains = tuple(hz for hz in settings.mains_hz if hz < NYQUIST_SHARE * rate)
    return Plan(
        channel=channel,
        key=key,
        rate=rate,
        quiet_steps=quiet,
        large_steps=large,
        low=max(channel.digital_min, -_NEVER) if limits else -_NEVER,
        high=min(channel.digital_max, _NEVER) if limits else _NEVER,
        mains_hz=mains if channel.is_eeg else (),
        scaled=step is not None,  # which also needs digital limits
    )


def _steps(uv: float, step: float) -> int:
    # A hair more, so that an amplitude of exactly the limit stays within it despite rounding.
    return min(int(uv / step * (1 + 1e-9) + 1e-9), _NEVER)


class Group(Struct, frozen=True):
    """Neighbouring channels with the same number of samples in a record, judged together.

    ``columns`` are their columns among the file's judged channels. ``quiet`` and ``large`` are
    peak-to-peak amplitudes and ``low`` and ``high`` the digital limits in digital steps, ``eeg``
    says whose mains artifact is told; all of shape (channels, 1).
    """

    columns: slice
    channels: int
    samples_per_record: int
    offset_samples: int
    rate: float
    quiet: NDArray[np.int32]
    large: NDArray[np.int32]
    low: NDArray[np.int32]
    high: NDArray[np.int32]
    eeg: NDArray[np.bool_]
    mains_hz: tuple[int, ...]


def groups_of(plans: tuple[Plan, ...], sample_bytes: int, *, single: bool) -> tuple[Group, ...]:
    """The judged channels as groups of neighbours with one rate, or each ``single``."""

    def kind(numbered: tuple[int, Plan]) -> tuple[int, ...]:
        column, channel = numbered[0], numbered[1].channel
        size = channel.samples_per_record
        # Neighbours of one size begin one size after the other.
        return size, channel.offset - column * size * sample_bytes, column if single else 0

    return tuple(_group(list(own), sample_bytes) for _, own in groupby(enumerate(plans), kind))


def _group(numbered: list[tuple[int, Plan]], sample_bytes: int) -> Group:
    first, plans = numbered[0][0], [plan for _, plan in numbered]

    def column(values: list[int]) -> NDArray[np.int32]:
        return np.array(values, np.int32)[:, None]

    return Group(
        columns=slice(first, first + len(plans)),
        channels=len(plans),
        samples_per_record=plans[0].channel.samples_per_record,
        offset_samples=plans[0].channel.offset // sample_bytes,
        rate=plans[0].rate,
        quiet=column([p.quiet_steps for p in plans]),
        large=column([p.large_steps for p in plans]),
        low=column([p.low for p in plans]),
        high=column([p.high for p in plans]),
        eeg=np.array([bool(p.mains_hz) for p in plans])[:, None],
        mains_hz=next((p.mains_hz for p in plans if p.mains_hz), ()),
    )
