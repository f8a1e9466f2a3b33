"""What outside users rely on: the meaning of recorded, gap, window, copy, zone and usable time.

Black-box: files come from a writer of this test's own, expected values are worked out by hand.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import timedelta
from decimal import Decimal
from pathlib import Path

import pytest
from helpers_contract import (
    EEG_LABELS,
    HOUR,
    ONE,
    START,
    Channel,
    Run,
    answer,
    codes,
    nanoseconds,
    ordered,
    stamp,
    study,
    varied,
    write,
)
from helpers_edf import event

# --- recorded, span, gap, dropout ------------------------------------------------------------------


def identities(made: Run) -> None:
    """recorded + gaps + dropouts = span, and the parts of the window, to the nanosecond."""
    audit = made.audit
    coverage, parts = audit["coverage"], audit["shortfall"]
    gaps = sum(nanoseconds(gap["duration_s"]) for gap in coverage["gaps"])
    dropouts = nanoseconds(coverage["dropouts"]["total_s"])
    recorded = nanoseconds(coverage["recorded_s"])
    assert recorded + gaps + dropouts == nanoseconds(coverage["span_s"])
    missing = ("late_start_s", "gaps_s", "dropouts_s", "early_stop_s")
    inside = recorded - nanoseconds(parts["outside_window_s"])
    ordered_ns = nanoseconds(parts["ordered_s"])
    assert sum(nanoseconds(parts[part]) for part in missing) == ordered_ns - inside
    assert nanoseconds(parts["short_s"]) == max(0, ordered_ns - recorded)


@pytest.mark.parametrize(
    ("onsets", "record", "gaps", "dropouts", "recorded"),
    [
        (["0", "31", "62"], "30", [1, 1], (0, 0), 90),
        (["0", "30.9999999", "62"], "30", [1.0000001], (1, 0.9999999), 90),
        (["0.0000001", "30.0000001", "60.0000002"], "30", [], (1, 0.0000001), 90),
        ([format(Decimal(n) / 10, "f") for n in range(50)], "0.1", [], (0, 0), 5),
        (["0", "0.333333", "0.666666", "7.5"], "0.333333", [6.500001], (0, 0), 1.333332),
        (["0", "1.234567", "5"], "1.234567", [2.530866], (0, 0), 3.703701),
        (["0", "30", "20", "90"], "30", None, None, 120),
    ],
)
def test_recorded_gaps_and_dropouts_make_up_the_span_to_the_nanosecond(
    tmp_path: Path,
    onsets: list[str],
    record: str,
    gaps: list[float] | None,
    dropouts: tuple[int, float] | None,
    recorded: float,
) -> None:
    write(tmp_path / "s" / "a.edf", kind="EDF+D", record=record, onsets=onsets, channels=ONE)
    made = study(tmp_path / "s", "--ordered-hours", "0.02")
    identities(made)
    coverage = made.audit["coverage"]
    assert coverage["recorded_s"] == recorded
    if gaps is not None and dropouts is not None:
        assert [gap["duration_s"] for gap in coverage["gaps"]] == gaps
        assert (coverage["dropouts"]["count"], coverage["dropouts"]["total_s"]) == dropouts
        assert len(made.table("gaps.csv")) == len(gaps)


@pytest.mark.parametrize("kind", ["EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"])
@pytest.mark.parametrize(
    ("change", "records", "code", "files"),
    [
        ({}, 6, None, "yes"),
        ({"count": -1}, 6, "never_closed", "yes"),
        ({"count": 9}, 6, "records_missing", "look"),
        ({"count": 4}, 6, "more_records_than_claimed", None),
        ({"cut": 5}, 5, "partial_last_record", None),
        ({"tail": b"xyz"}, 6, None, "yes"),
        ({"count": -1, "tail": bytes(2000)}, 6, "padding_at_end", "yes"),
    ],
    ids=["whole", "minus one", "too many", "too few", "cut", "surplus", "padded"],
)
def test_whole_records_are_what_was_recorded_in_all_six_formats(
    tmp_path: Path,
    kind: str,
    change: dict[str, object],
    records: int,
    code: str | None,
    files: str | None,
) -> None:
    write(tmp_path / "s" / "a.file", kind=kind, records=6, **change)  # type: ignore[arg-type]
    made = study(tmp_path / "s", "--ordered-hours", "0.05")
    row = made.audit["files"][0]
    assert (row["format"], row["role"], row["records"]) == (kind, "counted", records)
    assert (row["recorded_s"], row["channels"], row["eeg_channels"]) == (30 * records, 8, 8)
    assert code is None or code in codes(made.audit)
    assert files is None or answer(made.audit, "files") == files
    identities(made)


@pytest.mark.parametrize(
    ("start", "recording", "expected", "code"),
    [
        ("02.03.85 09.30.00", "Startdate X X X X", "1985-03-02T09:30:00", None),
        ("02.03.84 09.30.00", "Startdate X X X X", "2084-03-02T09:30:00", None),
        ("02.03.yy 09.30.00", "Startdate 02-MAR-2090 X X X", "2090-03-02T09:30:00", None),
        ("17.04.01 09.30.00", "Startdate 02-MAR-2002 X X X", "2002-03-02T09:30:00",
         "start_date_conflict"),
    ],
)  # fmt: skip
def test_the_recording_fields_date_beats_the_two_digit_date(
    tmp_path: Path, start: str, recording: str, expected: str, code: str | None
) -> None:
    write(tmp_path / "s" / "a.edf", start=start, recording=recording, onsets=["0.5", "30.5"])
    made = study(tmp_path / "s", "--ordered-hours", "1")
    assert made.audit["coverage"]["first_start"] == expected + ".500"
    assert code is None or code in codes(made.audit)


def test_annotations_of_several_signals_in_any_place_are_all_kept(tmp_path: Path) -> None:
    events = {
        0: [event("+3", "Eyes open"), event("+1000", "after the end")],
        1: [event("-5", "before the start"), event("+31", "one", "two", duration="2.5")],
        2: [event("+60.5", "Häh? ü€")],
    }
    write(tmp_path / "s" / "a.edf", records=3, events=events, annotation_bytes=120,
          annotation_at=[0, 4, 9])  # fmt: skip
    audit = study(tmp_path / "s", "--ordered-hours", "0.025").audit
    assert [(a["at"][11:], a["text"], a["duration_s"]) for a in audit["annotations"]] == [
        ("09:29:55", "before the start", None),
        ("09:30:03", "Eyes open", None),
        ("09:30:31", "one", 2.5),
        ("09:30:31", "two", 2.5),
        ("09:31:00.500", "Häh? ü€", None),
        ("09:46:40", "after the end", None),
    ]
    assert audit["files"][0]["annotations"] == 6
    assert codes(audit)["annotation_outside_recording"] == "info"
    assert audit["coverage"]["recorded_s"] == 90


def test_what_begins_as_a_recording_is_read_and_what_is_named_like_one_is_listed(
    tmp_path: Path,
) -> None:
    folder = tmp_path / "s"
    write(folder / "z" / "deep" / "first.EDF", records=2)
    write(folder / "second.dat", start="02.03.27 09.31.00", records=2)
    (folder / "bad.Bdf").write_bytes(b"no recording")
    (folder / "empty.edf").touch()
    (folder / "notes.txt").write_text("hello")
    made = study(folder, "--ordered-hours", "0.03")
    audit = made.audit
    assert [(f["name"], f["role"]) for f in audit["files"]] == [
        ("z/deep/first.EDF", "counted"),
        ("second.dat", "counted"),
        ("bad.Bdf", "unreadable"),
        ("empty.edf", "unreadable"),
    ]
    assert all(f["reason"] and f["format"] is None for f in audit["files"][2:])
    assert audit["coverage"]["recorded_s"] == 120
    assert made.status == 1
    others = [f for f in audit["findings"] if f["code"] == "other_files"]
    assert [f["severity"] for f in others] == ["info"]
    assert len(made.table("files.csv")) == 4


@pytest.mark.parametrize(
    ("change", "reason"),
    [
        (lambda raw: b"", "It is empty."),
        (lambda raw: b"x", "It has 1 byte; a header alone has 256."),
    ],
    ids=["empty", "one byte"],
)
def test_the_reason_of_an_unreadable_file_is_a_sentence(
    tmp_path: Path, change: Callable[[bytes], bytes], reason: str
) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    bad = write(tmp_path / "s" / "b.edf", records=2)
    bad.write_bytes(change(bad.read_bytes()))
    audit = study(tmp_path / "s", "--ordered-hours", "1").audit
    assert audit["files"][1]["reason"].startswith(reason)
    assert not any("it the " in finding["text"] for finding in audit["findings"])


def test_three_pieces_named_out_of_order_one_open_one_cut_beside_strays(tmp_path: Path) -> None:
    folder = tmp_path / "s"
    write(folder / "z.edf", kind="EDF+D", onsets=["0.25", "30.25", "90.25"])
    write(folder / "a.edf", kind="EDF+D", start="02.03.27 10.00.00", onsets=[0, 30], count=-1)
    write(folder / "m.edf", kind="EDF+D", start="02.03.27 09.40.00", onsets=[0, 30, 61], cut=3)
    (folder / "notes.txt").write_text("hello")
    (folder / "empty.edf").touch()
    made = study(folder, "--ordered-hours", "0.06")
    assert made.status == 1
    coverage = made.audit["coverage"]
    assert coverage["recorded_s"] == 210
    assert [(g["start"][11:], g["duration_s"]) for g in coverage["gaps"]] == [
        ("09:31:00.250", 30),
        ("09:32:00.250", 479.75),
        ("09:41:00", 1140),
    ]
    identities(made)


# --- the ordered window -------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("start", "onsets", "late", "gaps", "early", "outside", "short"),
    [
        ("09.40.00", range(0, 1800, 30), 600, 0, 1200, 0, 1800),
        ("09.20.00", range(0, 4800, 30), 0, 0, 0, 1200, 0),
        ("09.20.00", [0, 30, *range(1200, 3600, 30)], 0, 600, 600, 60, 1140),
        ("09.30.00", [0, 30, 4000, 4030], 0, 3540, 0, 60, 3480),
        ("11.30.00", range(0, 1800, 30), 3600, 0, 0, 1800, 1800),
        ("09.00.00", range(0, 1800, 30), 0, 0, 3600, 1800, 1800),
    ],
    ids=["late and early", "both sides", "gap over the start", "gap over the end", "after",
         "before"],
)  # fmt: skip
def test_the_parts_of_the_window_sum_to_what_is_missing_in_it(
    tmp_path: Path,
    start: str,
    onsets: list[int],
    late: float,
    gaps: float,
    early: float,
    outside: float,
    short: float,
) -> None:
    write(tmp_path / "s" / "a.edf", kind="EDF+D", start=f"02.03.27 {start}", onsets=list(onsets))
    order = ordered(tmp_path / "s", 1, hookup="2027-03-02T09:30:00")
    made = study(tmp_path / "s", "--order", order)
    parts = made.audit["shortfall"]
    names = ("late_start_s", "gaps_s", "early_stop_s", "outside_window_s", "short_s")
    assert [parts[name] for name in names] == [late, gaps, early, outside, short]
    identities(made)


# --- several files and copies -------------------------------------------------------------------


def test_overlap_is_summed_over_the_extra_coverings(tmp_path: Path) -> None:
    for number, second in enumerate((0, 30, 60)):
        write(
            tmp_path / "s" / f"{number}.edf",
            start=stamp(START + timedelta(seconds=second)),
            records=4,
            channels=varied(number, 4),
        )
    audit = study(tmp_path / "s", "--ordered-hours", "0.05").audit
    assert audit["coverage"]["recorded_s"] == 180
    assert audit["coverage"]["overlap_s"] == 3 * 120 - 180
    (found,) = (f for f in audit["findings"] if f["code"] == "overlapping_recordings")
    assert found["severity"] == "problem"
    for figure in ("0:03:00", "0:06:00"):
        assert figure in found["text"], "counted once, and if the clock was put back"


def test_two_copies_count_once_and_fill_each_others_gaps(tmp_path: Path) -> None:
    channels = varied(3, 480, 20)

    def part(first: int, end: int) -> list[Channel]:
        return [
            Channel(c.label, 20, samples={r - first: c.samples[r] for r in range(first, end)})
            for c in channels
        ]

    folder, ahead = tmp_path / "s", timedelta(seconds=37)
    for name, first, end, clock in (
        ("card/a.edf", 0, 240, timedelta()),
        ("card/b.edf", 370, 480, timedelta()),
        ("computer/a.edf", 0, 120, ahead),
        ("computer/b.edf", 180, 480, ahead),
    ):
        moment = START + timedelta(seconds=30 * first) + clock
        write(folder / name, start=stamp(moment), records=end - first, channels=part(first, end))
    audit = study(folder, "--ordered-hours", "4").audit
    coverage = audit["coverage"]
    assert (coverage["recorded_s"], coverage["gaps"]) == (4 * HOUR, [])
    assert coverage["overlap_s"] == 30 * (240 + 110 + 120 + 300) - 4 * HOUR
    assert {f["name"]: f["copy"] for f in audit["files"]} == {
        "card/a.edf": "A",
        "card/b.edf": "A",
        "computer/a.edf": "B",
        "computer/b.edf": "B",
    }


def test_a_second_folder_that_matches_nothing_is_not_counted_silently(tmp_path: Path) -> None:
    write(tmp_path / "s" / "x" / "a.edf", records=60, channels=varied(1, 60, 20))
    write(tmp_path / "s" / "y" / "a.edf", records=60, channels=varied(2, 60, 20))
    audit = study(tmp_path / "s", "--ordered-hours", "0.5").audit
    assert audit["coverage"]["recorded_s"] == 1800
    assert codes(audit)["copy_not_matched"] == "problem"
    assert audit["decision"]["outcome"] == "review"


@pytest.mark.parametrize(
    ("start", "patient", "hookup"),
    [("20.02.27 09.30.00", "P-2030 X X X", False), ("02.03.27 09.40.00", "P-2030 X X X", False),
     ("01.03.27 09.30.00", "P-2041 X X X", True)],
    ids=["other patient", "other patient, same time", "before the hook-up"],
)  # fmt: skip
def test_a_recording_that_does_not_belong_is_set_aside_with_its_reason(
    tmp_path: Path, start: str, patient: str, hookup: bool
) -> None:
    write(tmp_path / "s" / "a.edf", records=60)
    write(tmp_path / "s" / "old.edf", start=start, patient=patient, records=60)
    keys = {"hookup": "2027-03-02T09:30:00"} if hookup else {}
    order = ordered(tmp_path / "s", 0.5, patient_code='"P-2041"', **keys)
    audit = study(tmp_path / "s", "--order", order).audit
    (old,) = (f for f in audit["files"] if f["name"] == "old.edf")
    assert old["role"] == "set_aside"
    assert old["reason"]
    assert audit["coverage"]["recorded_s"] == 1800


# --- time zones ---------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("zone", "first", "records", "second", "span"),
    [
        ("America/Denver", "06.11.27 22.30.00", 420, "07.11.27 01.00.00", 4.5),
        ("America/Denver", "07.11.27 01.30.00", 120, "07.11.27 01.30.00", 2),
        ("America/Denver", "07.11.27 01.30.00", 180, "07.11.27 02.00.00", 2.5),
        ("America/Denver", "14.03.27 01.00.00", 120, "14.03.27 03.00.00", 2),
        ("Pacific/Auckland", "26.09.27 01.00.00", 120, "26.09.27 03.00.00", 2),
        ("Australia/Lord_Howe", "04.04.27 01.00.00", 120, "04.04.27 01.30.00", 2),
    ],
)
def test_elapsed_time_is_absolute_over_a_change_of_the_clocks(
    tmp_path: Path, zone: str, first: str, records: int, second: str, span: float
) -> None:
    # Transitions as in the IANA time zone database.
    write(tmp_path / "s" / "a.edf", start=first, records=records, channels=varied(1, records))
    write(tmp_path / "s" / "b.edf", start=second, records=120, channels=varied(2, 120))
    made = study(tmp_path / "s", "--ordered-hours", str(span), "--timezone", zone)
    coverage = made.audit["coverage"]
    assert (coverage["span_s"], coverage["recorded_s"]) == (span * HOUR, span * HOUR)
    assert (coverage["gaps"], coverage["overlap_s"]) == ([], 0)
    assert coverage["first_start_utc"].endswith("Z")
    assert (answer(made.audit, "order"), answer(made.audit, "files")) == ("yes", "yes")


# --- usable time --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["EDF+C", "BDF+C", "EDF"])
@pytest.mark.parametrize(("minimum", "usable"), [(8, 510), (7, 600), (9, 0)])
def test_usable_is_recorded_time_with_enough_channels_neither_flat_nor_saturated(
    tmp_path: Path, kind: str, minimum: int, usable: int
) -> None:
    channels = varied(5, 600, 16, EEG_LABELS)
    wide = ("-838861", "838861") if kind == "BDF+C" else ("-3276.8", "3276.7")
    top = 8388607 if kind == "BDF+C" else 32767
    for channel in channels:
        channel.physical = wide
    for second in range(100, 160):
        channels[0].samples[second] = [50] * 16
    for second in range(200, 230):
        channels[1].samples[second] = [top, 0] * 8
    write(tmp_path / "s" / "a.edf", kind=kind, record="1", records=600, channels=channels)
    order = ordered(tmp_path / "s", "0.16", minimum_channels=minimum)
    signal = study(tmp_path / "s", "--order", order, signal="full").audit["signal"]
    assert (signal["scanned"], signal["needed_channels"]) == (True, minimum)
    assert signal["usable_s"] == usable
    assert sum(hour["usable_s"] for hour in signal["hours"]) == usable
    by = {
        c["label"]: (c["eeg"], c["signal_s"], c["flat_s"], c["saturated_s"])
        for c in signal["channels"]
    }
    assert by["EEG Fp1-Ref"] == (True, 540, 60, 0)
    assert by["EEG Fp2-Ref"] == (True, 570, 0, 30)
    assert by["EEG C3-Ref"] == (True, 600, 0, 0)


def test_signal_off_is_marked_as_not_scanned(tmp_path: Path) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    made = study(tmp_path / "s", "--ordered-hours", "1")
    assert made.audit["signal"] == {"scanned": False}
    assert "signal_not_scanned" in codes(made.audit)
