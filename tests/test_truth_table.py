"""Messy studies with a truth known by construction, in one table: what the audit must say of each.

A row: the study; the outcome; how it ended and why; the causes of its gaps; its problems (all of
them) and findings that it must hold besides. Recorded time, gaps, counted, set aside and unreadable
files are compared with the study's own truth.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from pathlib import Path

import helpers_cases as cases
import helpers_clocks as clocks
import pytest
from helpers_studies import Amplifier
from helpers_truth import Truth
from msgspec import Struct

from auditor.core.units import NS
from auditor.inputs.order import read_order
from auditor.model import Audit
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

POLICY = load_policy()


class Row(Struct, frozen=True):
    """One study with what must be said of it. ``None``: not looked at."""

    name: str
    study: Callable[[Path], Truth]
    outcome: str
    stop: tuple[str, str] | None = None
    gap_causes: tuple[str, ...] | None = None
    problems: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    edge_ns: int = 0
    """How far from the truth the edges of a gap may lie."""


FINE = Amplifier(rate=64, level=600)
ENDED = ("as_ordered", "ordered_time_over")
TABLE = (
    Row("two copies, clocks 37.25 s apart, drift 2 s over 72 h", cases.two_copies, "complete",
        ENDED, ("not_known",), (), ("copies_matched",), edge_ns=NS // 8),
    Row("two copies at a higher rate",
        partial(cases.two_copies, hours=12, drift_s=0.5, amplifier=FINE), "complete",
        ENDED, ("not_known",), (), ("copies_matched",), edge_ns=NS // 64),
    Row("two copies, every record stamped by the computer's clock",
        partial(cases.two_copies, hours=12, drift_s=0.5, amplifier=FINE, stamped_by="record"),
        "complete", ENDED, ("not_known",), (), ("copies_matched",), edge_ns=NS // 64),
    Row("a copy at half the rate", cases.two_copies_rescaled, "review", None, (),
        ("copy_not_matched",), edge_ns=NS // 16),
    Row("two folders that have nothing in common", cases.unmatched_folders, "review", ENDED, (),
        ("copy_not_matched",)),
    Row("an hour exported twice", cases.duplicated_export, "complete", ENDED, (), (),
        ("duplicate_export",)),
    Row("the clock put back 20 min", cases.clock_put_back, "review", ("early", "clock_change"), (),
        ("overlapping_recordings",)),
    Row("left-over files of every kind", cases.left_overs, "review", ENDED, ("not_known",),
        ("far_in_time", "other_channel_set", "other_recorder", "unreadable_file"),
        ("other_patient", "before_hookup", "card_not_cleared", "empty_file", "other_files")),
    Row("no order: the largest group is the study", cases.largest_group, "review",
        ("unknown", "not_known"), (), ("other_patient",)),
    Row("no file carries the order's patient code", cases.patient_code_mistyped, "review", ENDED,
        (), ("patient_code_not_found",)),
    Row("the clock fell back to 1985 after a change of batteries", clocks.clock_reset, "review", None,
        (), ("default_date",)),
    Row("the clock fell back to 2000 after a change of batteries",
        partial(clocks.clock_reset, reset_to=clocks.datetime(2000, 1, 1)), "review", None, (),
        ("default_date",)),
    Row("the clock was never set", clocks.clock_never_set, "review", None, None,
        ("clock_never_set", "start_disagrees_with_hookup")),
    Row("stamps a whole day before the hook-up", clocks.hookup_disagrees, "review", None, (),
        ("start_disagrees_with_hookup",)),
    Row("the clock put back an hour, no zone known", partial(clocks.clock_steps, step_s=-3600),
        "review", ("early", "clock_change"), (), ("overlapping_recordings",)),
    Row("the clock put forward an hour, no zone known", partial(clocks.clock_steps, step_s=3600),
        "review", None, ("clock_change",), (), ("hour_step",)),
    Row("over new year", clocks.new_year, "complete", ENDED, ()),
    Row("a new file every two hours", cases.regular_pieces, "complete", ENDED, ()),
    Row("batteries changed", cases.power_change, "complete", None, ("power_exhausted",)),
    Row("power ran out", cases.ran_out_of_power, "repeat", ("early", "power_exhausted"), ()),
    Row("stopped with the button", cases.stopped_by_hand, "repeat",
        ("early", "stopped_by_person"), ()),
    Row("three pieces: whole, cut, never closed", cases.never_closed_and_cut, "complete", ENDED,
        ("power_change", "file_cut_short"), (),
        ("never_closed", "partial_last_record", "empty_file")),
    Row("six of eight electrodes lost", cases.electrodes_lost, "repeat",
        ("early", "electrodes_lost"), (), (), ("electrode_lost",)),
    Row("every trouble at once", cases.everything_at_once, "review", None, ("power_exhausted",), (),
        ("copies_matched", "duplicate_export", "other_patient", "never_closed", "electrode_lost",
         "partial_last_record", "trailing_bytes", "empty_file")),
)  # fmt: skip


def audited(truth: Truth) -> Audit:
    order = truth.order and read_order(
        truth.order,
    )
    return audit_study(
        [truth.folder],
        order=order or None,
        policy=POLICY,
        options=Options(second_readers=False),
    )


def check_time(audit: Audit, truth: Truth, edge_ns: int = 0) -> None:
    """Recorded time, span and gaps are the truth's, to within ``edge_ns`` at each edge."""
    coverage = audit.coverage
    edges = 2 * len(coverage.union_starts)
    assert abs(coverage.recorded_ns - truth.recorded_ns) <= edges * edge_ns
    found = [(g.start, g.end) for g in coverage.gaps]
    assert len(found) == len(truth.gaps), found
    wanted = [truth.recorded[0][0], *(t for gap in truth.gaps for t in gap), truth.recorded[-1][1]]
    measured = [coverage.first_start, *(t for gap in found for t in gap), coverage.last_end]
    assert max(abs(a - b) for a, b in zip(measured, wanted, strict=True)) <= edge_ns


