"""Why recordings stop and gaps arise: one study for each cause, true by construction.

The weights and windows are this project's own judgement; there is no source to check them against.
"""

from __future__ import annotations

import pytest
from helpers_stop import (
    BASE,
    POLICY,
    Case,
    aside,
    channel,
    note,
    packs,
    piece,
    scanned,
    unreadable,
)

from auditor.causes.stop import VOCABULARY
from auditor.causes.stop_clues import Clue, weigh
from auditor.core.units import HOUR, NS
from auditor.model import Finding, Interval, StudyCopy

FAT_LIMIT = 4 * 1024**3 - 1
ALL_LOST = [channel(e, lost_h=29.8, hours=30) for e in ("C3", "C4", "O1", "O2")]
GOOD = [channel(e, hours=30) for e in ("C3", "C4", "O1", "O2")]
S = 1 / 3600  # a second, in hours

STOPS: dict[str, tuple[Case, str, str]] = {
    "at the planned end": (Case([piece("a.edf", (0, 72))]), "ordered_time_over", "high"),
    "seconds after the planned end": (
        Case([piece("a.edf", (0, 72 + 40 * S))]), "ordered_time_over", "high"),
    "past the planned end": (Case([piece("a.edf", (0, 74))]), "ordered_time_over", "low"),
    "the packs end by plan": (
        Case([piece("a.edf", (0, 71))], 96, power=packs()), "power_exhausted", "moderate"),
    "the packs end by plan and a note says so": (
        Case([piece("a.edf", (0, 71))], 96, [note(70.9, "Supply low")], packs()),
        "power_exhausted", "high"),
    "recorded time, not elapsed time, fits the plan": (
        Case([piece("a.edf", (0, 36)), piece("b.edf", (48, 84))], 120, power=packs()),
        "power_exhausted", "moderate"),
    "one pack was not fitted": (
        Case([piece("a.edf", (0, 35.5))], power=packs()), "power_exhausted", "low"),
    "the supply fed nothing": (
        Case([piece("a.edf", (0, 71))], 168, power=packs(external_h=100)),
        "power_exhausted", "low"),
    "low power was warned of an hour before": (
        Case([piece("a.edf", (0, 30))], notes=[note(29, "Battery 4 %")]),
        "power_exhausted", "moderate"),
    "power by plan in a file never closed": (
        Case([piece("a.edf", (0, 71), closed=False)], 96, power=packs()),
        "power_exhausted", "high"),
    "a person said so": (
        Case([piece("a.edf", (0, 3))], 8, [note(3 - S, "Recording stopped by user")]),
        "stopped_by_person", "moderate"),
    "never closed": (
        Case([piece("a.edf", (0, 30), closed=False)]), "recorder_interrupted", "moderate"),
    "a fault was noted in a file never closed": (
        Case([piece("a.edf", (0, 30), closed=False)], notes=[note(30, "Card write error")]),
        "recorder_interrupted", "high"),
    "records that the header counts are missing": (
        Case([piece("a.edf", (0, 30), claims=3600)]), "file_cut_short", "high"),
    "no further record fits under 4 GiB": (
        Case([piece("a.edf", (0, 30), size=FAT_LIMIT - 900)]), "file_size_limit", "high"),
    "the card may have been filled": (
        Case([piece("a.edf", (0, 30), size=7_900_000_000)]), "card_full", "low"),
    "left-over files filled the card": (
        Case([piece("a.edf", (0, 30), size=3_900_000_000)],
             aside=[aside("old.edf", -90, -80, size=4_000_000_000)]),
        "card_full", "moderate"),
    "a note says that the card was full": (
        Case([piece("a.edf", (0, 30))], notes=[note(30, "Memory card full")]), "card_full", "high"),
    "too few electrodes in the last half hour": (
        Case([piece("a.edf", (0, 30))], signal=scanned(*GOOD, below_h=29.5)),
        "electrodes_lost", "moderate"),
    "all electrodes were taken off": (
        Case([piece("a.edf", (0, 30))], signal=scanned(*ALL_LOST, below_h=29.8)),
        "electrodes_lost", "high"),
    "the last of regular files is a whole one": (
        Case([piece(f"r{i}.edf", (4 * i, 4 * i + 4)) for i in range(5)]),
        "missing_file", "moderate"),
    "the file that follows by its number is unreadable": (
        Case([piece("r1.edf", (0, 20))], unreadable=[unreadable("r2.edf")]),
        "unreadable_file", "high"),
    "the file that follows by its number was set aside": (
        Case([piece("r1.edf", (0, 20))], aside=[aside("r2.edf", 900, 910)]),
        "file_set_aside", "moderate"),
    "one hour early without a zone": (Case([piece("a.edf", (0, 71))]), "clock_change", "low"),
    "begun before the noted hook-up": (
        Case([piece("a.edf", (-2, 70))]), "ordered_time_over", "moderate"),
    "begun late and run for the ordered time": (
        Case([piece("a.edf", (2, 74))]), "ordered_time_over", "high"),
    "the other reading of an overlap reaches the planned end": (
        Case([piece("a.edf", (0, 40)), piece("b.edf", (38, 70))],
             findings=[Finding("overlapping_recordings", "problem", "b.edf", "The clock went back.",
                               other_recorded_ns=72 * HOUR)]),
        "clock_change", "moderate"),
    "nothing tells": (Case([piece("a.edf", (0, 30))]), "not_known", "none"),
    "a clean end and power left over": (
        Case([piece("a.edf", (0, 20))], power=packs()), "not_known", "none"),
    "an orderly end tells nothing": (
        Case([piece("a.edf", (0, 30))], notes=[note(30, "Recording ends")]), "not_known", "none"),
    "no order": (Case([piece("a.edf", (0, 30))], None), "not_known", "none"),
    "regular files of no order may be all": (
        Case([piece(f"r{i}.edf", (4 * i, 4 * i + 4)) for i in range(5)], None),
        "not_known", "none"),
    "regular files, the last a part": (
        Case([piece("r0.edf", (0, 4)), piece("r1.edf", (4, 8)), piece("r2.edf", (8, 12)),
              piece("r3.edf", (12, 13))]),
        "not_known", "none"),
    "power ended much later than the figures say": (
        Case([piece("a.edf", (0, 100))], 120, power=packs()), "not_known", "none"),
    "electrodes lost long before, then power": (
        Case([piece("a.edf", (0, 71))], 96, power=packs(), signal=scanned(*GOOD, below_h=40)),
        "power_exhausted", "moderate"),
    "a warning of low power days before": (
        Case([piece("a.edf", (0, 30))], notes=[note(5, "Battery low")]), "not_known", "none"),
}  # fmt: skip


