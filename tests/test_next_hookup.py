"""Advice for the next hook-up: only from this study's evidence, each tied to it."""

from __future__ import annotations

import pytest
from helpers_stop import Case, aside, batteries, channel, note, piece, scanned, unreadable
from msgspec.structs import replace

from auditor.model import Advice, Finding


def advice(case: Case, *findings: Finding) -> tuple[Advice, ...]:
    """What is advised; each advice and what shows the need are sentences of their own."""
    given = replace(case, findings=(*case.findings, *findings)).advice()
    for text in (words for one in given for words in (one.text, one.evidence)):
        assert text.endswith("."), text
        assert "  " not in text
    return given


def only(case: Case, *findings: Finding) -> Advice:
    (found,) = advice(case, *findings)
    return found


WHOLE = [piece("a.edf", (0, 48))]
SHORT = [piece("a.edf", (0, 30))]
S = 1 / 3600  # a second, in hours


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


COPY = "Before the card is cleared, copy it again and compare the sizes of all files."
BUTTON = (
    "Tell the patient and the caregivers to leave the recorder's button alone, what to do when a "
    "lead or a plug comes loose, and whom to call."
)
CLOSING = (
    "End the recording on the recorder and wait until it has closed its file before the card or "
    "the batteries are taken out."
)


@pytest.mark.parametrize(
    ("case", "text"),
    [
        (Case(SHORT, notes=[note(30, "Stopped by patient")]), BUTTON),
        (Case(SHORT, notes=[note(30, "Stop button")]), BUTTON),
        (Case(SHORT, notes=[note(30, "Stopped by technologist")]),
         "Take the recorder down at the planned end, or have the order changed before."),
        (Case(SHORT, notes=[note(30, "Batteries removed")]),
         "After a change of batteries, look whether the recorder records again."),
        (Case([piece("a.edf", (0, 30), claims=3600)]), COPY),
        (Case([piece(f"{c}.edf", (4 * i, 4 * i + 4)) for i, c in enumerate("abcdefg")
               if c not in "de"], 28), COPY),
        (Case([piece("r1.edf", (0, 20))], unreadable=[unreadable("r2.edf")]), COPY),
        (Case(SHORT, notes=[note(30, "Battery low")]),
         "Have every battery full at hook-up and check what is shown."),
        (Case(SHORT, notes=[note(30, "External supply unplugged")]),
         "Secure the cable of the supply, and fit charged batteries that carry the recording on "
         "when it is pulled."),
        (Case(SHORT, notes=[note(30, "Card full")]),
         "Use a larger card, or clear it before hook-up once its files are safe."),
        (Case([piece("a.edf", (0, 30), size=4 * 1024**3 - 1)]),
         "Set the recorder to begin a new file well before the limit."),
        (Case(SHORT, notes=[note(30, "Head box unplugged")]),
         "Secure the electrode leads and their plug against a pull."),
        (Case(SHORT, notes=[note(30, "Clock corrected")]),
         "Set the recorder's clock at hook-up and check the date and the hour."),
        (Case(SHORT, notes=[note(30, "Write error")]),
         "Have the recorder and its card checked before the next study."),
        (Case([piece("a.edf", (0, 30), closed=False)]), CLOSING),
    ],
)  # fmt: skip
def test_each_cause_of_an_early_end_asks_for_one_change(case: Case, text: str) -> None:
    assert only(case).text == text


@pytest.mark.parametrize("text", ["Stop button", "Stopped by technologist", "Batteries removed"])
def test_who_ended_a_recording_without_a_planned_end_is_no_trouble(text: str) -> None:
    assert advice(Case(SHORT, None, [note(30, text)])) == ()


def test_a_technologist_who_ended_it_for_a_reason_that_is_shown_is_told_nothing() -> None:
    notes = [note(29.95, "Battery low"), note(30, "Stopped by technologist")]
    assert [a.text for a in advice(Case(SHORT, notes=notes))] == [
        "Have every battery full at hook-up and check what is shown."
    ]


