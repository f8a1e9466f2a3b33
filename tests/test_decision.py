"""The four answers and the outcome. Every share is the lab's own (common practice, no source)."""

from __future__ import annotations

from pathlib import Path
from typing import Any, get_args

import numpy as np
import pytest
from helpers_stop import Case, aside, piece, unreadable
from hypothesis import given, settings
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.core.clock import Axis
from auditor.core.units import HOUR, MINUTE, NS
from auditor.coverage.timeline import measure_coverage, measure_shortfall
from auditor.decision.outcome import decide
from auditor.model import (
    Billing,
    ChannelFacts,
    Coverage,
    DayCode,
    Decision,
    Finding,
    Interval,
    Minimum,
    NightFacts,
    Order,
    Professional,
    Question,
    Setup,
    SignalFacts,
    Study,
    Technical,
    Track,
)
from auditor.model.codes import finding
from auditor.policy import load_policy

SETTINGS = load_policy().decision
ORDERED = 72 * HOUR
SLACK = 30 * MINUTE
QUESTIONS = get_args(Question)
STUDY = Study("S-2041", Path("S-2041"), Axis(), (), (), ())
NOT_SCANNED = SignalFacts(scanned=False, needed_channels=8)
MET = Minimum("12-26 h", "12-26 h", True, 0, 22 * HOUR, "The ordered units are reached")
UNMET = Minimum("2-12 h", None, False, MINUTE, 0, "1:00 under the 2-hour minimum")
DOUBT = Finding(
    "overlapping_recordings", "problem", "b.edf", "Two readings.", question="files",
    other_recorded_ns=70 * HOUR,
)  # fmt: skip


def billing(minimum: Minimum | None) -> Billing:
    """Billing values of which only the minimum is looked at."""
    return Billing(
        basis="recorded", periods=(), technical_totals=(), total=Technical((), None, 0),
        professional=Professional((), DayCode(None, "")), interpretations=(),
        setup=Setup("95700", True, ""), shorter=None, cautions=(), minimum=minimum,
    )  # fmt: skip


def covered(*runs: tuple[int, int]) -> Coverage:
    starts, ends = np.array(runs, np.int64).T
    return measure_coverage([Track("A", starts, ends, int((ends - starts).sum()))], NS)


def eeg(count: int) -> tuple[ChannelFacts, ...]:
    names = [f"EEG {i}" for i in range(count)]
    return tuple(ChannelFacts(n, n, 0, 0, 0, 0, 0, 0, None, ()) for n in names)


def decided(
    recorded: int | tuple[tuple[int, int], ...] = ORDERED,
    *,
    ordered: int = ORDERED,
    usable: int | None = None,
    clean: int | None = None,
    channels: int = 8,
    scanned: bool = True,
    nights: tuple[NightFacts, ...] = (),
    minimum: Minimum | None = MET,
    findings: tuple[Finding, ...] = (),
    so_far: bool = False,
) -> Decision:
    """The decision on ``recorded`` from the hook-up at 0; usable and clean as recorded if unsaid."""
    coverage = covered(*(((0, recorded),) if isinstance(recorded, int) else recorded))
    usable = coverage.recorded_ns if usable is None else usable
    signal = NOT_SCANNED
    if scanned:
        signal = SignalFacts(
            scanned=True, needed_channels=8, usable_ns=usable,
            clean_ns=usable if clean is None else clean, montage_channels=channels,
            channels=eeg(channels),
        )  # fmt: skip
    shortfall = measure_shortfall(coverage, Interval(0, ordered))
    order = Order(ordered, "order file", still_recording=so_far)
    return decide(
        STUDY, coverage, order, shortfall, signal, nights, billing(minimum), findings, SETTINGS,
        SLACK,
    )  # fmt: skip


def states(decision: Decision) -> dict[str, str]:
    return {a.question: a.state for a in decision.answers}


def text(decision: Decision, question: str) -> str:
    return next(a.text for a in decision.answers if a.question == question)


