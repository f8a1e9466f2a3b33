"""Copies of one study: matched by their samples, put on one time line, counted once.

Truth is by construction: every piece is written from true time by ``helpers_studies``.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from helpers_studies import BASE, Amplifier, Clock, Piece, civil, write_piece
from numpy.typing import NDArray

from auditor.coverage import measure_coverage
from auditor.model import Order, Study, TimeMap, Track
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.units import HOUR, NS

H = 3600
POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4"))
SAMPLE = NS // 8
ZERO = civil(BASE)
TRUE_TIME = Clock()
DRIFT_2S = round(2 * NS / (72 * H))
"""2 s over 72 h, in parts per 10^9."""
OFF_37 = 37_250_000_000


def study_of(folder: Path, order: Order | None = None) -> Study:
    return build_study([folder], order, POLICY, checksums=False)


def recorded(study: Study) -> int:
    tracks = [
        Track(f.copy or "", f.run_starts, f.run_ends, f.records_ns)
        for f in study.counted
        if f.interval
    ]
    return measure_coverage(tracks, POLICY.coverage.gap_floor_ns).recorded_ns


def worst_error(study: Study, pieces: list[Piece]) -> int:
    """The largest distance of any run's edge from the truth, in nanoseconds."""
    truth = {p.path: p for p in pieces}
    worst = 0
    for file in study.counted:
        true = [(ZERO + a, ZERO + b) for a, b in truth[file.recording.path].runs]
        edges = [(int(a), int(b)) for a, b in zip(file.run_starts, file.run_ends, strict=True)]
        if len(edges) == len(true):
            pairs = zip(edges, true, strict=True)
            worst = max(worst, *(abs(x - y) for e, t in pairs for x, y in zip(e, t, strict=True)))
        else:  # record-stamped onsets: every record against its own true place
            starts = file.map.instants(file.recording.offsets_ns)
            step = file.recording.record_ns
            true_starts = np.concatenate([np.arange(a, b, step) for a, b in true])
            worst = max(worst, int(np.abs(starts - true_starts).max()))
    return worst


def codes(study: Study) -> set[str]:
    return {f.code for f in study.findings}


def finding(study: Study, code: str):
    return next(f for f in study.findings if f.code == code)


def write_copy(
    folder: Path,
    hours: list[tuple[float, float]],
    clock: Clock = TRUE_TIME,
    amplifier: Amplifier = AMPLIFIER,
    **options: object,
) -> list[Piece]:
    """One file for each stretch of true hours."""
    folder.mkdir(parents=True, exist_ok=True)
    return [
        write_piece(
            folder / f"f{i:03d}.edf",
            (a * H, b * H),
            amplifier=amplifier,
            clock=clock,
            **options,  # type: ignore[arg-type]
        )
        for i, (a, b) in enumerate(hours)
    ]


