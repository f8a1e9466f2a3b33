"""Messy studies, their truth known by construction: what counts, what does not and why, who looks.

Each row is one situation of daily practice (common practice, no source), most of them on both sides
of a limit. Hours are true hours after the hook-up; a row's files hold one amplifier's samples unless
it says otherwise.
"""

from __future__ import annotations

import json
import shutil
from collections.abc import Callable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_studies import BASE, Amplifier, Clock, civil, cut_tail, set_field, write_piece
from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import NothingReadable
from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import Audit, Corrections, Order
from auditor.outputs.publish import audit_texts
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, level=600)
OTHER = replace(AMPLIFIER, seed=77)
DENVER = "America/Denver"
AUTUMN = datetime(2026, 11, 1)  # the clocks go back at 02:00
SPRING = datetime(2027, 3, 14)  # the clocks go forward at 02:00
M = 1 / 60


def flat(out: np.ndarray[Any, Any], first: int) -> None:
    out[:] = 0


FLAT = replace(AMPLIFIER, change=flat)


class File(Struct, frozen=True):
    """True hours ``first`` to ``last``; ``at`` replaces the stamp, ``off`` is the clock's, in s."""

    name: str
    first: float
    last: float
    off: float = 0
    at: datetime | None = None
    amplifier: Amplifier = AMPLIFIER
    with_: Mapping[str, Any] = {}

    def write(self, folder: Path, base: datetime) -> None:
        path = folder / self.name
        path.parent.mkdir(parents=True, exist_ok=True)
        first, last = round(self.first * 3600), round(self.last * 3600)
        options: dict[str, Any] = {"record_s": 60 if (last - first) % 60 == 0 else 1}
        options |= self.with_
        more = [(a * 3600, b * 3600) for a, b in options.pop("more", ())]
        write_piece(
            path,
            (first, last),
            *more,
            amplifier=self.amplifier,
            clock=Clock(round(self.off * NS), base=base),
            start=self.at,
            **options,
        )


class Row(Struct, frozen=True):
    """What must be concluded: recorded time, files set aside by reason, and two answers."""

    name: str
    files: Sequence[File]
    ordered: float
    hours: float
    look: str = ""
    """The finding for which a person must look at the files; '' where nobody need to."""
    aside: Mapping[str, str] = {}
    hookup: float | None = 0
    code: str | None = "P-2041"
    zone: str | None = None
    base: datetime = BASE
    hand: Corrections | None = None
    then: Callable[[Path], object] | None = None
    other: float | None = None
    """Hours under the other reading, where both must be told."""
    outcome: str = ""
    so_far: bool = False


def rec(name: str, first: float, last: float, **options: Any) -> File:
    return File(name, first, last, **options)


def study(*extra: File) -> list[File]:
    """Four hours in two files, as ordered, with whatever else lies there."""
    return [rec("a.edf", 0, 2), rec("b.edf", 2, 4), *extra]


def alien(name: str, first: float, last: float, **options: Any) -> File:
    return File(name, first, last, amplifier=OTHER, **options)


def pieces(
    count: int, hours: float, *, without: Sequence[int] = (), start: float = 0
) -> list[File]:
    return [
        rec(f"{i:02d}.edf", start + (i - 1) * hours, start + i * hours)
        for i in range(1, count + 1)
        if i not in without
    ]


def uneven(without: Sequence[int] = ()) -> list[File]:
    """Twelve pieces of twenty minutes, a second or two longer or shorter."""
    files, at = [], 0
    for number in range(1, 13):
        length = 1200 + (0, 1, -1, 2, -2)[number % 5]
        if number not in without:
            files.append(rec(f"{number}.edf", at / 3600, (at + length) / 3600))
        at += length
    return files


def wall(hour: int, minute: int, day: datetime = AUTUMN) -> datetime:
    return day + timedelta(hours=hour, minutes=minute)


def by_hand(**what: Any) -> Corrections:
    return Corrections(by="T-12", **what)


def dated(path: str, text: str = "00.00.00") -> Callable[[Path], object]:
    """No usable start date in either field."""

    def change(folder: Path) -> None:
        set_field(folder / path, "start_date", text)
        set_field(folder / path, "recording", "Startdate X X X X")

    return change


