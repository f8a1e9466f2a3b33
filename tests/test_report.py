"""The HTML page: what it says, what it never says otherwise, and what it never lets in."""

from __future__ import annotations

from dataclasses import replace
from decimal import Decimal

import helpers_audit as h
import pytest
from helpers_page import html_of, render, seen, tree_of

from auditor.core.clock import Axis
from auditor.core.durations import exact_seconds, hms
from auditor.core.units import HOUR, NS
from auditor.model import Finding, Interval, Shorter, Stop
from auditor.outputs.html import text

# What the reader meets first.


@pytest.mark.parametrize(
    ("name", "word"), [("complete", "Complete"), ("normal", "Review"), ("signal_off", "Repeat")]
)
def test_the_first_heading_after_the_title_is_the_verdict(name: str, word: str) -> None:
    audit = h.SCENARIOS[name]()
    headings = tree_of(name).css("h1, h2, h3")
    assert seen(headings[0]) == "Study S-2041"
    assert seen(headings[1]) == f"{word} {audit.decision.headline}"


def test_the_hours_that_decide_stand_beside_the_verdict() -> None:
    audit = h.normal()
    figures = seen(tree_of("normal").css_first(".verdict .figures"))
    assert audit.shortfall is not None
    assert f"Ordered {hms(72 * HOUR)}" in figures
    assert f"Recorded {hms(audit.coverage.recorded_ns)}" in figures
    assert f"Short of the order {hms(audit.shortfall.short_ns, up=True)}" in figures
    assert f"Usable signal {hms(audit.signal.usable_ns)}" in figures


def test_every_reason_is_in_the_verdict_or_one_link_away() -> None:
    reasons = [r.text for r in h.everything().decision.reasons]
    tree = tree_of("everything")
    verdict = seen(tree.css_first(".verdict"))
    assert all(r in verdict for r in reasons[:6])
    assert "and 6 more" in verdict
    later = seen(tree.css_first("#all-reasons").parent)  # type: ignore[union-attr]
    assert all(r in later for r in reasons)


def test_files_set_aside_and_unreadable_are_named_in_the_verdict() -> None:
    verdict = seen(tree_of("normal").css_first(".verdict"))
    assert "1 readable recording set aside, not counted: old/P-1990.edf" in verdict
    assert "1 file could not be read: card/notes.edf" in verdict


def test_many_files_set_aside_are_counted_and_the_first_are_named() -> None:
    audit = h.normal()
    aside = audit.study.set_aside[0]
    many = tuple(
        replace(aside, recording=replace(aside.recording, name=f"old/{i}.edf")) for i in range(9)
    )
    tree = render(replace(audit, study=replace(audit.study, files=(*audit.study.counted, *many))))
    verdict = seen(tree.css_first(".verdict"))
    assert "9 readable recordings set aside" in verdict
    assert "old/3.edf and 5 more" in verdict


def test_a_recorded_decision_of_a_person_stands_in_the_verdict() -> None:
    assert "A person has decided: review , by RT-4" in seen(tree_of("normal").css_first(".verdict"))
    assert "A person has decided" not in html_of("complete")


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
        tree = tree_of(name)
        parts = [Decimal(seen(r.css("td")[-1])) for r in tree.css("#parts tbody tr")]
        assert len(parts) == 5
        (total,) = (Decimal(seen(r.css("td")[-1])) for r in tree.css("#parts tfoot tr"))
        assert sum(parts) == total


def test_every_gap_is_in_the_table_and_in_the_picture() -> None:
    tree = tree_of("normal")
    for number, gap in enumerate(h.normal().coverage.gaps, 1):
        row = tree.css_first(f"#gap-{number}")
        assert f">{hms(gap.duration, up=True)}<" in (row.html or "")  # type: ignore[union-attr]
        link = tree.css_first(f"#mark-{number}")
        assert link is not None
        assert link.attributes["href"] == f"#gap-{number}"
        assert f"Gap {number}, " in (link.attributes["aria-label"] or "")
        assert f'href="#mark-{number}"' in (row.html or "")  # type: ignore[union-attr]


