"""Mains artifact: every second of every channel is looked at in full."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_signal import Chan, judged, noise, recording_bytes
from numpy.typing import NDArray

from auditor.edf import read_recording
from auditor.signal import scan
from auditor.signal.judging import MAINS, MAINS_50, MAINS_60, mains_shares

RATE = 256
MAINS_HZ = (50, 60)


def strong(seconds: NDArray[np.signedinteger], rate: int = RATE) -> NDArray[np.bool_]:
    """Which seconds (n, samples) have half of their power at the stronger mains frequency."""
    return mains_shares(seconds.astype(np.float32), float(rate), MAINS_HZ).max(axis=0) >= 0.5


def eeg_with_hum(seconds: int, rate: int, seed: int) -> NDArray[np.int16]:
    """Power falling with frequency, an offset, a drift, and hum that comes and goes in stretches."""
    rng = np.random.default_rng(seed)
    at = np.arange(seconds * rate) / rate
    slow = np.cumsum(rng.standard_normal(len(at)))
    slow -= np.convolve(slow, np.ones(rate) / rate, "same")
    strength = np.repeat(rng.choice((0.0, 0.0, 0.3, 1.0, 3.0), seconds // 4 + 1), 4 * rate)[
        : len(at)
    ]
    mains = strength * slow.std() * np.sin(2 * np.pi * rng.choice(MAINS_HZ) * at)
    value = 20 * (slow + mains) + rng.uniform(-3000, 3000) + rng.uniform(-20, 20) * at
    return np.round(value).astype(np.int16).reshape(seconds, rate)


@pytest.mark.parametrize("rate", [125, 200, 250, 256, 500, 512, 1000])
def test_the_share_is_that_of_double_precision_whatever_offset_and_drift(rate: int) -> None:
    at = np.arange(rate) / rate
    trend = np.column_stack((np.ones(rate), at))
    for seed in range(3):
        seconds = eeg_with_hum(100, rate, seed)
        found = mains_shares(seconds.astype(np.float32), float(rate), MAINS_HZ)
        for number, hz in enumerate(MAINS_HZ):
            waves = np.column_stack((np.cos(2 * np.pi * hz * at), np.sin(2 * np.pi * hz * at)))
            design = np.hstack((trend, waves))
            for second, share in zip(seconds.astype(float), found[number], strict=True):
                rest = second - trend @ np.linalg.lstsq(trend, second, rcond=None)[0]
                left = second - design @ np.linalg.lstsq(design, second, rcond=None)[0]
                wanted = 1 - float(left @ left) / float(rest @ rest)
                assert share == pytest.approx(wanted, abs=2e-3)


def test_a_lone_second_is_found_wherever_it_lies() -> None:
    at = np.arange(RATE) / RATE
    wave = np.round(300 * np.sin(2 * np.pi * 60 * at)).astype(np.int16)
    for place in range(10):
        seconds = np.zeros((10, RATE), np.int16)
        seconds += np.round(20 * np.sin(2 * np.pi * 3 * at)).astype(np.int16)
        seconds[place] += wave
        assert np.flatnonzero(strong(seconds)).tolist() == [place]


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


def test_a_wave_beside_the_mains_is_no_artifact() -> None:
    at = np.arange(20 * RATE) / RATE
    wave = 300 * np.sin(2 * np.pi * 68 * at) + 20 * np.sin(2 * np.pi * 3 * at)
    assert not strong(np.round(wave).astype(np.int16).reshape(20, RATE)).any()


@pytest.mark.parametrize(("hz", "mark"), [(50, MAINS_50), (60, MAINS_60)])
def test_the_frequency_of_the_artifact_is_known(tmp_path: Path, hz: int, mark: np.uint8) -> None:
    at = np.arange(30 * RATE) / RATE
    wave = np.round(2000 * np.sin(2 * np.pi * hz * at)).astype(int)
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes([Chan("C3", RATE, noise(30, RATE) + wave)]))
    assert set(judged(read_recording(path, path.name)).flags[:, 0].tolist()) == {int(mark)}


@pytest.mark.parametrize("duration", ["1", "2", "5", "0.7", "30"])
def test_mains_in_records_of_any_length_is_marked_to_the_second(
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
        monkeypatch.setattr(scan, "BLOCK_BYTES", block)
        found = judged(recording)
        assert np.array_equal(found.flags[:, 0] & MAINS > 0, on), block


def test_two_threads_that_multiply_at_once_find_what_one_finds(tmp_path: Path) -> None:
    # Products written by columns lost numbers now and then when two threads multiplied at once.
    channels = [Chan(label, RATE, eeg_with_hum(1200, RATE, i).ravel().astype(int))
                for i, label in enumerate(("C3", "C4", "O1", "O2", "F3", "F4", "P3", "P4"))]  # fmt: skip
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes(channels))
    recording = read_recording(path, path.name)

    def flags(workers: int) -> NDArray[np.uint8]:
        return judged(recording, workers=workers).flags

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "BLOCK_BYTES", 1 << 19)
        one = flags(1)
        assert (one & MAINS).any(axis=0).all()
        for _ in range(20):
            assert np.array_equal(flags(2), one)
