"""What an experienced technologist, coder and lab manager would conclude: a table of studies.

Common practice, no source. Each row is a whole study through the whole program: its files, its
order and its logs, then the states of the four answers, the outcome, and the reason that the
headline must give. Rows stand on both sides of each limit.
"""

from __future__ import annotations

from collections.abc import Mapping
from datetime import timedelta
from pathlib import Path

import pytest
from helpers_practice import EIGHT, HOOKUP, TEN_TWENTY, Eeg, every, h, log_of, order_text
from msgspec import Struct

from auditor.inputs.order import read_order
from auditor.model import Audit
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

POLICY = load_policy()
PATIENT = "P-2041 X X X"
NOBODY = "X X X X"


class Row(Struct, frozen=True):
    """One study. ``answers`` gives order, readable, billing, files; ``says`` stands in the
    headline, ``also`` in the answers, ``note`` in the note, ``counted`` is what was recorded."""

    name: str
    files: Mapping[str, Eeg]
    order: str | None
    answers: tuple[str, str, str, str]
    outcome: str
    says: tuple[str, ...] = ()
    also: tuple[str, ...] = ()
    logs: Mapping[str, str] = {}
    counted: timedelta | None = None
    aside: tuple[str, ...] = ()
    never: tuple[str, ...] = ()


def one(length: str, **more: object) -> dict[str, Eeg]:
    """One file from the hook-up on."""
    return {"a.edf": Eeg(HOOKUP, h(length), **more)}  # type: ignore[arg-type]


YES = ("yes", "yes", "yes", "yes")
QUICK = 'monitoring = "intermittent"\n[logs]\nmonitoring = "checks.csv"'
VIDEO = 'video = true\n[logs]\nvideo = "video.csv"'


def checked(
    step: str, length: str, shift: timedelta = timedelta(0), first: str = "0:00"
) -> dict[str, str]:
    """A log of checks every ``step`` over ``length``; the first a step after ``first``."""
    times = every(h(step), HOOKUP + h(first), h(length) - h(first))
    return {"checks.csv": log_of(t + shift for t in times)}


def filmed(length: str) -> dict[str, str]:
    """A log of video from the hook-up on."""
    end = HOOKUP + h(length)
    return {"video.csv": f"start,end\n{HOOKUP.isoformat()},{end.isoformat()}\n"}


def pieces(count: int, missing: int | None = None, length: str = "2:00:00") -> dict[str, Eeg]:
    """``count`` files one after the other, a second or two apart in length; one is missing."""
    at, files = HOOKUP, {}
    for number in range(1, count + 1):
        took = h(length) + timedelta(seconds=number % 3)
        if number != missing:
            files[f"{number}.edf"] = Eeg(at, took, record_s=1)
        at += took
    return files