@pytest.mark.parametrize("name", STOPS)
def test_a_stop_has_the_cause_that_it_was_built_with(name: str) -> None:
    case, cause, confidence = STOPS[name]
    stop = case.stop()
    assert (stop.likely_cause, stop.confidence) == (cause, confidence), stop
    assert bool(stop.evidence) == (cause != "not_known")
    for text in (*stop.evidence, *stop.against):
        assert text.endswith((".", "'")), text
    assert len({*stop.evidence, *stop.against}) == len(stop.evidence) + len(stop.against)


def regular(gap_s: float, count: int = 5, every: float = 4) -> list[object]:
    return [piece(f"r{i}.edf", (every * i, every * (i + 1) - gap_s * S)) for i in range(count)]


def pair(first: object, second: object, **keys: object) -> Case:
    return Case([first, second], **keys)  # type: ignore[list-item, arg-type]


A, B = piece("a.edf", (0, 20)), piece("b.edf", (20.1, 30))
GAPS: dict[str, tuple[Case, str, str]] = {
    "six minutes and a new file": (pair(A, B), "power_change", "low"),
    "and a note of changed packs": (
        pair(A, B, notes=[note(20.11, "Pack changed")]), "power_change", "high"),
    "and a note of low power": (
        pair(A, B, notes=[note(19.99, "Supply low")]), "power_change", "high"),
    "low power was warned of an hour before": (
        pair(A, B, notes=[note(19, "Low battery")]), "power_change", "high"),
    "and the file before never closed": (
        pair(piece("a.edf", (0, 20), closed=False), B), "power_change", "moderate"),
    "when one pack ends by plan": (
        pair(piece("a.edf", (0, 36)), piece("b.edf", (36.1, 50)), power=packs()),
        "power_change", "moderate"),
    "hours in a file never closed": (
        pair(piece("a.edf", (0, 20), closed=False), piece("b.edf", (26, 30)),
             notes=[note(20, "Watchdog: unexpected restart")]),
        "recorder_interrupted", "high"),
    "a person paused it": (
        Case([piece("a.edf", (0, 20), (21, 30))], notes=[note(20, "Paused by technologist")]),
        "stopped_by_person", "moderate"),
    "records that the header counts fill it": (
        pair(piece("a.edf", (0, 20), claims=3600), piece("b.edf", (21.5, 30))),
        "file_cut_short", "high"),
    "more records than it holds are counted": (
        pair(piece("a.edf", (0, 20), claims=36000), piece("b.edf", (25.5, 30))),
        "file_cut_short", "moderate"),
    "a file between is unreadable": (
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 30)), unreadable=[unreadable("r2.edf")]),
        "unreadable_file", "high"),
    "a file between was set aside": (
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 30)), aside=[aside("r2.edf", 0, 5)]),
        "file_set_aside", "high"),
    "the names skip a number": (
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 30))), "missing_file", "moderate"),
    "a start of the schedule is passed over": (
        Case([f for i, f in enumerate(regular(0, 6)) if i != 3]), "missing_file", "high"),
    "the file before reached the limit": (
        pair(piece("a.edf", (0, 20), size=FAT_LIMIT), piece("b.edf", (20 + 5 * S, 30))),
        "file_size_limit", "high"),
    "a note says that the card was full": (
        Case([piece("a.edf", (0, 20), (25, 30))], notes=[note(20, "Card full")]),
        "card_full", "moderate"),
    "a new file every four hours": (Case(regular(3)), "new_file_by_schedule", "high"),
    "electrodes came off": (
        Case([piece("a.edf", (0, 20), (20.2, 30))], notes=[note(20, "Head box unplugged")]),
        "electrodes_lost", "moderate"),
    "one hour between files without a zone": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (21, 30))), "clock_change", "moderate"),
    "a finding that the clock may have stepped": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (24, 30)),
             findings=[Finding("clock_may_have_stepped", "caution", "b.edf", "It was put on.",
                               span=Interval(BASE + 20 * HOUR, BASE + 24 * HOUR))]),
        "clock_change", "low"),
    "a finding that the clock did not follow the change": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (21, 30)), zone="America/Denver",
             findings=[Finding("daylight_saving_not_followed", "problem", "b.edf", "It did not.",
                               file="b.edf")]),
        "clock_change", "high"),
    "a finding on another clock": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (24, 30)),
             findings=[Finding("clock_may_have_stepped", "caution", "c.edf", "It was put on.",
                               span=Interval(BASE + 25 * HOUR, BASE + 26 * HOUR))]),
        "not_known", "none"),
    "an uninterrupted file that jumps": (
        Case([piece("a.edf", (0, 20), (20.2, 30), fmt="EDF+C")]), "recorder_interrupted", "low"),
    "a pause in one file": (Case([piece("a.edf", (0, 20), (20.2, 30))]), "not_known", "none"),
    "hours between files": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (26, 30))), "not_known", "none"),
    "one hour between files in a known zone": (
        pair(piece("a.edf", (0, 20)), piece("b.edf", (21, 30)), zone="America/Denver"),
        "not_known", "none"),
    "one copy ends where the other goes on": (
        Case([piece("a.edf", (0, 20), copy="A"), piece("b.edf", (5, 19), (20.2, 30), copy="B")]),
        "not_known", "none"),
}  # fmt: skip


