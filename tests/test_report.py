"""The HTML page: what it says, what it never says otherwise, and what it never lets in."""

from __future__ import annotations

from decimal import Decimal

import helpers_audit as h
import pytest
from helpers_page import html_of, render, seen, tree_of
from msgspec.structs import replace

from auditor.core.clock import Axis
from auditor.core.durations import exact_seconds, hms
from auditor.core.text import words
from auditor.core.units import HOUR, NS
from auditor.model import Finding, Interval, Reason, Shorter, Stop
from auditor.outputs.html import text
from auditor.outputs.note import chart_note

# What the reader meets first.


@pytest.mark.parametrize(
    ("name", "word"), [("complete", "Complete"), ("normal", "Review"), ("signal_off", "Repeat")]
)
def test_the_first_heading_after_the_title_is_the_verdict(name: str, word: str) -> None:
    audit = h.SCENARIOS[name]()
    headings = tree_of(name).css("h1, h2, h3")
    assert seen(headings[0]) == "Study S-2041"
    assert seen(headings[1]) == f"{word} {audit.decision.headline}"


def test_the_four_answers_stand_below_it_each_with_state_word_sign_and_sentence() -> None:
    rows = tree_of("normal").css(".verdict .answers li")
    assert [seen(row) for row in rows] == [
        "Ordered time recorded? Look 62:13:10 of 72:00:00 recorded.",
        "EEG to read? Yes 61:00:00 clean of 72:00:00 ordered.",
        "Billing minimum met? Look 1 of 38 intervals is 3:00:00, 1:00:00 over.",
        "Files in order? Yes 3 files counted.",
    ]
    signs = [row.css_first("use").attributes["href"] for row in rows]
    assert signs == ["#i-review", "#i-complete", "#i-review", "#i-complete"]


def test_the_hours_say_which_is_which() -> None:
    audit = h.normal()
    figures = seen(tree_of("normal").css_first(".figures"))
    assert audit.shortfall is not None
    assert f"Ordered {hms(72 * HOUR)}" in figures
    assert f"Recorded, whole study {hms(audit.coverage.recorded_ns)}" in figures
    assert "inside" not in figures  # nothing was recorded outside the ordered time
    assert f"Short of the order {hms(audit.shortfall.short_ns, up=True)}" in figures
    assert f"2 interruptions {hms(audit.coverage.gaps_ns, up=True)}" in figures
    assert f"at least 15 of 19 EEG channels with signal {hms(audit.signal.usable_ns)}" in figures
    assert f"free of artifact {hms(audit.signal.clean_ns)}" in figures
    early = h.build({"A": [(h.HOOKUP - HOUR, h.HOOKUP + 71 * HOUR)]})
    said = seen(render(early).css_first(".figures"))
    assert "Recorded, whole study 72:00:00 Recorded inside the ordered time 71:00:00" in said


def test_billing_finds_minimum_codes_checks_video_and_set_up_in_short_lines() -> None:
    lines = [seen(row) for row in tree_of("normal").css(".brief dl > div")]
    assert lines == [
        "Minimum Met 2:13:10 above the 60:00:00 limit (two days and 12 h)",
        "Codes 1 × 95705, 2 × 95708, whole study 95723",
        "Checks 1 of 38 intervals is 3:00:00, 1:00:00 over",
        "Video 90.0 % of the recorded time; at least 80.0 % needed",
        "Set-up 95700 19 EEG channels carried signal; at least 8 are needed.",
    ]


