"""From the bytes of real files to the cause of a stop or gap: records of one minute, few channels."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import pytest
from helpers_edf import edf, event
from msgspec import Struct

from auditor.causes.evidence import Known
from auditor.causes.explain import explain
from auditor.causes.power import plan_power
from auditor.core.clock import civil_ns
from auditor.core.units import HOUR
from auditor.coverage.annotations import place_annotations
from auditor.coverage.timeline import measure_coverage
from auditor.model import Cause, Coverage, Order, PowerSetup, Track
from auditor.policy import load_policy
from auditor.study import build_study

POLICY = load_policy()
HOOKUP = datetime(2027, 3, 2, 9, 30)
HEADER_BYTES = 256 * 4
RECORD_BYTES = 2 * 8 * 2 + 64


def write(
    folder: Path, name: str, minutes: tuple[int, int], *, said: str = "", count: str | None = None,
    cut_records: int = 0,
) -> None:  # fmt: skip
    """One file of whole minutes after hook-up, with one annotation in its last record."""
    length = minutes[1] - minutes[0]
    start = HOOKUP + timedelta(minutes=minutes[0])
    events = {length - 1: [event(60 * length - 1, said)]} if said else {}
    raw = edf(
        [60 * i for i in range(length)],
        duration="60",
        start_date=start.strftime("%d.%m.%y"),
        start_time=start.strftime("%H.%M.%S"),
        recording=f"Startdate {start:%d}-MAR-{start:%Y} X X N-3",
        reserved="EDF+C",
        events=events,
        fields={} if count is None else {"record count": count},
    )
    assert len(raw) == HEADER_BYTES + length * RECORD_BYTES
    (folder / name).write_bytes(raw[: len(raw) - cut_records * RECORD_BYTES])


class Found(Struct, frozen=True):
    """What came out."""

    coverage: Coverage
    kind: str
    stop: Cause
    gaps: tuple[Cause, ...]


def explained(folder: Path, hours: int = 10, power: PowerSetup | None = None) -> Found:
    order = Order(hours * HOUR, "order file", hookup_civil_ns=civil_ns(HOOKUP), power=power)
    study = build_study([folder], order, POLICY)
    tracks = [Track(f.copy or "A", f.run_starts, f.run_ends, f.records_ns) for f in study.counted]
    coverage = measure_coverage(tracks, POLICY.coverage.gap_floor_ns)
    notes, _ = place_annotations(study, coverage)
    begun = civil_ns(HOOKUP)
    plan = None
    if power is not None:
        plan = plan_power(power, order.ordered_ns, POLICY.power, coverage.last_end - begun)
    known = Known(
        study, coverage, notes, order, begun + order.ordered_ns, plan, POLICY.stop,
        POLICY.decision.stop_tolerance_ns, None,
    )  # fmt: skip
    stop, gaps = explain(known)
    return Found(coverage, stop.kind, stop.cause, gaps)


def test_a_closed_file_that_ends_early_does_not_say_why(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 300))
    found = explained(tmp_path)
    assert (found.kind, found.stop.likely_cause, found.stop.rank) == ("early", "not_known", None)


def test_a_file_never_closed_was_cut_off(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 300), count="-1")
    assert explained(tmp_path).stop.likely_cause == "recorder_interrupted"


def test_a_file_never_closed_is_no_witness_of_power_whatever_fits(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 300), count="-1")
    found = explained(tmp_path, power=PowerSetup(1, 5 * HOUR, 0, "card", 1_000_000)).stop
    assert (found.likely_cause, found.rank) == ("recorder_interrupted", "pattern")
    assert any("Would fit power exhausted" in text for text in found.against)


def test_records_lost_in_copying_are_told_from_a_stop(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 600), cut_records=120)
    found = explained(tmp_path).stop
    assert (found.likely_cause, found.rank) == ("file_cut_short", "witness")
    assert "120 records" in found.evidence[0]
    assert "2 h of recording" in found.evidence[0]


def test_records_lost_inside_the_study_fill_their_gap(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 300), cut_records=60)
    write(tmp_path, "b.edf", (300, 600))
    found = explained(tmp_path)
    (gap,), (cause,) = found.coverage.gaps, found.gaps
    assert (gap.duration, cause.likely_cause) == (HOUR, "file_cut_short")
    assert found.stop.likely_cause == "ordered_time_over"


@pytest.mark.parametrize(
    ("said", "cause"),
    [
        ("Recording stopped by user", "stopped_by_person"),
        ("Supply low", "power_exhausted"),
        ("Memory card full", "card_full"),
        ("Recording ends", "not_known"),
        ("Lights off", "not_known"),
    ],
)
def test_the_last_annotation_tells_of_the_stop(tmp_path: Path, said: str, cause: str) -> None:
    write(tmp_path, "a.edf", (0, 300), said=said)
    assert explained(tmp_path).stop.likely_cause == cause


def test_changed_batteries_are_a_gap_and_no_stop(tmp_path: Path) -> None:
    write(tmp_path, "a.edf", (0, 300), said="Supply low")
    write(tmp_path, "b.edf", (304, 600))
    found = explained(tmp_path)
    (gap,) = found.gaps
    assert (gap.likely_cause, gap.rank) == ("power_exhausted", "witness")
    assert found.stop.likely_cause == "ordered_time_over"


def test_a_file_between_that_cannot_be_read_is_the_gap(tmp_path: Path) -> None:
    write(tmp_path, "night-1.edf", (0, 200))
    (tmp_path / "night-2.edf").write_bytes(b"not a recording")
    write(tmp_path, "night-3.edf", (400, 600))
    (gap,) = explained(tmp_path).gaps
    assert (gap.likely_cause, gap.rank) == ("unreadable_file", "pattern")


def test_a_file_missing_from_a_row_of_regular_ones_is_the_gap(tmp_path: Path) -> None:
    for number in (1, 2, 3, 5, 6):
        write(tmp_path, f"part-{number}.edf", (100 * number - 100, 100 * number))
    (gap,) = explained(tmp_path).gaps
    assert gap.likely_cause == "missing_file"
    assert "1 file is missing between part-3.edf and part-5.edf" in gap.evidence[0]


def test_a_recorder_that_begins_a_new_file_at_regular_times_loses_a_little(tmp_path: Path) -> None:
    for number in range(6):
        write(tmp_path, f"part-{number}.edf", (100 * number, 100 * number + 99))
    found = explained(tmp_path)
    assert {g.likely_cause for g in found.gaps} == {"new_file_by_schedule"}
    assert len(found.gaps) == 5
