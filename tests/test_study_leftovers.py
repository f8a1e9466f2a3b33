"""A truth table of messy folders: what is counted, what is set aside and why, what is said."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np
import pytest
from helpers_studies import BASE, Amplifier, Clock, civil, set_field, write_piece
from msgspec import Struct
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.text import Own
from auditor.core.units import HOUR, MINUTE
from auditor.model import Order, Study
from auditor.model.codes import SET_ASIDE
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.study.placing import recorded_ns

H = 3600
POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4", "O1", "O2"))
OTHER = replace(AMPLIFIER, seed=77)
HOOKUP = civil(BASE)
ORDER = Order(12 * HOUR, "order file", patient_code="P-2041", hookup_civil_ns=HOOKUP)
NO_CODE = Order(12 * HOUR, "order file", hookup_civil_ns=HOOKUP)
NO_HOOKUP = Order(12 * HOUR, "order file", patient_code="P-2041")


def piece(path: Path, first: float, last: float, /, **options: object) -> None:
    """One file of the true hours ``first`` to ``last``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    options.setdefault("amplifier", AMPLIFIER)
    options.setdefault("record_s", 10)
    write_piece(path, (first * H, last * H), **options)  # type: ignore[arg-type]


def base(folder: Path) -> None:
    """The study itself: ten hours in two files."""
    piece(folder / "a.edf", 0, 6)
    piece(folder / "b.edf", 6, 10)


class Case(Struct, frozen=True):
    name: str
    write: Callable[[Path], None]
    order: Order | None
    hours: float
    aside: dict[str, str] = {}
    """File -> the code of its reason."""
    findings: dict[str, str] = {}
    """Code -> severity."""
    other_hours: dict[str, float] = {}
    """Code -> recorded hours under the other reading."""


def other_patient(folder: Path) -> None:
    base(folder)
    piece(folder / "old.edf", -40, -30, patient="P-1990", amplifier=OTHER)


def other_patient_at_the_same_time(folder: Path) -> None:
    base(folder)
    piece(folder / "x.edf", 3, 5, patient="P-1990", amplifier=OTHER)


def nobody_matches(folder: Path) -> None:
    piece(folder / "a.edf", 0, 6, patient="P-3000")
    piece(folder / "b.edf", 6, 10, patient="P-3000")


def without_code(folder: Path) -> None:
    base(folder)
    piece(folder / "c.edf", 10, 11, patient="X")


def code_in_free_text(folder: Path) -> None:
    """Plain EDF has no subfields: the code stands somewhere in the free text."""
    piece(folder / "a.edf", 0, 6, fmt="EDF")
    piece(folder / "b.edf", 6, 10, fmt="EDF")
    set_field(folder / "b.edf", "patient", "Study of P-2041 (invented)")


def before_hookup(folder: Path) -> None:
    base(folder)
    piece(folder / "test.edf", -5, -4, amplifier=OTHER)


def begun_before_hookup(folder: Path) -> None:
    """Pieces that join up from before the hook-up into the study: the hook-up is wrong."""
    for i in range(-3, 9):
        piece(folder / f"p{i:+d}.edf", i, i + 1)


def all_before_hookup(folder: Path) -> None:
    piece(folder / "a.edf", -30, -24)
    piece(folder / "b.edf", -24, -20)


def date_not_advanced(folder: Path) -> None:
    """The third file began after midnight, but its date is still that of the day before."""
    piece(folder / "a.edf", 0, 8)
    piece(folder / "b.edf", 8, 14.5)
    piece(folder / "c.edf", 14.5, 18, clock=Clock(-24 * HOUR))


def weeks_apart(folder: Path) -> None:
    base(folder)
    piece(folder / "late.edf", 400, 402, amplifier=OTHER)


def weeks_before(folder: Path) -> None:
    base(folder)
    piece(folder / "early.edf", -400, -398, amplifier=OTHER)


def default_date(folder: Path) -> None:
    base(folder)
    piece(folder / "reset.edf", 10, 12, start=datetime(2000, 1, 1, 0, 0, 30))


def all_at_default_date(folder: Path) -> None:
    piece(folder / "a.edf", 0, 6, clock=Clock(base=datetime(1985, 1, 1)))
    piece(folder / "b.edf", 6, 10, clock=Clock(base=datetime(1985, 1, 1)))


