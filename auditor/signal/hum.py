"""Mains hum: the share of a second's power at the mains frequency.

By projection onto sinusoids, which is a least-squares fit and needs one small matrix product, not a
transform of every second. For a whole number of cycles in a second it equals the periodogram's bin
at that frequency.

That is done for every other second, and for the seconds beside those that show any hum to speak of:
a stretch of hum is found to the second, a lone second of it may be passed over.

Most seconds need neither all their samples nor their power. Slow waves fitted in the same product
are a part of the power, and where every other sample shows mains far too weak beside that part, the
second is passed over. Only the rest is judged, by all its samples and its full power.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import lru_cache
from math import prod

import numpy as np
from numpy.typing import NDArray

from auditor.policy.signal import SignalSettings
from auditor.signal.scales import NYQUIST_SHARE
from auditor.signal.states import HUM, QUIET, Flags, Group, Samples, gathered

Float32 = NDArray[np.float32]
Integers = NDArray[np.signedinteger]

HUM_ROOM = 1 << 20
"""Samples turned to floats at a time (measured)."""
_GEMM_WORK = 200_000
"""Multiply-adds in one product of the hum kernel: small enough that the linear algebra library does
not start threads of its own beside the scan's."""
_SLOW_HZ = (2, 5, 9)
"""The slow waves: power of nearly all EEG is far higher here than at the mains, since it falls as
frequency rises, and a recorder's high-pass leaves them alone."""
_SOME = 0.25
"""Part of the share that is some hum: a second with less, as far as its slow waves and every other
of its samples tell, is passed over unless one beside it has as much, and so on. In every other
sample, frequencies fold about a quarter of the rate: a wave that hides the mains there must be as
far above that as they are below, at least half as large, and in opposite phase."""
_FAR = np.float32(1e6)
"""An offset with more than this many times the waves' power costs them single precision's digits:
such seconds are judged without it."""


@dataclass(slots=True)
class HumRoom:
    """Memory that one worker reuses: arrays made anew each time cost more than what fills them."""

    _held: dict[str, Float32] = field(default_factory=dict)

    def take(self, name: str, *shape: int) -> Float32:
        """A contiguous array of this shape, valid until the next of that name is taken."""
        count = prod(shape)
        held = self._held.get(name)
        if held is None or len(held) < count:
            held = self._held[name] = np.empty(count, np.float32)
        return held[:count].reshape(shape)


