"""Ends and interruptions, each with the cause, rank and advice that an experienced person gives.

Every row is true by construction. The judgements are common practice, no source.
"""

from __future__ import annotations

import numpy as np
import pytest
from helpers_golden import CAUSES_TOLD
from helpers_stop import (
    BASE,
    POLICY,
    Case,
    aside,
    batteries,
    channel,
    note,
    piece,
    scanned,
    unreadable,
)
from msgspec import Struct
from msgspec.structs import replace

from auditor.causes import explain
from auditor.causes.explain import MOST_INSIDE, not_looked_at, stop_tolerance
from auditor.causes.next_hookup import advise
from auditor.core.units import HOUR, NS
from auditor.model import CAUSES, Finding, Interval, Order, SignalFacts, StudyCopy

FAT_LIMIT = 4 * 1024**3 - 1
ALL_LOST = [channel(e, lost_h=29.8, hours=30) for e in ("C3", "C4", "O1", "O2")]
GOOD = [channel(e, hours=30) for e in ("C3", "C4", "O1", "O2")]
S = 1 / 3600  # a second, in hours
WHOLE, SHORT = piece("a.edf", (0, 72)), piece("a.edf", (0, 30))
A, B = piece("a.edf", (0, 20)), piece("b.edf", (20.1, 72))
APART = piece("b.edf", (26, 72))

ADVICE = {
    "again": "After a change of batteries, look",
    "battery": "Have every battery full",
    "button": "Tell the patient and the caregivers",
    "cable": "Secure the cable of the supply",
    "checked": "Have the recorder and its card checked",
    "clock": "Set the recorder's clock",
    "closing": "End the recording on the recorder",
    "copy": "Before the card is cleared, copy it again",
    "larger card": "Use a larger card",
    "late": "Start the recording and see that it runs before the patient leaves",
    "leads": "Secure the electrode leads",
    "less often": "Set the recorder to begin new files less often",
    "new file": "Set the recorder to begin a new file well before the limit",
    "plan": "Plan more power",
    "secure": "Re-prepare and secure",
    "take-down": "Take the recorder down at the planned end",
    "test": "Have the batteries tested",
}


class Row(Struct, frozen=True):
    """A study, and the causes, ranks and advice of its end or of its gaps."""

    case: Case
    cause: str
    rank: str | None
    advice: tuple[str, ...] = ()
    also: tuple[str, ...] = ()


def at_end(text: str, *, end: float = 30, before_s: float = 4, **more: object) -> Case:
    """A study of one file with an annotation seconds before its end."""
    return Case([piece("a.edf", (0, end))], notes=[note(end - before_s * S, text)], **more)  # type: ignore[arg-type]


def regular(gap_s: float, count: int = 5, every: float = 4) -> list[object]:
    return [piece(f"r{i}.edf", (every * i, every * (i + 1) - gap_s * S)) for i in range(count)]


