"""The signal scan beside independent libraries: decoding, amplitudes, spectra."""

from __future__ import annotations

from pathlib import Path

import mne
import numpy as np
import pyedflib
import pytest
import scipy.signal
from helpers_signal import UV, Chan, noise, recording_bytes, scan, scan_one, settings

from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.edf.source import decoded as samples_of
from auditor.signal.judging import mains_shares

RATE = 256


def written_by_pyedflib(path: Path, samples: np.ndarray, bdf: bool) -> None:
    """Digital samples, shape (channels, samples), written by a library that is not ours."""
    top = 2**23 if bdf else 2**15
    kind = pyedflib.FILETYPE_BDFPLUS if bdf else pyedflib.FILETYPE_EDFPLUS
    writer = pyedflib.EdfWriter(str(path), len(samples), kind)
    try:
        for index in range(len(samples)):
            writer.setSignalHeader(
                index,
                {
                    "label": f"EEG C{index + 1}", "dimension": "uV", "sample_frequency": RATE,
                    "physical_min": -top, "physical_max": top - 1,
                    "digital_min": -top, "digital_max": top - 1, "transducer": "", "prefilter": "",
                },
            )  # fmt: skip
        writer.writeSamples([np.ascontiguousarray(row) for row in samples], digital=True)
    finally:
        writer.close()


def decoded(path: Path) -> np.ndarray:
    """Digital samples as the scan decodes them, shape (channels, samples)."""
    recording = read_recording(path, path.name)
    count = recording.records * recording.record_bytes // recording.sample_bytes
    page = np.frombuffer(path.read_bytes(), np.uint8)
    flat = samples_of(page, recording.data_offset, count, recording.sample_bytes)
    records = flat.reshape(recording.records, -1)
    rows = []
    for channel in recording.channels:
        if not channel.is_annotation:
            first = channel.offset // recording.sample_bytes
            rows.append(records[:, first : first + channel.samples_per_record].ravel())
    return np.array(rows, np.int64)


