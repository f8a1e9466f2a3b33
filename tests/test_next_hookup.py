"""Advice for the next hook-up: only from this study's evidence, each tied to it."""

from __future__ import annotations

import pytest
from helpers_stop import Case, aside, batteries, channel, note, piece, scanned, unreadable
from msgspec.structs import replace

from auditor.model import Advice, Finding


def advice(case: Case, *findings: Finding) -> tuple[Advice, ...]:
    return replace(case, findings=(*case.findings, *findings)).advice()


def only(case: Case, *findings: Finding) -> Advice:
    (found,) = advice(case, *findings)
    return found


WHOLE = [piece("a.edf", (0, 48))]


def test_a_study_without_trouble_asks_for_nothing() -> None:
    fine = scanned(*(channel(e) for e in ("C3", "C4")))
    assert advice(Case(WHOLE, 48, power=batteries(), signal=fine)) == ()


@pytest.mark.parametrize(
    ("case", "words", "evidence"),
    [
        (Case(WHOLE, 48, unreadable=[unreadable("b.edf")]), "copy it again", "b.edf"),
        (Case([piece("a.edf", (0, 30), claims=3600)]), "copy it again", "3600 records in its header"),
        (Case([piece("a.edf", (0, 30))], notes=[note(30, "Card full")]), "larger card", "Card full"),
        (Case([piece("a.edf", (0, 30), size=4 * 1024**3 - 1)]), "begin a new file", "4 GiB"),
        (Case([piece("a.edf", (0, 30))], notes=[note(30, "Stop button")]), "button alone",
         "Stop button"),
        (Case([piece("a.edf", (0, 30))], notes=[note(30, "Write error")]), "checked", "Write error"),
        (Case([piece("a.edf", (0, 30))], notes=[note(30, "Low battery")]), "Have every battery full",
         "Low battery"),
        (Case([piece("a.edf", (0, 48), (49, 60))], 60, notes=[note(48, "Clock adjusted")],
              zone="America/Denver"),
         "Set the recorder's clock", "Clock adjusted"),
    ],
)  # fmt: skip
def test_each_trouble_asks_for_its_own_change(case: Case, words: str, evidence: str) -> None:
    found = only(case)
    assert words in found.text
    assert evidence in found.evidence


def test_a_file_never_closed_asks_to_end_the_recording_properly() -> None:
    texts = [a.text for a in advice(Case([piece("a.edf", (0, 48), closed=False)], 48))]
    assert any("wait until it has closed its file" in t for t in texts)


def test_a_plan_that_does_not_last_names_what_would() -> None:
    case = Case([piece("a.edf", (0, 71))], 96, [note(71, "Battery empty")], batteries())
    full, plan = advice(case)
    assert full.text.startswith("Have every battery full")
    assert plan.text.startswith("Plan more power. ")
    assert "96 h was ordered" in plan.evidence


def test_a_plan_that_only_fits_asks_for_nothing() -> None:
    assert advice(Case([piece("a.edf", (0, 71))], 96, power=batteries())) == ()


def test_batteries_that_should_have_lasted_are_to_be_tested() -> None:
    case = Case([piece("a.edf", (0, 35.5))], 48, [note(35.4, "Battery 2 %")], batteries())
    texts = [a.text for a in advice(case)]
    assert texts[0].startswith("Have every battery full")
    assert "Have the batteries tested, or add an external supply." in texts


def test_changes_of_file_by_schedule_are_counted() -> None:
    files = [piece(f"r{i}.edf", (4 * i, 4 * i + 4 - 300 / 3600)) for i in range(5)]
    found = only(Case(files, 20 - 300 / 3600))
    assert found.text == "Set the recorder to begin new files less often, if it can."
    assert found.evidence == "4 changes of file cost 20 min of recording."


def test_changes_of_file_that_cost_seconds_are_no_matter() -> None:
    files = [piece(f"r{i}.edf", (4 * i, 4 * i + 4 - 3 / 3600)) for i in range(5)]
    assert advice(Case(files, 20 - 3 / 3600)) == ()


LEFT_OVER = Finding(
    "card_not_cleared", "caution", "S-2041", "The card was not cleared.", observed="old.edf"
)


def test_files_left_on_the_card_ask_to_clear_it() -> None:
    found = only(Case(WHOLE, 48, aside=[aside("old.edf", -90, -80)]), LEFT_OVER)
    assert found.text == "Clear the card before hook-up, after its files are backed up."
    assert found.evidence == "The card was not cleared. They are: old.edf."


def test_a_copy_that_could_not_be_matched_is_no_reason_to_clear_the_card() -> None:
    seen = Finding("copy_not_matched", "problem", "pc", "The copy could not be matched.")
    assert advice(Case(WHOLE, 48, aside=[aside("pc/a.edf", 0, 48)]), seen) == ()


@pytest.mark.parametrize("code", ["clock_never_set", "default_date", "start_disagrees_with_hookup",
                                  "daylight_saving_not_followed", "overlapping_recordings"])  # fmt: skip