def test_a_file_never_closed_asks_to_end_the_recording_properly() -> None:
    found = only(Case([piece("a.edf", (0, 48), closed=False)], 48))
    assert (found.text, found.evidence) == (CLOSING, "Never closed: a.edf.")


def test_a_file_never_closed_for_want_of_power_was_in_nobodys_hands() -> None:
    never = [piece("a.edf", (0, 30), closed=False)]
    assert only(Case(never, notes=[note(30, "Battery empty")])).text.startswith("Have every batt")


def test_a_plan_that_does_not_last_names_what_would() -> None:
    case = Case([piece("a.edf", (0, 71))], 96, [note(71, "Battery empty")], batteries())
    full, plan = advice(case)
    assert full.text.startswith("Have every battery full")
    assert plan.text == "Plan more power. 1 full spare battery to change to: about 108 h."
    assert plan.evidence == ("By the lab's figures the set-up lasts about 72 h; 96 h was ordered.")
    # Two batteries of 36 h at half their charge last 36 h; full ones 72 h, and one spare 72 h.
    half = replace(batteries(), charges_ppm=(500_000, 500_000))
    _, plan = advice(Case([piece("a.edf", (0, 36))], 60, [note(36, "Battery empty")], half))
    assert plan.text == (
        "Plan more power. The same batteries, all charged fully: about 72 h. Or: 1 full spare "
        "battery to change to: about 72 h."
    )


def test_a_plan_that_only_fits_asks_for_nothing() -> None:
    assert advice(Case([piece("a.edf", (0, 71))], 96, power=batteries())) == ()


def test_batteries_that_should_have_lasted_are_to_be_tested() -> None:
    case = Case([piece("a.edf", (0, 35.5))], 48, [note(35.4, "Battery 2 %")], batteries())
    full, tested = advice(case)
    assert full.text.startswith("Have every battery full")
    assert tested.text == "Have the batteries tested, or add an external supply."
    assert tested.evidence == (
        "By the lab's figures the set-up lasts the ordered time, yet power is the likely cause."
    )


def test_changes_of_file_by_schedule_are_counted() -> None:
    files = [piece(f"r{i}.edf", (4 * i, 4 * i + 4 - 300 / 3600)) for i in range(5)]
    found = only(Case(files, 20 - 300 / 3600))
    assert found.text == "Set the recorder to begin new files less often, if it can."
    assert found.evidence == "4 changes of file cost 20 min of recording."


@pytest.mark.parametrize(
    ("each_s", "told"),
    [
        (3, None),
        (149, None),  # four of them: 9 min 56 s
        (150, "4 changes of file cost 10 min of recording."),
        (150.3, "4 changes of file cost 10 min 2 s of recording."),  # 601.2 s, rounded up
    ],
)
def test_changes_of_file_cost_too_much_from_ten_minutes_on(each_s: float, told: str | None) -> None:
    files = [piece(f"r{i}.edf", (4 * i, 4 * i + 4 - each_s * S)) for i in range(5)]
    assert [a.evidence for a in advice(Case(files, 20 - each_s * S))] == ([told] if told else [])


def test_only_what_the_schedule_costs_counts_for_it() -> None:
    # Three changes of 199 s make 9 min 57 s; the fourth interruption is not the schedule's.
    files = [piece(f"r{i}.edf", (4 * i, 4 * i + 4 - 199 * S)) for i in range(5)]
    said = [note(8 - 199 * S, "Battery low")]
    assert [a.text for a in advice(Case(files, 20 - 199 * S, said))] == [
        "Have every battery full at hook-up and check what is shown."
    ]


@pytest.mark.parametrize(
    ("late_s", "told"),
    [
        (599, None),
        (600, "The recording began 10 min after the hook-up."),
        (600.4, "The recording began 10 min 1 s after the hook-up."),
    ],
)
def test_a_start_ten_minutes_after_the_hook_up_is_late(late_s: float, told: str | None) -> None:
    found = advice(Case([piece("a.edf", (late_s * S, 48))], 48))
    assert [a.evidence for a in found] == ([told] if told else [])
    assert {a.text for a in found} <= {
        "Start the recording and see that it runs before the patient leaves."
    }