ENDS = {
    # At or after the planned end.
    "at the planned end": Row(Case([WHOLE]), "ordered_time_over", "pattern"),
    "forty seconds after it": Row(
        Case([piece("a.edf", (0, 72 + 40 * S))]), "ordered_time_over", "pattern"),
    "a stop button at the planned end": Row(
        at_end("Stop button", end=72), "stopped_by_person", "witness"),
    "at the planned end with a full card": Row(
        Case([piece("a.edf", (0, 72), size=7_900_000_000)]), "ordered_time_over", "pattern"),
    "low power noted at the planned end, and nobody": Row(
        at_end("Battery low", end=72), "power_exhausted", "witness"),
    "stopped by the patient at the planned end with the battery nearly empty": Row(
        Case([WHOLE], notes=[note(71.9, "Battery 4 %"), note(72 - S, "Stopped by patient")]),
        "stopped_by_patient", "witness"),
    "a stop button at the planned end with the battery nearly empty": Row(
        Case([WHOLE], notes=[note(71.9, "Battery 4 %"), note(72 - S, "Stop button")]),
        "stopped_by_person", "witness"),
    "at the planned end with too few electrodes in the last half hour": Row(
        Case([WHOLE], signal=scanned(*GOOD, below_h=71.5)), "ordered_time_over", "pattern"),
    "two hours after it": Row(Case([piece("a.edf", (0, 74))]), "ordered_time_over", "pattern"),
    "taken down at the planned end": Row(
        at_end("Recording stopped by T-12", end=72), "stopped_by_technologist", "witness"),
    "taken down after it": Row(
        at_end("Take-down", end=73.5), "stopped_by_technologist", "witness"),
    "stopped by the patient after it": Row(
        at_end("Stopped by patient", end=72.5), "stopped_by_patient", "witness"),
    "taken down at the planned end with the battery nearly empty": Row(
        Case([WHOLE], notes=[note(71.9, "Battery 4 %"), note(72 - S, "Stopped by technologist")]),
        "stopped_by_technologist", "witness"),
    "taken down at the planned end after much else": Row(
        Case([WHOLE], notes=[note(71.9, "Battery 4 %"), note(71.95, "Electrode C3 off"),
                             note(72 - S, "Stopped by technologist")]),
        "stopped_by_technologist", "witness"),
    "electrodes taken off at the planned end": Row(
        Case([WHOLE], notes=[note(72 - S, "Electrodes removed"), note(72, "Unhooked")],
             signal=scanned(*[channel(e, lost_h=71.95, hours=72) for e in ("C3", "O1")])),
        "stopped_by_technologist", "witness"),
    "power by plan and the planned end at once": Row(
        Case([WHOLE], power=batteries()), "ordered_time_over", "pattern"),
    "at the planned end, the file never closed": Row(
        Case([piece("a.edf", (0, 72), closed=False)]), "ordered_time_over", "pattern",
        ("closing",)),
    "late start, then the planned end": Row(
        Case([piece("a.edf", (2, 72))]), "ordered_time_over", "pattern", ("late",)),
    # Before it: somebody or something says why.
    "stopped by a technologist while power would end by plan": Row(
        at_end("Recording stopped by T-12", end=71, power=batteries()),
        "stopped_by_technologist", "witness", ("take-down",)),
    "stopped by the patient": Row(
        at_end("Recording stopped by patient"), "stopped_by_patient", "witness", ("button",)),
    "a caregiver unplugged it": Row(
        at_end("Mother unplugged the leads"), "stopped_by_patient", "witness", ("button",)),
    "the button, by whom is not said": Row(
        at_end("Stop button"), "stopped_by_person", "witness", ("button",)),
    "stopped by a user": Row(
        at_end("Recording stopped by user"), "stopped_by_person", "witness", ("button",)),
    "low power noted at the end": Row(
        at_end("Battery low"), "power_exhausted", "witness", ("battery",)),
    "low power noted at the end, by plan too": Row(
        at_end("Battery low", end=71, ordered_h=96, power=batteries()), "power_exhausted",
        "witness", ("battery", "plan")),
    "low power noted, power for days by plan": Row(
        at_end("Battery low", power=batteries()), "power_exhausted", "witness",
        ("battery", "test")),
    "low power warned of an hour before": Row(
        at_end("Battery 4 %", before_s=3600), "power_exhausted", "witness", ("battery",)),
    "low power, then stopped by a technologist": Row(
        Case([SHORT], notes=[note(29.95, "Battery low"), note(30 - S, "Stopped by T-15")]),
        "power_exhausted", "witness", ("battery",), ("stopped_by_technologist",)),
    "low power, then stopped by the patient": Row(
        Case([SHORT], notes=[note(29.95, "Battery low"), note(30 - S, "Stopped by patient")]),
        "power_exhausted", "witness", ("button", "battery"), ("stopped_by_patient",)),
    "the supply was unplugged": Row(
        at_end("External supply unplugged"), "supply_unplugged", "witness", ("cable",)),
    "batteries changed and not started again": Row(
        at_end("Batteries removed"), "power_change", "witness", ("again",)),
    "the card was full": Row(at_end("Memory card full"), "card_full", "witness", ("larger card",)),
    "a fault of the card": Row(
        at_end("Card write error"), "recorder_interrupted", "witness", ("checked",)),
    "head box unplugged": Row(
        at_end("Head box unplugged"), "electrodes_lost", "witness", ("leads",)),
    "the clock was set back": Row(at_end("Clock corrected"), "clock_change", "witness", ("clock",)),
    "records that the header counts are missing": Row(
        Case([piece("a.edf", (0, 30), claims=3600)]), "file_cut_short", "witness", ("copy",)),
    "no further record fits under 4 GiB": Row(
        Case([piece("a.edf", (0, 30), size=FAT_LIMIT - 900)]), "file_size_limit", "witness",
        ("new file",)),
    # Before it: the files show it.
    "never closed": Row(
        Case([piece("a.edf", (0, 30), closed=False)]), "recorder_interrupted", "pattern",
        ("closing",)),
    "never closed where power ends by plan": Row(
        Case([piece("a.edf", (0, 71), closed=False)], 96, power=batteries()),
        "recorder_interrupted", "pattern", ("closing",)),
    "never closed, and low power noted": Row(
        Case([piece("a.edf", (0, 30), closed=False)], notes=[note(30, "Battery empty")]),
        "power_exhausted", "witness", ("battery",)),
    "too few electrodes in the last half hour": Row(
        Case([SHORT], signal=scanned(*GOOD, below_h=29.5)), "electrodes_lost", "pattern",
        ("leads",)),
    "all electrodes off in the last minutes": Row(
        Case([SHORT], signal=scanned(*ALL_LOST, below_h=29.8)), "electrodes_lost", "pattern",
        ("leads", "secure")),
    "the last of regular files is a whole one": Row(
        Case(regular(0)), "missing_file", "pattern", ("copy",)),  # type: ignore[arg-type]
    "the file that follows by its number is unreadable": Row(
        Case([piece("r1.edf", (0, 20))], unreadable=[unreadable("r2.edf")]), "unreadable_file",
        "pattern", ("copy",)),
    "the file that follows by its number was set aside": Row(
        Case([piece("r1.edf", (0, 20))], aside=[aside("r2.edf", 900, 910)]), "file_set_aside",
        "pattern"),
    "begun before the noted hook-up, as long as ordered": Row(
        Case([piece("a.edf", (-2, 70))]), "clock_change", "pattern", ("clock",)),
    "the other interpretation of an overlap reaches the planned end": Row(
        Case([piece("a.edf", (0, 40)), piece("b.edf", (38, 70))],
             findings=[Finding("overlapping_recordings", "problem", "b.edf", "It went back.",
                               other_recorded_ns=72 * HOUR)]),
        "clock_change", "pattern", ("clock",)),
    # Before it: something only fits. No advice, however much fits.
    "power ends by plan": Row(
        Case([piece("a.edf", (0, 71))], 96, power=batteries()), "power_exhausted", "coincidence"),
    "one battery empty by plan": Row(
        Case([piece("a.edf", (0, 35.5))], power=batteries()), "power_exhausted", "coincidence"),
    "the supply fed nothing, by plan": Row(
        Case([piece("a.edf", (0, 71))], 168, power=batteries(external_h=100)),
        "power_exhausted", "coincidence"),
    "recorded, not elapsed, time fits the plan": Row(
        Case([piece("a.edf", (0, 36)), piece("b.edf", (48, 84))], 120, power=batteries()),
        "power_exhausted", "coincidence"),
    "the card may have been filled": Row(
        Case([piece("a.edf", (0, 30), size=7_900_000_000)]), "card_full", "coincidence"),
    "left-over files filled the card": Row(
        Case([piece("a.edf", (0, 30), size=3_900_000_000)],
             aside=[aside("old.edf", -90, -80, size=4_000_000_000)]), "card_full", "coincidence"),
    "one hour early without a zone": Row(
        Case([piece("a.edf", (0, 71))]), "clock_change", "coincidence"),
    "power by plan, an hour early and a full card": Row(
        Case([piece("a.edf", (0, 71), size=7_900_000_000)], power=batteries()),
        "power_exhausted", "coincidence", (), ("clock_change", "card_full")),
    # Nothing speaks.
    "nothing tells": Row(Case([SHORT]), "not_known", None),
    "an orderly end tells nothing": Row(at_end("Recording ends"), "not_known", None),
    "power left over": Row(Case([SHORT], power=batteries()), "not_known", None),
    "longer than the figures say": Row(
        Case([piece("a.edf", (0, 100))], 120, power=batteries()), "not_known", None),
    "a warning of low power a day before": Row(
        at_end("Battery low", before_s=86400), "not_known", None),
    "regular files, the last a part": Row(
        Case([piece("r0.edf", (0, 4)), piece("r1.edf", (4, 8)), piece("r2.edf", (8, 12)),
              piece("r3.edf", (12, 13))]), "not_known", None),
    "a late start, and power ends by plan": Row(
        Case([piece("a.edf", (2, 71))], 96, power=batteries()), "power_exhausted", "coincidence",
        ("late",)),
    "the supply unplugged and never closed where power ends by plan": Row(
        Case([piece("a.edf", (0, 71), closed=False)], 96, power=batteries(),
             notes=[note(71, "External supply unplugged")]),
        "supply_unplugged", "witness", ("cable", "closing")),
    "regular files, the last a part, and no order": Row(
        Case([piece("r0.edf", (0, 4)), piece("r1.edf", (4, 8)), piece("r2.edf", (8, 12)),
              piece("r3.edf", (12, 13))], None), "not_known", None),
    "that it went on again tells nothing": Row(at_end("Recording resumed"), "not_known", None),
    "no further record fits under 2 GiB": Row(
        Case([piece("a.edf", (0, 30), size=2 * 1024**3 - 1)]), "file_size_limit", "witness",
        ("new file",)),
    "the last of regular files is whole and was never closed": Row(
        Case([*regular(0, 4), piece("r4.edf", (16, 20), closed=False)]), "recorder_interrupted",  # type: ignore[list-item]
        "pattern", ("closing",)),
    "too few electrodes for ten hours": Row(
        Case([SHORT], signal=scanned(*GOOD, below_h=20)), "not_known", None),
    "too few electrodes for ten hours, then the head box unplugged": Row(
        at_end("Head box unplugged", signal=scanned(*GOOD, below_h=20)), "electrodes_lost",
        "witness", ("leads",)),
    "enough electrodes to the end": Row(
        Case([SHORT], signal=scanned(*GOOD)), "not_known", None),
    "no order": Row(Case([SHORT], None), "not_known", None),
    "low power, and no order": Row(
        at_end("Battery low", ordered_h=None), "power_exhausted", "witness", ("battery",)),
    "the study goes on, low power noted": Row(
        at_end("Battery low", still_recording=True), "not_known", None),
}  # fmt: skip