@pytest.mark.parametrize("name", GAPS)
def test_a_gap_has_the_cause_that_it_was_built_with(name: str) -> None:
    case, cause, confidence = GAPS[name]
    gaps = case.gaps()
    assert gaps
    for gap in gaps:
        assert (gap.likely_cause, gap.confidence) == (cause, confidence), gap
        assert bool(gap.evidence) == (cause != "not_known")
        assert all(t.endswith((".", "'")) for t in (*gap.evidence, *gap.against)), gap


def test_every_cause_of_the_vocabulary_is_shown_by_a_study() -> None:
    shown = {cause for _, cause, _ in (*STOPS.values(), *GAPS.values())}
    assert shown == set(VOCABULARY)


@pytest.mark.parametrize(
    ("end", "kind"),
    [
        (72 * HOUR, "as_ordered"),
        (72 * HOUR - 60 * NS, "as_ordered"),
        (72 * HOUR - 61 * NS, "early"),
        (72 * HOUR + 60 * NS, "as_ordered"),
        (72 * HOUR + 61 * NS, "late"),
    ],
)
def test_the_kind_turns_exactly_at_the_tolerance(end: int, kind: str) -> None:
    assert POLICY.decision.stop_tolerance_ns == 60 * NS
    assert Case([piece("a.edf", (0, end / HOUR))]).stop().kind == kind


def test_without_an_order_the_kind_is_unknown() -> None:
    assert Case([piece("a.edf", (0, 30))], None).stop().kind == "unknown"


def test_an_unknown_cause_tells_what_was_looked_at() -> None:
    stop = Case([piece("a.edf", (0, 20))], power=packs(), signal=scanned(*GOOD)).stop()
    told = " ".join(stop.against)
    for words in ("No annotation within", "lasts about 72 h", "closed in order", "live up to the"):
        assert words in told


def test_a_clean_end_is_no_evidence_of_a_planned_stop() -> None:
    stop = Case([piece("a.edf", (0, 71))], 96, power=packs()).stop()
    assert stop.likely_cause == "power_exhausted"
    assert any("closed in order" in t and "without power" in t for t in stop.against)


