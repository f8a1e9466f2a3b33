"""Copies of one study: matched by their samples, put on one time line, counted once.

Truth is by construction: every piece is written from true time by ``helpers_studies``.
"""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from helpers_copies import (
    AMPLIFIER,
    DRIFT_2S,
    OFF_37,
    SAMPLE,
    ZERO,
    H,
    codes,
    finding,
    pieces,
    recorded,
    study_of,
    worst_error,
    write_copy,
)
from helpers_studies import Amplifier, Clock, write_piece
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.units import HOUR, NS
from auditor.model import Study


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
    write_copy(tmp_path / "card", [(0, 20), (40, 72)], record_s=1)
    copy = write_copy(tmp_path / "pc", [(0, 72)], fmt="EDF", record_s=1)
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


class Halved(Amplifier, frozen=True):  # BASE
    """The same signal at half the rate: each sample the mean of two of ``source``."""

    source: Amplifier = AMPLIFIER

    def samples(self, first: int, count: int) -> NDArray[np.int16]:
        raw = self.source.samples(2 * first, 2 * count).astype(np.int32)
        return ((raw[0::2] + raw[1::2]) // 2).astype(np.int16)


def test_a_copy_at_half_the_rate_is_not_matched_and_both_figures_are_given(tmp_path: Path) -> None:
    write_copy(tmp_path / "card", [(0, 6)])
    write_copy(tmp_path / "pc", [(1, 8)], amplifier=Halved(rate=4, labels=AMPLIFIER.labels))
    study = study_of(tmp_path)
    unlike(study, ["card/f000.edf"], 7 * HOUR, 8 * HOUR)


def test_a_copy_with_another_scaling_is_not_matched_and_both_figures_are_given(
    tmp_path: Path,
) -> None:
    def smaller(out: NDArray[np.int16], first: int) -> None:
        out //= 3

    write_copy(tmp_path / "card", [(0, 6)])
    write_copy(tmp_path / "pc", [(1, 8)], amplifier=replace(AMPLIFIER, change=smaller), fmt="EDF+C")
    unlike(study_of(tmp_path), ["card/f000.edf"], 7 * HOUR, 8 * HOUR)


def unlike(study: Study, aside: list[str], counted: int, both: int) -> None:
    """One copy counts, the longest; the other is set aside, and a person must look."""
    assert [f.recording.name for f in study.set_aside] == aside
    assert {f.reason_code for f in study.set_aside} == {"copy_not_matched"}
    assert recorded(study) == counted
    said = finding(study, "copy_not_matched")
    assert said.question == "files"
    assert said.other_recorded_ns == both


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