FOUR_ANSWERS = [
    # order: the tolerance is 5 %, the minimum 75 %
    Row(
        "all of it",
        one("24:00:00"),
        order_text(24),
        YES,
        "complete",
        ("24:00:00 recorded of 24:00:00 ordered",),
    ),
    Row(
        "short by 5 % to the minute",
        one("22:48:00"),
        order_text(24),
        YES,
        "complete",
        ("1:12:00 short, within 5 %",),
    ),
    Row(
        "short by a minute more",
        one("22:47:00"),
        order_text(24),
        ("look", "yes", "yes", "yes"),
        "review",
        ("1:13:00 short", "early stop"),
    ),
    Row(
        "75 % to the minute",
        one("18:00:00"),
        order_text(24),
        ("look", "yes", "yes", "yes"),
        "review",
        ("6:00:00 short",),
    ),
    Row(
        "under 75 % by a minute",
        one("17:59:00"),
        order_text(24),
        ("no", "look", "yes", "yes"),
        "repeat",
        ("17:59:00 recorded of 24:00:00", "under 75 %"),
    ),
    # readable: clean 75 %, usable 50 %, a whole night
    Row(
        "2 of 8 dead from the middle on",
        one("24:00:00", dead={"C3": h("12:00"), "C4": h("12:00")}),
        order_text(24),
        YES,
        "complete",
    ),
    Row(
        "3 of 8 dead from 18 h of 24 on",
        one("24:00:00", dead=dict.fromkeys(EIGHT[:3], h("18:00"))),
        order_text(24),
        YES,
        "complete",
    ),
    Row(
        "3 of 8 dead a minute before 18 h of 24",
        one("24:00:00", dead=dict.fromkeys(EIGHT[:3], h("17:59"))),
        order_text(24),
        ("yes", "look", "yes", "yes"),
        "review",
        ("17:59:00 usable of 24:00:00",),
    ),
    Row(
        "3 of 8 dead from 13 h of 24 on",
        one("24:00:00", dead=dict.fromkeys(EIGHT[:3], h("13:00"))),
        order_text(24),
        ("yes", "look", "yes", "yes"),
        "review",
        ("3 of 8",),
    ),
    Row(
        "3 of 8 dead from 11 h of 24 on",
        one("24:00:00", dead=dict.fromkeys(EIGHT[:3], h("11:00"))),
        order_text(24),
        ("yes", "no", "yes", "yes"),
        "repeat",
        ("11:00:00 usable of 24:00:00", "under 50 %"),
    ),
    Row(
        "the last of three nights without EEG",
        one("72:00:00", dead=dict.fromkeys(EIGHT[:3], h("60:00")), labels=EIGHT),
        order_text(72),
        ("yes", "look", "yes", "yes"),
        "review",
        ("1 night of 3", "Thu 4 Mar 2027"),
    ),
    # no order; the study goes on
    Row(
        "no order",
        one("24:00:00"),
        None,
        ("unknown", "yes", "unknown", "yes"),
        "review",
        ("No order was given", "24:00:00"),
    ),
    Row(
        "the order says nothing of video or checks",
        one("24:00:00"),
        order_text(24),
        YES,
        "complete",
    ),
]