def test_nothing_is_advised_while_a_study_goes_on() -> None:
    trouble = Case(SHORT, unreadable=[unreadable("b.edf")])
    assert len(advice(trouble)) == 1
    assert advice(replace(trouble, still_recording=True)) == ()


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
                                  "daylight_saving_not_followed", "overlapping_recordings",
                                  "overlap_inside_file", "clock_may_have_stepped",
                                  "date_may_be_wrong"])  # fmt: skip
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
    assert advice(replace(case, zone="America/Denver"), step) == ()


def test_a_gap_of_which_little_is_known_asks_for_no_change_of_habits() -> None:
    case = Case([piece("a.edf", (0, 20)), piece("b.edf", (20.1, 48))], 48)
    assert case.gaps()[0].rank == "coincidence"
    assert advice(case) == ()


def test_lost_electrodes_are_named_with_the_hour_of_their_loss() -> None:
    signal = scanned(channel("T8", lost_h=30), channel("O2", lost_h=20), channel("C3"))
    found = only(Case(WHOLE, 48, signal=signal))
    assert found.text == "Re-prepare and secure O2, T8."
    assert found.evidence == (
        "O2 was off from Wed 3 Mar 2027 05:30:00 to the end; T8 was off from "
        "Wed 3 Mar 2027 15:30:00 to the end."
    )


def test_of_many_lost_electrodes_the_first_eight_are_told() -> None:
    names = ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2")
    signal = scanned(*(channel(name, lost_h=20 + i) for i, name in enumerate(names)))
    found = only(Case(WHOLE, 48, signal=signal))
    assert found.text == "Re-prepare and secure Fp1, Fp2, F3, F4, C3, C4, P3, P4 and 2 more."
    assert found.evidence.count(" was off from ") == 8
    assert "P4 was off" in found.evidence


@pytest.mark.parametrize(("before_s", "told"), [(1800, 0), (3600, 0), (3601, 1)])
def test_electrodes_taken_off_at_the_end_need_no_better_preparation(
    before_s: int, told: int
) -> None:
    signal = scanned(channel("T8", lost_h=48 - before_s * S), channel("C3"))
    assert len(advice(Case(WHOLE, 48, signal=signal))) == told


def test_electrodes_lost_just_before_an_early_stop_are_to_be_secured() -> None:
    signal = scanned(channel("T8", lost_h=47.5), channel("C3"))
    found = only(Case(WHOLE, 72, signal=signal))
    assert found.text == "Re-prepare and secure T8."


def test_a_channel_that_is_no_eeg_is_not_advised_on() -> None:
    assert advice(Case(WHOLE, 48, signal=scanned(channel(None, lost_h=1)))) == ()
    unused = channel("Fz", hours=0)  # in another file's header, without a record
    assert advice(Case(WHOLE, 48, signal=scanned(unused, channel("C3")))) == ()


def test_an_electrode_that_never_gave_a_signal_is_to_be_checked() -> None:
    # Even where it carried hum all the time: with no contact its impedance is not the question.
    signal = scanned(channel("Fz", lost_h=0, signal_h=0, mains_h=48), channel("C3"))
    found = only(Case(WHOLE, 48, signal=signal))
    assert found.text == "Check electrode and lead of Fz before the start."
    assert found.evidence == "No signal in the whole recording."