def other_recorder(folder: Path) -> None:
    base(folder)
    piece(folder / "n7.edf", 11, 12, equipment="N-7_invented", amplifier=OTHER)


def other_channels(folder: Path) -> None:
    base(folder)
    piece(folder / "ecg.edf", 11, 12, amplifier=Amplifier(rate=8, labels=("F3", "F4", "T3")))


def one_channel_more(folder: Path) -> None:
    base(folder)
    more = Amplifier(rate=8, labels=("C3", "C4", "O1", "O2", "Cz"))
    piece(folder / "c.edf", 10, 12, amplifier=more)


def exported_twice(folder: Path) -> None:
    base(folder)
    piece(folder / "b (1).edf", 6, 10)


def exported_in_part(folder: Path) -> None:
    base(folder)
    piece(folder / "part.edf", 5, 8)


def clock_put_back(folder: Path) -> None:
    piece(folder / "a.edf", 0, 6)
    piece(folder / "b.edf", 6, 10, clock=Clock(-2 * HOUR))


def backwards_inside(folder: Path) -> None:
    """One file whose later records are stamped two hours earlier."""
    write_piece(
        folder / "a.edf",
        (0, 6 * H),
        (6 * H, 10 * H),
        amplifier=AMPLIFIER,
        clock=Clock(),
    )
    _shift_onsets(folder / "a.edf", after=6 * H, by=-2 * H)


def _shift_onsets(path: Path, after: int, by: int) -> None:
    """Put the onsets from second ``after`` on elsewhere; old and new have as many digits."""
    raw, at = bytearray(path.read_bytes()), 0
    for onset in range(after, 10 * H):
        old, new = b"+%d\x14\x14" % onset, b"+%d\x14\x14" % (onset + by)
        assert len(old) == len(new)
        at = raw.index(old, at)
        raw[at : at + len(new)] = new
    path.write_bytes(raw)


def small_overlap(folder: Path) -> None:
    """Whole-second stamps: the second file seems to start 0.6 s before the first has ended."""
    piece(folder / "a.edf", 0, 6, fmt="EDF", clock=Clock(600_000_000))
    piece(folder / "b.edf", 6, 10, fmt="EDF", clock=Clock(-400_000_000))


def late_start(folder: Path) -> None:
    piece(folder / "a.edf", 2, 12)