@pytest.mark.parametrize("row", TABLE, ids=lambda row: row.name)
def test_the_audit_says_of_each_messy_study_what_truly_happened(tmp_path: Path, row: Row) -> None:
    truth = row.study(tmp_path / "S-2041")
    audit = audited(truth)
    check_time(audit, truth, row.edge_ns)
    study = audit.study
    assert sorted(f.recording.name for f in study.counted) == sorted(truth.counted)
    assert sorted(f.recording.name for f in study.set_aside) == sorted(truth.set_aside)
    assert sorted(f.name for f in study.unreadable) == sorted(truth.unreadable)
    problems = {f.code for f in audit.findings if f.severity == "problem"}
    assert problems == set(row.problems)
    assert {f.code for f in audit.findings} >= set(row.also)
    if row.stop is not None:
        assert (audit.stop.kind, audit.stop.cause.likely_cause) == row.stop
    if row.gap_causes is not None:
        assert tuple(c.likely_cause for c in audit.gap_causes) == row.gap_causes
    if truth.other_recorded_ns is not None and problems:
        assert truth.other_recorded_ns in [f.other_recorded_ns for f in audit.findings]
    assert audit.decision.outcome == row.outcome


@pytest.mark.parametrize("gap_at_s", [0, -300, 1200])
@pytest.mark.parametrize(("zone", "at"), clocks.TRANSITIONS, ids=str)
def test_time_over_a_change_of_the_clocks_is_measured_as_it_passed(
    tmp_path: Path, zone: str, at: clocks.datetime, gap_at_s: int
) -> None:
    truth = clocks.across_a_change(tmp_path / "S-2041", zone, at, gap_at_s=gap_at_s)
    check_time(audited(truth), truth)


@pytest.mark.parametrize(("zone", "at"), clocks.TRANSITIONS, ids=str)
def test_a_clock_that_did_not_follow_the_change_gives_both_figures(
    tmp_path: Path, zone: str, at: clocks.datetime
) -> None:
    truth = clocks.clock_not_followed(tmp_path / "S-2041", zone, at)
    audit = audited(truth)
    check_time(audit, truth)
    finding = next(f for f in audit.findings if f.code == "daylight_saving_not_followed")
    assert finding.severity == "problem"
    assert finding.other_recorded_ns == truth.other_recorded_ns
    assert audit.decision.outcome == "review"


def test_no_hour_counts_twice_whichever_folder_comes_first(tmp_path: Path) -> None:
    truth = cases.two_copies(tmp_path / "S-2041", hours=3)
    first = audited(truth)
    order = read_order(
        tmp_path / "S-2041/order.toml",
    )
    second = audit_study(
        [tmp_path / "S-2041/computer", tmp_path / "S-2041/card"],
        order=order,
        policy=POLICY,
        options=Options(second_readers=False),
    )
    assert second.coverage.recorded_ns == first.coverage.recorded_ns
    assert second.coverage.overlap_ns == first.coverage.overlap_ns > 0
