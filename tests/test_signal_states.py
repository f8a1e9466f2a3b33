"""Channel states by the second, against signals made to be in them for known seconds."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_signal import (
    LIMITS_16,
    UV,
    Chan,
    Digital,
    noise,
    recording_bytes,
    scan,
    scan_one,
    settings,
    sine,
)

from auditor.core.units import NS

FORMS = [
    # record duration as written, samples per record: 256 a second, or near it
    ("1", 256), ("0.5", 128), ("2", 512), ("30", 7680), ("0.1", 26), ("0.25", 64), ("1.5", 384),
    ("0.333333", 85), ("7", 1792), ("0.7", 179), ("10", 2555),
]  # fmt: skip


def made(duration: str, rate: int, seconds: float = 120.0, seed: int = 0) -> tuple[Digital, ...]:
    """Live noise for about ``seconds``, and each sample's time in seconds."""
    records = round(seconds / float(duration))
    live = noise(records, rate, seed)
    return live, np.arange(len(live)) * float(duration) / rate


def during(at: Digital, start: float, end: float) -> Digital:
    return (at >= start) & (at < end)


@pytest.mark.parametrize("bdf", [False, True])
@pytest.mark.parametrize(("duration", "rate"), FORMS)
def test_flat_and_saturated_are_exact_to_the_second_for_any_record(
    tmp_path: Path, duration: str, rate: int, bdf: bool
) -> None:
    live, at = made(duration, rate)
    flat, saturated, top = (noise(len(at) // rate, rate, seed) for seed in (1, 2, 3))
    flat[during(at, 20, 41)] = 123
    saturated[during(at, 50, 61)] = np.resize([32767, 0, 32767], int(during(at, 50, 61).sum()))
    top[during(at, 70, 77)] = -32768
    channels = [
        Chan("EEG C3", rate, live),
        Chan("EEG C4", rate, flat),
        Chan("SaO2", max(1, rate // 16), noise(len(at) // rate, max(1, rate // 16)), "%"),
        Chan("EEG O1", rate, saturated),
        Chan("EEG O2", rate, top),
    ]
    onsets = [f"{i * float(duration):.9f}" for i in range(len(at) // rate)]
    found = scan_one(tmp_path, channels, 4, duration=duration, onsets=onsets, bdf=bdf)
    end = found.coverage.recorded_ns / NS
    assert end == pytest.approx(119 if duration in ("7", "0.7") else 120, abs=1.1)
    for label, state, lost in (
        ("C3", "flat", 0),
        ("C4", "flat", 21),
        ("O1", "saturated", 11),
        ("O2", "saturated", 7),
    ):
        held = found.seconds(f"EEG {label}")
        assert held[state] == pytest.approx(lost, abs=1e-3), label
        assert held["live"] == pytest.approx(end - lost, abs=1e-3), label
        assert held["recorded"] == pytest.approx(end, abs=1e-3), label
    assert found.seconds("EEG O2")["flat"] == pytest.approx(7, abs=1e-3), "both states hold"
    assert found.seconds("EEG O1")["flat"] == 0
    expected = [(0, 20), (41, 50), (61, 70), (77, end)]
    assert np.allclose(found.usable(), expected, atol=1e-3)
    assert found.facts.usable_ns <= found.coverage.recorded_ns


@pytest.mark.parametrize(
    ("duration", "rate"), [("1", 256), ("2", 400), ("0.5", 250), ("0.333333", 85)]
)
@pytest.mark.parametrize("hz", [50, 60])
def test_hum_and_size_are_known_to_within_a_second_at_each_end(
    tmp_path: Path, duration: str, rate: int, hz: int
) -> None:
    live, at = made(duration, rate)
    hum = live + np.where(
        during(at, 30.5, 70.5), np.round(60 * UV * np.sin(2 * np.pi * hz * at)), 0
    ).astype(int)
    large = noise(len(at) // rate, rate, 5)
    drift = np.round(1500 * UV * np.sin(2 * np.pi * 0.5 * at)).astype(int)
    large += np.where(during(at, 80.25, 100.25), drift, 0)
    found = scan_one(tmp_path, [Chan("C3", rate, hum), Chan("C4", rate, large)], duration=duration)
    assert 39 <= found.seconds("C3")["hum"] <= 42
    assert 19 <= found.seconds("C4")["large"] <= 22
    assert found.seconds("C3")["large"] == found.seconds("C4")["hum"] == 0
    for label in ("C3", "C4"):  # separate states: neither takes anything from live time
        assert found.seconds(label)["live"] == pytest.approx(
            found.coverage.recorded_ns / NS, abs=1e-3
        )
    hourly = next(c for c in found.facts.channels if c.label == "C3").hourly
    assert sum(hour[3] for hour in hourly) / NS == found.seconds("C3")["hum"]


def test_hum_is_not_asked_of_the_other_mains_frequency(tmp_path: Path) -> None:
    signal = noise(60, 256) + sine(60, 256, 60, 80)
    assert scan_one(tmp_path, [Chan("C3", 256, signal)]).seconds("C3")["hum"] == 60
    other = scan_one(tmp_path, [Chan("C3", 256, signal)], chosen=settings(mains="50"))
    assert other.seconds("C3")["hum"] == 0


@pytest.mark.parametrize(("share", "saturated"), [(25, 0), (26, 30)])
def test_the_share_of_saturated_samples_is_a_limit_that_is_met_exactly(
    tmp_path: Path, share: int, saturated: int
) -> None:
    # A tenth of 256 samples is 25.6: with 25 at the limit a second is not saturated, with 26 it is.
    live = noise(30, 256).reshape(30, 256)
    live[:, 10 : 10 + share] = 32767
    found = scan_one(tmp_path, [Chan("C3", 256, live.ravel())])
    assert found.seconds("C3")["saturated"] == saturated


@pytest.mark.parametrize(("steps", "flat"), [(5, 30), (6, 0)])
def test_change_of_exactly_the_flat_amplitude_is_flat(
    tmp_path: Path, steps: int, flat: int
) -> None:
    # Half a microvolt is 5 steps here.
    signal = np.where(np.arange(30 * 256) % 64 < 32, 1000, 1000 + steps)
    assert scan_one(tmp_path, [Chan("C3", 256, signal)]).seconds("C3")["flat"] == flat


@pytest.mark.parametrize(("seconds", "flat"), [(4, 0), (5, 5), (6, 6)])
def test_flat_needs_the_policys_time(tmp_path: Path, seconds: int, flat: int) -> None:
    signal = noise(30, 256)
    signal[10 * 256 : (10 + seconds) * 256] = 0
    assert scan_one(tmp_path, [Chan("C3", 256, signal)]).seconds("C3")["flat"] == flat


def test_a_single_different_sample_keeps_its_second_from_being_flat(tmp_path: Path) -> None:
    signal = np.zeros(60 * 256, np.int64)
    for second, sample in ((20, 0), (31, 77), (45, 255)):
        signal[second * 256 + sample] = 500
    found = scan_one(tmp_path, [Chan("C3", 256, signal)])
    assert found.seconds("C3")["flat"] == 57
    assert found.usable() == [(20, 21), (31, 32), (45, 46)]


@pytest.mark.parametrize("limit", [-2048, 2047])
@pytest.mark.parametrize("rails", [(-2048, 2047), LIMITS_16])
def test_limits_are_the_headers_digital_limits(
    tmp_path: Path, rails: tuple[int, int], limit: int
) -> None:
    signal = np.clip(noise(20, 256), -2000, 2000)
    signal[5 * 256 : 9 * 256 : 2] = limit
    chan = Chan("C3", 256, signal, digital=rails, physical=("-204.8", "204.7"))
    found = scan_one(tmp_path, [chan])
    assert found.seconds("C3")["large"] == 0
    assert found.seconds("C3")["saturated"] == (4 if rails == (-2048, 2047) else 0)


def test_samples_beyond_the_digital_limits_are_saturated_too(tmp_path: Path) -> None:
    signal = noise(20, 256)
    signal[5 * 256 : 9 * 256 : 2] = -30000
    chan = Chan("C3", 256, signal, digital=(-20000, 20000), physical=("-2000", "2000"))
    assert scan_one(tmp_path, [chan]).seconds("C3")["saturated"] == 4


@pytest.mark.parametrize(
    ("dimension", "physical"),
    [
        ("uV", ("-3276.8", "3276.7")), (b"\xb5V", ("-3276.8", "3276.7")), ("mV", ("-3.2768", "3.2767")),
        ("V", ("-.003277", ".0032767")), ("nV", ("-3276800", "3276700")), ("uV", ("3276.7", "-3276.8")),
        (b"\xb5V ", ("-3276.8", "3276.7")),
    ],
)  # fmt: skip
def test_amplitudes_are_judged_in_microvolts_whatever_the_unit(
    tmp_path: Path, dimension: str | bytes, physical: tuple[str, str]
) -> None:
    signal = noise(60, 256)
    signal[: 10 * 256] = np.resize([0, 4], 10 * 256)  # 0.4 uV
    signal[20 * 256 : 30 * 256] = np.resize([-6000, 6000], 10 * 256)  # 1200 uV
    found = scan_one(tmp_path, [Chan("C3", 256, signal, dimension, physical=physical)])
    assert found.seconds("C3")["flat"] == 10
    assert found.seconds("C3")["large"] == 10
    assert "channel_without_scale" not in found.codes()


@pytest.mark.parametrize(
    ("dimension", "physical"), [("", ("-1", "1")), ("uV", ("0", "0")), ("uV", ("x", "1"))]
)
def test_a_channel_without_a_scale_is_judged_in_digital_steps_and_named(
    tmp_path: Path, dimension: str, physical: tuple[str, str]
) -> None:
    signal = noise(60, 256) + 0
    signal[: 10 * 256] = 7
    signal[10 * 256 : 20 * 256] = np.resize([0, 1], 10 * 256)
    signal[20 * 256 : 30 * 256] = np.resize([-16000, 16000], 10 * 256)
    signal[30 * 256 : 40 * 256] = 32767
    found = scan_one(tmp_path, [Chan("C3", 256, signal, dimension, physical=physical)])
    held = found.seconds("C3")
    assert (held["flat"], held["saturated"], held["large"]) == (20, 10, 0)
    finding = next(f for f in found.findings if f.code == "channel_without_scale")
    assert finding.severity == "caution"
    assert "C3" in finding.text


def test_an_offset_far_above_the_signal_changes_no_judgement(tmp_path: Path) -> None:
    # A direct-coupled 24-bit channel: 25 uV of signal on 200 mV.
    rate, scale = 256, ("-262144", "262143.9")
    step = 32  # digital steps in a microvolt
    offset = 200_000 * step
    live = noise(60, rate, uv=25) * step // UV + offset
    hum = live + np.round(100 * step * np.sin(2 * np.pi * 60 * np.arange(60 * rate) / rate)).astype(
        int
    )
    flat = np.full(60 * rate, offset)
    chans = [
        Chan(name, rate, x, digital=(-8388608, 8388607), physical=scale)
        for name, x in (("C3", live), ("C4", hum), ("O1", flat))
    ]
    found = scan_one(tmp_path, chans, bdf=True)
    assert found.seconds("C3") == {
        "live": 60,
        "flat": 0,
        "saturated": 0,
        "hum": 0,
        "large": 0,
        "recorded": 60,
    }
    assert found.seconds("C4")["hum"] == 60
    assert found.seconds("O1")["flat"] == 60
    assert found.seconds("O1")["hum"] == 0


def test_the_last_bit_of_a_second_is_judged_and_counted_at_its_length(tmp_path: Path) -> None:
    # 21 records of half a second: ten whole seconds and a half one, which is flat and saturated.
    signal = noise(21, 128)
    signal[20 * 128 :] = 32767
    found = scan_one(tmp_path, [Chan("C3", 128, signal)], duration="0.5")
    assert found.seconds("C3")["saturated"] == 0.5
    assert found.usable() == [(0, 10)]
    assert found.coverage.recorded_ns == 10.5 * NS


def test_a_bit_of_a_second_without_a_sample_keeps_the_judgement_before_it(tmp_path: Path) -> None:
    # Three records of 0.7 s with 3 samples each: no sample starts in the last tenth of a second.
    signal = noise(3, 3)
    signal[3:] = 32767
    found = scan_one(tmp_path, [Chan("C3", 3, signal)], duration="0.7")
    assert found.coverage.recorded_ns == 2.1 * NS
    assert found.seconds("C3")["saturated"] == pytest.approx(1.1 + 1.0)
    other = noise(3, 3)
    other[5:] = 32767
    other[3:5] = -5
    calm = settings(saturated_ppm=600_000)
    found = scan_one(tmp_path, [Chan("C3", 3, other)], duration="0.7", chosen=calm)
    assert found.seconds("C3")["saturated"] == pytest.approx(1.1)


def test_seconds_are_counted_from_each_runs_start(tmp_path: Path) -> None:
    # Two runs of 0.5 s records; the second starts at 20.25 s and is saturated for its first second.
    signal = noise(40, 128)
    signal[20 * 128 : 22 * 128] = -32768
    onsets = [i * 0.5 for i in range(20)] + [20.25 + i * 0.5 for i in range(20)]
    found = scan_one(tmp_path, [Chan("C3", 128, signal)], duration="0.5", onsets=onsets)
    assert found.usable() == [(0, 10), (21.25, 30.25)]
    assert found.seconds("C3")["saturated"] == 1


def test_flat_time_goes_on_through_holes_and_into_the_next_file(tmp_path: Path) -> None:
    # 3 s flat at the end of one file and 3 s at the start of the next: 6 s, so flat.
    first, second = noise(20, 256), noise(20, 256, 1)
    first[17 * 256 :] = 9
    second[: 3 * 256] = 9
    (tmp_path / "a.edf").write_bytes(recording_bytes([Chan("C3", 256, first)]))
    (tmp_path / "b.edf").write_bytes(
        recording_bytes([Chan("C3", 256, second)], start_time="09.31.00")
    )
    found = scan(tmp_path)
    assert found.seconds("C3")["flat"] == 6
    assert found.usable() == [(0, 17), (63, 80)]


def test_channels_are_told_apart_by_rate_and_place(tmp_path: Path) -> None:
    # Unequal rates, an annotation signal between files' channels, an ECG among the EEG.
    labels = ["EEG Fp1-Ref", "ECG", "EEG C3-Ref", "EMG chin", "EEG O1-Ref", "SaO2", "EEG O2-Ref"]
    rates = [200, 500, 200, 500, 250, 4, 250]
    chans = []
    for index, (label, rate) in enumerate(zip(labels, rates, strict=True)):
        signal = noise(40, rate, index)
        signal[index * rate : (index + 6) * rate] = 50
        chans.append(Chan(label, rate, signal, "%" if label == "SaO2" else "uV"))
    found = scan_one(tmp_path, chans, 4, onsets=list(range(40)))
    assert [c.label for c in found.facts.channels if c.is_eeg] == [
        "EEG Fp1-Ref", "EEG C3-Ref", "EEG O1-Ref", "EEG O2-Ref"
    ]  # fmt: skip
    for label in labels:
        assert found.seconds(label)["flat"] == 6, label
    assert found.usable() == [(12, 40)], "only EEG channels decide"


def test_channels_with_fewer_than_two_samples_a_second_are_not_judged_and_named(
    tmp_path: Path,
) -> None:
    chans = [
        Chan("C3", 256, noise(30, 256)),
        Chan("C4", 1, noise(30, 1)),
        Chan("Battery", 1, noise(30, 1), "V"),
    ]
    found = scan_one(tmp_path, chans, 2)
    assert [c.label for c in found.facts.channels] == ["C3"]
    assert found.usable() == []
    told = [(f.severity, f.question) for f in found.findings if f.code == "channel_not_judged"]
    assert told == [("caution", "readable"), ("info", None)]


def test_a_rate_too_low_for_hum_is_said_and_costs_nothing_else(tmp_path: Path) -> None:
    found = scan_one(tmp_path, [Chan("C3", 100, noise(30, 100) + sine(30, 100, 10, 50))])
    assert found.seconds("C3")["hum"] == 0
    assert found.seconds("C3")["live"] == 30
    assert "mains_not_judged" in found.codes()
    assert "mains_not_judged" not in scan_one(tmp_path, [Chan("C3", 256, noise(30, 256))]).codes()