CASES = [
    Case("as it should be", base, ORDER, 10),
    Case("another patient's files", other_patient, ORDER, 10, {"old.edf": "other_patient"},
         {"other_patient": "caution", "card_not_cleared": "caution"}),
    Case("another patient, order without code", other_patient, NO_CODE, 10,
         {"old.edf": "other_patient"},
         {"other_patient": "problem", "card_not_cleared": "caution"}, {"other_patient": 20}),
    Case("another patient, no order", other_patient_at_the_same_time, None, 10,
         {"x.edf": "other_patient"}, {"other_patient": "problem"}, {"other_patient": 10}),
    Case("nobody has the code of the order", nobody_matches, ORDER, 10, {},
         {"patient_code_not_found": "problem"}),
    Case("a file without a code", without_code, ORDER, 11, {},
         {"patient_code_missing": "caution"}),
    Case("the code in free text", code_in_free_text, ORDER, 10),
    Case("ended before the hook-up", before_hookup, ORDER, 10, {"test.edf": "before_hookup"},
         {"before_hookup": "caution", "card_not_cleared": "caution"},
         {"before_hookup": 11}),
    Case("ended long before, no hook-up given", before_hookup, NO_HOOKUP, 11),
    Case("pieces that begin before the hook-up", begun_before_hookup, ORDER, 10,
         {"p-3.edf": "before_hookup", "p-2.edf": "before_hookup"},
         {"before_hookup": "caution", "start_disagrees_with_hookup": "caution",
          "card_not_cleared": "caution"}, {"before_hookup": 12}),
    Case("all before the hook-up", all_before_hookup, ORDER, 10, {},
         {"start_disagrees_with_hookup": "problem"}),
    Case("a date that did not advance at midnight", date_not_advanced, ORDER, 14.5,
         {"c.edf": "before_hookup"},
         {"before_hookup": "caution", "date_may_be_wrong": "problem"},
         {"before_hookup": 18, "date_may_be_wrong": 18}),
    Case("a file weeks later", weeks_apart, ORDER, 10, {"late.edf": "far_in_time"},
         {"far_in_time": "problem"}, {"far_in_time": 12}),
    Case("a file weeks before", weeks_before, ORDER, 10, {"early.edf": "before_hookup"},
         {"before_hookup": "caution", "card_not_cleared": "caution"}),
    Case("a file weeks before, no order", weeks_before, None, 10, {"early.edf": "far_in_time"},
         {"far_in_time": "problem", "card_not_cleared": "caution"}, {"far_in_time": 12}),
    Case("a clock that was reset", default_date, ORDER, 10, {"reset.edf": "default_date"},
         {"default_date": "problem"}, {"default_date": 12}),
    Case("a clock that was never set", all_at_default_date, None, 10, {},
         {"clock_never_set": "problem"}),
    Case("a clock that was never set, with a hook-up", all_at_default_date, ORDER, 10, {},
         {"clock_never_set": "problem", "start_disagrees_with_hookup": "problem"}),
    Case("another recorder", other_recorder, ORDER, 10, {"n7.edf": "other_recorder"},
         {"other_recorder": "problem"}, {"other_recorder": 11}),
    Case("another channel set", other_channels, ORDER, 10, {"ecg.edf": "other_channel_set"},
         {"other_channel_set": "problem"}, {"other_channel_set": 11}),
    Case("one channel more", one_channel_more, ORDER, 12, {},
         {"channel_sets_change": "problem"}),
    Case("exported twice", exported_twice, ORDER, 10, {}, {"duplicate_export": "info"}),
    Case("exported in part", exported_in_part, ORDER, 10, {}, {"duplicate_export": "info"}),
    Case("a clock put back", clock_put_back, ORDER, 8, {}, {"overlapping_recordings": "problem"},
         {"overlapping_recordings": 10}),
    Case("a clock put back inside a file", backwards_inside, ORDER, 8, {},
         {"overlap_inside_file": "problem"}, {"overlap_inside_file": 10}),
    Case("less than a second shared", small_overlap, ORDER, 10 - 1 / H, {},
         {"small_overlap": "info"}),
    Case("two hours late", late_start, ORDER, 10, {},
         {"start_disagrees_with_hookup": "caution"}),
]  # fmt: skip


@pytest.mark.parametrize("case", CASES, ids=lambda c: c.name)
def test_what_is_counted_and_what_is_said(case: Case, tmp_path: Path) -> None:
    case.write(tmp_path)
    study = build_study([tmp_path], case.order, POLICY)
    assert recorded_ns(study.counted) == round(case.hours * HOUR)
    assert {f.recording.name: f.reason_code for f in study.set_aside} == case.aside
    assert all(f.reason == SET_ASIDE[f.reason_code] for f in study.set_aside)
    assert {f.code: f.severity for f in study.findings} == case.findings
    for code, hours in case.other_hours.items():
        found = next(f for f in study.findings if f.code == code)
        assert found.other_recorded_ns == round(hours * HOUR)


def test_files_set_aside_are_in_no_copy_and_keep_their_place(tmp_path: Path) -> None:
    before_hookup(tmp_path)
    study = build_study([tmp_path], ORDER, POLICY)
    (file,) = study.set_aside
    assert file.copy is None
    assert file.interval is not None
    assert file.interval.duration == HOUR
    assert file.recording.name not in study.copies[0].files


def test_another_patients_file_is_named_with_whose_when_and_which_recorder(tmp_path: Path) -> None:
    other_patient(tmp_path)
    study = build_study([tmp_path], ORDER, POLICY)
    found = next(f for f in study.findings if f.code == "other_patient")
    for words in ("P-1990", "Sun 28 Feb 2027 17:30:00", "N-3 invented", "10:00:00"):
        assert words in found.text
    assert "chart" in found.action
    # A redacted audit withholds whatever is not the program's own text.
    assert not isinstance(dict(found.values)["codes"], Own)


def test_a_copy_whose_samples_differ_is_told_apart_from_another_patients(tmp_path: Path) -> None:
    """Another patient's folder for the same time goes by its code, before any matching."""
    for i in range(2):
        piece(tmp_path / "card" / f"{i}.edf", i * 3, i * 3 + 3)
        piece(tmp_path / "pc" / f"{i}.edf", i * 3, i * 3 + 3, patient="P-1", amplifier=OTHER)
    study = build_study([tmp_path], ORDER, POLICY)
    assert {f.recording.name for f in study.set_aside} == {"pc/0.edf", "pc/1.edf"}
    assert "copy_not_matched" not in {f.code for f in study.findings}