@lru_cache(maxsize=64)
def hum_basis(samples: int, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Columns of length 1 for a second of ``samples``, shape (samples, 8 + 2 x frequencies).

    A constant and a slope; for each frequency a cosine and a sine made orthogonal to those two:
    projections onto them are the least-squares fit of the mains after linear detrending. Last the
    slow waves, orthogonal to all before, so that their power comes on top of the mains'.
    """
    at = np.arange(samples) / rate
    trend = np.linalg.qr(np.column_stack((np.ones(samples), at)))[0]
    columns = [trend, *(_orthogonal(_waves(hz, at), trend) for hz in mains_hz)]
    before = np.linalg.qr(np.hstack(columns))[0]
    slow = np.hstack([_waves(hz, at) for hz in _SLOW_HZ])
    columns.append(_orthogonal(slow, before))
    return np.ascontiguousarray(np.hstack(columns), np.float32)


def _waves(hz: int, at: NDArray[np.float64]) -> NDArray[np.float64]:
    angle = 2 * np.pi * hz * at
    return np.column_stack((np.cos(angle), np.sin(angle)))


def _orthogonal(columns: NDArray[np.float64], to: NDArray[np.float64]) -> NDArray[np.float64]:
    """Orthonormal columns for what ``columns`` add to the span of the orthonormal ``to``."""
    return np.linalg.qr(columns - to @ (to.T @ columns))[0]


def mains_share(seconds: Float32, rate: float, mains_hz: tuple[int, ...]) -> Float32:
    """Share of each second's power, its linear trend removed, at the stronger mains frequency.

    ``seconds`` has shape (n, samples), offsets removed well enough that single precision holds the
    rest. Returns shape (n,); 0 where nothing but the trend is there.
    """
    basis = hum_basis(seconds.shape[1], rate, mains_hz)
    parts = np.ascontiguousarray(_product(seconds, basis, HumRoom()).T)
    power = np.matmul(seconds[:, None, :], seconds[:, :, None])[:, 0, 0]
    np.square(parts, out=parts)
    rest = power - parts[0] - parts[1]
    # Rounding can leave the rest of a pure slope a little above or below nothing.
    real = rest > power * np.float32(1e-6)
    none = np.zeros(len(seconds), np.float32)
    share: Float32 = np.divide(_strongest(parts), rest, out=none, where=real)
    return share


def mark_hum(
    samples: Samples, group: Group, settings: SignalSettings, room: HumRoom, out: Flags
) -> None:
    """Mark seconds with at least the policy's share at the mains, unless they are quiet.

    ``out`` has shape (records, hum columns of the group, seconds of a record), ``samples`` one axis
    more, the samples of a second.
    """
    asked = (out & QUIET) == 0
    asked &= group.eeg[group.hum_columns]
    least = settings.hum_ppm / 1e6
    strong = strong_mains(samples, asked, group.rate, group.mains_hz, least, room)
    if strong.any():
        np.bitwise_or(out, HUM, out=out, where=strong)


def strong_mains(
    samples: Samples,
    asked: NDArray[np.bool_],
    rate: float,
    mains_hz: tuple[int, ...],
    least: float,
    room: HumRoom,
) -> NDArray[np.bool_]:
    """Which seconds have at least the share ``least`` of their power at the mains.

    ``samples`` has shape (records, channels, seconds of a record, samples of a second); ``asked``
    and what is returned have the shape of its first three axes, ``False`` where not asked. A second
    without another beside it may be passed over.
    """
    look = np.s_[:, :, ::2] if asked.shape[2] > 1 else np.s_[::2]
    chosen, left, found = np.zeros(asked.shape, np.bool_), asked.copy(), np.zeros_like(asked)
    chosen[look] = _maybe_some(samples[look], rate, mains_hz, np.float32(least * _SOME), room)
    chosen[-1, :, -1] = True  # what comes after it is not among these
    chosen &= asked
    while chosen.any():
        left &= ~chosen
        some = _judge(samples, chosen, rate, mains_hz, least, found)
        chosen = _beside(some) & left
    return found


def _judge(
    samples: Samples,
    asked: NDArray[np.bool_],
    rate: float,
    mains_hz: tuple[int, ...],
    least: float,
    found: NDArray[np.bool_],
) -> NDArray[np.bool_]:
    """Mark in ``found`` the seconds asked for with the share ``least``; returns those with some."""
    some = np.zeros(asked.shape, np.bool_)
    for here, whole in gathered(samples, asked):
        values = whole.astype(np.float32)
        # An offset much larger than the signal would cost single precision the signal's own digits.
        values -= values[:, :1].copy()
        share = mains_share(values, rate, mains_hz)
        found[here] = share >= np.float32(least)
        some[here] = share >= np.float32(least * _SOME)
    return some


def _beside(seconds: NDArray[np.bool_]) -> NDArray[np.bool_]:
    """The seconds before and after these.

    Shape (records, channels, seconds of a record), time running along the first and last axes.
    """
    records, channels, each = seconds.shape
    row = seconds.swapaxes(0, 1).reshape(channels, records * each)
    beside = np.zeros(row.shape, np.bool_)
    beside[:, 1:] = row[:, :-1]
    beside[:, :-1] |= row[:, 1:]
    return beside.reshape(channels, records, each).swapaxes(0, 1)


def _every_other(samples: Samples, rate: float, mains_hz: tuple[int, ...]) -> Integers | None:
    """Every second's samples 1, 3, 5 ... in a larger unit, shape (..., half the samples).

    Two neighbours are read as one integer of twice the width: the later one in its upper half, so
    that the earlier adds less than one step, and without a copy. ``None`` where that is not
    possible, or where half the samples are too few for the mains.
    """
    wide = np.dtype(f"<i{2 * samples.itemsize}")
    if samples.shape[-1] % 2 or max(mains_hz) >= NYQUIST_SHARE * rate / 2:
        return None
    if samples.strides[-1] != samples.itemsize:
        return None
    pairs = samples.view(wide)
    return pairs if pairs.flags.aligned else None


def _maybe_some(
    samples: Samples, rate: float, mains_hz: tuple[int, ...], least: np.float32, room: HumRoom
) -> NDArray[np.bool_]:
    """Seconds whose mains have the share ``least`` of themselves and the slow waves, or too large
    an offset to tell; shapes as in ``strong_mains``."""
    thin = _every_other(samples, rate, mains_hz)
    if thin is not None:
        samples, rate = thin, rate / 2
    basis = hum_basis(samples.shape[-1], rate, mains_hz)
    parts = room.take("parts", basis.shape[1], prod(samples.shape[:-1]))
    _project(samples, basis, room, parts)
    np.square(parts, out=parts)
    mains, slow = _strongest(parts), parts[-2 * len(_SLOW_HZ) :]
    known = slow[0]
    for part in (*slow[1:], mains):
        known += part
    found: NDArray[np.bool_] = parts[0] > np.multiply(known, _FAR, out=slow[1])
    known *= least
    found |= mains >= known
    return found.reshape(samples.shape[:-1])


def _strongest(squares: Float32) -> Float32:
    """Power at the strongest of the mains frequencies, of squared projections (columns, n).

    Shape (n,); in the place of the mains' first column, whose others are lost.
    """
    strongest: Float32 = squares[2]
    strongest += squares[3]
    for first in range(4, len(squares) - 2 * len(_SLOW_HZ), 2):
        squares[first] += squares[first + 1]
        np.maximum(strongest, squares[first], out=strongest)
    return strongest


def _project(samples: Integers, basis: Float32, room: HumRoom, out: Float32) -> None:
    """``samples`` (..., samples) times ``basis`` into ``out`` (columns, n), a room at a time."""
    each, length = samples[:1].size, samples.shape[-1]
    if samples.ndim > 2 and each > HUM_ROOM:
        held = each // length
        for index, part in enumerate(samples):
            _project(part, basis, room, out[:, index * held : (index + 1) * held])
        return
    step, done = max(1, HUM_ROOM // each), 0
    for first in range(0, len(samples), step):
        part = samples[first : first + step]
        floats = room.take("floats", *part.shape)
        np.copyto(floats, part)
        seconds = floats.reshape(-1, length)
        np.copyto(out[:, done : done + len(seconds)], _product(seconds, basis, room).T)
        done += len(seconds)


def _product(seconds: Float32, basis: Float32, room: HumRoom) -> Float32:
    """``seconds`` (n, samples) times ``basis``, shape (n, columns), in the room's memory.

    By rows: products written straight into columns were seen to leave some numbers unset when two
    threads multiplied at once (OpenBLAS 0.3.31); into rows, never.
    """
    count, (samples, wide) = len(seconds), basis.shape
    rows = max(1, _GEMM_WORK // (samples * wide))
    whole = count - count % rows
    found = room.take("rows", count, wide)
    np.matmul(
        seconds[:whole].reshape(-1, rows, samples), basis, out=found[:whole].reshape(-1, rows, wide)
    )
    if whole < count:
        np.matmul(seconds[whole:], basis, out=found[whole:])
    return found