def test_a_minimum_that_is_missed_and_checks_that_suffice_are_said() -> None:
    audit = h.normal()
    assert audit.billing is not None
    assert audit.billing.minimum is not None
    assert audit.monitoring is not None
    minimum = replace(audit.billing.minimum, met=False, text="1:00 under the 2-hour minimum")
    monitoring = replace(
        audit.monitoring, checks=audit.monitoring.checks[:1], lapses=(), supported="intermittent"
    )
    tree = render(
        replace(
            audit, findings=(), monitoring=monitoring,
            billing=replace(audit.billing, minimum=minimum),
        )
    )  # fmt: skip
    lines = [seen(row) for row in tree.css(".brief dl > div")]
    assert lines[0] == "Minimum Not met 1:00 under the 2-hour minimum"
    assert lines[2] == "Checks Intermittent 1 check, at most 3:00:00 without one"
    assert len(tree.css(".brief .is-review")) == 1


def test_what_was_not_ordered_is_no_look() -> None:
    audit = h.normal()
    tree = render(replace(audit, findings=(), monitoring=None, video=None,
                          order=replace(audit.order, video=False)))  # type: ignore[type-var]  # fmt: skip
    lines = [seen(row) for row in tree.css(".brief dl > div")]
    assert lines[2:4] == ["Checks none ordered", "Video none ordered"]
    assert not tree.css(".brief .is-review")


def test_the_chart_note_stands_on_the_first_page_as_it_will_be_pasted() -> None:
    audit = h.normal()
    assert seen(tree_of("normal").css_first(".page-one #note-text")) == chart_note(audit)


def test_a_study_that_goes_on_says_what_is_still_to_come() -> None:
    audit = h.build({"A": [(h.HOOKUP, h.HOOKUP + 24 * HOUR)]})
    decision = replace(audit.decision, outcome="so_far", headline="24:00:00 of 72:00:00")
    tree = render(replace(audit, decision=decision, stop=Stop("so_far")))
    assert seen(tree.css_first("#verdict")) == "So far 24:00:00 of 72:00:00"
    figures = seen(tree.css_first(".figures"))
    assert "Still to come 48:00:00" in figures
    assert "Short of the order" not in figures
    assert "The study goes on" in seen(tree)
    assert "Still to come" in seen(tree.css_first("#parts"))


def test_each_reason_is_said_once() -> None:
    audit = h.everything()
    tree = tree_of("everything")
    for reason in audit.decision.reasons:
        assert seen(tree).count(reason.text) == 1
    told = replace(audit.decision, reasons=(Reason("below_tolerance", audit.decision.headline),))
    again = seen(render(replace(audit, decision=told)).css_first("main"))
    assert again.count(audit.decision.headline) == 1


def test_files_set_aside_and_unreadable_are_named_in_the_verdict() -> None:
    verdict = seen(tree_of("normal").css_first(".verdict"))
    assert "1 recording set aside, not counted: old/P-1990.edf" in verdict
    assert "1 file could not be read: card/notes.edf" in verdict


def test_many_files_set_aside_are_counted_and_the_first_are_named() -> None:
    audit = h.normal()
    aside = audit.study.set_aside[0]
    many = tuple(
        replace(aside, recording=replace(aside.recording, name=f"old/{i}.edf")) for i in range(9)
    )
    tree = render(replace(audit, study=replace(audit.study, files=(*audit.study.counted, *many))))
    verdict = seen(tree.css_first(".verdict"))
    assert "9 recordings set aside" in verdict
    assert "old/3.edf and 5 more" in verdict


def test_a_recorded_decision_of_a_person_stands_in_the_verdict() -> None:
    verdict = seen(tree_of("normal").css_first(".verdict"))
    assert "A person has decided: To be extended , by RT-4" in verdict
    assert "other numbers" not in html_of("normal")
    assert "A person has decided" not in html_of("complete")


def test_an_old_decision_under_new_numbers_says_so() -> None:
    audit = h.normal()
    old = replace(audit.person_decisions[0], made_on_this_audit=False)
    tree = render(replace(audit, person_decisions=(old,)))
    assert "decided on other numbers than these" in seen(tree.css_first(".verdict"))
    assert "no, on earlier ones" in seen(tree.css_first("#decisions"))


# Every number is read from the audit.


