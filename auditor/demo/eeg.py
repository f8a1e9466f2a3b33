"""Believable synthetic EEG: bands of noise, alpha, spindles, blinks, movement; never a patient's.

Amplitudes and bands are common textbook ranges (common practice, no source); they only have to look
like EEG. Signals are put together from pools of a few minutes for each state, cross-faded, so that
days of recording are made in seconds. The same seed gives the same samples.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cached_property, lru_cache
from typing import Literal

import numpy as np
from msgspec import Struct
from numpy.typing import NDArray

Floats = NDArray[np.float32]
State = Literal["awake", "relaxed", "drowsy", "n2", "n3", "rem", "moving"]
STATES: tuple[State, ...] = ("awake", "relaxed", "drowsy", "n2", "n3", "rem", "moving")
FaultKind = Literal["flat", "saturated", "mains", "drift"]

POOL_S = 240
EPOCH_S = 20
BLOCK_S = 3600

_FRONTAL = {"Fp1": 1.0, "Fp2": 1.0, "F3": 0.4, "F4": 0.4, "F7": 0.5, "F8": 0.5, "Fz": 0.4}
_POSTERIOR = {
    "O1": 1.0, "O2": 1.0, "P3": 0.7, "P4": 0.7, "Pz": 0.7, "T5": 0.6, "T6": 0.6, "P7": 0.6,
    "P8": 0.6, "C3": 0.3, "C4": 0.3, "Cz": 0.3, "T3": 0.25, "T4": 0.25, "T7": 0.25, "T8": 0.25,
}  # fmt: skip
_CENTRAL = {"C3": 1.0, "C4": 1.0, "Cz": 1.0, "Fz": 0.8, "F3": 0.6, "F4": 0.6, "Pz": 0.6}


class Fault(Struct, frozen=True):
    """An electrode's trouble from ``start_s`` to ``end_s`` (seconds of amplifier time).

    'flat': one value. 'saturated': the upper limit. 'mains': 60 Hz far above the EEG (only
    at rates above 120 Hz). 'drift': the slow, huge swings of an electrode that hangs in the air.
    """

    label: str
    kind: FaultKind
    start_s: float
    end_s: float


class Amplifier(Struct, frozen=True, dict=True):
    """A source of EEG. ``start_hour`` is the time of day at its first sample, in hours.

    ``labels`` are electrode names or 'ECG'. Values are microvolts, shape (samples, channels).
    """

    rate: int
    labels: tuple[str, ...]
    seed: int
    start_hour: float
    faults: tuple[Fault, ...] = ()

    def block(self, index: int) -> Floats:
        """Hour number ``index`` of the recording."""
        rng = np.random.default_rng([self.seed, index])
        length, fade = EPOCH_S * self.rate, self.rate
        out = np.zeros((BLOCK_S * self.rate + fade, len(self.labels)), np.float32)
        window = np.ones((length + fade, 1), np.float32)
        window[:fade, 0] = np.linspace(0, 1, fade, endpoint=False)
        window[length:] = 1 - window[:fade]
        states = self._states(index, rng)
        offsets = rng.integers(0, POOL_S * self.rate - length - fade, len(states))
        gains = rng.uniform(0.8, 1.2, len(states)).astype(np.float32)
        for number, state in enumerate(states):
            shape = window * gains[number]
            if number == 0:  # nothing to fade from at the block's edge
                shape[:fade] = gains[number]
            a, o = number * length, int(offsets[number])
            out[a : a + length + fade] += self.pools[state][o : o + length + fade] * shape
        out = out[: BLOCK_S * self.rate]
        self._spoil(out, index, rng)
        return out

    def samples(self, first: int, count: int) -> Floats:
        """Samples ``first .. first + count - 1``."""
        size, parts = BLOCK_S * self.rate, []
        for index in range(first // size, -(-(first + count) // size)):
            a, b = max(first - index * size, 0), min(first + count - index * size, size)
            parts.append(_block(self, index)[a:b])
        return parts[0] if len(parts) == 1 else np.concatenate(parts)

    @cached_property
    def pools(self) -> dict[State, Floats]:
        """A few minutes of each state, shape (samples, channels)."""
        return {
            state: _pool(state, self.rate, self.labels, np.random.default_rng([self.seed, 9, n]))
            for n, state in enumerate(STATES)
        }

    def _states(self, block: int, rng: np.random.Generator) -> list[State]:
        """The state of each epoch of the hour: by day awake and moving, by night in cycles."""
        cycle: tuple[State, ...] = ("drowsy", "n2", "n2", "n3", "n3", "n3", "n2", "rem", "rem")
        states: list[State] = []
        for number in range(BLOCK_S // EPOCH_S):
            hour = (self.start_hour + block + number * EPOCH_S / BLOCK_S) % 24
            chance = rng.random()
            if hour >= 22.4 or hour < 6.2:
                place = int((hour - 22.4) % 24 / 1.5 * len(cycle)) % len(cycle)
                states.append("moving" if chance < 0.01 else cycle[place])
            elif hour >= 21.6 or hour < 6.7 or 13.2 < hour < 13.6:
                states.append("relaxed" if chance < 0.6 else "drowsy")
            else:
                states.append(
                    "moving" if chance < 0.18 else "relaxed" if chance < 0.45 else "awake"
                )
        return states

    def _spoil(self, out: Floats, block: int, rng: np.random.Generator) -> None:
        for fault in self.faults:
            zero = block * BLOCK_S
            a = max(0, round((fault.start_s - zero) * self.rate))
            b = min(len(out), round((fault.end_s - zero) * self.rate))
            if a >= b:
                continue
            part = out[a:b, self.labels.index(fault.label)]
            time = zero + np.arange(a, b) / self.rate
            if fault.kind == "flat":
                part[:] = 0
            elif fault.kind == "saturated":
                part[:] = np.inf
            elif fault.kind == "mains":
                part *= 0.3
                part += (180 * np.sin(2 * np.pi * 60 * time)).astype(np.float32)
            else:
                phase = rng.uniform(0, 2 * np.pi)
                wander = np.sin(2 * np.pi * 0.31 * time + phase) + np.sin(1.07 * time)
                part += (2200 * wander).astype(np.float32)


@lru_cache(maxsize=4)  # the last two of each of the recorders that are simulated at a time
def _block(amplifier: Amplifier, index: int) -> Floats:
    return amplifier.block(index)


def _pool(state: State, rate: int, labels: Sequence[str], rng: np.random.Generator) -> Floats:
    n = POOL_S * rate
    top = 0.47 * rate

    def weights(table: dict[str, float], other: float) -> Floats:
        return np.array([table.get(label, other) for label in labels], np.float32)

    frontal, posterior = weights(_FRONTAL, 0.05), weights(_POSTERIOR, 0.1)
    central = weights(_CENTRAL, 0.2)
    channels = len(labels)
    # Neighbours share part of their background: each electrode sees the whole head a little.
    out = 5.5 * _noise(rng, n, rate, 0.7, min(12, top), channels)
    out += 4.5 * _noise(rng, n, rate, 0.7, min(12, top), 1)
    match state:
        case "awake" | "moving":
            out += 4 * _noise(rng, n, rate, 8, min(28, top), channels)
            out += 90 * _blinks(rng, n, rate)[:, None] * frontal
        case "relaxed":
            alpha = _noise(rng, n, rate, 8.5, min(11, top), 2)
            waxing = 1 + 0.7 * _noise(rng, n, rate, 0.1, 0.4, 1)
            out += 28 * posterior * waxing * (0.75 * alpha[:, :1] + 0.25 * alpha[:, 1:])
        case "drowsy":
            out += 14 * _noise(rng, n, rate, 4, 7, channels)
            out += 8 * posterior * _noise(rng, n, rate, 8, min(11, top), 1)
        case "n2":
            out += 14 * _noise(rng, n, rate, 2, 6, channels)
            bursts = _bursts(rng, n, rate, every_s=9, long_s=1.1)
            out += 30 * central * bursts[:, None] * _noise(rng, n, rate, 11, min(14, top), 1)
            out -= 110 * central * _blinks(rng, n, rate, every_s=28, long_s=0.7)[:, None]
        case "n3":
            out += 18 * _noise(rng, n, rate, 0.5, 2, channels)
            out += 45 * _noise(rng, n, rate, 0.5, 2, 1)
        case "rem":
            out += 6 * _noise(rng, n, rate, 3, 8, channels)
            out += 45 * frontal * _noise(rng, n, rate, 0.4, 1.2, 1)
    if state == "moving":
        active = _bursts(rng, n, rate, every_s=5, long_s=2.5)[:, None]
        out += active * (70 * _noise(rng, n, rate, 0.5, 3, channels))
        out += active * (25 * _noise(rng, n, rate, 5, top, channels))
    if "ECG" in labels:
        out[:, labels.index("ECG")] = 900 * _heart(rng, n, rate) + 15 * out[:, 0] / 10
    return out


def _noise(
    rng: np.random.Generator, n: int, rate: int, low: float, high: float, channels: int
) -> Floats:
    """Noise between ``low`` and ``high`` Hz falling with frequency; root mean square 1.

    Nothing where the rate cannot carry the band.
    """
    if high - low < 0.1:
        return np.zeros((n, channels), np.float32)
    spectrum = np.fft.rfft(rng.standard_normal((n, channels)), axis=0)
    frequency = np.fft.rfftfreq(n, 1 / rate)
    inside = (frequency >= low) & (frequency <= high)
    spectrum *= np.where(inside, 1 / np.sqrt(np.maximum(frequency, 0.1)), 0)[:, None]
    values = np.fft.irfft(spectrum, n, axis=0)
    scaled: Floats = (values / values.std(axis=0)).astype(np.float32)
    return scaled


def _blinks(
    rng: np.random.Generator, n: int, rate: int, every_s: float = 6, long_s: float = 0.35
) -> Floats:
    """Single bell-shaped deflections, one about every ``every_s`` seconds."""
    out = np.zeros(n, np.float32)
    for at in np.cumsum(rng.exponential(every_s, int(n / rate / every_s) + 9)):
        centre, width = at * rate, long_s * rate
        a, b = max(0, int(centre - 2 * width)), min(n, int(centre + 2 * width))
        if a < b:
            out[a:b] += np.exp(-(((np.arange(a, b) - centre) / width) ** 2) * 4)
    return out


def _bursts(rng: np.random.Generator, n: int, rate: int, every_s: float, long_s: float) -> Floats:
    """An envelope of bursts, 0 to 1."""
    return np.clip(_blinks(rng, n, rate, every_s, long_s), 0, 1)


def _heart(rng: np.random.Generator, n: int, rate: int) -> Floats:
    """Narrow beats, about 68 a minute."""
    out = np.zeros(n, np.float32)
    beats = np.cumsum(rng.normal(0.88, 0.04, int(n / rate / 0.7)))
    index = (beats * rate).astype(int)
    out[index[index < n]] = 1
    shape = np.array([-0.15, 1, -0.25], np.float32)
    return np.convolve(out, shape, mode="same").astype(np.float32)
