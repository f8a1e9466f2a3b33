"""Copies that were sampled or scaled differently: their offset by correlation on a common rate.

The fallback where no sample is the same in both. It measures to about a sample of the slower copy
and gives the correlation coefficient with it, so that a person can judge.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
from numpy.typing import NDArray

from auditor.core.units import NS
from auditor.model import Channel, Recording, StudyFile
from auditor.study.matching import Reference, spread
from auditor.study.samples import SampleReader, sample_period, signal_channels

Float = NDArray[np.float64]

_WINDOW_S = 60
_MAX_RATE = 128
_MIN_WINDOW = 128
"""Samples in a window at the common rate: fewer would resemble one another by chance."""
_CHANNELS = 3
_NEAR = 100 * NS
"""Within this of where they are expected several channels are compared, farther away only one."""
_TRIES = 8
"""Searches in vain after which the copies are taken for different."""
_LEAD = 0.1
"""By how much the best place must beat every place that is not its neighbour."""
_MAX_HAY = 8_000_000


@dataclass(frozen=True, slots=True)
class Estimate:
    """A place that both copies seem to hold: own ``offset_ns``, axis ``instant``, coefficient."""

    offset_ns: int
    instant: int
    coefficient: float
    step_ns: int


def estimates(
    own: Sequence[StudyFile],
    reference: Reference,
    points: int,
    reaches: Sequence[int],
    least: float,
) -> dict[int, list[Estimate]]:
    """Estimates by index of the own file, each with a coefficient of at least ``least``.

    Raises ``OSError`` where a file cannot be read.
    """
    found: dict[int, list[Estimate]] = {}
    delta: int | None = None
    tries = _TRIES
    each = max(3, min(points, 40 // max(1, len(own))))
    # Files that share time by their stamps first; from them the clock's offset is known.
    for index in sorted(range(len(own)), key=lambda i: not _shares(own[i], reference)):
        file, rec = own[index], own[index].recording
        length = _records_for(rec)
        if not length:
            continue
        for record in _records_of(file, reference, delta, each, length):
            guess = file.map.instant(int(rec.offsets_ns[record])) - (delta or 0)
            ladder = tuple(reaches[:2]) if delta is None else (5 * NS, *reaches[:1])
            for reach in ladder:
                if tries <= 0 and delta is None:
                    return found
                best = _estimate(file, record, length, reference, guess, reach)
                tries -= delta is None
                if best is not None and best.coefficient >= least:
                    found.setdefault(index, []).append(best)
                    delta = file.map.instant(best.offset_ns) - best.instant
                    break
    return found


def _shares(file: StudyFile, reference: Reference) -> bool:
    return bool(reference.holds(file.map.instants(file.recording.offsets_ns)).any())


def _records_of(
    file: StudyFile, reference: Reference, delta: int | None, count: int, length: int
) -> list[int]:
    """Records at which windows begin: spread over the time that both hold, else over the file."""
    rec = file.recording
    at = file.map.instants(rec.offsets_ns) - np.int64(delta or 0)
    inside = np.flatnonzero(reference.holds(at))
    last = rec.records - length
    if not len(inside):
        return spread(0, last, count) if delta is None else []
    low, high = int(inside[0]), max(int(inside[0]), int(inside[-1]) - length)
    return sorted({min(record, last) for record in spread(low, high, count)})


def _records_for(rec: Recording) -> int:
    """Records in a window; 0 where the file is too short."""
    if rec.record_ns <= 0 or not rec.records:
        return 0
    length = int(-(-_WINDOW_S * NS // rec.record_ns))
    length = min(length, rec.records)
    return length if length * rec.record_ns >= 10 * NS else 0


def _estimate(
    file: StudyFile, record: int, length: int, reference: Reference, guess: int, reach: int
) -> Estimate | None:
    rec = file.recording
    own = signal_channels(rec)
    best: Estimate | None = None
    for index in reference.near(guess - reach, guess + reach + length * rec.record_ns):
        other = reference.files[index]
        theirs = signal_channels(other.recording)
        keys = sorted(own.keys() & theirs.keys())
        eeg = [k for k in keys if own[k].is_eeg] or keys
        offset = _at(other, guess - reach)
        total = _at(other, guess + reach + length * rec.record_ns) - offset
        for key in eeg[: _CHANNELS if reach <= _NEAR else 1]:
            step = _common_step(rec, own[key], other.recording, theirs[key])
            if total * other.recording.record_ns // step > _MAX_HAY or total <= 0:
                continue
            with SampleReader(rec) as reader:
                needle = _values(reader, own[key], record, record + length, step)
            with SampleReader(other.recording) as reader:
                hay = _values(reader, theirs[key], offset, offset + total, step)
            if len(needle) < _MIN_WINDOW or len(hay) < len(needle):
                continue
            lag, coefficient, second = _peak(hay, needle, max(8, round(2 * NS / step)))
            if coefficient - second < _LEAD:
                continue  # a periodic signal fits in many places and proves none
            start = int(other.recording.offsets_ns[offset]) + round(lag * float(step))
            found = Estimate(
                int(rec.offsets_ns[record]), other.map.instant(start), coefficient, round(step)
            )
            if best is None or found.coefficient > best.coefficient:
                best = found
    return best


def _at(file: StudyFile, instant: int) -> int:
    """The first record that starts at or after ``instant``, bounded by the file."""
    return int(np.searchsorted(file.recording.offsets_ns, instant - file.map.anchor))


def _common_step(a: Recording, first: Channel, b: Recording, second: Channel) -> Fraction:
    """The sample period at which the two are compared, in nanoseconds."""
    slower = max(sample_period(a, first), sample_period(b, second))
    return max(slower, Fraction(NS, _MAX_RATE))


def _values(reader: SampleReader, channel: Channel, first: int, last: int, step: Fraction) -> Float:
    """Samples of records ``[first, last)`` averaged down to one value every ``step``."""
    raw = reader.records(channel, first, last).astype(np.float64)
    span = channel.digital_max - channel.digital_min
    if span:
        raw *= (channel.physical_max - channel.physical_min) / span
    factor = step / sample_period(reader.recording, channel)
    if factor == 1 or not len(raw):
        return raw
    # The running sum at the edges of each step, between samples in proportion: a box average.
    total = np.concatenate(([0.0], np.cumsum(raw - raw.mean())))
    count = int(len(raw) / factor)
    edges = np.arange(count + 1) * float(factor)
    return np.asarray(np.diff(np.interp(edges, np.arange(len(total)), total)) / float(factor))


def _peak(hay: Float, needle: Float, apart: int) -> tuple[float, float, float]:
    """Where ``needle`` lies best in ``hay``, in samples with a fraction, and the coefficient there.

    The third value is the best coefficient more than ``apart`` samples away from it. Pearson's
    coefficient at every lag, by the convolution theorem; the fraction by the parabola through the
    highest point and its neighbours.
    """
    wanted = needle - needle.mean()
    norm = float(np.sqrt((wanted**2).sum()))
    size = 1 << int(len(hay) + len(needle) - 1).bit_length()
    flat = hay - hay.mean()
    product = np.fft.irfft(np.fft.rfft(flat, size) * np.conj(np.fft.rfft(wanted, size)), size)[
        : len(hay) - len(needle) + 1
    ]
    sums = np.concatenate(([0.0], np.cumsum(flat)))
    squares = np.concatenate(([0.0], np.cumsum(flat**2)))
    count = len(needle)
    mean = (sums[count:] - sums[:-count]) / count
    energy = np.maximum(squares[count:] - squares[:-count] - count * mean**2, 0.0)
    floor = float(energy.max()) * 1e-9 if len(energy) else 0.0
    if norm <= 0 or floor <= 0:
        return 0.0, 0.0, 0.0
    r = product / (norm * np.sqrt(np.maximum(energy, floor)))
    at = int(np.argmax(r))
    shift = 0.0
    if 0 < at < len(r) - 1:
        left, mid, right = r[at - 1], r[at], r[at + 1]
        bend = left - 2 * mid + right
        if bend < 0:
            shift = float(0.5 * (left - right) / bend)
    rest = np.concatenate((r[: max(0, at - apart)], r[at + apart + 1 :]))
    second = float(rest.max()) if len(rest) else 0.0
    return at + shift, float(min(r[at], 1.0)), second


def line(points: Sequence[tuple[int, int]]) -> tuple[int, int, int, int]:
    """Least-squares line through (x, y): values at the first and last x, as whole nanoseconds.

    Returns ``(x_first, y_first, x_last, y_last)``. Used for measured offsets, never for sums of
    recorded time.
    """
    x0, x1 = min(x for x, _ in points), max(x for x, _ in points)
    y_mean = sum(y for _, y in points) // len(points)
    if x0 == x1:
        return x0, y_mean, x1, y_mean
    x = np.array([(x - x0) / (x1 - x0) for x, _ in points])
    y = np.array([y - y_mean for _, y in points], dtype=np.float64)
    slope, intercept = np.polyfit(x, y, 1)
    return x0, y_mean + round(float(intercept)), x1, y_mean + round(float(intercept + slope))