def test_durations_are_shown_with_their_exact_seconds() -> None:
    recorded = h.normal().coverage.recorded_ns
    node = tree_of("normal").css_first(".figures .main data")
    assert node is not None
    assert node.attributes["value"] == exact_seconds(recorded) == "223990.000000001"
    assert seen(node) == "62:13:10"


def test_recorded_time_rounds_down_and_missing_time_up() -> None:
    # Shown time must not cross the limit that the exact time does not cross.
    assert text.recorded(12 * HOUR - 1) == text.Markup(
        '<data value="43199.999999999" title="exactly 43199.999999999 s">11:59:59</data>'
    )
    assert ">0:00:01<" in text.missing(1)
    assert text.recorded(None) == text.missing(None) == "–"
    assert "-0:00:00" not in text.recorded(-1)


def test_the_parts_of_the_ordered_hours_sum_exactly() -> None:
    for name in ("normal", "everything", "many_gaps", "complete"):
        cells = tree_of(name).css("#parts tbody tr")[1].css("td")
        *parts, total = [Decimal(seen(cell)) for cell in cells]
        assert len(parts) == 5
        assert sum(parts) == total


def test_every_gap_is_in_the_table_and_in_the_picture() -> None:
    tree = tree_of("normal")
    for number, gap in enumerate(h.normal().coverage.gaps, 1):
        row = tree.css_first(f"#gap-{number}")
        assert f">{hms(gap.duration, up=True)}<" in (row.html or "")  # type: ignore[union-attr]
        link = tree.css_first(f"#mark-{number}")
        assert link is not None
        assert link.attributes["href"] == f"#gap-{number}"
        assert f"Interruption {number}, " in (link.attributes["aria-label"] or "")
        assert f'href="#mark-{number}"' in (row.html or "")  # type: ignore[union-attr]