SITUATIONS = [
    Row("made before the hook-up, no code in its header",
        {"old.edf": Eeg(HOOKUP - h("20:50"), h("20:00"), patient=NOBODY),
         "a.edf": Eeg(HOOKUP, h("24:00"))},
        order_text(24), ("yes", "yes", "yes", "look"), "review", ("before the hook-up",),
        counted=h("24:00"), aside=("old.edf",)),
    Row("two studies likely",
        {"a.edf": Eeg(HOOKUP, h("18:00"), patient=NOBODY),
         "b.edf": Eeg(HOOKUP + h("48:00"), h("24:00"), patient=NOBODY)},
        'ordered_hours = 24', ("look", "look", "yes", "look"), "review",
        ("18:00:00", "24:00:00")),
    Row("a test of two minutes twenty minutes before the hook-up",
        {"test.edf": Eeg(HOOKUP - h("0:20"), h("0:02")), "a.edf": Eeg(HOOKUP, h("24:00"))},
        order_text(24), YES, "complete", counted=h("24:00"), aside=("test.edf",)),
    Row("starts 30 min before the stated hook-up and runs on",
        {"a.edf": Eeg(HOOKUP - h("0:30"), h("24:00"))}, order_text(24), YES, "complete",
        counted=h("24:00")),
    Row("starts 31 min before the stated hook-up",
        {"a.edf": Eeg(HOOKUP - h("0:31"), h("24:31"))}, order_text(24),
        ("yes", "yes", "yes", "look"), "review", counted=h("24:31")),
    Row("a quarter and 2 h more than ordered", one("30:01:00"), order_text(24),
        ("yes", "yes", "yes", "look"), "review", ("30:01:00",)),
    Row("not quite a quarter more than ordered", one("29:59:00"), order_text(24), YES, "complete"),
    Row("silence of 12 h inside the study",
        {"a.edf": Eeg(HOOKUP, h("30:00")), "b.edf": Eeg(HOOKUP + h("42:01"), h("30:00"))},
        order_text(72), ("look", "yes", "no", "look"), "review", ("12:01:00",)),
    Row("silence of a little less",
        {"a.edf": Eeg(HOOKUP, h("30:00")), "b.edf": Eeg(HOOKUP + h("41:59"), h("30:00"))},
        order_text(72), ("look", "yes", "no", "yes"), "review"),
    Row("60 Hz on all channels from first to last",
        one("2:30:00", labels=TEN_TWENTY, rate=128, mains=TEN_TWENTY), order_text(2.5),
        ("yes", "look", "yes", "yes"), "review",
        ("60 Hz artifact on 19 of 19 channels for 2:30:00",)),
    Row("60 Hz on three of nineteen",
        one("2:30:00", labels=TEN_TWENTY, rate=128, mains=TEN_TWENTY[:3]), order_text(2.5), YES,
        "complete"),
    Row("15 of 19 pop over 1 mV",
        one("4:00:00", labels=TEN_TWENTY, rate=8, large=TEN_TWENTY[:15]), order_text(4),
        ("yes", "look", "yes", "yes"), "review", ("15 of 19",)),
    Row("11 of 19 dead from hour 5 of 24",
        one("24:00:00", labels=TEN_TWENTY, dead=dict.fromkeys(TEN_TWENTY[:11], h("5:00"))),
        order_text(24), ("yes", "no", "yes", "yes"), "repeat", ("5:00:00 usable of 24:00:00",),
        ("11 of 19",)),
    Row("1 of 8 dead from hour 10 of 24", one("24:00:00", dead={"T3": h("10:00")}), order_text(24),
        YES, "complete"),
    Row("36 files of two hours, number 17 missing", pieces(36, missing=17), order_text(72),
        ("yes", "yes", "yes", "look"), "review", ("missing", "16.edf", "18.edf", "2:00:02")),
    Row("36 files of two hours, none missing", pieces(36), order_text(72), YES, "complete"),
    Row("2 h ordered, 1:59:00 recorded", one("1:59:00"), order_text(2),
        ("yes", "yes", "no", "yes"), "review", ("1:00 under the 2-hour minimum",)),
    Row("2 h ordered, 2:00:00 recorded", one("2:00:00"), order_text(2), YES, "complete"),
    Row("checks every 2:05", one("24:00:00"), order_text(24, more=QUICK),
        ("yes", "yes", "look", "yes"), "review", ("11 of 11 intervals are 2:05, 0:05 over",),
        logs=checked("2:05", "24:00:00", first="-1:-35")),
    Row("checks every 2:00", one("24:00:00"), order_text(24, more=QUICK), YES, "complete",
        logs=checked("2:00", "24:00:00")),
    Row("checks one year early", one("24:00:00"), order_text(24, more=QUICK),
        ("yes", "yes", "look", "yes"), "review", ("one year early", "2026"),
        logs=checked("1:55", "24:00:00", timedelta(days=-365)), never=("no check",)),
    Row("video 79 % of recorded time", one("24:00:00"), order_text(24, more=VIDEO),
        ("yes", "yes", "look", "yes"), "review", ("14:24 of video short of 80 %",),
        logs=filmed("18:57:36")),
    Row("video 80 % of recorded time", one("24:00:00"), order_text(24, more=VIDEO), YES, "complete",
        logs=filmed("19:12:00")),
    Row("another patient's file on the card",
        {"a.edf": Eeg(HOOKUP, h("24:00")),
         "b.edf": Eeg(HOOKUP - h("100:00"), h("6:00"), patient="P-1990 X X X")},
        order_text(24), ("yes", "yes", "yes", "look"), "review", ("P-1990",), aside=("b.edf",)),
    Row("files, log and hook-up one hour apart",
        {"a.edf": Eeg(HOOKUP + h("1:00"), h("24:00"))}, order_text(24, more=QUICK),
        ("yes", "yes", "yes", "look"), "review", logs=checked("1:55", "24:00:00")),
    Row("never closed, all else well", one("24:00:00", closed=False), order_text(24), YES,
        "complete", also=("24:00:00",)),
    Row("cut in the last record", one("24:00:00", cut=100), order_text(24), YES, "complete",
        also=("23:59:00",)),
    Row("cut by an hour", one("24:00:00", cut=60 * (8 * 240 + 128)), order_text(24),
        ("yes", "yes", "yes", "look"), "review", counted=h("23:00")),
    Row("start date 00.00.00, one file",
        one("24:00:00", header_date="00.00.00", recorder="N-3"), 'ordered_hours = 24',
        ("yes", "yes", "yes", "look"), "review", counted=h("24:00")),
    Row("day 1 of 72 h uploaded while the patient goes on", one("23:40:00"),
        order_text(72, more="still_recording = true"),
        ("unknown", "yes", "unknown", "yes"), "so_far",
        ("23:40:00", "72:00:00", "48:20:00 to come"), never=("early stop", "repeat")),
    Row("taken down by the technologist after the planned end",
        one("24:10:00", events={h("24:09"): "Take-down by T-12"}), order_text(24), YES, "complete"),
    Row("stopped by the patient before the planned end",
        one("10:00:00", events={h("9:59"): "Stopped by patient"}), order_text(24),
        ("no", "no", "no", "yes"), "repeat", ("10:00:00 recorded of 24:00:00",)),
]  # fmt: skip