def pair(first: object, second: object, **keys: object) -> Case:
    return Case([first, second], **keys)  # type: ignore[list-item, arg-type]


def inside(text: str, *, zone: str | None = None) -> Case:
    """A gap of twelve minutes inside one file, with an annotation at its start."""
    return Case([piece("a.edf", (0, 20), (20.2, 72))], notes=[note(20, text)], zone=zone)


GAPS = {
    "batteries changed": Row(
        pair(A, B, notes=[note(20.11, "Batteries changed")]), "power_change", "witness"),
    "batteries changed where one ends by plan": Row(
        pair(piece("a.edf", (0, 36)), piece("b.edf", (36.1, 72)), power=batteries(),
             notes=[note(36.05, "Batteries changed")]), "power_change", "witness"),
    "batteries changed in an uninterrupted file": Row(
        Case([piece("a.edf", (0, 20), (20.2, 72), fmt="EDF+C")],
             notes=[note(20, "Batteries changed")]), "power_change", "witness"),
    "hours between files, the card full": Row(
        pair(piece("a.edf", (0, 20), size=7_899_000_000), APART), "not_known", None),
    "a start of the schedule is passed over, the file unreadable": Row(
        Case([f for i, f in enumerate(regular(0, 6)) if i != 3], 24,  # type: ignore[misc]
             unreadable=[unreadable("r3.edf")]), "unreadable_file", "pattern", ("copy",)),
    "a start of the schedule is passed over, the file set aside": Row(
        Case([f for i, f in enumerate(regular(0, 6)) if i != 3], 24,  # type: ignore[misc]
             aside=[aside("r3.edf", 0, 5)]), "file_set_aside", "pattern"),
    "two starts of the schedule are passed over, by names without numbers": Row(
        Case([piece(f"{c}.edf", (4 * i, 4 * i + 4)) for i, c in enumerate("abcdefg")
              if c not in "de"], 28), "missing_file", "pattern", ("copy",)),
    "a file of a schedule without loss ended five seconds early": Row(
        Case([*regular(0, 2), piece("r2.edf", (8, 12 - 5 * S)), piece("r3.edf", (12, 16)),  # type: ignore[list-item]
              piece("r4.edf", (16, 20))], 20), "new_file_by_schedule", "pattern"),
    "batteries changed in one file": Row(
        inside("Batteries changed"), "power_change", "witness"),
    "one copy begins where the other goes on": Row(
        Case([piece("a.edf", (0, 20), (20.2, 72)), piece("b.edf", (20.2, 40), copy="B")]),
        "not_known", None),
    "hours between files, power left": Row(pair(A, APART, power=batteries(4)), "not_known", None),
    "low power noted": Row(
        pair(A, B, notes=[note(19.99, "Battery low")]), "power_exhausted", "witness",
        ("battery",)),
    "low power noted, then batteries changed": Row(
        pair(A, B, notes=[note(19.99, "Battery low"), note(20.11, "Battery changed")]),
        "power_exhausted", "witness", ("battery",), ("power_change",)),
    "low power warned of an hour before": Row(
        pair(A, B, notes=[note(19, "Low battery")]), "power_exhausted", "witness", ("battery",)),
    "the supply was unplugged": Row(
        inside("Mains adapter disconnected"), "supply_unplugged", "witness", ("cable",)),
    "paused by a technologist": Row(
        inside("Paused by technologist"), "stopped_by_technologist", "witness"),
    "paused by the patient": Row(
        inside("Paused by patient"), "stopped_by_patient", "witness"),
    "electrodes came off": Row(
        inside("Head box unplugged"), "electrodes_lost", "witness", ("leads",)),
    "the card was full": Row(
        inside("Card full"), "card_full", "witness", ("larger card",)),
    "the clock was adjusted": Row(
        inside("Clock adjusted", zone="America/Denver"), "clock_change", "witness", ("clock",)),
    "a fault": Row(
        pair(A, APART, notes=[note(20, "Unexpected restart")]), "recorder_interrupted", "witness",
        ("checked",)),
    "records that the header counts fill it": Row(
        pair(piece("a.edf", (0, 20), claims=3600), piece("b.edf", (21.5, 72))), "file_cut_short",
        "witness", ("copy",)),
    "more records than it holds are counted": Row(
        pair(piece("a.edf", (0, 20), claims=36000), piece("b.edf", (25.5, 72))), "file_cut_short",
        "witness", ("copy",)),
    "the file before reached the limit": Row(
        pair(piece("a.edf", (0, 20), size=FAT_LIMIT), piece("b.edf", (20 + 5 * S, 72))),
        "file_size_limit", "witness", ("new file",)),
    "hours after a file never closed": Row(
        pair(piece("a.edf", (0, 20), closed=False), APART), "recorder_interrupted", "pattern",
        ("closing",)),
    "a file between is unreadable": Row(
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 72)),
             unreadable=[unreadable("r2.edf")]), "unreadable_file", "pattern", ("copy",)),
    "a file between was set aside": Row(
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 72)), aside=[aside("r2.edf", 0, 5)]),
        "file_set_aside", "pattern"),
    "the names skip a number": Row(
        Case([piece("r1.edf", (0, 9)), piece("r2.edf", (9, 10)), piece("r4.edf", (20, 72))]),
        "missing_file", "pattern", ("copy",)),
    "two names alone that skip a number": Row(
        pair(piece("r1.edf", (0, 10)), piece("r3.edf", (20, 72))), "not_known", None),
    "a start of the schedule is passed over": Row(
        Case([f for i, f in enumerate(regular(0, 6)) if i != 3], 24), "missing_file",  # type: ignore[misc]
        "pattern", ("copy",)),
    "a new file every four hours": Row(
        Case(regular(3), 20 - 3 * S), "new_file_by_schedule", "pattern"),  # type: ignore[arg-type]
    "a new file every four hours costs five minutes each": Row(
        Case(regular(300), 20 - 300 * S), "new_file_by_schedule", "pattern",  # type: ignore[arg-type]
        ("less often",)),
    "a clock that did not follow the change": Row(
        pair(A, piece("b.edf", (21, 72)), zone="America/Denver",
             findings=[Finding("daylight_saving_not_followed", "problem", "b.edf", "It did not.",
                               file="b.edf")]), "clock_change", "pattern", ("clock",)),
    "the clock may have stepped": Row(
        pair(A, APART,
             findings=[Finding("clock_may_have_stepped", "caution", "b.edf", "It was put on.",
                               span=Interval(BASE + 20 * HOUR, BASE + 26 * HOUR))]),
        "clock_change", "pattern", ("clock",)),
    "the clock may have stepped elsewhere": Row(
        pair(A, APART,
             findings=[Finding("clock_may_have_stepped", "caution", "c.edf", "It was put on.",
                               span=Interval(BASE + 27 * HOUR, BASE + 28 * HOUR))]),
        "not_known", None, ("clock",)),
    "an uninterrupted file that jumps": Row(
        Case([piece("a.edf", (0, 20), (20.2, 72), fmt="EDF+C")]), "recorder_interrupted",
        "pattern", ("checked",)),
    "six minutes and a new file": Row(pair(A, B), "power_change", "coincidence"),
    "one battery ends by plan": Row(
        pair(piece("a.edf", (0, 36)), piece("b.edf", (36.1, 72)), power=batteries()),
        "power_exhausted", "coincidence", (), ("power_change",)),
    "one hour between files without a zone": Row(
        pair(A, piece("b.edf", (21, 72))), "clock_change", "coincidence"),
    "one hour between files in a known zone": Row(
        pair(A, piece("b.edf", (21, 72)), zone="America/Denver"), "not_known", None),
    "a pause in one file": Row(
        Case([piece("a.edf", (0, 20), (20.2, 72))]), "not_known", None),
    "hours between files": Row(pair(A, APART), "not_known", None),
    "one copy ends where the other goes on": Row(
        Case([piece("a.edf", (0, 20), copy="A"), piece("b.edf", (5, 19), (20.2, 72), copy="B")]),
        "not_known", None),
}  # fmt: skip