def twice(source: str, copy: str) -> Callable[[Path], object]:
    def do(folder: Path) -> None:
        (folder / copy).parent.mkdir(parents=True, exist_ok=True)
        shutil.copyfile(folder / source, folder / copy)

    return do


def text_file(name: str, raw: bytes) -> Callable[[Path], object]:
    return lambda folder: (folder / name).write_bytes(raw)


NO_CODE = {"patient": "X"}
BEFORE = "before_hookup"
LATE = "start_disagrees_with_hookup"

ROWS = [
    Row("as it should be", study(), 4, 4, outcome="complete"),
    # Before the hook-up.
    Row("a previous wearer's hours, no code, ended 50 min before",
        study(alien("old.edf", -4, -50 * M, with_=NO_CODE)), 4, 4, BEFORE, {"old.edf": BEFORE},
        other=4 + 190 * M, outcome="review"),
    Row("the same, ended a minute before", study(alien("old.edf", -4, -1 * M)), 4, 4, BEFORE,
        {"old.edf": BEFORE}, outcome="review"),
    Row("the same alone is all there is", [rec("a.edf", -4, -1)], 3, 3, LATE, outcome="review"),
    Row("ended just at the hook-up", study(rec("z.edf", -1, 0)), 4, 5, LATE),
    Row("a file over the hook-up, 30 min early", [rec("a.edf", -30 * M, 3.5)], 4, 4,
        outcome="complete"),
    Row("a file over the hook-up, 31 min early", [rec("a.edf", -31 * M, 3.5)], 4, 4 + 1 * M, LATE,
        outcome="review"),
    Row("pieces of 15 min from 30 min before on", [rec("y.edf", -.5, -.25), rec("z.edf", -.25, 0.0),
        *study()], 4, 4.5, outcome="complete"),
    Row("pieces of 15 min from 45 min before on",
        [rec("x.edf", -.75, -.5), rec("y.edf", -.5, -.25), rec("z.edf", -.25, 0.0), *study()], 4, 4.5,
        "", {"x.edf": "test_recording"}),
    Row("hours that run on into the study", [rec("y.edf", -3, -1), rec("z.edf", -1, 0.0), *study()],
        4, 5, BEFORE, {"y.edf": BEFORE}, other=7),
    Row("a file inside the study's own that ended before",
        [rec("a.edf", -2, 4), alien("b.edf", -1.5, -1)], 6, 6, BEFORE, {"b.edf": BEFORE}),
    Row("a test of 2 min, 20 min before", study(alien("t.edf", -22 * M, -20 * M)), 4, 4, "",
        {"t.edf": "test_recording"}, outcome="complete"),
    Row("a test of 15 min", study(alien("t.edf", -25 * M, -10 * M)), 4, 4, "",
        {"t.edf": "test_recording"}, outcome="complete"),
    Row("16 min are no test", study(alien("t.edf", -26 * M, -10 * M)), 4, 4, BEFORE,
        {"t.edf": BEFORE}),
    Row("2 min the day before are no test", study(alien("t.edf", -20, -20 + 2 * M)), 4, 4, BEFORE,
        {"t.edf": BEFORE}),
    Row("a test that would carry the study over 2 h",
        [alien("t.edf", -12 * M, -10 * M), rec("a.edf", 0, 119 * M)], 2, 119 * M, "test_recording",
        {"t.edf": "test_recording"}, other=121 * M, outcome="review"),
    # The first record and the hook-up.
    Row("29 min late", [rec("a.edf", 29 * M, 11)], 11, 11 - 29 * M),
    Row("31 min late", [rec("a.edf", 31 * M, 11)], 11, 11 - 31 * M, LATE),
    Row("an hour early by the recorder's clock", [rec("a.edf", 0, 4, off=-3600)], 4, 4, LATE),
    # Two studies in one folder; more than ordered.
    Row("a silence of 11:59", [rec("a.edf", 0, 2), rec("b.edf", 2 + 719 * M, 4 + 719 * M)], 4, 4),
    Row("a silence of 12 h", [rec("a.edf", 0, 2), rec("b.edf", 14, 16)], 4, 4, "two_studies_likely",
        outcome="review"),
    Row("no hook-up, no codes, 30 h of silence",
        [rec("a.edf", 0, 3, with_=NO_CODE), alien("b.edf", 33, 37, with_=NO_CODE)], 4, 7,
        "two_studies_likely", hookup=None, code=None, outcome="review"),
    Row("a silence of 12 h inside one file", [rec("a.edf", 0, 2, with_={"more": ((14, 16),)})], 4,
        4, "two_studies_likely"),
    Row("days apart", study(alien("c.edf", 100, 101)), 4, 4, "far_in_time",
        {"c.edf": "far_in_time"}),
    Row("25 % and 2 h more", [rec("a.edf", 0, 10)], 8, 10, "more_than_ordered", outcome="review"),
    Row("a minute less than that", [rec("a.edf", 0, 10 - M)], 8, 10 - M, outcome="complete"),
    Row("more than 25 %, less than 2 h more", [rec("a.edf", 0, 6 - M)], 4, 6 - M),
    Row("2 h more, less than 25 %", [rec("a.edf", 0, 12)], 10, 12),
    Row("one channel more in the second file",
        [rec("a.edf", 0, 2), rec("b.edf", 2, 4, amplifier=Amplifier(
            rate=8, level=600, labels=(*AMPLIFIER.labels, "Cz")))], 4, 4, "channel_sets_change",
        outcome="review"),
    Row("other channels", study(rec("c.edf", 5, 6, amplifier=Amplifier(
        rate=8, labels=("F3", "F4", "P3", "P4")))), 4, 4, "other_channel_set",
        {"c.edf": "other_channel_set"}, other=5),
    # Whose.
    Row("another patient's file", study(alien("x.edf", -20, -18, with_={"patient": "P-7"})), 4, 4,
        "other_patient", {"x.edf": "other_patient"}, outcome="review"),
    Row("another patient's at the same time", study(alien("x.edf", 1, 3, with_={"patient": "P-7"})),
        4, 4, "other_patient", {"x.edf": "other_patient"}),
    Row("two patients and no code in the order",
        study(alien("x.edf", 5, 6, with_={"patient": "P-7"})), 4, 4, "other_patient",
        {"x.edf": "other_patient"}, code=None, other=5),
    Row("nobody has the order's code", study(), 4, 4, "patient_code_not_found", code="P-9"),
    Row("a file without a code", [rec("a.edf", 0, 2), rec("b.edf", 2, 4, with_=NO_CODE)], 4, 4,
        outcome="complete"),
    Row("another recorder's file", study(alien("n7.edf", 5, 6, with_={"equipment": "N-7"})), 4, 4,
        "other_recorder", {"n7.edf": "other_recorder"}, other=5),
    # The same time twice.
    Row("the same file under two names", study(), 4, 4, then=twice("b.edf", "b (1).edf"),
        outcome="complete"),
    Row("exported in part once more", study(rec("part.edf", 1, 3)), 4, 4, outcome="complete"),
    Row("the clock put back 20 min", [rec("a.edf", 0, 2), rec("b.edf", 2, 4, off=-1200)], 4,
        4 - 20 * M, "overlapping_recordings", other=4, outcome="review"),
    Row("two seconds held twice", [rec("a.edf", 0, 2), rec("b.edf", 2, 4, off=-2)], 4, 4 - 2 / 3600,
        "overlapping_recordings"),
    Row("half a second held twice", [rec("a.edf", 0, 2, off=.5), rec("b.edf", 2, 4)], 4,
        4 - .5 / 3600),
    # A file that is missing.
    Row("every piece is there", pieces(8, .5), 4, 4, outcome="complete"),
    Row("a piece is missing", pieces(8, .5, without=[5]), 4, 3.5, "piece_missing", other=4,
        outcome="review"),
    Row("two pieces are missing", pieces(9, .5, without=[4, 5]), 4.5, 3.5, "piece_missing",
        other=4.5),
    Row("pieces a second or two apart in length", uneven(), 4, 4),
    Row("and one of them is missing", uneven([7]), 4, (14400 - 1199) / 3600, "piece_missing"),
    Row("a number is skipped among uneven files", [rec("1.edf", 0, 1), rec("2.edf", 1, 1.5),
        rec("4.edf", 2, 4)], 4, 3.5, "piece_missing", other=4),
    Row("an interruption, no number skipped", [rec("1.edf", 0, 1), rec("2.edf", 1, 1.5),
        rec("3.edf", 1.6, 4)], 4, 3.9, outcome="complete"),
    Row("an unreadable file in the hole", pieces(8, .5, without=[5]), 4, 3.5, "unreadable_file",
        then=text_file("05.edf", b"no recording" * 100)),
    Row("an empty file beside the study", study(), 4, 4, then=text_file("c.edf", b""),
        outcome="complete"),
    # Ends of files.
    Row("never closed", [rec("a.edf", 0, 2), rec("b.edf", 2, 4, with_={"count": -1})], 4, 4,
        outcome="complete"),
    Row("cut in the last record", study(), 4, 4 - M,
        then=lambda d: cut_tail(d / "b.edf", 100)),
    # No usable start date.
    Row("00.00.00 alone", [rec("a.edf", 0, 4)], 4, 4, "start_not_known", then=dated("a.edf"),
        outcome="review"),
    Row("an impossible date alone, no hook-up", [rec("a.edf", 0, 4)], 4, 4, "start_not_known",
        hookup=None, then=dated("a.edf", "31.02.27")),
    Row("no date among others", study(alien("c.edf", 4, 5)), 4, 4, "start_not_known",
        {"c.edf": "start_not_known"}, then=dated("c.edf"), other=5),
    Row("no date, but the samples of another copy", study(rec("pc/c.edf", 1, 5)), 5, 5,
        then=dated("pc/c.edf"), outcome="complete"),
    # Copies.
    Row("a second copy, 37 s off", [rec("card/a.edf", 0, 3), rec("pc/a.edf", 1, 4, off=37.25)], 4, 4,
        outcome="complete"),
    Row("a second copy, 1:59 h off", [rec("card/a.edf", 0, 3), rec("pc/a.edf", 1, 4, off=7140)], 4, 4),
    Row("a second copy, 2:01 h off", [rec("card/a.edf", 0, 3), rec("pc/a.edf", 1, 4, off=7260)], 4, 4,
        "moved_far"),
    Row("a second copy of other samples", [rec("card/a.edf", 0, 4), alien("pc/a.edf", 1, 3)], 4, 4,
        "copy_not_matched", {"pc/a.edf": "copy_not_matched"}),
    Row("five minutes in a folder called card", [rec("x/a.edf", 0, 4), alien("card/b.edf", 1, 1 + 5 * M)],
        4, 4, "copy_not_matched", {"card/b.edf": "copy_not_matched"}, hookup=None),
    Row("five minutes at the hook-up", [rec("x/a.edf", -31 * M, 4), alien("y/b.edf", 0, 5 * M)], 4.5,
        4 + 31 * M, "copy_not_matched", {"y/b.edf": "copy_not_matched"}),
    Row("a backup of flat samples", [rec("a.edf", -1, 0), rec("b.edf", 0, 3, amplifier=FLAT)], 4, 4,
        LATE, then=twice("b.edf", "backup/b.edf")),
    Row("a copy's clock set by 5 s", [rec("card/1.edf", 0, 1), rec("card/2.edf", 1, 2),
        rec("pc/1.edf", 0, 1), rec("pc/2.edf", 1, 2, off=5), rec("pc/3.edf", 3, 4, off=5)], 4, 3),
    Row("a copy's clock set by 5 min", [rec("card/1.edf", 0, 1), rec("card/2.edf", 1, 2),
        rec("pc/1.edf", 0, 1), rec("pc/2.edf", 1, 2, off=300), rec("pc/3.edf", 2, 4, off=300)], 4, 4,
        ""),
    # Clocks.
    Row("a clock that was reset", study(rec("c.edf", 4, 5, at=datetime(2000, 1, 1, 0, 5))), 5, 4,
        "default_date", {"c.edf": "default_date"}, other=5),
    Row("a clock that was never set", [rec("a.edf", 0, 4, at=datetime(2000, 1, 1, 0, 5))], 4, 4,
        "clock_never_set"),
    Row("a date that did not advance", [rec("a.edf", 0, 14.5),
        rec("b.edf", 14.5, 17, off=-86400)], 17, 14.5, "date_may_be_wrong",
        {"b.edf": BEFORE}, other=17),
    Row("just an hour between two files, no zone", [rec("a.edf", 0, 2), rec("b.edf", 3, 5)], 4, 4),
    # The hour that exists twice, and the one that does not.
    Row("three folders in the hour that exists twice",
        [rec("1/a.edf", 0, 1.5, at=wall(0, 30)), rec("2/b.edf", 1.5, 2, at=wall(1, 0)),
         rec("3/c.edf", 2, 4, at=wall(1, 30))], 4, 4, zone=DENVER, base=wall(0, 30)),
    Row("one reading overlaps, the other leaves a gap",
        [rec("a.edf", 0, 95 * M, at=wall(0, 30)), rec("b.edf", 135 * M, 4, at=wall(1, 45))], 4,
        4 - 40 * M, "repeated_hour", zone=DENVER, base=wall(0, 30)),
    Row("the clock followed the change in spring",
        [rec("a.edf", 0, 2, at=wall(0, 30, SPRING)), rec("b.edf", 2, 4, at=wall(3, 30, SPRING))], 4, 4,
        zone=DENVER, base=wall(0, 30, SPRING)),
    Row("the clock did not follow the change in spring",
        [rec("a.edf", 0, 3, at=wall(0, 30, SPRING)), rec("b.edf", 3, 5, at=wall(3, 30, SPRING))], 5, 4,
        "daylight_saving_not_followed", zone=DENVER, base=wall(0, 30, SPRING), other=5),
    Row("a hook-up in the hour that exists twice", [rec("a.edf", 1 * M, 4, at=wall(2, 0))], 4,
        4 - 1 * M, zone=DENVER, base=wall(1, 59)),
    # By hand.
    Row("excluded by hand", study(alien("c.edf", 20, 21)), 4, 4, "", {"c.edf": "excluded_by_hand"},
        hand=by_hand(exclude=("c.edf",)), outcome="complete"),
    Row("another recorder's file counted by hand",
        study(alien("n7.edf", 4, 5, with_={"equipment": "N-7"})), 5, 5,
        hand=by_hand(include=("n7.edf",)), outcome="complete"),
    Row("another patient's file counted by hand",
        study(alien("x.edf", 4, 5, with_={"patient": "P-7"})), 5, 5,
        hand=by_hand(include=("x.edf",))),
    Row("a clock corrected by hand", [rec("a.edf", 0, 2), rec("b.edf", 2, 4, off=-3600)], 4, 4,
        hand=by_hand(clock_ns=(("b.edf", HOUR),)), outcome="complete"),
    Row("a correction that fits no file", study(), 4, 4, "correction_without_file",
        hand=by_hand(exclude=("no.edf",))),
    # What there is of the ordered time.
    Row("74 % of the ordered", [rec("a.edf", 0, 2.96)], 4, 2.96, outcome="repeat"),
    Row("94 % of the ordered", [rec("a.edf", 0, 3.76)], 4, 3.76, outcome="review"),
    Row("95 % of the ordered", [rec("a.edf", 0, 3.8)], 4, 3.8, outcome="complete"),
    Row("the study goes on", [rec("a.edf", 0, 3)], 12, 3, so_far=True, outcome="so_far"),
    Row("a recording in the trash", study(alien(".Trash-1000/c.edf", 5, 6)), 4, 4,
        "recordings_in_trash"),
    Row("BDF beside EDF", [rec("a.edf", 0, 2), rec("b.bdf", 2, 4, with_={"fmt": "BDF+D"})], 4, 4,
        outcome="complete"),
    Row("plain EDF", [rec("a.edf", 0, 2, with_={"fmt": "EDF"}), rec("b.edf", 2, 4, with_={"fmt": "EDF"})],
        4, 4, outcome="complete"),
]  # fmt: skip