CODES = [
    # the 2-12 h band at most once, periods from the recording's start, references left out
    Row("ears and mastoids are no set-up channels",
        one("24:00:00", labels=("Fp1", "Fp2", "C3", "C4", "O1", "O2", "A1", "A2")), order_text(24),
        ("yes", "yes", "look", "yes"), "review", ("6 of 8 needed set-up channels",)),
    Row("eight beside ears are set-up channels enough",
        one("24:00:00", labels=(*EIGHT, "A1", "A2")), order_text(24), YES, "complete"),
    Row("video ordered and no log of it", one("24:00:00"), order_text(24, more="video = true"),
        ("yes", "yes", "look", "yes"), "review", ("no log of it was given",)),
    Row("intermittent ordered and no check", one("24:00:00"),
        order_text(24, more='monitoring = "intermittent"'),
        ("yes", "yes", "look", "yes"), "review", ("No check inside the recording is documented",)),
    Row("one lapse of three hours", one("24:00:00"), order_text(24, more=QUICK),
        ("yes", "yes", "look", "yes"), "review", ("1 of",),
        logs={"checks.csv": log_of(t for t in every(h("1:30"), HOOKUP, h("24:00"))
                                   if t != HOOKUP + h("12:00"))}),
    Row("26 h ordered, exactly 26 h recorded", one("26:00:00"), order_text(26), YES, "complete"),
    Row("60 h ordered, 59:59 recorded", one("59:59:00"), order_text(60), YES, "complete"),
    Row("72 h ordered, exactly 60 h recorded", one("60:00:00"), order_text(72),
        ("look", "yes", "no", "yes"), "review", ("60:00:00 recorded of 72:00:00",)),
    Row("72 h ordered, a minute above 60 h recorded", one("60:01:00"), order_text(72),
        ("look", "yes", "yes", "yes"), "review", ("11:59:00 short",)),
]  # fmt: skip