SAID = {
    "stop": (
        "normal",
        "#repeat",
        "likely cause: recorder interrupted (a pattern of the files shows it)",
    ),
    "for the stop": ("normal", "#repeat", "The last file was never closed."),
    "against the stop": ("normal", "#repeat", "Would fit power exhausted: the batteries"),
    "power": (
        "normal",
        "#repeat",
        "lasts 72:00:00 for 72:00:00 ordered, enough, without any reserve",
    ),
    "power comparison": ("normal", "#repeat", "7 h 48 min before this set-up"),
    "what would last": ("normal", "#power", "Two batteries and an external supply: 172 h."),
    "next hook-up": ("normal", "#repeat", "Clear the card before hook-up."),
    "copies": ("two_copies", "#copies", "0.75 s ahead; drift 11.5 ppm fast"),
    "what fills what": (
        "two_copies",
        "#copies",
        "B Wed 3 Mar 2027 05:30:00 Wed 3 Mar 2027 08:30:00 3:00:00",
    ),
    "person's decision": ("normal", "#repeat", "To be extended RT-4 Called the patient. yes"),
    "technical units": ("normal", "#billing", "1 × 95705 (2-12 h) , 2 × 95708 (12-26 h)"),
    "margin above": ("normal", "#billing", "2:13:10 above the limit"),
    "margin below": ("normal", "#billing", "21:46:50 short of the next"),
    "whole study": ("normal", "#billing", "95723 (>60-84 h)"),
    "each day": ("normal", "#billing", "day 3: 95719 (>12-26 h)"),
    "set-up": ("normal", "#billing", "95700 , supported by the files"),
    "usable totals": ("normal", "#billing", "If only usable time counted"),
    "alternative": ("normal", "#billing", "each 24-hour window is banded by itself"),
    "alternative's source": ("normal", "#billing", "inferred, no source"),
    "never a claim": ("normal", "#billing", "never a claim. Ask the coder"),
    "lapse": ("normal", "#billing", "3:00:00 3:00:00 2"),
    "supported level": ("normal", "#billing", "Supported throughout: unmonitored"),
    "finding for billing": ("normal", "#billing", "Ask for the missing check."),
    "people": ("normal", "#reading", "checks by RT-4"),
    "video": ("normal", "#billing", "90.0 % of the recorded time"),
    "video threshold": ("normal", "#billing", "80.0 %: reached"),
    "lost channel": ("normal", "#reading", "off from Wed 3 Mar 2027 15:44:00 to the end"),
    "night": (
        "normal",
        "#reading",
        "1 Tue 2 Mar 2027 22:00:00 Wed 3 Mar 2027 06:00:00 7:43:00 7:43:00 6:56:42",
    ),
    "bad stretch": ("normal", "#poor-signal", "flat EEG T4"),
    "patient event": ("normal", "#reading", "patient event patient event 1 Wed 3 Mar 2027"),
    "annotation": ("normal", "#reading", "lights off 1 Tue 2 Mar 2027 10:32:00"),
    "annotation in an interruption": ("normal", "#reading", "(in an interruption)"),
    "finding": ("normal", "#findings", "The file was never closed"),
    "finding's action": ("normal", "#findings", "Keep the original file as it is."),
    "finding's claims": ("normal", "#findings", "Expected: a number of records. Found: -1."),
    "finding about the order": ("normal", "#repeat", "The hours after the end are missing."),
    "cause of a gap": ("normal", "#gaps", "power change (somebody or the recorder says so)"),
    "inputs used": ("normal", "#files", "order.toml Order – " + "0d" * 32),
    "reason to set aside": ("normal", "#evidence", "The header names patient P-1990"),
    "checksum": ("normal", "#evidence", "3f" * 32),
    "checksum of an unreadable file": ("normal", "#evidence", "ab" * 32),
    "second reader": ("normal", "#evidence", "mne 1.13.2 20:00:00 yes"),
    "second reader that refused": ("normal", "#evidence", "could not read it"),
    "other files": ("normal", "#evidence", "readme.txt , checks.csv"),
    "rule and its standing": ("normal", "#method", "common practice, no source"),
    "policy": ("normal", "#method", "us-long-term-eeg, sources checked 2026-11"),
    "policy checksum": ("normal", "#method", "c0" * 32),
    "caution": ("normal", "footer", "It replaces no clinical judgement."),
    "tool version": ("normal", "footer", "EEG Coverage Auditor 0.1.0"),
}


@pytest.mark.parametrize("what", SAID)
def test_the_section_says(what: str) -> None:
    name, heading, words = SAID[what]
    section = tree_of(name).css_first(heading)
    assert section is not None
    while section.tag not in ("section", "details", "footer"):
        section = section.parent  # type: ignore[assignment]
    assert words in seen(section)


def test_three_people_can_sign() -> None:
    tree = tree_of("normal")
    legends = [seen(n) for n in tree.css("#sign-off ~ .signers legend")]
    assert legends == ["Reviewed by, technologist", "Reviewed by, coder", "Decision by"]
    for field in tree.css(".signers input"):
        assert tree.css_first(f"label[for='{field.attributes['id']}']") is not None


# What is not known is said, not guessed.


def test_without_an_order_nothing_is_compared() -> None:
    tree = tree_of("no_order")
    assert tree.css_first("#hours-went") is None
    assert "Ordered" not in seen(tree.css_first(".figures"))
    assert "no order was given" in seen(tree)
    assert "times as the files’ clocks stand, no time zone known" in seen(tree)


def test_without_a_signal_scan_usable_time_is_not_known() -> None:
    tree = tree_of("signal_off")
    assert "Usable not measured" in seen(tree.css_first(".figures"))
    assert tree.css_first("#channel-table") is None


def test_an_audit_without_gaps_says_so() -> None:
    assert "No interruptions" in seen(tree_of("complete").css_first(".figures"))
    assert "No interruptions." in seen(tree_of("complete").css_first(".picture .lead"))