def test_the_table_is_large_and_no_row_stands_twice() -> None:
    assert len(ROWS) >= 60
    assert len({r.name for r in ROWS}) == len(ROWS)


def audited(row: Row, folder: Path) -> Audit:
    for file in row.files:
        file.write(folder, row.base)
    if row.then is not None:
        row.then(folder)
    order = Order(
        round(row.ordered * 3600) * NS,
        "order file",
        patient_code=row.code,
        hookup_civil_ns=None if row.hookup is None else civil(row.base),
        timezone=row.zone,
        corrections=row.hand or Corrections(),
        still_recording=row.so_far,
    )
    options = Options(second_readers=False, scan_signal=bool(row.outcome))
    return audit_study([folder], order=order, policy=POLICY, options=options)


@pytest.mark.parametrize("row", ROWS, ids=lambda r: r.name)
def test_what_an_experienced_person_would_conclude(row: Row, tmp_path: Path) -> None:
    audit = audited(row, tmp_path)
    assert {f.recording.name: f.reason_code for f in audit.study.set_aside} == row.aside
    short = 60 * NS if row.then is not None and "cut" in row.name else 0
    assert audit.coverage.recorded_ns == pytest.approx(
        round(row.hours * 3600 * 1e9), abs=max(NS // 8, short // 60)
    )
    looks = {f.code: f for f in audit.findings if f.question == "files"}
    assert (row.look in looks) if row.look else looks == {}
    state = next(a.state for a in audit.decision.answers if a.question == "files")
    nothing_shows_whose = row.look == "patient_code_not_found"
    assert state == ("no" if nothing_shows_whose else "look" if row.look else "yes")
    if row.other is not None:
        told = looks[row.look].other_recorded_ns
        assert told == pytest.approx(round(row.other * 3600 * 1e9), abs=NS // 8)
    if row.outcome:
        assert audit.decision.outcome == row.outcome


def test_what_is_set_by_hand_is_told_with_by_whom_and_what_the_rules_would_give(
    tmp_path: Path,
) -> None:
    row = next(r for r in ROWS if r.name == "excluded by hand")
    said = next(f for f in audited(row, tmp_path).findings if f.code == "set_by_hand")
    for words in ("T-12", "5:00:00 would be recorded", "4:00:00 is"):
        assert words in said.text


def test_the_limit_of_the_silence_is_the_policys(tmp_path: Path) -> None:
    row = next(r for r in ROWS if r.name == "a silence of 11:59")
    settings = replace(POLICY.study, silence_ns=11 * HOUR + 59 * MINUTE)
    for file in row.files:
        file.write(tmp_path, BASE)
    order = Order(4 * HOUR, "order file", hookup_civil_ns=civil(BASE))
    shorter = replace(POLICY, study=settings)
    options = Options(second_readers=False, scan_signal=False)
    audit = audit_study([tmp_path], order=order, policy=shorter, options=options)
    assert "two_studies_likely" in {f.code for f in audit.findings if f.question == "files"}


def test_an_order_that_excludes_every_file_is_an_error_that_says_so(tmp_path: Path) -> None:
    row = replace(ROWS[0], hand=by_hand(exclude=("a.edf", "b.edf")))
    with pytest.raises(NothingReadable, match="excluded by hand"):
        audited(row, tmp_path)


def test_a_clock_that_cannot_be_moved_is_said(tmp_path: Path) -> None:
    """A file without a start has nothing to add to; a century is no correction."""
    far = Corrections(clock_ns=(("a.edf", HOUR), ("b.edf", -100 * 365 * 24 * HOUR)))
    row = replace(ROWS[0], hand=far, then=dated("a.edf"))
    said = [f for f in audited(row, tmp_path).findings if f.code == "correction_without_file"]
    assert [f.observed for f in said] == ["a.edf, b.edf"]


def test_a_start_that_no_file_states_is_given_by_no_output(tmp_path: Path) -> None:
    row = next(r for r in ROWS if r.name == "an impossible date alone, no hook-up")
    audit = audited(row, tmp_path)
    assert not audit.study.start_known
    document = json.loads(audit_texts(audit)["audit.json"])
    assert document["coverage"]["first_start"] is None
    assert document["coverage"]["last_end"] is None
    assert document["coverage"]["recorded_s"] == 4 * 3600
    assert "start not known" in document["note"]["text"]
    assert "1985" not in document["note"]["text"]
