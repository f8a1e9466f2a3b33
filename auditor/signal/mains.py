"""Mains artifact: the share of a second's power at the mains frequency.

By projection onto sinusoids, which is a least-squares fit and needs one small matrix product, not a
transform of every second. For a whole number of cycles in a second it equals the periodogram's bin
at that frequency.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

Float32 = NDArray[np.float32]

_GEMM_WORK = 200_000
"""Multiply-adds in one product: small enough that the linear algebra library does not start threads
of its own beside the pass's."""
_LOST_DIGITS = np.float32(1e-3)
"""Where less than this part of the power is left beside the trend, an offset has cost single
precision the signal's own digits: such seconds are judged once more without it."""


@lru_cache(maxsize=64)
def mains_basis(samples: int, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Columns of length 1 for a second of ``samples``, shape (samples, 2 + 2 x frequencies).

    A constant and a slope; for each frequency a cosine and a sine made orthogonal to those two:
    projections onto them are the least-squares fit of the mains after linear detrending.
    """
    at = np.arange(samples) / rate
    trend = np.linalg.qr(np.column_stack((np.ones(samples), at)))[0]
    columns = [trend]
    for hz in mains_hz:
        waves = np.column_stack((np.cos(2 * np.pi * hz * at), np.sin(2 * np.pi * hz * at)))
        columns.append(np.linalg.qr(waves - trend @ (trend.T @ waves))[0])
    return np.ascontiguousarray(np.hstack(columns), np.float32)


def mains_shares(seconds: Float32, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Share of each second's power, its linear trend removed, at each mains frequency.

    ``seconds`` (n, samples) may be changed. Returns shape (frequencies, n); 0 where nothing but the
    trend is there.
    """
    basis = mains_basis(seconds.shape[1], rate, mains_hz)
    shares, offset = _shares(seconds, basis)
    again = np.flatnonzero(offset)
    if len(again):
        values = seconds[again]
        values -= values[:, :1].copy()
        shares[:, again] = _shares(values, basis)[0]
    return shares


def _shares(seconds: Float32, basis: Float32) -> tuple[Float32, NDArray[np.bool_]]:
    """The shares, and of which seconds an offset or slope leaves too few digits to tell."""
    parts = np.ascontiguousarray(_product(seconds, basis).T)
    np.square(parts, out=parts)
    power = np.matmul(seconds[:, None, :], seconds[:, :, None])[:, 0, 0]
    rest = power - parts[0] - parts[1]
    # Rounding can leave the rest of a pure slope a little above or below nothing.
    real = rest > power * np.float32(1e-6)
    at_mains = parts[2::2] + parts[3::2]
    shares: Float32 = np.divide(at_mains, rest, out=np.zeros_like(at_mains), where=real)
    return shares, rest < power * _LOST_DIGITS


def _product(seconds: Float32, basis: Float32) -> Float32:
    """``seconds`` (n, samples) times ``basis``, shape (n, columns).

    By rows: products written straight into columns were seen to leave some numbers unset when two
    threads multiplied at once (OpenBLAS 0.3.31); into rows, never.
    """
    count, (samples, wide) = len(seconds), basis.shape
    rows = max(1, _GEMM_WORK // (samples * wide))
    whole = count - count % rows
    found = np.empty((count, wide), np.float32)
    np.matmul(
        seconds[:whole].reshape(-1, rows, samples), basis, out=found[:whole].reshape(-1, rows, wide)
    )
    if whole < count:
        np.matmul(seconds[whole:], basis, out=found[whole:])
    return found