@pytest.mark.parametrize("bdf", [False, True])
def test_samples_are_decoded_as_mne_and_pyedflib_decode_them(tmp_path: Path, bdf: bool) -> None:
    rng = np.random.default_rng(1)
    top = 2**23 if bdf else 2**15
    samples = rng.integers(-top, top, (3, 20 * RATE)).astype(np.int32)
    edges = [-top, top - 1, -1, 0, 1, -256, 255, 256, -257, top // 2, -top // 2]
    samples[0, : len(edges)] = edges
    path = tmp_path / ("S-2041.bdf" if bdf else "S-2041.edf")
    written_by_pyedflib(path, samples, bdf)
    mine = decoded(path)
    assert np.array_equal(mine, samples)
    with pyedflib.EdfReader(str(path)) as reader:
        theirs = [reader.readSignal(i, digital=True) for i in range(3)]
    assert np.array_equal(mine, theirs)
    read = mne.io.read_raw_bdf if bdf else mne.io.read_raw_edf
    volts = read(path, preload=True, verbose="error").get_data()[:3]
    assert np.allclose(mine, volts * 1e6, rtol=0, atol=1e-9 * top)


def raw_of(uv: np.ndarray) -> mne.io.BaseRaw:
    """An mne recording of one EEG channel from microvolts."""
    info = mne.create_info(["C3"], RATE, "eeg")
    return mne.io.RawArray(uv[None] * 1e-6, info, verbose="error")


def covered(annotations: mne.Annotations, seconds: int) -> np.ndarray:
    """Whole seconds that mne's annotations cover altogether, shape (seconds,)."""
    held = np.zeros(seconds * RATE, bool)
    for onset, duration in zip(annotations.onset, annotations.duration, strict=True):
        held[round(onset * RATE) : round((onset + duration) * RATE) + 1] = True
    return held.reshape(seconds, RATE).all(axis=1)


def test_flat_seconds_are_those_of_mnes_amplitude_annotation(tmp_path: Path) -> None:
    # mne calls a channel flat where neighbouring samples differ by no more than the limit for a
    # least time. For an unchanging signal both definitions meet: the whole seconds inside mne's
    # stretches are the scan's flat seconds. They differ by design in two ways: mne's stretches begin
    # and end between whole seconds, and its limit is on the step from sample to sample, the scan's
    # on the range within a second (see the next test).
    signal = noise(120, RATE)
    for start, end in ((10.0, 25.0), (40.3, 60.8), (100.0, 103.0)):
        signal[int(start * RATE) : int(end * RATE)] = 77
    found = scan_one(tmp_path, [Chan("C3", RATE, signal)])
    raw = raw_of(signal / UV)
    marked, bads = mne.preprocessing.annotate_amplitude(
        raw, flat=0.5e-6, min_duration=5, bad_percent=100, picks="all", verbose="error"
    )
    assert not bads
    theirs = covered(marked, 120)
    mine = np.ones(120, bool)
    for start, end in found.usable():
        mine[round(start) : round(end)] = False
    assert mine.sum() == found.seconds("C3")["flat"] == 15 + 19
    assert np.array_equal(mine, theirs)


def test_a_slow_drift_is_flat_to_mne_and_live_to_the_scan(tmp_path: Path) -> None:
    # 0.1 uV from sample to sample is within mne's limit; 25.6 uV within a second is not within the
    # scan's: a drifting electrode is not a dead one.
    signal = np.arange(60 * RATE) % 30_000
    raw = raw_of(signal / UV)
    marked, bads = mne.preprocessing.annotate_amplitude(
        raw, flat=0.5e-6, min_duration=5, bad_percent=100, picks="all", verbose="error"
    )
    assert bads == ["C3"] or covered(marked, 60).sum() >= 59
    assert scan_one(tmp_path, [Chan("C3", RATE, signal)]).seconds("C3")["flat"] == 0


def test_saturated_seconds_hold_all_that_mnes_peak_annotation_would_mark(tmp_path: Path) -> None:
    # mne's upper limit is on the step between neighbouring samples too, so a channel that leaps
    # between both rails is what both see; one that stays at a rail is flat to mne.
    signal = noise(60, RATE)
    signal[20 * RATE : 30 * RATE] = np.resize([-32768, 32767], 10 * RATE)
    marked, _ = mne.preprocessing.annotate_amplitude(
        raw_of(signal / UV), peak=3000e-6, min_duration=0.005, bad_percent=100, picks="all",
        verbose="error",
    )  # fmt: skip
    found = scan_one(tmp_path, [Chan("C3", RATE, signal)])
    theirs = np.flatnonzero(covered(marked, 60))
    assert theirs.min() >= 20
    assert theirs.max() < 30
    assert len(theirs) >= 9
    assert found.seconds("C3")["saturated"] == found.seconds("C3")["large"] == 10


@pytest.mark.parametrize("rate", [200, 250, 256, 500, 512])
@pytest.mark.parametrize("hz", [50, 60])
def test_the_mains_share_is_the_periodograms_bin_at_the_mains(rate: int, hz: int) -> None:
    # One second, no window, linear detrending: the bin at 50 or 60 Hz of scipy's periodogram over
    # the sum of all its bins. The two differ only in that the scan removes trend and mains together
    # (least squares), scipy one after the other; in a second that is below a thousandth.
    rng = np.random.default_rng(rate + hz)
    at = np.arange(rate) / rate
    rows = []
    for amplitude in (0.0, 5.0, 15.0, 40.0, 200.0):
        slope = rng.standard_normal() * 300 * at
        phase = rng.uniform(0, 2 * np.pi)
        wave = amplitude * np.sin(2 * np.pi * hz * at + phase)
        rows.append(20 * rng.standard_normal(rate) + slope + wave)
    seconds = np.array(rows)
    mine = mains_shares(seconds.astype(np.float32), float(rate), (hz,))[0]
    freqs, power = scipy.signal.periodogram(seconds, rate, "boxcar", detrend="linear")
    theirs = power[:, int(np.argmin(np.abs(freqs - hz)))] / power.sum(axis=1)
    assert np.allclose(mine, theirs, atol=2e-3)
    assert mine[-1] > 0.9
    assert mine[0] < 0.1


def test_with_both_mains_frequencies_the_stronger_decides() -> None:
    at = np.arange(RATE) / RATE
    both = 10 * np.sin(2 * np.pi * 50 * at) + 20 * np.sin(2 * np.pi * 60 * at) + 5 * np.sin(40 * at)
    share = [
        float(mains_shares(both[None].astype(np.float32), float(RATE), hz).max())
        for hz in ((50,), (60,), (50, 60))
    ]
    assert share[2] == pytest.approx(max(share[:2]), abs=1e-3)


@pytest.mark.parametrize("offset", [0.1, 0.2, 0.3])
def test_mains_that_are_a_little_off_their_frequency_are_still_found(
    tmp_path: Path, offset: float
) -> None:
    # Within a second the mains are as good as a line: grids keep within a few tenths of a hertz.
    at = np.arange(60 * RATE) / RATE
    signal = noise(60, RATE, uv=10) + np.round(
        60 * UV * np.sin(2 * np.pi * (60 - offset) * at)
    ).astype(int)
    found = scan_one(tmp_path, [Chan("C3", RATE, signal)], chosen=settings(mains="60"))
    assert found.seconds("C3")["hum"] == 60


def test_hum_seconds_are_those_of_a_spectrogram(tmp_path: Path) -> None:
    rng = np.random.default_rng(9)
    amplitude = np.repeat(rng.uniform(0, 60, 100), RATE)
    at = np.arange(100 * RATE) / RATE
    signal = noise(100, RATE, uv=60) + np.round(
        amplitude * UV * np.sin(2 * np.pi * 50 * at)
    ).astype(int)
    freqs, _, power = scipy.signal.spectrogram(
        signal.astype(float), RATE, "boxcar", RATE, 0, detrend="linear"
    )
    share = power[int(np.argmin(np.abs(freqs - 50)))] / power.sum(axis=0)
    sure = np.abs(share - 0.5) > 0.01
    found = scan_one(tmp_path, [Chan("C3", RATE, signal)])
    held = found.seconds("C3")["hum"]
    assert 10 < held < 90
    assert abs(held - (share >= 0.5).sum()) <= (~sure).sum()


def test_a_file_written_by_pyedflib_is_scanned_like_our_own(tmp_path: Path) -> None:
    samples = np.array([noise(60, RATE), noise(60, RATE, 1)]).astype(np.int32)
    samples[1, 10 * RATE : 30 * RATE] = -32768
    ours, theirs = tmp_path / "ours", tmp_path / "theirs"
    ours.mkdir()
    theirs.mkdir()
    written_by_pyedflib(theirs / "a.edf", samples, bdf=False)
    limits = ("-32768", "32767")
    chans = [Chan(f"EEG C{i + 1}", RATE, row, physical=limits) for i, row in enumerate(samples)]
    (ours / "a.edf").write_bytes(recording_bytes(chans))
    one, two = scan(ours, 2), scan(theirs, 2)
    assert one.usable() == two.usable() == [(0, 10), (30, 60)]
    assert one.facts.usable_ns == 40 * NS