def test_a_short_study_shows_what_its_minutes_reach() -> None:
    audit = h.normal()
    assert audit.billing is not None
    billing = replace(audit.billing, shorter=Shorter(None, "under 20 min", "No code applies."))
    said = seen(render(replace(audit, billing=billing)))
    assert "Under the long-term minimum no code (under 20 min) No code applies." in said


def test_too_few_channels_to_the_end_is_said() -> None:
    audit = h.normal()
    signal = replace(audit.signal, below_minimum_from=h.HOOKUP + 40 * HOUR)
    said = seen(render(replace(audit, signal=signal)))
    assert "from Thu 4 Mar 2027 01:30:00 to the end, fewer than 15 of 19 EEG channels" in said


def test_power_that_does_not_last_is_said_with_the_reserve_and_the_other_ends() -> None:
    audit = h.normal()
    assert audit.power is not None
    power = replace(
        audit.power,
        reserve_ns=3 * HOUR,
        enough=False,
        other_ends=(("one battery only", 36 * HOUR),),
    )
    said = seen(render(replace(audit, power=power)))
    assert "for 72:00:00 ordered and a reserve of 3:00:00 , not enough" in said
    assert "one battery only 36:00:00" in said


def test_usable_time_of_the_periods_is_shown_where_it_reaches_less() -> None:
    audit = h.normal()
    assert audit.billing is not None
    same = replace(audit.billing, usable_totals=audit.billing.technical_totals)
    assert "Usable" not in seen(render(replace(audit, billing=same)).css_first("#periods"))
    first, *others = audit.billing.periods
    less = replace(audit.billing, periods=(replace(first, usable_ns=3 * HOUR), *others))
    said = seen(render(replace(audit, billing=less)).css_first("#periods"))
    assert "Usable" in said
    assert "3:00:00" in said


def test_a_limit_that_must_be_passed_is_told_from_one_that_is_reached() -> None:
    audit = h.normal()
    assert audit.billing is not None
    assert "must be passed" not in html_of("normal")
    total = replace(audit.billing.total, exceed_next=True)
    billing = replace(audit.billing, total=total, minimum=None)
    said = seen(render(replace(audit, billing=billing)))
    assert "2:11:00 short of the next (it must be passed, not only reached)" in said


def test_a_second_code_of_one_report_is_shown_with_the_first() -> None:
    audit = h.normal()
    assert audit.billing is not None
    day = replace(audit.billing.professional.whole_study, code="95719", also=("95717",))
    professional = replace(audit.billing.professional, whole_study=day)
    said = seen(render(replace(audit, billing=replace(audit.billing, professional=professional))))
    assert "95719 and 95717 (>60-84 h)" in said


def test_a_channel_in_doubt_and_a_check_outside_are_said() -> None:
    audit = h.normal()
    assert audit.monitoring is not None
    channel = replace(audit.signal.channels[0], doubtful_from=h.HOOKUP + HOUR)
    said = seen(
        render(
            replace(
                audit,
                signal=replace(audit.signal, channels=(channel,)),
                monitoring=replace(audit.monitoring, outside=2),
            )
        )
    )
    assert "in doubt from Tue 2 Mar 2027 10:30:00 to the end" in said
    assert "2 outside the recording show no review" in said


def test_iso_stamps_in_our_sentences_have_the_pages_style_and_in_texts_of_files_are_left() -> None:
    assert text.shown("from 2027-03-02T09:30:00 on") == "from Tue 2 Mar 2027 09:30:00 on"
    assert text.shown("2027-03-02T09:30:00.500") == "Tue 2 Mar 2027 09:30:00.500"
    assert text.shown("2027-13-02T09:30:00") == "2027-13-02T09:30:00"  # no date at all
    assert text.utc("2027-03-02T09:30:00Z") == "Tue 2 Mar 2027 09:30:00 UTC"
    assert text.untrusted("2027-03-02T09:30:00") == text.Markup("<bdi>2027-03-02T09:30:00</bdi>")


