"""Copies of one study: which folders and files are a copy, whose clock is the study's, what was lost.

Truth is by construction: every piece is written from true time by ``helpers_studies``.
"""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from helpers_copies import (
    AMPLIFIER,
    OFF_37,
    POLICY,
    SAMPLE,
    TRUE_TIME,
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
from helpers_studies import Amplifier, Clock, civil, write_piece
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.units import HOUR, NS
from auditor.model import Order, TimeMap
from auditor.study import build_study


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


@pytest.mark.parametrize(("step", "other"), [(0, None), (5, 3 * HOUR)])
def test_a_file_beyond_the_last_common_place_of_a_clock_that_was_set_has_both_figures(
    tmp_path: Path, step: int, other: int | None
) -> None:
    """Placed by the clock as it was last; by the other reading it was set back."""
    write_copy(tmp_path / "card", pieces((0, 2)))
    write_copy(tmp_path / "pc", [(0, 1)])
    for name, begin in (("b", 1), ("c", 3)):
        write_piece(
            tmp_path / "pc" / f"{name}.edf", (begin * H, (begin + 1) * H), amplifier=AMPLIFIER,
            clock=Clock(step * NS), fmt="EDF",
        )  # fmt: skip
    study = study_of(tmp_path)
    assert recorded(study) == 3 * HOUR
    found = [f for f in study.findings if f.code == "copy_files_between"]
    assert [f.other_recorded_ns for f in found] == ([] if other is None else [other])
    assert ["if its clock was set elsewhere, they lie 5 s" in f.text for f in found] == [
        True for _ in found
    ]


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
    "clock",
    [TRUE_TIME, Clock(OFF_37), Clock(-5 * HOUR)],
    ids=["right clock", "37 s off", "5 h off"],
)
def test_a_short_copy_is_found_in_a_long_one_and_a_long_one_in_a_short(
    tmp_path: Path, clock: Clock
) -> None:
    """Half an hour of 72: a few places spread over the long one would never meet the short one."""
    for reference in ("short", "long"):
        root = tmp_path / reference
        short, long = ("card", "pc") if reference == "short" else ("pc", "card")
        write_copy(root / short, [(31, 31.5)], TRUE_TIME if reference == "short" else clock)
        write_copy(
            root / long,
            [(0, 30), (31.25, 72)],
            clock if reference == "short" else TRUE_TIME,
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
