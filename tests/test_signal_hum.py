"""Hum: which seconds are looked at, and that the short ways round give the full judgement."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_signal import Chan, noise, recording_bytes, settings
from numpy.typing import NDArray

from auditor.core.progress import Silent
from auditor.edf import read_recording
from auditor.signal import hum, reading
from auditor.signal.hum import HumRoom, mains_share, strong_mains
from auditor.signal.reading import prepare
from auditor.signal.scan import scan_files
from auditor.signal.states import HUM

RATE = 256
LEAST = 0.5
MAINS = (50, 60)
SETTINGS = settings()

Bools = NDArray[np.bool_]


def strong(seconds: NDArray[np.signedinteger], rate: int = RATE) -> Bools:
    """``strong_mains`` of one channel's seconds (n, samples), all asked for."""
    values = np.ascontiguousarray(seconds)[:, None, None]
    asked = np.ones(values.shape[:3], np.bool_)
    return strong_mains(values, asked, float(rate), MAINS, LEAST, HumRoom())[:, 0, 0]


def eeg_with_hum(seconds: int, rate: int, seed: int) -> NDArray[np.int16]:
    """Power falling with frequency, an offset, a drift, and hum that comes and goes in stretches."""
    rng = np.random.default_rng(seed)
    at = np.arange(seconds * rate) / rate
    slow = np.cumsum(rng.standard_normal(len(at)))
    slow -= np.convolve(slow, np.ones(rate) / rate, "same")
    strength = np.repeat(rng.choice((0.0, 0.0, 0.3, 1.0, 3.0), seconds // 4 + 1), 4 * rate)[
        : len(at)
    ]
    mains = strength * slow.std() * np.sin(2 * np.pi * rng.choice(MAINS) * at)
    value = 20 * (slow + mains) + rng.uniform(-3000, 3000) + rng.uniform(-20, 20) * at
    return np.round(value).astype(np.int16).reshape(seconds, rate)


@pytest.mark.parametrize("kind", [np.int16, np.int32])
@pytest.mark.parametrize("rate", [125, 200, 250, 256, 500, 512, 1000])
def test_stretches_of_hum_are_found_as_by_judging_every_second_in_full(
    rate: int, kind: type[np.signedinteger]
) -> None:
    # Rates at which every other sample suffices for a first look, and rates at which it does not.
    least = hum._SOME * LEAST
    for seed in range(5):
        seconds = eeg_with_hum(200, rate, seed).astype(kind)
        centred = (seconds - seconds[:, :1]).astype(np.float32)
        share = mains_share(centred, float(rate), MAINS)
        beside = np.append(False, share[:-1] >= least) | np.append(share[1:] >= least, False)
        found = strong(seconds, rate)
        full = share >= LEAST
        assert full.sum() > 20
        assert not (found & ~full).any()
        assert np.array_equal(found[beside], full[beside])


def test_a_stretch_of_two_seconds_is_found_to_the_second_wherever_it_lies() -> None:
    at = np.arange(RATE) / RATE
    wave = np.round(300 * np.sin(2 * np.pi * 60 * at)).astype(np.int16)
    for first in range(19):
        seconds = noise(20, RATE, uv=5).astype(np.int16).reshape(20, RATE)
        seconds[first : first + 2] += wave
        assert np.flatnonzero(strong(seconds)).tolist() == [first, first + 1]


def test_a_lone_second_is_found_at_every_other_place() -> None:
    # What is passed over is known: nothing but a second with no hum to speak of on either side.
    at = np.arange(RATE) / RATE
    wave = np.round(300 * np.sin(2 * np.pi * 60 * at)).astype(np.int16)
    found = []
    for place in range(10):
        seconds = np.zeros((10, RATE), np.int16)
        seconds += np.round(20 * np.sin(2 * np.pi * 3 * at)).astype(np.int16)
        seconds[place] += wave
        found.append(bool(strong(seconds)[place]))
    assert found == [True, False] * 4 + [True, True]  # the last second is always looked at


@pytest.mark.parametrize("offset", [0, 500, -30000, 32000])
def test_an_offset_of_any_size_changes_nothing(offset: int) -> None:
    at = np.arange(40 * RATE) / RATE
    wave = np.where(at // 10 % 2 == 1, 3 * np.sin(2 * np.pi * 50 * at), 0)
    slow = 2 * np.sin(2 * np.pi * 1.7 * at)
    seconds = (np.round(wave + slow) + offset).astype(np.int16).reshape(40, RATE)
    assert np.array_equal(np.flatnonzero(strong(seconds)) // 10 % 2, [1] * 20)


def test_offsets_of_24_bits_change_nothing() -> None:
    at = np.arange(40 * RATE) / RATE
    wave = np.where(at // 10 % 2 == 1, 40 * np.sin(2 * np.pi * 50 * at), 0)
    slow = 20 * np.sin(2 * np.pi * 1.7 * at)
    seconds = (np.round(wave + slow) + 8_000_000).astype(np.int32).reshape(40, RATE)
    assert np.array_equal(np.flatnonzero(strong(seconds)) // 10 % 2, [1] * 20)


def test_a_wave_that_folds_onto_the_mains_is_no_hum() -> None:
    # In every other of 256 samples a second, 68 Hz cannot be told from 60 Hz: the full look can.
    at = np.arange(20 * RATE) / RATE
    wave = 300 * np.sin(2 * np.pi * 68 * at) + 20 * np.sin(2 * np.pi * 3 * at)
    assert not strong(np.round(wave).astype(np.int16).reshape(20, RATE)).any()


def test_a_second_whose_hum_every_other_sample_hides_is_found_beside_others() -> None:
    # At samples 1, 3, 5 ... of 256 a second, a sine of 68 Hz is the same as one of 60 Hz.
    at = np.arange(RATE) / RATE
    slow = 90 * np.sin(2 * np.pi * 5 * at)
    mains = 300 * np.sin(2 * np.pi * 60 * at)
    hidden = np.round(mains - 0.9 * 300 * np.sin(2 * np.pi * 68 * at) + slow).astype(np.int16)
    plain = np.round(mains + slow).astype(np.int16)
    clean = np.round(slow).astype(np.int16)
    assert np.flatnonzero(strong(np.array([clean, clean, hidden, clean, clean]))).tolist() == []
    stretch = [clean, clean, hidden, hidden, hidden, plain, plain, clean, clean]
    assert np.flatnonzero(strong(np.array(stretch))).tolist() == [2, 3, 4, 5, 6]


def test_samples_at_odd_addresses_are_judged_by_all_of_them() -> None:
    # Two samples are read as one only where they lie on its boundary.
    seconds = eeg_with_hum(100, RATE, 3)
    shifted = np.empty(seconds.size + 1, np.int16)[1:].reshape(seconds.shape)
    shifted[:] = seconds
    values = shifted[:, None, None]
    assert hum._every_other(values, float(RATE), MAINS) is None
    asked = np.ones(values.shape[:3], np.bool_)
    found = strong_mains(values, asked, float(RATE), MAINS, LEAST, HumRoom())[:, 0, 0]
    assert np.array_equal(found, strong(seconds))


def test_only_seconds_asked_for_are_marked() -> None:
    at = np.arange(RATE) / RATE
    values = np.tile(np.round(300 * np.sin(2 * np.pi * 60 * at)).astype(np.int16), (9, 1))
    asked = np.arange(9)[:, None, None] % 3 > 0
    found = strong_mains(values[:, None, None], asked, float(RATE), MAINS, LEAST, HumRoom())
    assert np.array_equal(found, asked)


@pytest.mark.parametrize("duration", ["1", "2", "5", "0.7", "30"])
def test_hum_in_records_of_any_length_is_marked_to_the_second(
    tmp_path: Path, duration: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    rate, seconds = round(200 * float(duration)), 210
    at = np.arange(seconds * 200) / 200
    signal = noise(seconds, 200, uv=10)
    on = np.zeros(seconds, np.bool_)
    for first, length in ((3, 2), (20, 7), (63, 1), (64, 2), (100, 41), (207, 3)):
        on[first : first + length] = True
    signal = signal + np.round(np.repeat(on, 200) * 800 * np.sin(2 * np.pi * 60 * at)).astype(int)
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes([Chan("C3", rate, signal)], duration=duration))
    recording = read_recording(path, path.name)
    for block in (1 << 12, 1 << 20):
        monkeypatch.setattr(reading, "BLOCK_BYTES", block)
        scan = prepare(recording, SETTINGS)
        scan_files([scan], SETTINGS, 2, Silent())
        assert np.array_equal(scan.flags[:, 0] & HUM > 0, on), block


def test_two_threads_that_multiply_at_once_find_what_one_finds(tmp_path: Path) -> None:
    # Products written by columns lost numbers now and then when two threads multiplied at once.
    channels = [Chan(label, RATE, eeg_with_hum(1200, RATE, i).ravel().astype(int))
                for i, label in enumerate(("C3", "C4", "O1", "O2", "F3", "F4", "P3", "P4"))]  # fmt: skip
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes(channels))
    recording = read_recording(path, path.name)

    def flags(workers: int) -> NDArray[np.uint8]:
        scan = prepare(recording, SETTINGS)
        scan_files([scan], SETTINGS, workers, Silent())
        return scan.flags

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(reading, "BLOCK_BYTES", 1 << 19)
        one = flags(1)
        assert (one & HUM).any(axis=0).all()
        for _ in range(20):
            assert np.array_equal(flags(2), one)