@pytest.mark.parametrize(
    ("recorded", "order", "outcome"),
    [
        (ORDERED, "yes", "complete"),
        (ORDERED + 1, "yes", "complete"),
        (ORDERED * 95 // 100, "yes", "complete"),
        (ORDERED * 95 // 100 - 1, "look", "review"),
        (ORDERED * 75 // 100, "look", "review"),
        (ORDERED * 75 // 100 - 1, "no", "repeat"),
        (1, "no", "repeat"),
    ],
)
def test_each_share_decides_to_the_nanosecond(recorded: int, order: str, outcome: str) -> None:
    decision = decided(recorded)
    assert (states(decision)["order"], decision.outcome) == (order, outcome)


def test_a_time_close_to_a_limit_is_said_with_its_margin_and_is_no_look() -> None:
    decision = decided(ORDERED * 95 // 100 + 20 * MINUTE)
    assert decision.outcome == "complete"
    assert "3:16:00 short, within 5 % by 0:20:00" in decision.headline
    assert " by " not in decided(71 * HOUR).headline


@pytest.mark.parametrize(
    ("runs", "state"),
    [
        (((SLACK, ORDERED + SLACK),), "yes"),  # taken down late by what the start was late
        (((-SLACK, ORDERED - SLACK),), "yes"),
        (((6 * HOUR, ORDERED + 6 * HOUR),), "look"),
        (((-40 * HOUR, 32 * HOUR),), "look"),
    ],
)
def test_hours_outside_the_ordered_time_do_not_stand_for_those_inside(
    runs: tuple[tuple[int, int], ...], state: str
) -> None:
    decision = decided(runs)
    assert states(decision)["order"] == state
    if state == "look":
        assert "before the hook-up or after the planned end" in decision.headline


def test_a_short_study_says_what_the_shortfall_is_made_of() -> None:
    decision = decided(((HOUR, 30 * HOUR), (35 * HOUR, 64 * HOUR)))
    assert decision.outcome == "review"
    assert decision.headline == (
        "58:00:00 recorded of 72:00:00 ordered, 14:00:00 short: early stop 8:00:00, "
        "interruptions 5:00:00, late start 1:00:00."
    )


@pytest.mark.parametrize(
    ("usable", "clean", "state", "outcome"),
    [
        (ORDERED, ORDERED * 75 // 100, "yes", "complete"),
        (ORDERED, ORDERED * 75 // 100 - 1, "look", "review"),
        (ORDERED, 0, "look", "review"),
        (ORDERED * 75 // 100 - 1, 0, "look", "review"),
        (ORDERED // 2, 0, "look", "review"),
        (ORDERED // 2 - 1, 0, "no", "repeat"),
    ],
)
def test_artifact_is_looked_at_and_loss_is_a_repeat(
    usable: int, clean: int, state: str, outcome: str
) -> None:
    decision = decided(usable=usable, clean=clean)
    assert (states(decision)["readable"], decision.outcome) == (state, outcome)
    if state != "yes":
        assert decision.answers[1].text in decision.headline


def test_artifact_that_a_finding_names_is_the_headline() -> None:
    hum = Finding(
        "mains_hum", "caution", "", "Long text.", question="readable",
        headline="60 Hz artifact on 19 of 19 channels for 2:30:00",
    )  # fmt: skip
    decision = decided(clean=0, findings=(hum,))
    assert decision.headline.startswith("60 Hz artifact on 19 of 19 channels for 2:30:00; ")


@pytest.mark.parametrize(
    ("length", "clean", "state"),
    [
        (8 * HOUR, 0, "look"),
        (8 * HOUR, 48 * MINUTE - 1, "look"),
        (8 * HOUR, 48 * MINUTE, "yes"),
        (HOUR, 0, "yes"),  # the take-down fell into it
    ],
)
def test_a_night_without_eeg_is_looked_at(length: int, clean: int, state: str) -> None:
    night = NightFacts(10 * HOUR, 10 * HOUR + length, length, length, clean)
    decision = decided(nights=(night,))
    assert states(decision)["readable"] == state
    if state == "look":
        assert decision.headline == "1 night of 1 without EEG to read: Thu 1 Jan 1970."


def test_labels_that_are_not_known_do_not_call_the_patient_back() -> None:
    decision = decided(usable=0, channels=7)
    assert decision.outcome == "review"
    assert decision.headline == "7 EEG channels in the files, 8 needed."


def test_samples_that_were_not_looked_at_are_never_complete() -> None:
    decision = decided(scanned=False)
    assert states(decision)["readable"] == "unknown"
    assert decision.outcome == "review"


def test_a_minimum_that_is_not_met_is_a_no_and_no_repeat() -> None:
    decision = decided(2 * HOUR - MINUTE, ordered=2 * HOUR, minimum=UNMET)
    assert states(decision) == {"order": "yes", "readable": "yes", "billing": "no", "files": "yes"}
    assert decision.outcome == "review"
    assert decision.headline == "1:00 under the 2-hour minimum."


def test_a_policy_without_codes_has_no_minimum_to_meet() -> None:
    assert decided(minimum=None).outcome == "complete"


@pytest.mark.parametrize("question", QUESTIONS)
def test_a_finding_that_bears_on_an_answer_turns_it_from_yes_to_look(question: Question) -> None:
    one = Finding(
        "other_files", "info", "", "A long text.", question=question, headline="17.edf is missing"
    )
    decision = decided(findings=(one,))
    assert states(decision)[question] == "look"
    assert decision.outcome == "review"
    assert decision.headline == "17.edf is missing."
    assert decision.reasons[0].code == "other_files"


def test_a_problem_puts_the_files_in_doubt() -> None:
    lost = finding("onsets_drift", severity="problem", drift=1, each=1, step=1, exact=1, small=1)
    assert (lost.question, finding("no_time_zone").question) == ("files", None)
    decision = decided(findings=(DOUBT,))
    assert states(decision)["files"] == "look"
    assert "Two readings" in decision.headline


def test_cautions_that_bear_on_nothing_are_a_note_beside_yes() -> None:
    note = Finding("never_closed", "caution", "b.edf", "b.edf was never closed.")
    decision = decided(findings=(note,))
    assert decision.outcome == "complete"
    assert "note: " in text(decision, "files")


def test_no_patient_is_called_back_while_the_files_are_in_doubt() -> None:
    decision = decided(ORDERED // 2, findings=(DOUBT,))
    assert states(decision)["order"] == "no"
    assert decision.outcome == "review"
    assert "another interpretation of the same files gives 70:00:00" in decision.headline
    assert "Before a repeat: " in decision.headline


def test_files_of_nobody_known_are_a_no_and_the_headline() -> None:
    stranger = Finding(
        "patient_code_not_found", "problem", "", "None carries P-2041.", question="files"
    )
    decision = decided(ORDERED // 2, findings=(stranger,))
    assert states(decision)["files"] == "no"
    assert decision.outcome == "review"
    assert decision.headline.startswith("None carries P-2041.")


def test_without_an_order_a_person_must_look() -> None:
    signal = SignalFacts(True, 8, ORDERED, ORDERED, 8, eeg(8))
    decision = decide(
        STUDY, covered((0, ORDERED)), None, None, signal, (), None, (), SETTINGS, SLACK
    )
    assert states(decision) == {
        "order": "unknown", "readable": "yes", "billing": "unknown", "files": "yes",
    }  # fmt: skip
    assert decision.outcome == "review"
    assert decision.needed_ns is None
    assert decision.headline.startswith("No order was given: 72:00:00 recorded")


def test_a_study_that_goes_on_says_what_is_there_and_what_is_to_come() -> None:
    there = 24 * HOUR - 20 * MINUTE
    decision = decided(there, so_far=True, minimum=UNMET)
    assert decision.outcome == "so_far"
    assert [r.code for r in decision.reasons] == ["study_goes_on", "study_goes_on"]
    assert "23:40:00 recorded of 72:00:00 ordered so far, 48:20:00 to come" in decision.headline
    assert states(decision)["readable"] == "yes"
    assert "no" not in states(decision).values()


def test_a_study_that_goes_on_still_says_what_must_be_looked_at() -> None:
    decision = decided(10 * HOUR, usable=HOUR, so_far=True)
    assert decision.outcome == "so_far"
    assert states(decision)["readable"] == "no"
    assert decision.headline.endswith("Also to look at: readable.")


def test_the_hours_still_needed_are_the_shortfall_and_none_beside_complete() -> None:
    assert decided(60 * HOUR).needed_ns == 12 * HOUR
    assert decided(70 * HOUR).needed_ns == 0
    assert decided(80 * HOUR).needed_ns == 0


def test_the_headline_never_shows_a_short_study_as_full() -> None:
    headline = decided(ORDERED - 1).headline
    assert "71:59:59 recorded of 72:00:00 ordered, 0:00:01 short" in headline


HALF = NS // 2
FULL = {
    "order": ("yes", "72:00:00 recorded of 72:00:00 ordered."),
    "readable": ("yes", "72:00:00 clean of 72:00:00 ordered (at least 8 of 8 EEG channels)."),
    "billing": ("yes", "The ordered units are reached."),
    "files": ("yes", "0 files counted."),
}


def night(day: int, length: int = 8 * HOUR, clean: int | None = 0) -> NightFacts:
    """A night of ``day``, all of it recorded and usable, from 22:00 on."""
    start = day * 24 * HOUR + 22 * HOUR
    return NightFacts(start, start + length, length, length, clean)


@pytest.mark.parametrize(
    ("facts", "code", "expected"),
    [
        # What is recorded or clean rounds down to the second, what is missing rounds up.
        (
            {"recorded": 54 * HOUR - HALF, "usable": ORDERED},
            "below_minimum_share",
            {"order": ("no", "53:59:59 recorded of 72:00:00 ordered, under 75 %: early stop "
                             "18:00:01.")},
        ),
        (
            {"recorded": 60 * HOUR + HALF, "usable": ORDERED},
            "below_tolerance",
            {"order": ("look", "60:00:00 recorded of 72:00:00 ordered, 12:00:00 short: early stop "
                               "12:00:00.")},
        ),
        (
            {"recorded": ((1, 30 * HOUR), (30 * HOUR + HALF, 60 * HOUR)), "usable": ORDERED},
            "below_tolerance",
            {"order": ("look", "59:59:59 recorded of 72:00:00 ordered, 12:00:01 short: early stop "
                               "12:00:00, dropouts 0:00:01, late start 0:00:01.")},
        ),
        (
            {"recorded": ((6 * HOUR - HALF, 78 * HOUR - HALF),)},
            "outside_ordered_time",
            {"order": ("look", "72:00:00 recorded of 72:00:00 ordered, but 6:00:00 of it before "
                               "the hook-up or after the planned end.")},
        ),
        (
            {"usable": 36 * HOUR - HALF},
            "usable_below_minimum",
            {"readable": ("no", "35:59:59 usable of 72:00:00 ordered, under 50 % (signal on at "
                                "least 8 of 8 EEG channels).")},
        ),
        (
            {"usable": 54 * HOUR - 1, "clean": 0},
            "usable_below_share",
            {"readable": ("look", "53:59:59 usable of 72:00:00 ordered (signal on at least 8 of 8 "
                                  "EEG channels).")},
        ),
        (
            {"usable": 54 * HOUR, "clean": 50 * HOUR},
            "clean_below_share",
            {"readable": ("look", "50:00:00 clean of 72:00:00 ordered, 54:00:00 usable: artifact.")},
        ),
        (
            {"channels": 7},
            "few_eeg_channels",
            {"readable": ("look", "7 EEG channels in the files, 8 needed.")},
        ),
        (
            {"nights": (night(0), night(1), night(2), night(3, clean=HOUR))},
            "night_lost",
            {"readable": ("look", "3 nights of 4 without EEG to read: Thu 1 Jan 1970, Fri 2 Jan "
                                  "1970.")},
        ),
        (
            {"scanned": False},
            "signal_not_looked_at",
            {"readable": ("unknown", "The samples were not looked at: how much EEG can be read is "
                                     "not known.")},
        ),
        (
            {"minimum": UNMET},
            "minimum_not_met",
            {"billing": ("no", "1:00 under the 2-hour minimum.")},
        ),
        (
            {"minimum": None},
            "covers_the_order",
            {"billing": ("yes", "This policy has no codes: no minimum to meet.")},
        ),
        ({}, "covers_the_order", {}),
        # While the study goes on, what is there is the measure; at its full time it is as any other.
        (
            {"recorded": 24 * HOUR - 20 * MINUTE - HALF, "so_far": True, "minimum": UNMET},
            "study_goes_on",
            {
                "order": ("unknown", "23:39:59 recorded of 72:00:00 ordered so far, 48:20:01 to "
                                     "come."),
                "readable": ("yes", "23:39:59 clean of 23:39:59 recorded so far (at least 8 of 8 "
                                    "EEG channels)."),
                "billing": ("unknown", "So far 1:00 under the 2-hour minimum."),
            },
        ),
        ({"so_far": True}, "covers_the_order", {}),
    ],
)  # fmt: skip
def test_each_answer_gives_its_reason_with_the_figure(
    facts: dict[str, Any], code: str, expected: dict[str, tuple[str, str]]
) -> None:
    decision = decided(**facts)
    answers = {a.question: (a.state, a.text) for a in decision.answers}
    assert answers == FULL | expected
    assert decision.reasons[0].code == code
    question = decision.reasons[0].question
    assert decision.headline == answers[question][1]
    assert f"{decision.reasons[0].text}." in (answers[question][1], f"{answers[question][1]}.")


def test_without_an_order_what_is_there_is_said_and_what_cannot_be() -> None:
    signal = SignalFacts(True, 8, ORDERED, ORDERED, 8, eeg(8))
    decision = decide(
        STUDY, covered((0, ORDERED)), None, None, signal, (), None, (), SETTINGS, SLACK
    )
    assert [a.text for a in decision.answers] == [
        "No order was given: 72:00:00 recorded, and nothing to compare it with.",
        "72:00:00 clean of 72:00:00 recorded (at least 8 of 8 EEG channels).",
        "No order was given: no minimum to compare with.",
        "0 files counted.",
    ]
    assert [(r.code, r.question) for r in decision.reasons] == [
        ("no_order", "order"), ("no_order", "billing"),
    ]  # fmt: skip
    assert decision.headline == f"{decision.answers[0].text} Also to look at: billing."


def test_a_margin_is_said_below_one_percent_of_the_order() -> None:
    # 5 % of 72 h may be missing: 68:24:00 is the least, and 1 % is 0:43:12.
    least, percent = 68 * HOUR + 24 * MINUTE, 43 * MINUTE + 12 * NS
    assert decided(least + percent).headline == (
        "69:07:12 recorded of 72:00:00 ordered, 2:52:48 short, within 5 %."
    )
    assert decided(least + percent - 1).headline.endswith("within 5 % by 0:43:11.")


@pytest.mark.parametrize(("other", "told"), [(54 * HOUR, True), (54 * HOUR - 1, False)])
def test_another_interpretation_is_told_where_it_reaches_the_minimum(
    other: int, told: bool
) -> None:
    doubt = replace(DOUBT, other_recorded_ns=other)
    assert text(decided(48 * HOUR, findings=(doubt,)), "order") == (
        "48:00:00 recorded of 72:00:00 ordered, under 75 %: early stop 24:00:00"
        + ("; another interpretation of the same files gives 54:00:00." if told else ".")
    )


@pytest.mark.parametrize(
    ("of", "state"),
    [
        (night(0, 4 * HOUR), "look"),
        (night(0, 4 * HOUR - 1), "yes"),
        (replace(night(0, clean=None), usable_ns=0), "look"),
        (night(0, clean=None), "yes"),  # all of it usable
        (replace(night(0, clean=None), usable_ns=None), "yes"),  # not known
    ],
)
def test_a_night_of_four_hours_or_more_can_be_lost(of: NightFacts, state: str) -> None:
    assert states(decided(nights=(of,)))["readable"] == state


def seen(code: Any, question: Question | None, headline: str, **more: Any) -> Finding:
    return Finding(code, more.pop("severity", "info"), "", "Text.", question=question,
                   headline=headline, **more)  # fmt: skip


def test_an_answer_shows_two_reasons_and_counts_the_others() -> None:
    every = (
        seen("other_files", "files", "first of all."),
        seen("never_closed", "files", "b.edf was cut"),
        seen("card_not_cleared", "files", "a third"),
        seen("empty_file", "files", "a fourth"),
    )
    assert text(decided(findings=every[:2]), "files") == "First of all; b.edf was cut."
    assert text(decided(findings=every), "files") == "First of all; b.edf was cut; and 2 more."
    assert decided(findings=every[1:2]).headline == "b.edf was cut."


def test_a_reason_names_its_file_unless_its_sentence_does() -> None:
    named = seen("never_closed", "files", "b.edf was cut", file="b.edf")
    other = seen("never_closed", "files", "it was cut", file="b.edf")
    assert text(decided(findings=(named,)), "files") == "b.edf was cut."
    decision = decided(findings=(other,))
    assert text(decision, "files") == "b.edf: it was cut."
    assert [(r.text, r.question) for r in decision.reasons] == [("b.edf: it was cut", "files")]


def test_lost_time_comes_before_what_a_finding_says_and_after_it_where_nothing_is_lost() -> None:
    def order(recorded: int) -> str:
        note = seen("other_files", "order", "a late start")
        return text(decided(recorded, usable=ORDERED, findings=(note,)), "order")

    assert order(36 * HOUR).endswith("early stop 36:00:00; a late start.")
    assert order(60 * HOUR).startswith("A late start; 60:00:00 recorded")
    unknown = decided(scanned=False, findings=(seen("mains_hum", "readable", "mains artifact"),))
    assert text(unknown, "readable").endswith("is not known; mains artifact.")


def test_hours_that_are_missing_come_before_what_they_do_to_the_codes() -> None:
    decision = decided(60 * HOUR, usable=53 * HOUR, minimum=UNMET)
    assert [r.question for r in decision.reasons] == ["order", "readable", "billing"]
    assert decision.headline == (f"{decision.answers[0].text} Also to look at: readable, billing.")


def test_eeg_that_cannot_be_read_waits_for_the_files_to_be_settled() -> None:
    decision = decided(usable=10 * HOUR, findings=(DOUBT,))
    assert decision.outcome == "review"
    readable = text(decision, "readable")
    assert decision.headline == f"{readable} Before a repeat: Two readings."


def test_files_are_counted_and_cautions_about_them_noted() -> None:
    def files(case: Case, *findings: Finding) -> str:
        signal = SignalFacts(True, 8, ORDERED, ORDERED, 8, eeg(8))
        decision = decide(case.study(), covered((0, ORDERED)), None, None, signal, (), None,
                          findings, SETTINGS, SLACK)  # fmt: skip
        return text(decision, "files")

    one = Case([piece("a.edf", (0, 72))])
    assert files(one) == "1 file counted."
    some = Case(
        [piece("a.edf", (0, 40)), piece("b.edf", (40, 72))],
        aside=[aside("c.edf", 80, 81)], unreadable=[unreadable("d.edf"), unreadable("e.edf")],
    )  # fmt: skip
    assert files(some) == "2 of 5 files counted."
    card = seen("card_not_cleared", None, "", severity="caution")
    closed = seen("never_closed", None, "", severity="caution")
    inputs = seen("other_files", None, "", severity="caution")
    of_billing = seen("band_below_order", None, "", severity="caution")
    minor = seen("empty_file", None, "")
    card_note = "note: Files of an earlier recording were still on the card"
    assert files(one, of_billing, minor, card) == f"1 file counted; {card_note}."
    assert files(one, card, minor, closed) == f"1 file counted; {card_note} (and 1 more)."
    assert files(one, card, closed, inputs) == f"1 file counted; {card_note} (and 2 more)."
    assert files(one, closed, card) == (
        "1 file counted; note: Never closed: the record count is still -1, as while recording "
        "(and 1 more)."
    )


times = st.integers(min_value=1, max_value=100 * HOUR)


@settings(deadline=None)
@given(
    recorded=times,
    usable=times,
    clean=times,
    met=st.booleans(),
    scanned=st.booleans(),
    so_far=st.booleans(),
    marks=st.lists(
        st.tuples(
            st.sampled_from([None, *get_args(Question)]),
            st.sampled_from(["info", "caution", "problem"]),
            st.sampled_from(["other_files", "mains_hum", "patient_code_not_found"]),
        ),
        max_size=3,
    ),
)
def test_complete_is_four_yes_and_a_repeat_a_plain_no_whatever_the_facts(
    recorded: int, usable: int, clean: int, met: bool, scanned: bool, so_far: bool,
    marks: list[tuple[Question | None, str, str]],
) -> None:  # fmt: skip
    usable = min(usable, recorded)
    findings = tuple(
        Finding(
            c,
            s,
            "a.edf",
            f"Text of {c}.",  # type: ignore[arg-type]
            question=q or ("files" if s == "problem" else None),
        )
        for q, s, c in marks
    )
    decision = decided(
        recorded, usable=usable, clean=min(clean, usable), scanned=scanned, so_far=so_far,
        minimum=MET if met else UNMET, findings=findings,
    )  # fmt: skip
    every = states(decision)
    assert tuple(every) == QUESTIONS
    four_yes = set(every.values()) == {"yes"}
    must_act = any(f.question for f in findings)
    assert not (four_yes and must_act)
    assert (decision.outcome == "complete") == (four_yes and not so_far)
    repeat = "no" in (every["order"], every["readable"]) and every["files"] == "yes"
    assert (decision.outcome == "repeat") == (repeat and not so_far)
    assert (decision.outcome == "so_far") == so_far
    if decision.outcome == "complete":
        assert decision.needed_ns == 0
    else:
        assert decision.reasons[0].code != "covers_the_order" or so_far
    deciding = {a.text for a in decision.answers if a.state != "yes"}
    if four_yes or so_far:
        deciding = {decision.answers[0].text}
    assert any(decision.headline.startswith(told) for told in deciding)