def test_what_speaks_for_another_cause_is_told_against() -> None:
    stop = Case([piece("a.edf", (0, 72))], power=packs()).stop()
    assert stop.likely_cause == "ordered_time_over"
    assert any(t.startswith("Would also fit power exhausted: ") for t in stop.against)


def test_the_last_file_is_the_one_that_reaches_the_end_in_any_copy() -> None:
    case = Case([piece("a.edf", (0, 20), closed=False), piece("b.edf", (0, 30), copy="B")])
    assert case.stop().likely_cause == "not_known"


def test_with_two_copies_only_the_copys_own_folder_fills_its_card() -> None:
    files = [
        piece("card/a.edf", (0, 30), size=3_950_000_000),
        piece("pc/a.edf", (0, 29), size=3_950_000_000, copy="B"),
    ]
    copies = [
        StudyCopy("A", "card", True, ("card/a.edf",)),
        StudyCopy("B", "pc", False, ("pc/a.edf",)),
    ]
    stop = Case(files, copies=copies).stop()
    assert stop.likely_cause == "card_full"
    assert "3950000000 bytes, just under a card of 4000000000" in stop.evidence[0]


@pytest.mark.parametrize(
    ("size", "cause"),
    [
        (FAT_LIMIT, "file_size_limit"),
        (FAT_LIMIT - 1000 - 1024**2 + 1, "file_size_limit"),
        (FAT_LIMIT - 1000 - 1024**2, "not_known"),
        (FAT_LIMIT + 1, "not_known"),
        (2 * 1024**3 - 1, "file_size_limit"),
    ],
)
def test_a_file_is_at_the_limit_where_no_further_record_fits(size: int, cause: str) -> None:
    assert Case([piece("a.edf", (0, 30), size=size)]).stop().likely_cause == cause


@pytest.mark.parametrize(
    ("gap_s", "cause"), [(19, "not_known"), (20, "power_change"), (1800, "power_change"),
                         (1801, "not_known")],
)  # fmt: skip
def test_a_change_of_packs_takes_from_twenty_seconds_to_half_an_hour(
    gap_s: int, cause: str
) -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20 + gap_s * S, 30))])
    assert [g.likely_cause for g in case.gaps()] == [cause]


def test_a_gap_near_no_annotation_does_not_borrow_that_of_another() -> None:
    case = Case(
        [piece("a.edf", (0, 10), (10.2, 20), (20.2, 30))], notes=[note(10, "Paused by RT-4")]
    )
    assert [g.likely_cause for g in case.gaps()] == ["stopped_by_person", "not_known"]


def test_files_that_start_at_odd_times_follow_no_schedule() -> None:
    # Two starts in five lie one period apart; a whole last file then tells nothing.
    starts = (0, 4, 8, 13, 15.5, 22)
    files = [piece(f"{c}.edf", (at, at + 2)) for c, at in zip("abcdef", starts, strict=True)]
    assert Case(files).stop().likely_cause == "not_known"


def test_two_files_alone_make_no_schedule() -> None:
    files = [piece("a.edf", (0, 4)), piece("b.edf", (4, 8))]
    assert Case(files).stop().likely_cause == "not_known"
    odd = [piece("a.edf", (0, 4)), piece("b.edf", (4, 8)), piece("c.edf", (12, 16))]
    assert Case(odd).stop().likely_cause == "not_known"


def test_a_study_without_gaps_is_handed_back_as_it_is() -> None:
    assert Case([piece("a.edf", (0, 10))]).gaps() == ()


# Weighing.


def clue(cause: str, weight: int) -> Clue:
    return Clue(cause, weight, f"{cause} {weight}.")


@pytest.mark.parametrize(
    ("clues", "cause", "confidence"),
    [
        ([], "not_known", "none"),
        ([("a", 1)], "a", "low"),
        ([("a", 1), ("a", 1)], "a", "moderate"),
        ([("a", 3), ("a", 3)], "a", "high"),
        ([("a", 2), ("b", 2)], "a", "low"),
        ([("b", 2), ("a", 2)], "a", "low"),
        ([("a", 3), ("b", 3)], "a", "moderate"),
        ([("a", 1), ("b", 1)], "a", "low"),
        ([("a", 2), ("b", 3)], "b", "high"),
        ([("a", 2), ("a", -1)], "a", "low"),
        ([("a", 1), ("a", -1)], "not_known", "none"),
    ],
)
def test_clues_are_weighed(clues: list[tuple[str, int]], cause: str, confidence: str) -> None:
    verdict = weigh([clue(*c) for c in clues], ("a", "b"))
    assert (verdict.cause, verdict.confidence) == (cause, confidence)