def told(row: Row, *, end: bool) -> list[str]:
    """The cause of an end, or of each gap, and the advice, as they are told."""
    lines = []
    for cause in [row.case.stop().cause] if end else dict.fromkeys(row.case.gaps()):
        lines.append(f"  {' and '.join((cause.likely_cause, *cause.also))}, {cause.rank}")
        lines += [f"    {text}" for text in cause.evidence]
        lines += [f"    + {text}" for text in cause.supporting]
        lines += [f"    - {text}" for text in cause.against]
        assert set(cause.also_evidence) <= set(cause.evidence)
    return [*lines, *(f"  > {a.text} {a.evidence}" for a in row.case.advice())]


def every_cause_told() -> str:
    """All ends and interruptions above, for the golden text in ``fixtures/golden``."""
    parts = [[name, *told(row, end=True)] for name, row in ENDS.items()]
    parts += [[f"interruption: {name}", *told(row, end=False)] for name, row in GAPS.items()]
    return "".join(f"{line}\n" for part in parts for line in part)


GOLDEN: dict[str, list[str]] = {}
for line in CAUSES_TOLD.read_text("utf-8").splitlines():
    if line.startswith(" "):
        GOLDEN[next(reversed(GOLDEN))].append(line)
    else:
        GOLDEN[line] = []