def everything(folder: Path) -> Order:
    """Every trouble at once; twelve true hours held by two copies together."""
    zone = "America/Denver"
    start = datetime(2027, 3, 13, 20)  # the clocks change at 02:00 on the 14th

    def dead(out: NDArray[np.int16], first: int) -> None:
        out[:] = 0

    card, pc = Clock(base=start), Clock(37_250_000_000, 7716, start)
    piece(folder / "card" / "1.edf", 0, 4, clock=card)
    piece(
        folder / "card" / "2.edf", 6.5, 9, clock=Clock(HOUR, base=start)
    )  # civil: after the change
    piece(folder / "pc" / "1.edf", 1, 6.75, clock=pc)
    piece(folder / "pc" / "2.edf", 8, 12, clock=Clock(HOUR + 37_250_000_000, 7716, start))
    piece(folder / "card" / "dead.edf", -60, -58, clock=card, patient="P-7", amplifier=OTHER)
    piece(folder / "card" / "old.edf", -9, -8, clock=card, amplifier=OTHER)
    piece(folder / "card" / "1 copy.edf", 0, 2, clock=card)
    piece(folder / "card" / "n7.edf", 13, 14, equipment="N-7", amplifier=OTHER,
          clock=Clock(HOUR, base=start))  # fmt: skip
    piece(folder / "stick" / "x.edf", 2, 3, amplifier=replace(OTHER, change=dead), clock=card)
    (folder / "card" / "empty.edf").write_bytes(b"")
    (folder / "card" / "broken.bdf").write_bytes(b"no recording" * 100)
    (folder / "notes.txt").write_text("invented")
    return Order(12 * HOUR, "order file", patient_code="P-2041", timezone=zone,
                 hookup_civil_ns=civil(start))  # fmt: skip


def test_a_study_with_every_trouble_at_once(tmp_path: Path) -> None:
    order = everything(tmp_path)
    study = build_study([tmp_path], order, POLICY)
    assert recorded_ns(study.counted) == 12 * HOUR
    assert [c.name for c in study.copies] == ["A", "B"]
    assert {f.recording.name for f in study.set_aside} == {
        "card/dead.edf", "card/old.edf", "card/n7.edf", "stick/x.edf",
    }  # fmt: skip
    assert {u.name for u in study.unreadable} == {"card/empty.edf", "card/broken.bdf"}
    assert study.other_files == ("notes.txt",)
    assert {f.code for f in study.findings} >= {
        "other_patient", "before_hookup", "other_recorder", "card_not_cleared",
        "copies_matched", "copy_not_matched", "duplicate_export", "daylight_saving_change",
        "other_files",
    }  # fmt: skip
    first = study.counted[0]
    assert first.interval is not None
    assert study.axis.iso(first.interval.start) == "2027-03-13T20:00:00"
    last = max(f.interval.end for f in study.counted if f.interval)
    assert abs(last - first.interval.start - 12 * HOUR) < MINUTE // 100


def _whole(study: Study) -> int:
    return recorded_ns(study.counted)


def test_policy_moves_the_length_of_a_test(tmp_path: Path) -> None:
    base(tmp_path)
    piece(tmp_path / "test.edf", -1, -0.5, amplifier=OTHER)
    settings = replace(POLICY.study, test_recording_ns=30 * MINUTE)
    longer = replace(POLICY, study=settings)
    for policy, code in ((POLICY, "before_hookup"), (longer, "test_recording")):
        study = build_study([tmp_path], ORDER, policy)
        assert [f.reason_code for f in study.set_aside] == [code]
        assert _whole(study) == 10 * HOUR


def test_many_files_for_one_time_count_once(tmp_path: Path) -> None:
    for i in range(80):
        write_piece(
            tmp_path / f"{i:02d}.edf", (0, 60), amplifier=replace(AMPLIFIER, seed=i), record_s=10
        )
    study = build_study([tmp_path], None, POLICY)
    assert recorded_ns(study.counted) == MINUTE
    found = next(f for f in study.findings if f.code == "overlapping_recordings")
    assert found.other_recorded_ns == 80 * MINUTE