SAID = {
    "stop": ("normal", "#repeat", "likely cause: recorder interrupted (shown by a pattern)"),
    "for the stop": ("normal", "#repeat", "The last file was never closed."),
    "against the stop": (
        "normal",
        "#repeat",
        "Would fit power exhausted: the batteries were planned to last 72 h.",
    ),
    "power": ("normal", "#repeat", "72:00:00 for 72:00:00 ordered: enough"),
    "power comparison": ("normal", "#repeat", "7 h 48 min before this set-up"),
    "what would last": ("normal", "#repeat", "Two batteries and an external supply: 172 h."),
    "next hook-up": ("normal", "#repeat", "Clear the card before hook-up."),
    "copies": ("two_copies", "#repeat", "0.75 s ahead; drift 11.5 ppm fast"),
    "what fills what": ("two_copies", "#repeat", "B Wed 3 Mar 05:30:00 Wed 3 Mar 08:30:00 3:00:00"),
    "person's decision": ("normal", "#repeat", "review RT-4 Called the patient."),
    "technical units": ("normal", "#billing", "1 × 95705 (2-12 h) , 2 × 95708 (12-26 h)"),
    "margin above": ("normal", "#billing", "9:49:00 above the limit"),
    "margin below": ("normal", "#billing", "2:11:00 short of the next"),
    "whole study": ("normal", "#billing", "95723 (>60-84 h)"),
    "each day": ("normal", "#billing", "day 3: 95719 (>12-26 h)"),
    "set-up": ("normal", "#billing", "95700 , supported by the files"),
    "usable column": ("normal", "#billing", "Usable reaches"),
    "usable totals": ("normal", "#billing", "If only usable time counted"),
    "alternative": ("normal", "#billing", "each 24-hour window is banded by itself"),
    "alternative's source": ("normal", "#billing", "inferred, no source"),
    "never a claim": ("normal", "#billing", "never a claim. Ask the coder"),
    "lapse": ("normal", "#billing", "Period 2 is supported as unmonitored."),
    "supported level": ("normal", "#billing", "Supported throughout unmonitored"),
    "video": ("normal", "#billing", "90.0 % of the recorded time"),
    "video threshold": ("normal", "#billing", "80.0 %: reached"),
    "lost channel": ("normal", "#reading", "from Wed 3 Mar 15:44:00"),
    "night": ("normal", "#reading", "1 Tue 2 Mar 22:00:00 Wed 3 Mar 06:00:00 7:43:00"),
    "bad stretch": ("normal", "#reading", "flat EEG T8"),
    "annotation": ("normal", "#reading", "lights off"),
    "annotation in a gap": ("normal", "#reading", "in a gap"),
    "finding": ("normal", "#findings", "The file was never closed"),
    "finding's action": ("normal", "#findings", "Keep the original file as it is."),
    "finding's claims": ("normal", "#findings", "Expected: a number of records Found: -1"),
    "cause of a gap": ("normal", "#evidence", "power change (witness)"),
    "reason to set aside": ("normal", "#evidence", "The header names patient P-1990"),
    "checksum": ("normal", "#evidence", "3f" * 32),
    "checksum of an unreadable file": ("normal", "#evidence", "ab" * 32),
    "second reader": ("normal", "#evidence", "mne 1.13.2 20:00:00 yes"),
    "second reader that refused": ("normal", "#evidence", "could not read it"),
    "other files": ("normal", "#evidence", "readme.txt , checks.csv"),
    "rule and its standing": ("normal", "#method", "common practice, no source"),
    "policy": ("normal", "#method", "us-long-term-eeg, sources checked 2026-11"),
    "policy checksum": ("normal", "#method", "c0" * 32),
    "caution": ("normal", "#method", "It replaces no clinical judgement."),
    "tool version": ("normal", "#method", "EEG Coverage Auditor 0.1.0"),
}


@pytest.mark.parametrize("what", SAID)
def test_the_section_says(what: str) -> None:
    name, heading, words = SAID[what]
    section = tree_of(name).css_first(heading).parent  # type: ignore[union-attr]
    assert words in seen(section)


def test_three_people_can_sign() -> None:
    tree = tree_of("normal")
    legends = [seen(n) for n in tree.css("#sign-off ~ .signers legend")]
    assert legends == ["Read by", "Billing confirmed by", "Decision by"]
    for field in tree.css(".signers input"):
        assert tree.css_first(f"label[for='{field.attributes['id']}']") is not None


# What is not known is said, not guessed.


def test_without_an_order_nothing_is_compared() -> None:
    tree = tree_of("no_order")
    assert tree.css_first("#hours-went") is None
    assert "Ordered" not in seen(tree.css_first(".verdict .figures"))
    assert "no order was given" in seen(tree)
    assert "as the files' clocks stand; no zone known" in seen(tree)


def test_without_a_signal_scan_usable_time_is_not_known() -> None:
    tree = tree_of("signal_off")
    assert "Usable signal not measured" in seen(tree.css_first(".verdict"))
    assert tree.css_first("#channel-table") is None


def test_an_audit_without_gaps_says_so() -> None:
    assert "No gaps" in seen(tree_of("complete").css_first(".lead"))


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
    assert "from Thu 4 Mar 2027, 01:30:00 until the end, fewer than 8 EEG channels" in said


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
    assert "ordered: not enough Reserve that the policy asks for 3:00:00" in said
    assert "one battery only 36:00:00" in said


def test_a_limit_that_must_be_passed_is_told_from_one_that_is_reached() -> None:
    audit = h.normal()
    assert audit.billing is not None
    assert "must be passed" not in html_of("normal")
    total = replace(audit.billing.total, exceed_next=True)
    said = seen(render(replace(audit, billing=replace(audit.billing, total=total))))
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
    assert "no from Tue 2 Mar 10:30:00" in said
    assert "Checks outside the recording 2; they show no review" in said


def test_iso_stamps_in_our_sentences_are_spaced_and_in_texts_of_files_left() -> None:
    assert text.shown("from 2027-03-02T09:30:00 on") == "from 2027-03-02 09:30:00 on"
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
    order = [n.attributes["data-severity"] for n in tree_of("everything").css(".finding")]
    rank = {"problem": 0, "caution": 1, "info": 2}
    assert order == sorted(order, key=lambda s: rank[s or ""])
    assert len(order) == 93


def test_a_civil_time_carries_its_utc_where_the_zone_is_known() -> None:
    zoned = text.Clock(h.ZONE).full(h.HOOKUP)
    assert 'title="2027-03-02 09:30:00 (2027-03-02 16:30:00 UTC)"' in zoned
    plain = text.Clock(Axis(None)).full(1_500_000_000)
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
        (text.words("late_utc_stamp"), "late UTC stamp"),
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