def advised(case: Case) -> list[str]:
    """The keys of the advice that the study gets."""
    keys = []
    for advice in case.advice():
        (key,) = [k for k, text in ADVICE.items() if advice.text.startswith(text)]
        assert advice.evidence
        keys.append(key)
    return keys


@pytest.mark.parametrize("name", ENDS)
def test_an_end_has_the_cause_rank_and_advice_of_practice(name: str) -> None:
    row = ENDS[name]
    assert told(row, end=True) == GOLDEN[name]
    cause = row.case.stop().cause
    assert (cause.likely_cause, cause.rank, cause.also) == (row.cause, row.rank, row.also), cause
    assert sorted(advised(row.case)) == sorted(row.advice)


@pytest.mark.parametrize("name", GAPS)
def test_a_gap_has_the_cause_rank_and_advice_of_practice(name: str) -> None:
    row = GAPS[name]
    assert told(row, end=False) == GOLDEN[f"interruption: {name}"]
    causes = row.case.gaps()
    assert len(causes) == len(row.case.coverage().gaps) > 0
    for cause in causes:
        assert (cause.likely_cause, cause.rank, cause.also) == (row.cause, row.rank, row.also)
    assert sorted(advised(row.case)) == sorted(row.advice)


def test_the_table_is_as_large_as_it_says_and_shows_every_cause() -> None:
    assert len(ENDS) + len(GAPS) >= 40
    shown = {row.cause for row in (*ENDS.values(), *GAPS.values())}
    assert shown == set(CAUSES)


@pytest.mark.parametrize("row", [*ENDS.values(), *GAPS.values()])
def test_what_is_told_is_told_once_in_whole_sentences(row: Row) -> None:
    stop, gaps = row.case.explained()
    for cause in (stop.cause, *gaps):
        told = (*cause.evidence, *cause.supporting, *cause.against)
        assert told
        assert all(text.endswith(".") for text in told), told
        assert len(set(told)) == len(told)
        assert cause.rank is not None or not (cause.supporting or cause.against)


@pytest.mark.parametrize("row", ENDS.values())
def test_an_early_end_is_never_explained_by_the_ordered_time(row: Row) -> None:
    stop = row.case.stop()
    if stop.kind == "early":
        assert "ordered_time_over" not in (stop.cause.likely_cause, *stop.cause.also)


def test_two_different_witnesses_are_both_stated() -> None:
    cause = ENDS["low power, then stopped by a technologist"].case.stop().cause
    assert "power was low" in cause.evidence[0]
    assert "a technologist stopped it" in cause.evidence[1]
    button, full = ENDS["low power, then stopped by the patient"].case.advice()
    assert "the patient or a caregiver stopped" in button.evidence
    assert "power was low" in full.evidence


def test_what_fits_another_cause_does_not_fit_this_one() -> None:
    cause = ENDS["stopped by a technologist while power would end by plan"].case.stop().cause
    assert any(t.startswith("Would fit power exhausted: ") for t in cause.against)
    both = ENDS["low power noted at the end, by plan too"].case.stop().cause
    assert any("the power set-up lasts about 72 h" in t for t in both.supporting)
    against = ENDS["low power noted, power for days by plan"].case.stop().cause.against
    assert any("The power set-up lasts about 72 h" in t for t in against)


def test_an_unknown_cause_tells_what_was_looked_at_as_evidence() -> None:
    cause = Case([piece("a.edf", (0, 20))], power=batteries(), signal=scanned(*GOOD)).stop().cause
    told = " ".join(cause.evidence)
    for words in ("No annotation within", "lasts about 72 h", "closed in order", "signal up to"):
        assert words in told
    assert (cause.supporting, cause.against) == ((), ())


def test_a_clean_end_is_no_evidence_of_a_planned_stop() -> None:
    cause = Case([piece("a.edf", (0, 71))], 96, power=batteries()).stop().cause
    assert cause.likely_cause == "power_exhausted"
    assert any("closed in order" in t and "without power" in t for t in cause.evidence)


def test_without_figures_nothing_is_said_of_power() -> None:
    for row in (ENDS["nothing tells"], ENDS["never closed"], GAPS["hours between files"]):
        stop, gaps = row.case.explained()
        for cause in (stop.cause, *gaps):
            told = " ".join((*cause.evidence, *cause.supporting, *cause.against))
            assert "set-up" not in told
            assert "battery" not in told


def test_a_study_that_goes_on_has_no_cause_of_an_end_and_no_advice() -> None:
    lost = scanned(channel("C3", lost_h=5, hours=30), channel("C4", hours=30))
    case = Case([piece("a.edf", (2, 30))], signal=lost, still_recording=True)
    assert (case.stop().kind, case.stop().cause.rank) == ("so_far", None)
    assert case.advice() == ()
    signal = SignalFacts(scanned=False, needed_channels=8)
    assert advise(case.study(), case.coverage(), *case.explained(), None, signal, (), HOUR) == ()


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


def test_the_last_file_is_the_one_that_reaches_the_end_in_any_copy() -> None:
    case = Case([piece("a.edf", (0, 20), closed=False), piece("b.edf", (0, 30), copy="B")])
    assert case.stop().cause.likely_cause == "not_known"


