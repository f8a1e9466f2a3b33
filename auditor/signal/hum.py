"""Mains hum: the share of a second's power at the mains frequency.

By projection onto sinusoids, which is a least-squares fit and needs one small matrix product, not a
transform of every second. For a whole number of cycles in a second it equals the periodogram's bin
at that frequency.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from auditor.policy.signal import SignalSettings
from auditor.signal.states import HUM, QUIET, Flags, Group, Samples

Float32 = NDArray[np.float32]

_GEMM_WORK = 200_000
"""Multiply-adds in one product of the hum kernel: small enough that the linear algebra library does
not start threads of its own beside the scan's."""


_FAR = 8
"""Offsets up to this many times the range keep the power exact to 0.5 % in single precision."""


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
    value: NDArray[np.int32],
    span: NDArray[np.int32],
    group: Group,
    room: Float32,
) -> Float32:
    """``mains_share`` of ``samples``, shape (..., samples); ``room`` (n,) is reused for the floats.

    ``value`` is any value that each second takes and ``span`` at most its range; both, and what is
    returned, have shape (...).
    """
    values = room[: samples.size].reshape(samples.shape)
    np.copyto(values, samples)
    # An offset much larger than the signal would cost single precision the signal's own digits.
    far = np.abs(value) > _FAR * span
    if far.any():
        values[far] -= value[far].astype(np.float32)[:, None]
    share = mains_share(values.reshape(-1, samples.shape[-1]), group.rate, group.mains_hz)
    return share.reshape(samples.shape[:-1])


def mark_hum(share: Float32, group: Group, settings: SignalSettings, out: Flags) -> None:
    """Mark seconds with at least the policy's share at the mains, unless they are quiet.

    ``share`` and ``out`` have one shape; the last two axes are (hum columns of the group, seconds).
    """
    strong = share >= np.float32(settings.hum_ppm / 1e6)
    if strong.any():
        out |= (strong & group.eeg[group.hum_columns] & ((out & QUIET) == 0)) * HUM
