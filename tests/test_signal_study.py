"""A study's usable time: files, copies, hours, lost electrodes, stretches."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_signal import (
    Chan,
    Digital,
    Scanned,
    axis_seconds,
    coverage_of,
    noise,
    recording_bytes,
    scan,
    scan_one,
    scanned,
    settings,
)

from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE, NS
from auditor.coverage.timeline import clock_hours
from auditor.edf import read_recording
from auditor.model import BadStretch, Study, StudyCopy, TimeMap
from auditor.policy.sections import SignalSettings
from auditor.study.placing import place

RATE = 32
"""Enough for flat and saturated; hum is not judged at this rate."""


def off(seconds: float, *flat: tuple[float, float], seed: int = 0) -> Digital:
    """Live noise with flat stretches."""
    signal = noise(seconds, RATE, seed)
    for start, end in flat:
        signal[round(start * RATE) : round(end * RATE)] = 3
    return signal


def copies(
    folder: Path,
    parts: dict[str, list[Chan]],
    minimum: int = 1,
    maps: dict[str, tuple[int, int, int]] | None = None,
    chosen: SignalSettings | None = None,
) -> Scanned:
    """One file for each copy; ``maps`` gives (ns after the first copy, rate numerator, rate)."""
    files = []
    anchor = 0
    for name, channels in parts.items():
        path = folder / f"{name}.edf"
        path.write_bytes(recording_bytes(channels))
        recording = read_recording(path, path.name)
        anchor = anchor or recording.start_civil_ns
        shift, num, den = (maps or {}).get(name, (0, 1, 1))
        files.append(place(recording, TimeMap(anchor + shift, num, den), name))
    study = Study(
        "S-2041", folder, Axis(), tuple(files), (),
        tuple(StudyCopy(n, "", n == "A", (f"{n}.edf",)) for n in parts),
    )  # fmt: skip
    coverage = coverage_of(study)
    return scanned(study, coverage, minimum, chosen or settings())


def test_a_second_is_usable_where_enough_channels_are_live_in_one_file(tmp_path: Path) -> None:
    chans = [
        Chan("C3", RATE, off(60, (10, 30))),
        Chan("C4", RATE, off(60, (20, 40), seed=1)),
        Chan("O1", RATE, off(60, seed=2)),
        Chan("ECG", RATE, off(60, seed=3)),
    ]
    wanted = {1: [(0, 60)], 2: [(0, 20), (30, 60)], 3: [(0, 10), (40, 60)], 4: []}
    for minimum, usable in wanted.items():
        found = scan_one(tmp_path, chans, minimum)
        assert found.usable() == usable
        assert found.facts.usable_ns == sum(b - a for a, b in usable) * NS
        assert found.facts.scanned
        assert found.facts.needed_channels == minimum
    assert "too_few_eeg_channels" in found.codes()


def test_copies_a_second_is_usable_if_any_copy_makes_it_so(tmp_path: Path) -> None:
    found = copies(
        tmp_path,
        {
            "A": [Chan("C3", RATE, off(60, (10, 30))), Chan("C4", RATE, off(60, (10, 30), seed=1))],
            "B": [Chan("C3", RATE, off(60, (20, 40))), Chan("C4", RATE, off(60, (25, 50), seed=1))],
        },
        2,
    )
    assert found.usable() == [(0, 20), (30, 60)]
    assert found.seconds("C3") == {
        "live": 50, "flat": 10, "saturated": 0, "hum": 0, "large": 0, "recorded": 60
    }  # fmt: skip
    assert found.seconds("C4")["flat"] == 5


def test_copies_older_and_newer_names_are_one_electrode(tmp_path: Path) -> None:
    found = copies(
        tmp_path,
        {
            "A": [Chan("EEG T3-Ref", RATE, off(60, (10, 30)))],
            "B": [Chan("T7", RATE, off(60, (20, 40)))],
        },
    )
    assert [(c.electrode, c.signal_ns / NS) for c in found.facts.channels] == [("T7", 50)]
    assert found.facts.channels[0].label == "EEG T3-Ref"


def test_copies_hum_and_size_hold_only_where_no_copy_is_better(tmp_path: Path) -> None:
    at = np.arange(60 * 256) / 256
    hum = np.where((at >= 10) & (at < 30), 1500 * np.sin(2 * np.pi * 60 * at), 0).astype(int)
    other = np.where((at >= 20) & (at < 40), 1500 * np.sin(2 * np.pi * 60 * at), 0).astype(int)
    parts = {
        "A": [Chan("C3", 256, noise(60, 256) + hum)],
        "B": [Chan("C3", 256, noise(60, 256) + other)],
    }
    assert copies(tmp_path, parts).seconds("C3")["hum"] == 10


def test_copies_with_another_clock_are_laid_on_the_axis_by_their_map(tmp_path: Path) -> None:
    # B starts 2.25 s later on the axis and its clock runs fast by a thousandth.
    found = copies(
        tmp_path,
        {
            "A": [Chan("C3", RATE, off(100, (50, 100)))],
            "B": [Chan("C3", RATE, off(100, (0, 60)))],
        },
        maps={"B": (2 * NS + NS // 4, 999, 1000)},
    )
    end = 2.25 + 99.9 if found.coverage.span_ns > 102 * NS else 102.25
    assert found.usable() == [(0, 50), (pytest.approx(62.19), pytest.approx(end, abs=0.11))]
    assert found.facts.usable_ns <= found.coverage.recorded_ns


def test_usable_time_never_covers_a_hole(tmp_path: Path) -> None:
    # Records 0.03 s apart (onsets with jitter): one run, yet no hole counts as usable or live.
    onsets = [i + 0.03 * (i % 2) for i in range(40)] + [60 + i for i in range(20)]
    chans = [Chan("C3", RATE, off(60))]
    found = scan_one(tmp_path, chans, onsets=onsets)
    assert found.coverage.recorded_ns < 60 * NS
    assert found.facts.usable_ns == found.coverage.recorded_ns
    assert found.seconds("C3")["live"] * NS == pytest.approx(found.coverage.recorded_ns, abs=1)
    assert found.usable()[-1] == (60, 80)


def test_dropouts_do_not_end_the_longest_usable_run_and_gaps_do(tmp_path: Path) -> None:
    onsets = [*range(20), *(20.5 + i for i in range(15)), *(200 + i for i in range(30))]
    found = scan_one(tmp_path, [Chan("C3", RATE, off(65))], onsets=onsets)
    assert found.coverage.dropouts_count == 1
    assert axis_seconds(found.facts.longest_usable_run, found.coverage) == (0, 35.5)


def test_the_longest_usable_run_is_none_without_usable_time(tmp_path: Path) -> None:
    found = scan_one(tmp_path, [Chan("C3", RATE, off(30, (0, 30)))])
    assert found.facts.longest_usable_run is None
    assert found.facts.usable_ns == 0
    assert found.facts.usable is not None
    assert len(found.facts.usable[0]) == 0


def test_hours_are_the_civil_hours_of_the_coverage(tmp_path: Path) -> None:
    # From 09:30 for two and a half hours; C3 is off from 10:15 to 11:05.
    chans = [Chan("C3", RATE, off(9000, (2700, 5700))), Chan("C4", RATE, off(9000, seed=1))]
    found = scan_one(tmp_path, chans, 2)
    assert found.facts.usable is not None
    pair = found.facts.usable
    hours = clock_hours(found.coverage, found.study.axis, pair)
    assert [h.usable_ns for h in hours] == [1800 * NS, 900 * NS, 3300 * NS]
    c3 = found.facts.channels[0]
    live, flat = [h[0] for h in c3.hourly], [h[1] for h in c3.hourly]
    assert live == [1800 * NS, 900 * NS, 3300 * NS]
    assert flat == [0, 2700 * NS, 300 * NS]
    assert sum(live) == c3.signal_ns
    assert sum(flat) == c3.flat_ns


def test_lost_electrodes_and_the_end_of_usable_time_are_dated(tmp_path: Path) -> None:
    chans = [
        Chan("C3", RATE, off(2000, (1000, 2000))),
        Chan("C4", RATE, off(2000, (700, 1300), (1301, 2000), seed=1)),
        Chan("O1", RATE, off(2000, (100, 1900), seed=2)),
        Chan("O2", RATE, off(2000, (0, 2000), seed=3)),
        Chan("Fz", RATE, off(2000, (1401, 2000), seed=4)),
        Chan("ECG", RATE, off(2000, (1400, 2000), seed=5)),
    ]
    found = scan_one(tmp_path, chans, 1)
    zero = found.coverage.first_start
    lost = {c.label: c.lost_at and (c.lost_at - zero) / NS for c in found.facts.channels}
    # A single live second at 1300 s means that C4 was not yet lost for good; 599 s are too few.
    assert lost == {"C3": 1000, "C4": 1301, "O1": None, "O2": 0, "Fz": None, "ECG": 1400}
    assert {"electrode_lost", "electrode_without_signal"} <= found.codes()
    assert found.facts.below_minimum_from is None
    below = scan_one(tmp_path, chans, 2)
    assert below.facts.below_minimum_from is not None
    assert (below.facts.below_minimum_from - zero) / NS == 1301
    finding = next(f for f in below.findings if f.code == "few_channels_until_end")
    assert "off from Tue 2 Mar 2027 09:51:41 to the end (0:11:39)" in finding.text


def test_an_electrode_missing_from_the_later_files_is_lost(tmp_path: Path) -> None:
    (tmp_path / "a.edf").write_bytes(
        recording_bytes([Chan("C3", RATE, off(700)), Chan("C4", RATE, off(700, seed=1))])
    )
    (tmp_path / "b.edf").write_bytes(
        recording_bytes([Chan("C3", RATE, off(700))], start_time="09.41.40")
    )
    found = scan(tmp_path)
    c4 = next(c for c in found.facts.channels if c.label == "C4")
    assert c4.lost_at == found.coverage.first_start + 700 * NS
    assert c4.recorded_ns == 700 * NS


def test_bad_stretches_are_long_bridged_and_shared(tmp_path: Path) -> None:
    chans = [
        Chan("C3", RATE, off(600, (100, 140), (143, 180), (300, 320))),
        Chan("C4", RATE, off(600, (100, 140), (143, 180), (400, 430), seed=1)),
        Chan("ECG", RATE, off(600, (0, 600), seed=2)),
    ]
    chans[1].samples[500 * RATE : 540 * RATE] = 32767
    found = scan_one(tmp_path, chans, 2)
    zero = found.coverage.first_start

    def stretch(start: int, end: int, state: str, *names: str) -> BadStretch:
        return BadStretch(zero + start * NS, zero + end * NS, state, names)

    assert found.facts.bad_stretches == (
        stretch(100, 180, "few_channels"),
        stretch(100, 180, "flat", "C3", "C4"),
        stretch(400, 430, "few_channels"),
        stretch(400, 430, "flat", "C4"),
        stretch(500, 540, "few_channels"),
        stretch(500, 540, "flat", "C4"),
        stretch(500, 540, "saturated", "C4"),
    )


def test_a_bad_stretch_ends_at_a_gap_and_not_at_a_dropout(tmp_path: Path) -> None:
    onsets = [*range(40), *(40.5 + i for i in range(40)), *(83 + i for i in range(40))]
    found = scan_one(tmp_path, [Chan("C3", RATE, off(120, (0, 120)))], onsets=onsets)
    zero = found.coverage.first_start
    flat = [s for s in found.facts.bad_stretches if s.state == "flat"]
    spans = [((s.start - zero) / NS, (s.end - zero) / NS) for s in flat]
    assert spans == [(0, 80.5), (83, 123)]


def test_usable_time_well_below_recorded_is_said_with_both_figures(tmp_path: Path) -> None:
    found = scan_one(tmp_path, [Chan("C3", RATE, off(7200, (600, 7200)))])
    finding = next(f for f in found.findings if f.code == "usable_below_recorded")
    assert (finding.severity, finding.expected, finding.observed) == (
        "caution",
        "2:00:00",
        "0:10:00",
    )
    good = scan_one(tmp_path, [Chan("C3", RATE, off(7200, (600, 700)))])
    assert next(f for f in good.findings if f.code == "usable_below_recorded").severity == "info"


def test_hum_for_much_of_the_time_names_the_electrode(tmp_path: Path) -> None:
    at = np.arange(100 * 256) / 256
    hum = np.where(at < 60, 1500 * np.sin(2 * np.pi * 60 * at), 0).astype(int)
    large = np.where(at >= 30, 9000 * np.sin(2 * np.pi * 1 * at), 0).astype(int)
    chans = [
        Chan("C3", 256, noise(100, 256) + hum), Chan("C4", 256, noise(100, 256, 1) + large),
        Chan("O1", 256, noise(100, 256, 2)),
    ]  # fmt: skip
    found = scan_one(tmp_path, chans)
    texts = {f.code: f.text for f in found.findings}
    assert texts["artifact_mains"].startswith("C3:")
    assert texts["artifact_large"].startswith("C4:")


def test_an_electrode_that_hums_until_the_end_is_dated_though_it_counts_as_live(
    tmp_path: Path,
) -> None:
    # Off from 300 s, touched twice (seconds 500 and 700 pass for clean); C4 hums early and recovers.
    at = np.arange(1200 * 256) / 256
    wave = 1500 * np.sin(2 * np.pi * 60 * at)
    off_from = (at >= 300) & ~((at >= 500) & (at < 501)) & ~((at >= 700) & (at < 701))
    late = np.where(off_from, wave, 0).astype(int)
    early = np.where((at >= 100) & (at < 900), wave, 0).astype(int)
    chans = [Chan("C3", 256, noise(1200, 256) + late), Chan("C4", 256, noise(1200, 256, 1) + early)]
    found = scan_one(tmp_path, chans, 2)
    zero = found.coverage.first_start
    c3, c4 = found.facts.channels
    assert c3.lost_at is c4.lost_at is c4.doubtful_from is None
    assert c3.doubtful_from == zero + 300 * NS
    assert c3.signal_ns == 1200 * NS
    (finding,) = [f for f in found.findings if f.code == "electrode_off"]
    assert finding.text.startswith(
        "1 of 2 EEG channels in doubt until the end: C3 from Tue 2 Mar 2027 09:35:00"
    )
    assert found.facts.usable_ns == 1200 * NS


def test_a_clean_study_has_nothing_to_say(tmp_path: Path) -> None:
    found = scan_one(tmp_path, [Chan("C3", 256, noise(120, 256))], onsets=list(range(120)))
    assert found.findings == ()
    assert found.facts.bad_stretches == ()
    assert found.facts.usable_ns == 120 * NS


def test_the_same_to_be_said_of_many_files_is_said_once(tmp_path: Path) -> None:
    for hour in range(5):
        chans = [Chan("C3", 100, noise(30, 100)), Chan("C4", 100, noise(30, 100), "")]
        raw = recording_bytes(chans, start_time=f"{10 + hour}.00.00")
        (tmp_path / f"{hour}.edf").write_bytes(raw)
    found = scan(tmp_path)
    for code, names in (("mains_not_judged", "2 EEG channels"), ("channel_without_scale", "C4:")):
        (one,) = [f for f in found.findings if f.code == code]
        assert one.text.startswith(names)
        assert one.file is None


def test_an_hour_that_daylight_saving_repeats_is_two_rows(tmp_path: Path) -> None:
    chans = [Chan("C3", RATE, off(3 * 3600, (3600, 7200)))]
    raw = recording_bytes(chans, start_date="07.11.27", start_time="00.30.00")
    (tmp_path / "a.edf").write_bytes(raw)
    found = scan(tmp_path, timezone="America/Denver")
    (c3,) = found.facts.channels
    assert sum(h[0] for h in c3.hourly) == c3.signal_ns == 2 * HOUR
    assert len(c3.hourly) == 4
    assert [h[0] // MINUTE for h in c3.hourly] == [30, 30, 30, 30]