def test_with_two_copies_only_the_copys_own_folder_fills_its_card() -> None:
    files = [
        piece("card/a.edf", (0, 30), size=3_950_000_000),
        piece("pc/a.edf", (0, 29), size=3_950_000_000, copy="B"),
    ]
    copies = [
        StudyCopy("A", "card", True, ("card/a.edf",)),
        StudyCopy("B", "pc", False, ("pc/a.edf",)),
    ]
    cause = Case(files, copies=copies).stop().cause
    assert cause.likely_cause == "card_full"
    assert "3950000000 bytes, just under a card of 4000000000" in cause.evidence[0]


def test_a_copys_card_held_its_left_over_and_unreadable_files_too() -> None:
    files = [piece("card/a.edf", (0, 30), size=3_000_000_000), piece("b.edf", (0, 29), copy="B")]
    broken = [unreadable(name) for name in ("card/c.edf", "cards/d.edf", "card/e.edf")]
    sizes = (30_000_000, 10**9, None)
    case = Case(
        files,
        aside=[aside("card/old.edf", -9, -5, size=920_000_000)],
        unreadable=[replace(u, size_bytes=n) for u, n in zip(broken, sizes, strict=True)],
        copies=[
            StudyCopy("A", "card", True, ("card/a.edf",)),
            StudyCopy("B", "", False, ("b.edf",)),
        ],
    )
    assert case.stop().cause.evidence[0] == (
        "All recordings together have 3950000000 bytes, just under a card of 4000000000 bytes; "
        "1 file of another recording took room on it."
    )
    # The other copy lies at the top: its own file is all that is known of its card.
    longer = [files[0], piece("b.edf", (0, 31), copy="B", size=1_950_000_000)]
    other = replace(case, files=longer).stop().cause
    assert "have 1950000000 bytes, just under a card of 2000000000" in other.evidence[0]


def test_a_number_beyond_the_next_file_is_not_the_missing_one() -> None:
    def causes(case: Case) -> list[str]:
        return [case.stop().cause.likely_cause, *(g.likely_cause for g in case.gaps())]

    first, last = piece("r1.edf", (0, 10)), piece("r4.edf", (20, 72))
    assert causes(Case([first, last], unreadable=[unreadable("r3.edf")]))[1] == "unreadable_file"
    assert causes(Case([first, last], unreadable=[unreadable("r4.bdf")]))[1] == "not_known"
    assert causes(Case([first], unreadable=[unreadable("r2.edf")])) == ["unreadable_file"]
    assert causes(Case([first], unreadable=[unreadable("r3.edf")])) == ["not_known"]


def test_a_header_that_counts_no_records_claims_none() -> None:
    file = piece("a.edf", (0, 30))
    header = replace(file.recording.header, record_count=None)
    case = Case([replace(file, recording=replace(file.recording, header=header))])
    assert case.stop().cause.likely_cause == "not_known"


@pytest.mark.parametrize(("before", "cause"), [(489, "power_exhausted"), (490, "not_known")])
def test_patterns_look_at_the_first_five_hundred_characters(before: int, cause: str) -> None:
    text = "x" * (before - 1) + " " + "Battery low"
    assert Case([SHORT], notes=[note(30, text)]).stop().cause.likely_cause == cause


@pytest.mark.parametrize(
    ("size", "cause"),
    [
        (FAT_LIMIT, "file_size_limit"),
        (FAT_LIMIT - 1000 - 1024**2 + 1, "file_size_limit"),
        (FAT_LIMIT - 1000 - 1024**2, "not_known"),
        (FAT_LIMIT + 1, "not_known"),
        (2 * 1024**3 - 1, "file_size_limit"),
        (2 * 1024**3, "not_known"),
    ],
)
def test_a_file_is_at_the_limit_where_no_further_record_fits(size: int, cause: str) -> None:
    assert Case([piece("a.edf", (0, 30), size=size)]).stop().cause.likely_cause == cause


@pytest.mark.parametrize(
    ("gap_s", "cause"), [(19, "not_known"), (20, "power_change"), (1800, "power_change"),
                         (1801, "not_known")],
)  # fmt: skip
def test_a_change_of_batteries_takes_from_twenty_seconds_to_half_an_hour(
    gap_s: int, cause: str
) -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20 + gap_s * S, 30))])
    assert [g.likely_cause for g in case.gaps()] == [cause]


@pytest.mark.parametrize(
    ("gap_s", "cause"),
    [(3479, "not_known"), (3480, "clock_change"), (3720, "clock_change"), (3721, "not_known")],
)
def test_an_interruption_of_an_hour_within_two_minutes_may_be_the_clock(
    gap_s: int, cause: str
) -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20 + gap_s * S, 30))])
    assert [g.likely_cause for g in case.gaps()] == [cause]


@pytest.mark.parametrize(
    ("early_s", "cause"),
    [(3539, "not_known"), (3540, "clock_change"), (3660, "clock_change"), (3661, "not_known")],
)
def test_an_end_an_hour_early_within_the_tolerance_may_be_the_clock(
    early_s: int, cause: str
) -> None:
    case = Case([piece("a.edf", (0, 72 - early_s * S))])
    assert case.stop().cause.likely_cause == cause


@pytest.mark.parametrize(
    ("size", "cause"),
    [
        (970_000_000, "card_full"),
        (969_999_999, "not_known"),
        (10**9, "card_full"),
        (10**9 + 1, "not_known"),
        (16 * 10**9, "card_full"),
        (128 * 10**9, "card_full"),
        (256 * 10**9, "not_known"),
    ],
)
def test_a_card_is_full_at_97_percent_of_what_is_sold(size: int, cause: str) -> None:
    assert Case([piece("a.edf", (0, 30), size=size)]).stop().cause.likely_cause == cause