def test_a_clock_finding_asks_to_set_the_clock(code: str) -> None:
    seen = Finding(code, "caution", "a.edf", "The clock began at its default date.")
    found = only(Case(WHOLE, 48), seen)
    assert found.text == "Set the recorder's clock at hook-up and check the date and the hour."
    assert found.evidence == "The clock began at its default date."


def test_which_copys_clock_is_used_asks_for_nothing() -> None:
    info = Finding("reference_clock", "info", "a.edf", "The card's clock is the time line.")
    assert advice(Case(WHOLE, 48), info) == ()


def test_an_hour_between_files_asks_for_the_time_zone() -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (21, 48))], 48)
    assert advice(case) == ()  # one hour alone is a coincidence
    step = Finding("hour_step", "caution", "b.edf", "A hole of exactly an hour.")
    texts = [a.text for a in advice(case, step)]
    assert "Name the time zone in the order file." in texts


def test_a_gap_of_which_little_is_known_asks_for_no_change_of_habits() -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20.1, 48))], 48)
    assert case.gaps()[0].rank == "coincidence"
    assert advice(case) == ()


def test_lost_electrodes_are_named_with_the_hour_of_their_loss() -> None:
    signal = scanned(channel("T8", lost_h=30), channel("O2", lost_h=20), channel("C3"))
    found = only(Case(WHOLE, 48, signal=signal))
    assert found.text == "Re-prepare and secure O2, T8."
    assert "O2 was off from Wed 3 Mar 2027 05:30:00 to the end" in found.evidence


def test_electrodes_taken_off_at_the_end_need_no_better_preparation() -> None:
    signal = scanned(channel("T8", lost_h=47.5), channel("C3"))
    assert advice(Case(WHOLE, 48, signal=signal)) == ()


def test_electrodes_lost_just_before_an_early_stop_are_to_be_secured() -> None:
    signal = scanned(channel("T8", lost_h=47.5), channel("C3"))
    found = only(Case(WHOLE, 72, signal=signal))
    assert found.text == "Re-prepare and secure T8."


def test_a_channel_that_is_no_eeg_is_not_advised_on() -> None:
    assert advice(Case(WHOLE, 48, signal=scanned(channel(None, lost_h=1)))) == ()


def test_an_electrode_that_never_gave_a_signal_is_to_be_checked() -> None:
    # Even where it carried hum all the time: with no contact its impedance is not the question.
    signal = scanned(channel("Fz", lost_h=0, signal_h=0, mains_h=48), channel("C3"))
    found = only(Case(WHOLE, 48, signal=signal))
    assert found.text == "Check electrode and lead of Fz before the start."


def test_hum_in_more_than_a_quarter_of_the_time_asks_for_impedance() -> None:
    assert advice(Case(WHOLE, 48, signal=scanned(channel("C3", mains_h=12)))) == ()
    found = only(Case(WHOLE, 48, signal=scanned(channel("C3", mains_h=12.5), channel("C4"))))
    assert found.text == "Lower the impedance of C3 and check the ground."
    assert "12 h 30 min of 48 h" in found.evidence


def test_an_electrode_has_the_labs_own_label() -> None:
    old = replace(channel("T7", lost_h=30), label="EEG T3-Ref")
    pair = replace(channel("Fpz-Cz", lost_h=31), label="EEG Fpz-Cz")
    found = only(Case(WHOLE, 48, signal=scanned(old, pair, channel("C3"))))
    assert found.text == "Re-prepare and secure T3, Fpz-Cz."
    assert found.evidence.startswith("T3 was off from Wed 3 Mar 2027 15:30:00 to the end; Fpz-Cz")


def test_many_gaps_of_one_cause_give_one_advice() -> None:
    files = [piece(f"{c}.edf", (i * i, (i + 1) ** 2 - 0.1)) for i, c in enumerate("abcd")]
    found = advice(Case(files, 15.9, [note(at, "Battery low") for at in (1, 4, 9)]))
    full = [a for a in found if a.text.startswith("Have every battery full")]
    assert len(full) == 1
    assert full[0].evidence.endswith("The same at 2 more interruptions.")


def test_long_lists_of_names_are_cut_and_hostile_ones_shown_harmless() -> None:
    names = [f"old{i}\x1b.edf" for i in range(30)]
    found = only(Case(WHOLE, 48, unreadable=[unreadable(n) for n in names]))
    assert found.evidence.endswith("and 22 more.")
    assert "\x1b" not in found.evidence


def test_every_advice_of_a_study_with_every_trouble_is_tied_to_its_evidence() -> None:
    case = Case(
        [piece("r1.edf", (0, 20)), piece("r3.edf", (20.1, 71), closed=False)],
        96,
        [note(20, "Supply low"), note(70.9, "Battery 3 %")],
        batteries(),
        scanned(channel("T8", lost_h=30, hours=70)),
        aside=[aside("old.edf", -90, -80)],
        unreadable=[unreadable("r2.edf")],
    )
    found = advice(case, LEFT_OVER, Finding("default_date", "problem", "a", "The clock was reset."))
    assert len(found) >= 6
    assert len({a.text for a in found}) == len(found)
    assert all(a.evidence and a.text.endswith(".") for a in found)
