"""The scan against a slow, plain reading of its own definition, for files of any shape."""

from __future__ import annotations

from bisect import bisect_left
from fractions import Fraction
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from helpers_signal import Chan, judged, recording_bytes, settings
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.model import Recording
from auditor.policy.sections import SignalSettings
from auditor.signal import scan
from auditor.signal.judging import LARGE, MAINS, QUIET, SATURATED, UNREAD
from auditor.signal.scan import FileScan

DURATIONS = ("1", "2", "0.5", "0.1", "0.25", "0.333333", "0.7", "1.5", "3", "2.5", "30", "0.04")
SETTINGS = settings(flat_uv=1.0, large_uv=400.0, saturated_ppm=200_000, hum_ppm=300_000)
STEP_UV = 0.1


def scanned(recording: Recording, workers: int = 2) -> FileScan:
    return judged(recording, SETTINGS, workers)


def seconds_of(recording: Recording) -> list[tuple[int, list[int], bool]]:
    """Every second by the definition: its run's first record, its records, whether it is whole."""
    offsets, length = recording.offsets_ns.tolist(), recording.record_ns
    runs: list[list[int]] = []
    for record in range(len(offsets)):
        jitter = min(50_000_000, length // 10)
        if runs and abs(offsets[record] - offsets[record - 1] - length) <= jitter:
            runs[-1].append(record)
        else:
            runs.append([record])
    found = []
    for run in runs:
        total = len(run) * length
        for number in range(-(-total // NS)):
            found.append((number, run, (number + 1) * NS <= total))
    return found


def expected(
    recording: Recording, channel: int, samples: np.ndarray, per_record: int
) -> list[set[str]]:
    """The states of each second of one channel, sample by sample."""
    chan = recording.channels[channel]
    states: list[set[str]] = []
    shares: list[float] = []
    starts = [i * recording.record_ns for i in range(len(recording.offsets_ns) * per_record)]
    seconds = [start // (NS * per_record) for start in starts]  # of the i-th sample of a run
    for number, run, whole in seconds_of(recording):
        here = bisect_left(seconds, number), bisect_left(seconds, number + 1)
        first, last = (min(at, len(run) * per_record) for at in here)
        begins = run[0] * per_record
        values = samples[begins + first : begins + last].astype(int)
        if not len(values):
            states.append(states[-1])
            shares.append(0.0)
            continue
        held = set()
        span = (int(values.max()) - int(values.min())) * STEP_UV
        if span <= SETTINGS.flat_uv + 1e-9:
            held.add("quiet")
        if span > SETTINGS.large_uv + 1e-9:
            held.add("large")
        beyond = int(((values <= chan.digital_min) | (values >= chan.digital_max)).sum())
        if beyond * 5 >= len(values):
            held.add("saturated")
        rate = per_record * NS / recording.record_ns
        share = 0.0
        if whole and "quiet" not in held:
            share = mains_share(values.astype(float), rate)
        states.append(held)
        shares.append(share)
    for held, share in zip(states, shares, strict=True):
        if abs(share - 0.3) < 0.01:  # so near the limit that rounding decides
            held.add("either")
        elif share > 0.3:
            held.add("mains")
    return states


@cache
def designs(count: int, rate: float) -> tuple[np.ndarray, list[np.ndarray]]:
    """Columns of the trend, and of the trend with each mains frequency that the rate can hold."""
    at = np.arange(count) / rate
    trend = np.column_stack((np.ones(count), at))
    return trend, [
        np.column_stack((trend, np.cos(2 * np.pi * hz * at), np.sin(2 * np.pi * hz * at)))
        for hz in SETTINGS.mains_hz
        if hz < 0.48 * rate
    ]


def mains_share(values: np.ndarray, rate: float) -> float:
    """Least squares in double precision."""

    def left(design: np.ndarray) -> float:
        rest = values - design @ np.linalg.lstsq(design, values, rcond=None)[0]
        return float(rest @ rest)

    trend, with_mains = designs(len(values), rate)
    power = left(trend)
    best = max((power - left(design) for design in with_mains), default=0.0)
    return max(best, 0.0) / power if power > 0 else 0.0


def actual(file: FileScan, column: int) -> list[set[str]]:
    bits = {
        "quiet": QUIET,
        "saturated": SATURATED,
        "mains": MAINS,
        "large": LARGE,
        "unread": UNREAD,
    }
    return [
        {name for name, bit in bits.items() if value & bit}
        for value in file.flags[:, column].tolist()
    ]


@st.composite
def files(draw: st.DrawFn) -> tuple[list[Chan], str, list[str], bool]:
    """Channels with every state, records of any duration, runs that begin anywhere."""
    duration = draw(st.sampled_from(DURATIONS))
    length = Fraction(duration)
    rng = np.random.default_rng(draw(st.integers(0, 1000)))
    records = max(1, int(draw(st.integers(3, 25)) / length))
    chans = []
    labels = draw(st.permutations(["C3", "C4", "ECG", "O1", "O2"]))
    for label in labels[: draw(st.integers(1, 4))]:
        rate = draw(st.sampled_from((8, 50, 128, 200, 256)))
        per_record = max(1, round(rate * length))
        count = per_record * records
        at = np.arange(count) * float(length) / per_record
        signal = rng.standard_normal(count) * 200
        kinds = rng.integers(0, 7, int(at[-1]) + 2)[np.minimum(at, 1e6).astype(int)]
        signal[kinds == 1] = 40
        signal[kinds == 2] += 500 * np.sin(2 * np.pi * 60 * at[kinds == 2])
        signal[kinds == 3] *= 40
        signal[kinds == 4] = np.where(rng.random(int((kinds == 4).sum())) < 0.25, 32767, 0)
        signal[kinds == 5] = np.arange(count)[kinds == 5] % 11
        chans.append(Chan(label, per_record, np.clip(np.round(signal), -32768, 32767).astype(int)))
    holes = np.cumsum(
        [draw(st.sampled_from((0, 0, 0, 0, 0, 3, 60, 250, 1700))) for _ in range(min(records, 6))]
    )
    onsets = [
        f"{float(i * length + Fraction(int(holes[min(i, len(holes) - 1)]), 1000)):.6f}"
        for i in range(records)
    ]
    return chans, duration, onsets, draw(st.booleans())


@hypothesis_settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(files(), st.sampled_from((1 << 10, 1 << 14, 1 << 21)))
def test_every_second_of_every_channel_is_judged_as_defined(
    tmp_path: Path, file: tuple[list[Chan], str, list[str], bool], block: int
) -> None:
    chans, duration, onsets, bdf = file
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes(chans, duration=duration, onsets=onsets, bdf=bdf))
    recording = read_recording(path, path.name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "BLOCK_BYTES", block)
        found = scanned(recording)
    assert len(found.grid) == len(seconds_of(recording))
    for column, plan in enumerate(found.plans):
        index = plan.channel.index
        want = expected(recording, index, chans[index].samples, chans[index].rate)
        no_say = set() if plan.channel.is_eeg else {"mains", "either"}
        for second, (mine, full) in enumerate(zip(actual(found, column), want, strict=True)):
            theirs = full - no_say
            skipped = {"mains", "either"} if "either" in theirs else set()
            assert mine - skipped == theirs - skipped, (plan.channel.label, second)


@pytest.mark.parametrize("block", [1, 1 << 20])
def test_a_second_in_which_no_sample_starts_is_as_the_one_before_whatever_the_blocks(
    tmp_path: Path, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    # Three records of 0.7 s end 0.1 s into a third second, after their last sample has started.
    samples = np.array([5] * 9 + [300, -300] * 4 + [0])
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes([Chan("C3", 6, samples)], duration="0.7"))
    monkeypatch.setattr(scan, "BLOCK_BYTES", block)
    found = scanned(read_recording(path, path.name))
    assert found.flags[:, 0].tolist() == [QUIET, 0, 0]


@pytest.mark.parametrize("bdf", [False, True])
@pytest.mark.parametrize("duration", ["1", "0.5", "0.7", "3"])
def test_records_too_large_for_a_block_are_read_by_channel_with_the_same_result(
    tmp_path: Path, duration: str, bdf: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(3)
    rate = int(200 * float(duration))
    chans = [
        Chan(label, rate, np.round(rng.standard_normal(rate * 20) * 300).astype(int))
        for label in ("C3", "ECG", "C4")
    ]
    chans[2].samples[rate * 4 : rate * 9] = 5
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes(chans, duration=duration, bdf=bdf))
    recording = read_recording(path, path.name)
    whole = scanned(recording)
    monkeypatch.setattr(scan, "LARGEST_RECORD", 100)
    monkeypatch.setattr(scan, "_CHANNEL_BYTES", 5000)
    by_channel = scanned(recording)
    assert by_channel.huge
    assert np.array_equal(whole.flags, by_channel.flags)
    assert whole.flags[:, 2].any()


@pytest.mark.parametrize("workers", [1, 2, 5])
def test_the_number_of_threads_changes_nothing(tmp_path: Path, workers: int) -> None:
    rng = np.random.default_rng(4)
    chans = [Chan("C3", 256, np.round(rng.standard_normal(256 * 300) * 300).astype(int))]
    chans[0].samples[: 256 * 100] = 5
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes(chans))
    recording = read_recording(path, path.name)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(scan, "BLOCK_BYTES", 1 << 12)
        assert np.array_equal(
            scanned(recording, workers).flags[:, 0] & QUIET, [1] * 100 + [0] * 200
        )


def test_settings_without_channels_to_judge_read_nothing(tmp_path: Path) -> None:
    path = tmp_path / "any.edf"
    path.write_bytes(recording_bytes([Chan("Battery", 1, np.arange(10))]))
    chosen: SignalSettings = SETTINGS
    found = FileScan(read_recording(path, path.name), chosen)
    assert not found.parts
    assert found.flags.size == 0