def test_power_ends_at_a_gap_only_where_a_file_ended_and_another_began() -> None:
    def causes(*files: object) -> list[str]:
        return [g.likely_cause for g in Case(files, power=batteries()).gaps()]  # type: ignore[arg-type]

    assert causes(piece("a.edf", (0, 36), (36.2, 72))) == ["not_known"]
    later = piece("b.edf", (36 + 20 * S, 72))
    assert causes(piece("a.edf", (0, 36)), later) == ["power_exhausted"]
    assert causes(piece("a.edf", (0, 36)), piece("b.edf", (36 + 19 * S, 72))) == ["not_known"]


def test_the_time_without_recording_rounds_up() -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20 + 360.5 * S, 30))])
    assert case.gaps()[0].evidence[0].startswith("A new file began 6 min 1 s later: ")


@pytest.mark.parametrize(("claims", "fit"), [(3601, "which fits into"), (3602, "more than")])
def test_records_that_are_missing_fit_into_an_interruption_up_to_one_record(
    claims: int, fit: str
) -> None:
    case = Case([piece("a.edf", (0, 20), claims=claims), piece("b.edf", (21, 72))])
    assert case.gaps()[0].evidence[0].endswith(f", {fit} the interruption.")


def test_what_is_missing_or_apart_rounds_up() -> None:
    file = piece("a.edf", (0, 30), claims=1)
    recording = replace(file.recording, record_ns=NS + 1)
    told = Case([replace(file, recording=recording)]).stop().cause.evidence[0]
    assert told.endswith("that it does not hold, 2 s of recording.")
    apart = Case([piece("a.edf", (0, 72 + 40.5 * S))]).stop().cause.evidence[0]
    assert apart == "The recording ended 41 s from the planned end."


def test_a_file_at_its_limit_explains_a_gap_of_up_to_half_an_hour() -> None:
    def cause(gap_s: float) -> str:
        files = [piece("a.edf", (0, 20), size=FAT_LIMIT), piece("b.edf", (20 + gap_s * S, 72))]
        return Case(files).gaps()[0].likely_cause

    assert (cause(1800), cause(1801)) == ("file_size_limit", "not_known")


@pytest.mark.parametrize(
    ("short_s", "cause"), [(10, "missing_file"), (11, "not_known"), (-10, "missing_file")]
)
def test_a_last_file_within_ten_seconds_of_the_others_is_a_whole_one(
    short_s: int, cause: str
) -> None:
    case = Case([*regular(0, 4), piece("r4.edf", (16, 20 - short_s * S))])  # type: ignore[list-item]
    assert case.stop().cause.likely_cause == cause


def clocks(*findings: Finding, end: float = 70) -> str:
    return Case([piece("a.edf", (0, end))], findings=findings).stop().cause.likely_cause


def test_another_interpretation_must_reach_the_planned_end_within_the_tolerance() -> None:
    def other(hours: float) -> Finding:
        return Finding("overlapping_recordings", "problem", "b.edf", "Two readings.",
                       question="files", other_recorded_ns=round(hours * HOUR))  # fmt: skip

    plain = Finding("never_closed", "caution", "a.edf", "It was cut.")
    assert clocks(plain, other(72)) == "clock_change"
    assert clocks(other(72 + 60 * S)) == clocks(other(72 - 60 * S)) == "clock_change"
    assert clocks(other(72 + 61 * S)) == clocks(other(72 - 61 * S)) == "not_known"
    assert clocks(other(70)) == clocks(other(68)) == "not_known"
    at_plan = Case([WHOLE], findings=[other(72 + 30 * S)]).stop().cause
    assert (at_plan.likely_cause, at_plan.also) == ("ordered_time_over", ())


@pytest.mark.parametrize(
    ("start", "end", "cause"),
    [
        (-2, 70 + 60 * S, "clock_change"),
        (-2, 70 + 61 * S, "not_known"),
        (-2, 70 - 60 * S, "clock_change"),
        (-2, 70 - 61 * S, "not_known"),
    ],
)
def test_a_recording_as_long_as_ordered_but_too_early_may_have_a_wrong_clock(
    start: float, end: float, cause: str
) -> None:
    assert Case([piece("a.edf", (start, end))]).stop().cause.likely_cause == cause


@pytest.mark.parametrize(
    ("span", "cause"),
    [
        ((26, 27), "clock_change"),
        ((26 + S, 27), "not_known"),
        ((19, 20), "clock_change"),
        ((19, 20 - S), "not_known"),
    ],
)
def test_a_finding_on_the_clock_counts_where_it_touches_the_gap(
    span: tuple[float, float], cause: str
) -> None:
    at = Interval(BASE + round(span[0] * HOUR), BASE + round(span[1] * HOUR))
    other = Finding("never_closed", "caution", "a.edf", "It was cut.", span=at)
    stepped = Finding("clock_may_have_stepped", "caution", "c.edf", "It was put on.", span=at)
    case = Case([A, APART], findings=[other, stepped])
    assert case.gaps()[0].likely_cause == cause


@pytest.mark.parametrize(
    ("ago_s", "cause", "told"),
    [
        (3600, "electrodes_lost", "For the last 1 h, fewer than 8 EEG channels carried signal."),
        (0.5, "electrodes_lost", "For the last 0.5 s, fewer than 8 EEG channels carried signal."),
        (90.5, "electrodes_lost",
         "For the last 1 min 31 s, fewer than 8 EEG channels carried signal."),
        (3601, "not_known", "For the last 1 h 1 s, fewer than 8 EEG channels carried signal; the "
                            "recording went on all the same."),
        (0, "not_known", "Enough EEG channels carried signal up to the end."),
    ],
)  # fmt: skip
def test_too_few_electrodes_explain_an_end_within_the_hour(
    ago_s: float, cause: str, told: str
) -> None:
    found = Case([SHORT], signal=scanned(*GOOD, below_h=30 - ago_s * S)).stop().cause
    assert found.likely_cause == cause
    assert told in found.evidence


