"""The outcome: complete, review or repeat. Shares are the lab's own (common practice, no source)."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from auditor.core.units import HOUR, NS
from auditor.coverage.shortfall import measure_shortfall
from auditor.coverage.timeline import measure_coverage
from auditor.decision.outcome import decide
from auditor.model import (
    ChannelFacts,
    Coverage,
    Decision,
    Finding,
    Interval,
    Order,
    SignalFacts,
    Track,
)
from auditor.policy import load_policy

SETTINGS = load_policy().decision
ORDERED = 72 * HOUR
NOT_SCANNED = SignalFacts(scanned=False, needed_channels=8)
DOUBT = Finding("clock_put_back", "problem", "b.edf", "Two readings.", other_recorded_ns=70 * HOUR)


def covered(recorded: int) -> Coverage:
    track = Track("A", np.array([0], np.int64), np.array([recorded], np.int64), recorded)
    return measure_coverage([track], NS)


def eeg(count: int) -> tuple[ChannelFacts, ...]:
    names = [f"EEG {i}" for i in range(count)]
    return tuple(ChannelFacts(n, n, 0, 0, 0, 0, 0, 0, None, ()) for n in names)


def outcome(
    recorded: int,
    *,
    usable: int | None = None,
    channels: int = 8,
    findings: tuple[Finding, ...] = (),
) -> Decision:
    coverage = covered(recorded)
    signal = NOT_SCANNED
    if usable is not None:
        signal = replace(NOT_SCANNED, scanned=True, usable_ns=usable, channels=eeg(channels))
    shortfall = measure_shortfall(coverage, Interval(0, ORDERED))
    return decide(coverage, Order(ORDERED, "order file"), shortfall, signal, findings, SETTINGS)


@pytest.mark.parametrize(
    ("recorded", "expected"),
    [
        (ORDERED, "complete"),
        (ORDERED + 1, "complete"),
        (ORDERED * 95 // 100, "complete"),
        (ORDERED * 95 // 100 - 1, "review"),
        (ORDERED * 75 // 100, "review"),
        (ORDERED * 75 // 100 - 1, "repeat"),
        (1, "repeat"),
    ],
)
def test_each_share_decides_to_the_nanosecond(recorded: int, expected: str) -> None:
    assert outcome(recorded).outcome == expected


def test_any_problem_keeps_a_full_study_from_complete() -> None:
    decision = outcome(ORDERED, findings=(DOUBT,))
    assert decision.outcome == "review"
    assert decision.reasons[0].code == "problem_finding"
    assert "Two readings." in decision.reasons[0].text


def test_cautions_do_not_keep_a_study_from_complete() -> None:
    assert outcome(ORDERED, findings=(replace(DOUBT, severity="caution"),)).outcome == "complete"


def test_no_patient_is_called_back_while_another_reading_of_the_files_covers_the_minimum() -> None:
    decision = outcome(ORDERED // 2, findings=(DOUBT,))
    assert decision.outcome == "review"
    assert decision.reasons[0].code == "below_minimum_but_doubtful"
    assert "70:00:00" in decision.reasons[0].text


def test_another_reading_that_is_also_too_short_does_not_save_the_study() -> None:
    short = replace(DOUBT, other_recorded_ns=50 * HOUR)
    assert outcome(ORDERED // 2, findings=(short,)).outcome == "repeat"


def test_unreadable_hours_make_a_fully_recorded_study_a_review_then_a_repeat() -> None:
    assert outcome(ORDERED, usable=ORDERED).outcome == "complete"
    assert outcome(ORDERED, usable=ORDERED * 75 // 100 - 1).outcome == "review"
    assert outcome(ORDERED, usable=ORDERED // 2 - 1).outcome == "repeat"


def test_labels_that_are_not_known_do_not_call_the_patient_back() -> None:
    decision = outcome(ORDERED, usable=0, channels=7)
    assert decision.outcome == "review"
    assert decision.reasons[0].code == "usable_below_minimum"


def test_without_an_order_a_person_must_look() -> None:
    decision = decide(covered(ORDERED), None, None, NOT_SCANNED, (), SETTINGS)
    assert decision.outcome == "review"
    assert decision.needed_ns is None
    assert decision.reasons[0].code == "no_order"


def test_the_hours_still_needed_are_the_shortfall() -> None:
    assert outcome(70 * HOUR).needed_ns == 2 * HOUR
    assert outcome(80 * HOUR).needed_ns == 0


def test_the_headline_never_shows_a_short_study_as_full() -> None:
    headline = outcome(ORDERED - 1).headline
    assert "71:59:59 recorded of 72:00:00 ordered, 0:00:01 short" in headline