VARIANTS = [
    Row("made before the hook-up and longer than the study",
        {"old.edf": Eeg(HOOKUP - h("30:45"), h("30:00"), patient=NOBODY),
         "a.edf": Eeg(HOOKUP, h("24:00"), patient=NOBODY)},
        order_text(24), ("yes", "yes", "yes", "look"), "review", counted=h("24:00"),
        aside=("old.edf",)),
    Row("a test that would carry the study over a limit",
        {"test.edf": Eeg(HOOKUP - h("0:20"), h("0:02")), "a.edf": Eeg(HOOKUP, h("1:59"))},
        order_text(2), ("yes", "yes", "no", "look"), "review", counted=h("1:59"),
        aside=("test.edf",)),
    Row("a late hook-up by an hour, nothing else wrong",
        {"a.edf": Eeg(HOOKUP + h("1:00"), h("71:00"))}, order_text(72),
        ("yes", "yes", "yes", "look"), "review"),
    Row("twenty minutes late and as much longer",
        {"a.edf": Eeg(HOOKUP + h("0:20"), h("2:00"))}, order_text(2), YES, "complete"),
    Row("the same file twice under two names",
        {"a.edf": Eeg(HOOKUP, h("24:00"), seed="a"), "b.edf": Eeg(HOOKUP, h("24:00"), seed="a")},
        order_text(24), YES, "complete", counted=h("24:00")),
    Row("9 of 19 dead from hour 1 of 24",
        one("24:00:00", labels=TEN_TWENTY, dead=dict.fromkeys(TEN_TWENTY[:9], h("1:00"))),
        order_text(24), ("yes", "no", "yes", "yes"), "repeat"),
    Row("4 of 19 dead from hour 1 of 24",
        one("24:00:00", labels=TEN_TWENTY, dead=dict.fromkeys(TEN_TWENTY[:4], h("1:00"))),
        order_text(24), YES, "complete"),
    Row("the order's own number of channels",
        one("24:00:00", dead=dict.fromkeys(EIGHT[:3], h("1:00"))),
        order_text(24, more="minimum_channels = 5"), YES, "complete"),
    Row("4 of 19 pop over 1 mV",
        one("4:00:00", labels=TEN_TWENTY, rate=8, large=TEN_TWENTY[:4]), order_text(4), YES,
        "complete"),
    Row("mains on 5 of 19",
        one("2:30:00", labels=TEN_TWENTY, rate=128, mains=TEN_TWENTY[:5]), order_text(2.5),
        ("yes", "look", "yes", "yes"), "review", ("60 Hz artifact on 5 of 19 channels",)),
    Row("nobody's code in the files",
        one("24:00:00", patient="P-1990 X X X"), order_text(24),
        ("yes", "yes", "yes", "no"), "review", ("No file carries the patient code",)),
    Row("all uploaded, and the patient goes on", one("72:00:00"),
        order_text(72, more="still_recording = true"), YES, "so_far"),
    Row("so far, with the electrodes off", one("23:40:00", dead=dict.fromkeys(EIGHT, h("2:00"))),
        order_text(72, more="still_recording = true"),
        ("unknown", "no", "unknown", "yes"), "so_far", ("48:20:00 to come", "readable"),
        never=("early stop", "repeat")),
    Row("excluded by hand",
        {"a.edf": Eeg(HOOKUP, h("24:00")), "b.edf": Eeg(HOOKUP + h("24:30"), h("1:00"))},
        order_text(24, more='[files]\nexclude = ["b.edf"]'), YES, "complete",
        counted=h("24:00"), aside=("b.edf",)),
]  # fmt: skip


def audited(row: Row, folder: Path) -> Audit:
    folder = folder / "S-2041"
    for name, eeg in row.files.items():
        eeg.write(folder / name)
    for name, text in row.logs.items():
        (folder / name).write_text(text, encoding="utf-8")
    order = None
    if row.order is not None:
        text = row.order if row.order.startswith("[") else f"[order]\n{row.order}\n"
        (folder / "order.toml").write_text(text, encoding="utf-8")
        order = read_order(folder / "order.toml")
    return audit_study([folder], order=order, policy=POLICY, options=Options(second_readers=False))


@pytest.mark.parametrize(
    "row", [*FOUR_ANSWERS, *SITUATIONS, *CODES, *VARIANTS], ids=lambda row: row.name
)
def test_the_audit_concludes_what_practice_would(row: Row, tmp_path: Path) -> None:
    audit = audited(row, tmp_path)
    decision = audit.decision
    told = "\n".join(f"{a.question} {a.state}: {a.text}" for a in decision.answers)
    assert tuple(a.state for a in decision.answers) == row.answers, told
    assert decision.outcome == row.outcome, told
    for reason in row.says:
        assert reason in decision.headline, decision.headline
    for reason in row.also:
        assert reason in told
    for word in row.never:
        assert word not in f"{decision.headline}\n{told}"
    if row.counted is not None:
        assert audit.coverage.recorded_ns == row.counted.total_seconds() * 10**9
    assert sorted(f.recording.name for f in audit.study.set_aside) == sorted(row.aside)
    green_is_green(audit)


def green_is_green(audit: Audit) -> None:
    """Complete stands beside nothing that a person must do, and a look never stands alone."""
    decision = audit.decision
    asked = [f for f in audit.findings if f.question is not None]
    if decision.outcome == "complete":
        assert {a.state for a in decision.answers} == {"yes"}
        assert not asked
        assert decision.needed_ns == 0
    for finding in asked:
        (answer,) = (a for a in decision.answers if a.question == finding.question)
        assert answer.state != "yes"
        assert finding.action