def test_the_other_reading_of_a_finding_gives_both_figures() -> None:
    finding = Finding(
        "overlap", "problem", "a", "Two files overlap.", other_recorded_ns=63 * HOUR,
        span=Interval(h.HOOKUP, h.HOOKUP + HOUR),
    )  # fmt: skip
    said = seen(render(replace(h.normal(), findings=(finding,))))
    assert "recorded time is 63:00:00 ; it is counted here as 62:13:10" in said


def test_a_stop_of_unknown_cause_names_none() -> None:
    said = seen(render(replace(h.normal(), stop=Stop("early"))))
    assert "ended before the planned end" in said
    assert "likely cause: not known (" not in said


def test_problems_come_before_cautions_and_information() -> None:
    tree = tree_of("everything")
    rank = {"is-problem": 0, "is-caution": 1, "is-info": 2}
    for found in tree.css("ul.findings"):
        order = [rank[n.attributes["class"].split()[-1]] for n in found.css(".finding")]  # type: ignore[union-attr]
        assert order == sorted(order)
    # 120 findings of four texts and three of one more: each text is told once.
    assert len(tree.css(".finding")) == 5


def test_equal_findings_are_one_with_every_place() -> None:
    every = [replace(h.FINDINGS[2], where=f"night-{i}.edf") for i in range(19)]
    (told,) = render(replace(h.normal(), findings=tuple(every))).css(".finding")
    assert "night-0.edf , night-1.edf" in seen(told)
    assert "and 13 more" in seen(told)


def test_events_are_counted_by_their_text_the_patients_first() -> None:
    audit = h.normal()
    every = tuple(
        replace(audit.annotations[0], at=h.HOOKUP + i * 60 * NS,
                text="Patient event" if i % 10 < 3 else "Impedance check")
        for i in range(200)
    )  # fmt: skip
    tree = render(replace(audit, annotations=every))
    rows = [seen(row) for row in tree.css("#event-table tbody tr")]
    assert rows[0].startswith("Patient event patient event 60 Tue 2 Mar 2027 09:30:00 ,")
    assert rows[1].startswith("Impedance check 140 ")
    assert len(rows) == 2


def test_what_is_said_of_several_periods_is_said_once() -> None:
    audit = h.normal()
    assert audit.billing is not None
    periods = tuple(replace(p, notes=("Below the level.",)) for p in audit.billing.periods)
    said = seen(render(replace(audit, billing=replace(audit.billing, periods=periods))))
    assert said.count("Below the level.") == 1
    assert "Period 1, 2, 3: Below the level." in said


def test_a_civil_time_carries_its_utc_where_the_zone_is_known() -> None:
    zoned = text.Clock(h.ZONE).at(h.HOOKUP)
    assert 'title="Tue 2 Mar 2027 09:30:00 (Tue 2 Mar 2027 16:30:00 UTC)"' in zoned
    plain = text.Clock(Axis(None)).at(1_500_000_000)
    assert 'datetime="1970-01-01T00:00:01.500"' in plain
    assert "UTC" not in plain


@pytest.mark.parametrize(
    ("shown", "expected"),
    [
        (text.count(0, "gap"), "no gaps"),
        (text.count(1, "stretch", "stretches"), "1 stretch"),
        (text.count(5000, "gap"), "5,000 gaps"),
        (text.place(1234), "12.34%"),
        (text.place(10_000), "100%"),
        (text.place(50), "0.5%"),
        (text.percent(799_999), "79.9 %"),
        (text.percent(1_000_000), "100.0 %"),
        (words("late_stamp"), "late stamp"),
        (text.signed(-2 * NS), "2 s behind"),
        (text.signed(0), "none"),
        (text.drift(-11_500), "11.5 ppm slow"),
        (text.drift(12_000), "12 ppm fast"),
        (text.size(None), "–"),
        (text.size(1_234_567), "1,234,567"),
    ],
)
def test_small_texts(shown: str, expected: str) -> None:
    assert shown == expected
