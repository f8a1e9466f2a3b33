"""The states of a channel in one second, as bits, and how they are judged from its samples.

Every second of every channel is looked at in full.

Mains artifact is the share of a second's power at the mains frequency, by projection onto
sinusoids, which is a least-squares fit and needs one small matrix product, not a transform of every
second. For a whole number of cycles in a second it equals the periodogram's bin at that frequency.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from auditor.core.intervals import distinct
from auditor.edf.source import Samples
from auditor.model import Int64
from auditor.policy.sections import SignalSettings
from auditor.signal.channels import Group

NONE = np.uint8(0)
QUIET = np.uint8(1)
"""No change beyond the flat amplitude in this second; flat where it lasts long enough."""
SATURATED = np.uint8(2)
MAINS_50 = np.uint8(4)
LARGE = np.uint8(8)
UNREAD = np.uint8(16)
"""The samples could not be read: never with signal."""
FLAT = np.uint8(32)
REPEAT = np.uint8(64)
"""No sample starts in this second: as the one before it, once that is known."""
MAINS_60 = np.uint8(128)
MAINS = np.uint8(MAINS_50 | MAINS_60)
NO_SIGNAL = np.uint8(SATURATED | FLAT | UNREAD)
_MAINS = {50: MAINS_50, 60: MAINS_60}

_AT_ONCE = 1 << 18
"""Samples judged at a time: what is made of them stays in the processor's cache (measured)."""
_MANY = 0.25
"""Share of seconds from which on all are looked at: then picking them out costs more."""
_GEMM_WORK = 200_000
"""Multiply-adds in one product: small enough that the linear algebra library does not start threads
of its own beside the pass's."""
_LOST_DIGITS = np.float32(1e-3)
"""Where less than this part of the power is left beside the trend, an offset has cost single
precision the signal's own digits: such seconds are judged once more without it."""

Bools = NDArray[np.bool_]
Float32 = NDArray[np.float32]
Flags = NDArray[np.uint8]


def judge_records(
    records: Samples, group: Group, seconds: int, settings: SignalSettings, out: Flags
) -> None:
    """Seconds that nest in records: ``records`` (records, samples) hold ``seconds`` each.

    ``out`` (records x seconds, channels of the group) is written where there is something to say.
    """
    size, length = records.itemsize, group.samples_per_record // seconds
    step = max(1, _AT_ONCE // (group.channels * group.samples_per_record))
    mine = out.reshape(len(records), seconds, group.channels)
    strides = (records.strides[0], group.samples_per_record * size, length * size, size)
    for first in range(0, len(records), step):
        some = records[first : first + step]
        view: Samples = np.ndarray(
            (len(some), group.channels, seconds, length),
            some.dtype,
            some,
            group.offset_samples * size,
            strides,
        )
        flags = _judge(view, group, settings)
        if flags.any():
            mine[first : first + step] = flags.swapaxes(1, 2)


def judge_stream(
    stream: Samples, bounds: Int64, whole: Bools, group: Group, settings: SignalSettings, out: Flags
) -> None:
    """Seconds that lie anyhow in records: those with equally many samples together.

    ``stream`` (channels, samples) is each channel's samples in file order; ``bounds``
    (seconds + 1,) are the seconds' first samples in it; ``whole`` (seconds,) says which are a full
    second long: only of those the mains are told. ``out`` (seconds, channels) is written. A second
    in which no sample starts keeps the judgement of the one before it.
    """
    counts = np.diff(bounds)
    out[counts == 0] = REPEAT
    for length in distinct(counts[counts > 0]).tolist():
        for full in (True, False):
            rows = np.flatnonzero((counts == length) & (whole == full))
            step = max(1, _AT_ONCE // (length * group.channels))
            for first in range(0, len(rows), step):
                some = rows[first : first + step]
                at = bounds[some]
                if at[-1] - at[0] == (len(some) - 1) * length:  # neighbours: no copy is needed
                    values = stream[:, at[0] : at[-1] + length]
                else:
                    values = stream[:, at[:, None] + np.arange(length)]
                values = values.reshape(1, group.channels, len(some), length)
                out[some] = _judge(values, group, settings, mains=full)[0].T


def _judge(view: Samples, group: Group, settings: SignalSettings, *, mains: bool = True) -> Flags:
    """States of seconds, (records, channels, seconds); ``view`` has one axis more, the samples."""
    low = view.min(axis=-1).astype(np.int32)
    high = view.max(axis=-1).astype(np.int32)
    span = high - low
    flags: Flags = (span <= group.quiet) * QUIET
    flags |= (span > group.large) * LARGE
    touched = (low <= group.low) | (high >= group.high)
    if touched.any():
        flags |= _saturated(view, touched, group, settings) * SATURATED
    if mains and group.mains_hz:
        least = np.float32(settings.hum_ppm / 1e6)
        for found, mark in _mains(view, (flags & QUIET) == 0, group, least):
            flags |= found * mark
    return flags


def _saturated(view: Samples, touched: Bools, group: Group, settings: SignalSettings) -> Bools:
    """Which of the ``touched`` seconds have the policy's share of their samples at a limit."""
    least = -(-view.shape[-1] * settings.saturated_ppm // 1_000_000)
    if touched.mean() > _MANY:
        beyond = view <= group.low[:, :, None]
        beyond |= view >= group.high[:, :, None]
        many: Bools = beyond.sum(axis=-1, dtype=np.int32) >= least
        return many & touched
    found = np.zeros(touched.shape, np.bool_)
    places = np.nonzero(touched)
    values = view[places]
    beyond = values <= group.low[places[1]]
    beyond |= values >= group.high[places[1]]
    found[places] = beyond.sum(axis=-1, dtype=np.int32) >= least
    return found


def _mains(
    view: Samples, asked: Bools, group: Group, least: np.float32
) -> list[tuple[Bools, np.uint8]]:
    """For each mains frequency the seconds of which it is the stronger and strong, with its bit."""
    eeg = group.eeg[:, 0]
    columns = slice(None) if eeg.all() else np.flatnonzero(eeg)
    mine = view[:, columns]
    values = np.empty((mine.size // mine.shape[-1], mine.shape[-1]), np.float32)
    np.copyto(values.reshape(mine.shape), mine)
    shares = mains_shares(values, group.rate, group.mains_hz)
    strongest = shares.argmax(axis=0)
    found = []
    for number, hz in enumerate(group.mains_hz):
        strong = np.zeros(asked.shape, np.bool_)
        strong[:, columns] = ((shares[number] >= least) & (strongest == number)).reshape(
            mine.shape[:-1]
        )
        found.append((strong & asked, _MAINS[hz]))
    return found


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