@pytest.mark.parametrize(("lost_s", "cause"), [(1800, "new_file_by_schedule"), (1801, "not_known")])
def test_a_new_file_by_schedule_costs_half_an_hour_at_most(lost_s: int, cause: str) -> None:
    assert {c.likely_cause for c in Case(regular(lost_s)).gaps()} == {cause}  # type: ignore[arg-type]


def test_a_schedule_tells_nothing_of_an_interruption_at_which_only_one_file_begins() -> None:
    """Copy A goes on for 6 min after each of copy B's files has ended, inside one file."""
    inside = piece("a.edf", (0, 3.9), (4, 7.9), (8, 11.9), (12, 15.8))
    files = [replace(f, copy="B") for f in regular(720, 4)]  # type: ignore[type-var]
    copies = [StudyCopy("A", "", True, ()), StudyCopy("B", "", False, ())]
    every = Case([inside, *files], 15.8, copies=copies).gaps()  # type: ignore[list-item]
    assert [c.likely_cause for c in every] == ["not_known"] * 3


@pytest.mark.parametrize(("ago_s", "cause"), [(600, "stopped_by_person"), (601, "not_known")])
def test_an_annotation_tells_of_an_end_up_to_ten_minutes_later(ago_s: int, cause: str) -> None:
    assert POLICY.stop.annotation_ns == 600 * NS
    assert at_end("Stop button", before_s=ago_s).stop().cause.likely_cause == cause


@pytest.mark.parametrize(("ago_s", "cause"), [(3600, "electrodes_lost"), (3601, "not_known")])
def test_all_electrodes_explain_an_end_within_the_hour(ago_s: float, cause: str) -> None:
    off = [channel(e, lost_h=30 - ago_s * S, hours=30) for e in ("C3", "C4")]
    late = channel("O1", lost_h=30 - 0.5 * S, hours=30)
    found = Case([SHORT], signal=scanned(*off, late)).stop().cause
    assert found.likely_cause == cause
    last = Case([SHORT], signal=scanned(late)).stop().cause.evidence[0]
    assert last.startswith("All 1 EEG channels were lost within the last 0.5 s: ")
    earlier = channel("O1", lost_h=30 - 90.5 * S, hours=30)
    two = Case([SHORT], signal=scanned(late, earlier)).stop().cause.evidence[0]
    assert two.startswith("All 2 EEG channels were lost within the last 1 min 31 s: ")


def test_a_gap_near_no_annotation_does_not_borrow_that_of_another() -> None:
    case = Case(
        [piece("a.edf", (0, 10), (10.2, 20), (20.2, 30))], notes=[note(10, "Paused by RT-4")]
    )
    assert [g.likely_cause for g in case.gaps()] == ["stopped_by_technologist", "not_known"]


def test_files_that_start_at_odd_times_follow_no_schedule() -> None:
    # Two starts in five lie one period apart; a whole last file then tells nothing.
    starts = (0, 4, 8, 13, 15.5, 22)
    files = [piece(f"{c}.edf", (at, at + 2)) for c, at in zip("abcdef", starts, strict=True)]
    assert Case(files).stop().cause.likely_cause == "not_known"


def test_two_files_alone_make_no_schedule() -> None:
    files = [piece("a.edf", (0, 4)), piece("b.edf", (4, 8))]
    assert Case(files).stop().cause.likely_cause == "not_known"
    odd = [piece("a.edf", (0, 4)), piece("b.edf", (4, 8)), piece("c.edf", (12, 16))]
    assert Case(odd).stop().cause.likely_cause == "not_known"


def test_a_study_without_gaps_is_handed_back_as_it_is() -> None:
    assert Case([piece("a.edf", (0, 10))]).gaps() == ()


def test_an_end_is_near_the_plan_within_the_policys_time_and_a_hundredth_of_the_order() -> None:
    assert stop_tolerance(60 * NS, None) == 60 * NS
    assert stop_tolerance(60 * NS, Order(72 * HOUR, "order file")) == 60 * NS
    assert stop_tolerance(60 * NS, Order(HOUR + 1, "order file")) == 36 * NS


def test_gaps_are_left_out_only_beyond_the_limit_and_inside_files(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(explain, "MOST_INSIDE", 3)
    files = [piece("a.edf", (0, 1), (2, 3), (4, 5)), piece("b.edf", (6, 7), copy="A")]
    looked_at = Case(files).gaps()
    assert not_looked_at(looked_at) == ()
    monkeypatch.setattr(explain, "MOST_INSIDE", 2)
    found = Case(files).gaps()
    assert [c.evidence for c in found] == [(), (), looked_at[2].evidence]
    (said,) = not_looked_at(found)
    assert said.where == "study"
    assert said.text.startswith(
        "The recording has 3 interruptions: only those at which a file ends or begins were looked "
        "at for a cause, 2 were not."
    )


def test_hundreds_of_thousands_of_gaps_are_not_looked_at_one_by_one() -> None:
    starts = BASE + np.arange(MOST_INSIDE + 2, dtype=np.int64) * 3 * NS
    first = piece("a.edf", (0, 1))
    many = replace(first, run_starts=starts, run_ends=starts + NS, records_ns=len(starts) * NS)
    case = Case([many], notes=[note(5, "Battery low")])
    causes = case.gaps()
    assert len(causes) == MOST_INSIDE + 1
    assert {c.likely_cause for c in causes} == {"not_known"}
    (said,) = not_looked_at(causes)
    assert f"{MOST_INSIDE + 1} interruptions" in said.text
    last = sum(cause.evidence != () for cause in causes)  # at the file's end, if anywhere
    assert f"{MOST_INSIDE + 1 - last} were not" in said.text
    assert not_looked_at(Case([piece("a.edf", (0, 1)), piece("b.edf", (2, 3))]).gaps()) == ()
