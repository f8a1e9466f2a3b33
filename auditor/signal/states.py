"""The states of a channel in one second, as bits, and how they are judged from its samples."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64
from auditor.policy.signal import SignalSettings
from auditor.signal.scales import Plan

QUIET = np.uint8(1)
"""No change beyond the flat amplitude in this second; flat where it lasts long enough."""
RAILED = np.uint8(2)
HUM = np.uint8(4)
LARGE = np.uint8(8)
UNREAD = np.uint8(16)
"""The samples could not be read: never live."""
FLAT = np.uint8(32)
NOT_LIVE = np.uint8(RAILED | FLAT | UNREAD)

Flags = NDArray[np.uint8]
Samples = NDArray[np.int16] | NDArray[np.int32]
Float32 = NDArray[np.float32]

_GEMM_WORK = 200_000
"""Multiply-adds in one product of the hum kernel: small enough that the linear algebra library does
not start threads of its own beside the scan's."""


_FAR = 8
"""Offsets up to this many times the range keep the power exact to 0.5 % in single precision."""


@dataclass(frozen=True, slots=True)
class Group:
    """Neighbouring channels with the same number of samples in a record, judged together.

    ``columns`` are their columns among the file's judged channels. The limits have shape
    (channels,).
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
    mains_hz: tuple[int, ...]
    hum_columns: slice
    """Those of the group's own columns, from the first EEG channel to the last."""
    eeg: NDArray[np.bool_]

    def only(self, index: int) -> Group:
        """The group of the one channel ``index``."""
        one = slice(index, index + 1)
        hum = bool(self.eeg[index])
        return replace(
            self,
            columns=slice(self.columns.start + index, self.columns.start + index + 1),
            channels=1,
            offset_samples=self.offset_samples + index * self.samples_per_record,
            quiet=self.quiet[one],
            large=self.large[one],
            low=self.low[one],
            high=self.high[one],
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
        quiet=np.array([p.quiet_steps for p in plans], np.int32),
        large=np.array([p.large_steps for p in plans], np.int32),
        low=np.array([p.low for p in plans], np.int32),
        high=np.array([p.high for p in plans], np.int32),
        mains_hz=next((p.mains_hz for p in plans if p.mains_hz), ()),
        hum_columns=slice(int(held[0]), int(held[-1]) + 1) if len(held) else slice(0, 0),
        eeg=eeg,
    )


def judge_range(
    lowest: NDArray[np.int32],
    highest: NDArray[np.int32],
    counts: Int64,
    group: Group,
    at_limits: Callable[[Int64, Int64], Int64],
    settings: SignalSettings,
    out: Flags,
) -> None:
    """Quiet, railed and large from each second's lowest and highest sample.

    ``lowest``, ``highest`` and ``out`` have shape (seconds, channels); ``counts`` (seconds,) is the
    number of samples in each second. ``at_limits(rows, columns)`` counts a second's samples at or
    beyond the digital limits; it is asked only where the range touches one.
    """
    span = highest - lowest
    np.multiply(span <= group.quiet, QUIET, out=out)
    large = span > group.large
    if large.any():
        out |= large * LARGE
    touched = (lowest <= group.low) | (highest >= group.high)
    if touched.any():
        rows, columns = np.nonzero(touched)
        railed = at_limits(rows, columns) * 1_000_000 >= counts[rows] * settings.rail_ppm
        out[rows[railed], columns[railed]] |= RAILED


@lru_cache(maxsize=64)
def hum_basis(samples: int, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Orthonormal columns for a second of ``samples``, shape (samples, 2 + 2 x frequencies).

    A constant, a slope, and for each frequency a cosine and a sine made orthogonal to those two:
    projections onto them are the least-squares fit of the mains after linear detrending.
    """
    at = np.arange(samples) / rate
    trend = np.linalg.qr(np.column_stack((np.ones(samples), at)))[0]
    columns = [trend]
    for hz in mains_hz:
        angle = 2 * np.pi * hz * at
        waves = np.column_stack((np.cos(angle), np.sin(angle)))
        columns.append(np.linalg.qr(waves - trend @ (trend.T @ waves))[0])
    return np.ascontiguousarray(np.hstack(columns), np.float32)


def mains_share(seconds: Float32, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Share of each second's power, its linear trend removed, at the stronger mains frequency.

    ``seconds`` has shape (n, samples), offsets removed well enough that single precision holds the
    rest. Returns shape (n,); 0 where nothing but the trend is there.
    """
    count, samples = seconds.shape
    basis = hum_basis(samples, rate, mains_hz)
    wide = basis.shape[1]
    parts = np.empty((count, wide), np.float32)
    rows = max(1, _GEMM_WORK // (samples * wide))
    whole = count - count % rows
    np.matmul(
        seconds[:whole].reshape(-1, rows, samples), basis, out=parts[:whole].reshape(-1, rows, wide)
    )
    if whole < count:
        np.matmul(seconds[whole:], basis, out=parts[whole:])
    power = np.matmul(seconds[:, None, :], seconds[:, :, None])[:, 0, 0]
    np.square(parts, out=parts)
    rest = power - parts[:, 0] - parts[:, 1]
    mains = parts[:, 2] + parts[:, 3]
    for first in range(4, wide, 2):
        mains = np.maximum(mains, parts[:, first] + parts[:, first + 1])
    # Rounding can leave the rest of a pure slope a little above or below nothing.
    real = rest > power * np.float32(1e-6)
    share: Float32 = np.divide(mains, rest, out=np.zeros(count, np.float32), where=real)
    return share


def hum_share(
    samples: Samples,
    lowest: NDArray[np.int32],
    highest: NDArray[np.int32],
    group: Group,
    room: Float32,
) -> Float32:
    """``mains_share`` of ``samples``, shape (..., samples); ``room`` (n,) is reused for the floats.

    ``lowest`` and ``highest`` are each second's extremes, shape (...). Returns shape (...).
    """
    values = room[: samples.size].reshape(samples.shape)
    np.copyto(values, samples)
    # An offset much larger than the signal would cost single precision the signal's own digits.
    middle = lowest + (highest - lowest) // 2
    far = np.abs(middle) > _FAR * (highest - lowest)
    if far.any():
        values[far] -= middle[far].astype(np.float32)[:, None]
    share = mains_share(values.reshape(-1, samples.shape[-1]), group.rate, group.mains_hz)
    return share.reshape(samples.shape[:-1])


def mark_hum(share: Float32, group: Group, settings: SignalSettings, out: Flags) -> None:
    """Mark seconds with at least the policy's share at the mains, unless they are quiet.

    ``share`` has shape (seconds, hum columns), ``out`` (seconds, channels of the group).
    """
    strong = share >= np.float32(settings.hum_ppm / 1e6)
    if strong.any():
        here = out[:, group.hum_columns]
        here |= (strong & group.eeg[group.hum_columns] & ((here & QUIET) == 0)) * HUM