def pieces(*stretches: tuple[float, float], step: float = 6) -> list[tuple[float, float]]:
    """Stretches of hours cut into pieces of at most ``step`` hours."""
    found = []
    for start, end in stretches:
        count = int(-(-(end - start) // step))
        found += [(start + i * step, min(start + (i + 1) * step, end)) for i in range(count)]
    return found


@pytest.mark.parametrize("drift", [DRIFT_2S, -DRIFT_2S], ids=["fast", "slow"])
def test_clocks_37_s_apart_that_drift_2_s_in_72_h_are_merged_to_the_sample(
    tmp_path: Path, drift: int
) -> None:
    """Each copy fills the other's gaps; together they hold all 72 hours."""
    card = write_copy(tmp_path / "card", pieces((0, 12), (18, 30), (36, 72)))
    computer = write_copy(
        tmp_path / "computer", pieces((0.5, 21), (24, 40), (44.5, 71)), Clock(OFF_37, drift)
    )
    study = study_of(tmp_path)
    assert [c.name for c in study.copies] == ["A", "B"]
    assert study.copies[0].folder == "card"
    assert worst_error(study, card + computer) < SAMPLE
    assert recorded(study) == 72 * HOUR
    copy = study.copies[1]
    assert copy.clock_offset_ns is not None
    assert copy.drift_ppb is not None
    assert abs(copy.clock_offset_ns - OFF_37) < SAMPLE
    assert abs(copy.drift_ppb - drift) < 5
    assert copy.confidence == "high"
    assert not [f for f in study.findings if f.severity == "problem"]


@pytest.mark.parametrize("drift", [DRIFT_2S, -DRIFT_2S], ids=["fast", "slow"])
def test_a_copy_in_one_file_whose_records_are_stamped_by_a_drifting_clock(
    tmp_path: Path, drift: int
) -> None:
    card = write_copy(tmp_path / "card", [(0, 30), (33, 72)])
    (tmp_path / "pc").mkdir()
    one = write_piece(
        tmp_path / "pc" / "all.edf",
        (0, 40 * H),
        (41 * H, 72 * H),
        amplifier=AMPLIFIER,
        clock=Clock(OFF_37, drift),
        stamped_by="record",
    )
    study = study_of(tmp_path)
    assert len(study.copies) == 2
    assert worst_error(study, [*card, one]) < SAMPLE
    assert recorded(study) == 72 * HOUR


def test_a_copy_in_one_file_whose_runs_are_stamped_when_they_begin(tmp_path: Path) -> None:
    """Inside a run the samples count the time, at a gap the drifting clock is read again."""
    card = write_copy(tmp_path / "card", [(0, 25), (26, 72)])
    (tmp_path / "pc").mkdir()
    runs = [(a * H, b * H) for a, b in pieces((0, 13), (14, 60), (61, 72), step=15)]
    one = write_piece(
        tmp_path / "pc" / "all.edf",
        *runs,
        amplifier=AMPLIFIER,
        clock=Clock(OFF_37, 10 * DRIFT_2S),
    )
    study = study_of(tmp_path)
    assert worst_error(study, [*card, one]) < SAMPLE
    assert "copy_clock_uneven" not in codes(study)
    assert recorded(study) == 72 * HOUR


def test_a_copy_whose_record_duration_follows_its_own_clock(tmp_path: Path) -> None:
    """Eight samples a record in both, but the copy's header says 1.00001 s to the record."""
    write_copy(tmp_path / "card", [(0, 20), (40, 72)])
    copy = write_copy(tmp_path / "pc", [(0, 72)], fmt="EDF")
    raw = bytearray(copy[0].path.read_bytes())
    raw[244:252] = b"1.00001 "
    copy[0].path.write_bytes(raw)
    study = study_of(tmp_path)
    file = next(f for f in study.counted if f.copy == "B")
    assert Fraction(file.map.rate_num, file.map.rate_den) == Fraction(100_000, 100_001)
    assert file.interval is not None
    assert abs(file.interval.start - ZERO) < SAMPLE
    assert abs(file.interval.end - ZERO - 72 * HOUR) < SAMPLE
    assert study.copies[1].drift_ppb is not None
    assert abs(study.copies[1].drift_ppb - 10_000) <= 1
    assert recorded(study) == 72 * HOUR


@pytest.mark.parametrize("fmt", ["BDF+D", "BDF", "EDF"])
def test_the_same_samples_are_found_in_another_format(tmp_path: Path, fmt: str) -> None:
    card = write_copy(tmp_path / "card", [(0, 3), (4, 8)])
    pc = write_copy(tmp_path / "pc", [(1, 7)], Clock(90 * NS), fmt=fmt)
    study = study_of(tmp_path)
    assert worst_error(study, card + pc) < SAMPLE
    assert recorded(study) == 8 * HOUR


def test_three_copies_are_lettered_and_all_matched(tmp_path: Path) -> None:
    a = write_copy(tmp_path / "card", [(0, 4)])
    b = write_copy(tmp_path / "pc", [(1, 6)], Clock(5 * NS))
    c = write_copy(tmp_path / "server", [(4.5, 9)], Clock(-11 * NS))
    study = study_of(tmp_path)
    assert [c.name for c in study.copies] == ["A", "B", "C"]
    assert worst_error(study, a + b + c) < SAMPLE  # C meets only B, and through it A
    assert recorded(study) == 9 * HOUR


@pytest.mark.parametrize("hours", [5, -7, 200, 24 * 365])
def test_a_copy_is_found_however_wrong_its_clock_is(tmp_path: Path, hours: int) -> None:
    card = write_copy(tmp_path / "card", [(0, 2), (3, 8)])
    pc = write_copy(tmp_path / "pc", [(1, 4)], Clock(hours * HOUR))
    study = study_of(tmp_path)
    assert worst_error(study, card + pc) < SAMPLE
    assert recorded(study) == 8 * HOUR
    assert study.copies[1].clock_offset_ns == hours * HOUR


@dataclass(frozen=True)
class Halved(Amplifier):
    """The same signal at half the rate: each sample the mean of two of ``source``."""

    source: Amplifier = AMPLIFIER

    def samples(self, first: int, count: int) -> NDArray[np.int16]:
        raw = self.source.samples(2 * first, 2 * count).astype(np.int32)
        return ((raw[0::2] + raw[1::2]) // 2).astype(np.int16)


@pytest.mark.parametrize("drift", [0, DRIFT_2S])
def test_a_copy_at_half_the_rate_is_matched_by_correlation_and_says_so(
    tmp_path: Path, drift: int
) -> None:
    write_copy(tmp_path / "card", pieces((0, 10), (12, 24)))
    half = Halved(rate=4, labels=AMPLIFIER.labels)
    pc = write_copy(tmp_path / "pc", pieces((1, 23)), Clock(OFF_37, drift), half)
    study = study_of(tmp_path)
    copy = study.copies[1]
    assert "correlation" in copy.method
    assert copy.confidence in ("moderate", "low")
    assert finding(study, "copies_matched_by_correlation").severity == "caution"
    assert worst_error_of_copy(study, pc, "B") < NS // 4
    assert abs(recorded(study) - 24 * HOUR) < NS


def worst_error_of_copy(study: Study, written: list[Piece], copy: str) -> int:
    only = replace(study, files=tuple(f for f in study.counted if f.copy == copy))
    return worst_error(only, written)


def test_a_copy_with_another_scaling_is_matched_by_correlation(tmp_path: Path) -> None:
    def smaller(out: NDArray[np.int16], first: int) -> None:
        out //= 3

    write_copy(tmp_path / "card", [(0, 6)])
    pc = write_copy(
        tmp_path / "pc", [(1, 8)], Clock(OFF_37), replace(AMPLIFIER, change=smaller), fmt="EDF+C"
    )
    study = study_of(tmp_path)
    assert "copies_matched_by_correlation" in codes(study)
    assert worst_error_of_copy(study, pc, "B") < SAMPLE
    assert abs(recorded(study) - 8 * HOUR) < NS


def test_folders_of_one_time_and_different_signals_are_never_merged(tmp_path: Path) -> None:
    write_copy(tmp_path / "card", [(0, 8)])
    write_copy(tmp_path / "pc", [(4, 10)], amplifier=replace(AMPLIFIER, seed=9))
    study = study_of(tmp_path)
    assert [c.name for c in study.copies] == ["A"]
    assert recorded(study) == 8 * HOUR
    assert [f.recording.name for f in study.set_aside] == ["pc/f000.edf"]
    problem = finding(study, "copy_not_matched")
    assert problem.severity == "problem"
    assert problem.other_recorded_ns == 10 * HOUR


def test_constant_signals_show_nothing_and_are_not_merged(tmp_path: Path) -> None:
    def flat(out: NDArray[np.int16], first: int) -> None:
        out[:] = 0

    dead = replace(AMPLIFIER, change=flat)
    write_copy(tmp_path / "card", [(0, 3)], amplifier=dead)
    write_copy(tmp_path / "pc", [(1, 4)], amplifier=dead)
    study = study_of(tmp_path)
    assert "copy_not_matched" in codes(study)
    assert recorded(study) == 3 * HOUR


def test_a_periodic_calibration_signal_alone_proves_no_place(tmp_path: Path) -> None:
    def square(out: NDArray[np.int16], first: int) -> None:
        index = np.arange(first, first + len(out))
        out[:] = (np.sin(index * 2 * np.pi / 64) * 500).astype(np.int16)[:, None]

    wave = replace(AMPLIFIER, change=square)
    write_copy(tmp_path / "card", [(0, 3)], amplifier=wave)
    write_copy(tmp_path / "pc", [(1, 4)], Clock(3 * NS), wave)
    study = study_of(tmp_path)
    assert len(study.copies) == 1
    assert recorded(study) == 3 * HOUR


def test_copies_that_are_flat_for_hours_are_matched_where_they_are_not(tmp_path: Path) -> None:
    def mostly_flat(out: NDArray[np.int16], first: int) -> None:
        index = np.arange(first, first + len(out))
        out[(index // (8 * 60)) % 6 != 5] = 0  # live for one minute of six

    amplifier = replace(AMPLIFIER, change=mostly_flat)
    card = write_copy(tmp_path / "card", [(0, 5)], amplifier=amplifier)
    pc = write_copy(tmp_path / "pc", [(2, 8)], Clock(OFF_37), amplifier)
    study = study_of(tmp_path)
    assert worst_error(study, card + pc) < SAMPLE
    assert recorded(study) == 8 * HOUR


def test_the_same_folder_twice_is_two_copies_and_counts_once(tmp_path: Path) -> None:
    write_copy(tmp_path / "original", [(0, 4)])
    write_copy(tmp_path / "backup", [(0, 4)])
    study = study_of(tmp_path)
    assert len(study.copies) == 2
    assert study.copies[1].clock_offset_ns == 0
    assert recorded(study) == 4 * HOUR


def test_two_devices_files_in_one_folder_are_told_apart_by_name_and_samples(
    tmp_path: Path,
) -> None:
    written = []
    for name, clock, hours in (
        ("card", TRUE_TIME, pieces((0, 4), (6, 9), step=2)),
        ("pc", Clock(OFF_37), pieces((1, 7), step=2)),
    ):
        for i, (a, b) in enumerate(hours):
            path = tmp_path / f"{name}{i}.edf"
            written.append(write_piece(path, (a * H, b * H), amplifier=AMPLIFIER, clock=clock))
    study = study_of(tmp_path)
    assert len(study.copies) == 2
    assert worst_error(study, written) < SAMPLE
    assert recorded(study) == 9 * HOUR


def test_folders_that_share_no_time_and_no_samples_are_one_copy(tmp_path: Path) -> None:
    write_copy(tmp_path / "morning", [(0, 3)])
    write_copy(tmp_path / "evening", [(5, 9)])
    study = study_of(tmp_path)
    assert [c.method for c in study.copies] == ["the only copy"]
    assert [f.copy for f in study.counted] == ["A", "A"]
    assert recorded(study) == 7 * HOUR


def test_a_folder_for_each_day_is_one_copy(tmp_path: Path) -> None:
    for day in range(3):
        write_copy(tmp_path / f"day{day}", [(day * 24, day * 24 + 24)])
    study = study_of(tmp_path)
    assert [c.name for c in study.copies] == ["A"]
    assert recorded(study) == 72 * HOUR


@pytest.mark.parametrize("layout", ["{device}/day{day}", "day{day}/{device}"])
def test_days_inside_devices_and_devices_inside_days(tmp_path: Path, layout: str) -> None:
    for day in range(3):
        for device, clock in (("card", Clock()), ("pc", Clock(OFF_37))):
            folder = tmp_path / layout.format(device=device, day=day)
            write_copy(folder, [(day * 8, day * 8 + 7)], clock)
    study = study_of(tmp_path)
    assert [(c.name, len(c.files)) for c in study.copies] == [("A", 3), ("B", 3)]
    assert all("card" in f for f in study.copies[0].files)
    assert recorded(study) == 21 * HOUR


def test_the_clock_that_agrees_with_the_hookup_is_the_studys(tmp_path: Path) -> None:
    write_copy(tmp_path / "card", [(0, 6)], Clock(3 * HOUR))
    write_copy(tmp_path / "pc", [(0, 5)])
    order = Order(72 * HOUR, "order file", hookup_civil_ns=ZERO)
    study = study_of(tmp_path, order)
    assert study.copies[0].folder == "pc"
    assert "hook-up" in study.copies[0].method
    assert study.counted[0].interval is not None
    assert study.counted[0].interval.start == ZERO


def test_without_a_card_folder_the_longest_copy_is_the_reference(tmp_path: Path) -> None:
    write_copy(tmp_path / "one", [(0, 5)])
    write_copy(tmp_path / "two", [(0, 6)], Clock(7 * NS))
    study = study_of(tmp_path)
    assert study.copies[0].folder == "two"
    assert study.copies[1].clock_offset_ns == -7 * NS


def test_another_recorders_name_on_a_copy_does_not_hide_it(tmp_path: Path) -> None:
    write_copy(tmp_path / "card", [(0, 5)], equipment="N-3")
    write_copy(tmp_path / "pc", [(1, 8)], Clock(OFF_37), equipment="PC-1")
    study = study_of(tmp_path)
    assert len(study.copies) == 2
    assert recorded(study) == 8 * HOUR


def test_a_time_map_turns_offsets_into_instants_exactly() -> None:
    third = TimeMap(100, 1, 3)
    assert [third.instant(n) for n in (0, 1, 2, 3)] == [100, 100, 101, 101]
    assert list(third.instants(np.array([3, 6], dtype=np.int64))) == [101, 102]


def test_stamps_of_new_years_eve_join_across_midnight(tmp_path: Path) -> None:
    eve = Clock(base=datetime(2027, 12, 31, 20))
    write_copy(tmp_path, pieces((0, 8), step=2), eve)
    study = study_of(tmp_path)
    assert recorded(study) == 8 * HOUR
    assert len(study.counted) == 4
    start = civil(datetime(2027, 12, 31, 20))
    assert study.counted[0].run_starts[0] == start
    assert study.counted[-1].run_ends[-1] == civil(datetime(2027, 12, 31, 20) + timedelta(hours=8))


def test_a_computer_that_follows_the_change_of_the_hour_beside_a_card_that_does_not(
    tmp_path: Path,
) -> None:
    """America/Denver changes at 02:00 on 2027-03-14 (IANA database), 4 h after the start."""
    base = datetime(2027, 3, 13, 22)
    card = write_copy(tmp_path / "card", pieces((0, 6), step=6), Clock(base=base))
    pc = [
        *write_copy(tmp_path / "pc", [(1, 5)], Clock(OFF_37, base=base)),
        *write_copy(tmp_path / "pc" / "b", [(5, 9)], Clock(OFF_37 + HOUR, base=base)),
    ]
    study = build_study(
        [tmp_path], Order(9 * HOUR, "order file", timezone="America/Denver"), POLICY
    )
    assert len(study.copies) == 2
    assert recorded(study) == 9 * HOUR
    start = study.axis.instant(civil(base))
    truth = {p.path: p.runs[0][0] for p in card + pc}
    for file in study.counted:
        assert abs(int(file.run_starts[0]) - start - truth[file.recording.path]) < SAMPLE


def test_a_clock_set_in_the_middle_has_no_drift_and_every_file_its_place(tmp_path: Path) -> None:
    card = write_copy(tmp_path / "card", pieces((0, 12), (20, 24)))
    pc = write_copy(tmp_path / "pc", pieces((0, 9)), Clock(OFF_37))
    later = tmp_path / "pc" / "later"
    pc += write_copy(later, pieces((10, 22)), Clock(OFF_37 - 1800 * NS))
    study = study_of(tmp_path)
    assert worst_error(study, card + pc) < SAMPLE
    assert study.copies[1].drift_ppb is None
    assert "clocks was set" in finding(study, "copies_matched").text
    assert recorded(study) == 24 * HOUR


def test_samples_lost_without_a_gap_are_said(tmp_path: Path) -> None:
    """The copy's file claims to run on, but twenty seconds of samples are not in it."""
    write_copy(tmp_path / "card", [(0, 6)])
    (tmp_path / "pc").mkdir()
    write_piece(
        tmp_path / "pc" / "a.edf",
        (0, 2 * H),
        (2 * H + 20, 6 * H),
        amplifier=AMPLIFIER,
        clock=TRUE_TIME,
        fmt="EDF",
    )
    study = study_of(tmp_path)
    found = finding(study, "copy_clock_uneven")
    assert found.severity == "problem"
    assert found.observed == "20 s"
    assert recorded(study) == 6 * HOUR


def test_a_fast_sampled_slow_signal_is_distinctive_over_two_seconds(tmp_path: Path) -> None:
    """At 1000 Hz a smooth signal hardly turns within 96 samples."""
    smooth = Amplifier(rate=1000, labels=("C3",), smooth=60, level=3000)
    card = write_copy(tmp_path / "card", [(0, 0.1)], amplifier=smooth)
    pc = write_copy(tmp_path / "pc", [(0.05, 0.2)], Clock(OFF_37), smooth)
    study = study_of(tmp_path)
    assert "correlation" not in study.copies[1].method
    assert worst_error(study, card + pc) < NS // 1000


def test_a_file_whose_clock_was_reset_gets_its_place_from_the_other_copy(tmp_path: Path) -> None:
    card = write_copy(tmp_path / "card", [(0, 4)])
    reset = write_piece(
        tmp_path / "card" / "reset.edf",
        (5 * H, 9 * H),
        amplifier=AMPLIFIER,
        start=datetime(2000, 1, 1),
    )
    pc = write_copy(tmp_path / "pc", [(1, 7)], Clock(OFF_37))
    study = study_of(tmp_path)
    assert study.set_aside == ()
    assert worst_error(study, [*card, reset, *pc]) < SAMPLE
    assert recorded(study) == 9 * HOUR


@pytest.mark.parametrize(
    ("form", "clock"),
    [
        ("samples", TRUE_TIME),
        ("samples", Clock(OFF_37)),
        ("samples", Clock(-5 * HOUR)),
        ("scaled", TRUE_TIME),
        ("scaled", Clock(OFF_37)),
    ],
    ids=["right clock", "37 s off", "5 h off", "scaled", "scaled and 37 s off"],
)
def test_a_short_copy_is_found_in_a_long_one_and_a_long_one_in_a_short(
    tmp_path: Path, form: str, clock: Clock
) -> None:
    """Half an hour of 72: a few places spread over the long one would never meet the short one."""

    def smaller(out: NDArray[np.int16], first: int) -> None:
        out //= 3

    amplifier = replace(AMPLIFIER, change=smaller) if form == "scaled" else AMPLIFIER
    for reference in ("short", "long"):
        root = tmp_path / reference
        short, long = ("card", "pc") if reference == "short" else ("pc", "card")
        write_copy(root / short, [(31, 31.5)], TRUE_TIME if reference == "short" else clock)
        write_copy(
            root / long,
            [(0, 30), (31.25, 72)],
            clock if reference == "short" else TRUE_TIME,
            amplifier,
        )
        study = study_of(root)
        assert [c.name for c in study.copies] == ["A", "B"]
        assert abs(recorded(study) - (71 * HOUR)) < NS


def test_a_byte_for_byte_backup_is_a_copy_even_of_flat_signals(tmp_path: Path) -> None:
    def flat(out: NDArray[np.int16], first: int) -> None:
        out[:] = 0

    for folder in ("original", "backup"):
        write_copy(tmp_path / folder, [(0, 2)], amplifier=replace(AMPLIFIER, change=flat))
    study = build_study([tmp_path], None, POLICY)
    assert len(study.copies) == 2
    assert recorded(study) == 2 * HOUR
    assert "copy_not_matched" not in codes(study)