def test_hum_in_more_than_a_quarter_of_the_time_asks_for_impedance() -> None:
    assert advice(Case(WHOLE, 48, signal=scanned(channel("C3", mains_h=12)))) == ()
    found = only(Case(WHOLE, 48, signal=scanned(channel("C3", mains_h=12.5), channel("C4"))))
    assert found.text == "Lower the impedance of C3 and check the ground."
    assert found.evidence == "C3 carried mains artifact for 12 h 30 min of 48 h."
    # Of several the worst is told; one that was lost has other troubles.
    several = scanned(channel("C3", mains_h=20), channel("O1", mains_h=30),
                      channel("T8", mains_h=25, lost_h=30))  # fmt: skip
    lost, mains = advice(Case(WHOLE, 48, signal=several))
    assert lost.text == "Re-prepare and secure T8."
    assert mains.text == "Lower the impedance of C3, O1 and check the ground."
    assert mains.evidence == "O1 carried mains artifact for 30 h of 48 h."


def test_an_electrode_has_the_labs_own_label() -> None:
    old = replace(channel("T7", lost_h=30), label="EEG T3-Ref")
    pair = replace(channel("Fpz-Cz", lost_h=31), label="EEG Fpz-Cz")
    found = only(Case(WHOLE, 48, signal=scanned(old, pair, channel("C3"))))
    assert found.text == "Re-prepare and secure T3, Fpz-Cz."
    assert found.evidence.startswith("T3 was off from Wed 3 Mar 2027 15:30:00 to the end; Fpz-Cz")


@pytest.mark.parametrize(
    ("label", "electrode", "shown"),
    [
        ("EEG T3-Ref", "T7", "T3"),
        ("eeg: t3 - ref", "T7", "t3"),
        ("EEG_T3", "T7", "T3"),
        (" EEGT3 ", "T7", "EEGT3"),
        ("EEG Fpz-Cz", "Fpz-Cz", "Fpz-Cz"),
        ("EEG-", "T7", "EEG-"),  # nothing is left: the whole label says more
    ],
)
def test_a_label_loses_the_kind_of_signal_and_the_reference(
    label: str, electrode: str, shown: str
) -> None:
    signal = scanned(replace(channel(electrode, lost_h=30), label=label), channel("C3"))
    assert only(Case(WHOLE, 48, signal=signal)).text == f"Re-prepare and secure {shown}."


def test_many_gaps_of_one_cause_give_one_advice() -> None:
    files = [piece(f"{c}.edf", (i * i, (i + 1) ** 2 - 0.1)) for i, c in enumerate("abcd")]
    found = advice(Case(files, 15.9, [note(at, "Battery low") for at in (1, 4, 9)]))
    full = [a for a in found if a.text.startswith("Have every battery full")]
    assert len(full) == 1
    assert full[0].evidence == (
        "Near the interruption, the annotation 'Battery low' at Tue 2 Mar 2027 10:30:00 says that "
        "power was low or lost. The same at 2 more interruptions."
    )


def test_a_second_interruption_of_one_cause_is_told_with_the_first() -> None:
    files = [piece("a.edf", (0, 4.9)), piece("b.edf", (5, 14.9)), piece("c.edf", (15, 30))]
    told = (
        "Near the interruption, the annotation 'Battery low' at Tue 2 Mar 2027 14:30:00 says that "
        "power was low or lost."
    )
    assert only(Case(files, 30, [note(5, "Battery low")])).evidence == told
    twice = [note(5, "Battery low"), note(15, "Battery low")]
    assert only(Case(files, 30, twice)).evidence == f"{told} The same at another interruption."
    # What ended the recording comes first, and alone.
    end = only(Case(files, 48, [*twice, note(30, "Battery low")]))
    assert end.evidence.startswith("Near the end, ")
    assert "The same" not in end.evidence


def test_long_lists_of_names_are_cut_and_hostile_ones_shown_harmless() -> None:
    names = [f"old{i}\x1b.edf" for i in range(30)]
    found = only(Case(WHOLE, 48, unreadable=[unreadable(n) for n in names]))
    assert found.evidence.startswith("Not readable: old0")
    assert found.evidence.endswith(".edf and 22 more.")
    assert "\x1b" not in found.evidence
    eight = only(Case(WHOLE, 48, unreadable=[unreadable(f"b{i}.edf") for i in range(8)]))
    assert eight.evidence == f"Not readable: {', '.join(f'b{i}.edf' for i in range(8))}."


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
