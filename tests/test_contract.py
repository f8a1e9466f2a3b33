"""What outside users and scripts rely on: command line, order file, outputs and their meanings.

Black-box: files come from a writer of this test's own, expected values are worked out by hand.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from decimal import Decimal
from pathlib import Path

import jsonschema
import pytest
from helpers_contract import (
    EEG_LABELS,
    Channel,
    Run,
    called,
    codes,
    installed,
    nanoseconds,
    ordered,
    study,
    tal,
    write,
)

HOUR = 3600
HALF_MINUTES = 120
"""Records of 30 s in an hour."""
START = datetime(2027, 3, 2, 9, 30)
ONE = (Channel("EEG C3-Ref"),)


def stamp(moment: datetime) -> str:
    return moment.strftime("%d.%m.%y %H.%M.%S")


def varied(
    seed: int, records: int, rate: int = 1, labels: tuple[str, ...] = ("EEG C3-Ref",)
) -> list[Channel]:
    """Channels whose samples differ from second to second and from seed to seed."""

    def value(channel: int, record: int, k: int) -> int:
        return (seed * 7919 + channel * 131 + record * 613 + k * 389 + record * k * 17) % 601 - 300

    return [
        Channel(
            label,
            rate,
            samples={r: [value(i, r, k) for k in range(rate)] for r in range(records)},
        )
        for i, label in enumerate(labels)
    ]


# --- command line -------------------------------------------------------------------------------


def test_the_command_writes_the_named_files_and_says_complete_with_status_0(
    tmp_path: Path,
) -> None:
    write(tmp_path / "S 77" / "a.edf", records=HALF_MINUTES)
    made = installed(
        "study", "S 77", "--ordered-hours", "1", "--signal", "off", "--out", "my audit",
        cwd=tmp_path, out="my audit",
    )  # fmt: skip
    assert made.status == 0, made.stderr
    named = {"audit.html", "audit.json", "files.csv", "segments.csv", "gaps.csv", "hours.csv"}
    assert named <= {path.name for path in made.out.iterdir()}
    assert made.audit["decision"]["outcome"] == "complete"
    assert made.stdout.startswith("COMPLETE")
    assert {r["library"]: r["agrees"] for r in made.audit["second_readers"]} == {
        "mne": True,
        "pyedflib": True,
    }


def test_the_default_folder_is_named_by_the_study_id_or_else_the_folder(tmp_path: Path) -> None:
    write(tmp_path / "Returned 12" / "a.edf", records=2)
    quick = ("--signal", "off", "--second-readers", "off")
    called("study", "Returned 12", "--ordered-hours", "1", *quick, cwd=tmp_path)
    assert (tmp_path / "audit-Returned 12" / "audit.json").is_file()
    order = ordered(tmp_path / "Returned 12", 1, study_id='"S-2041"')
    called("study", "Returned 12", "--order", order, *quick, cwd=tmp_path)
    assert (tmp_path / "audit-S-2041" / "audit.json").is_file()
    sly = ordered(tmp_path / "Returned 12", 1, study_id='"../../S/2041"')
    made = called("study", "Returned 12", "--order", sly, *quick, cwd=tmp_path)
    assert made.status == 1
    assert [p.name for p in tmp_path.iterdir() if "2041" in p.name and p.name != "audit-S-2041"]
    assert not list(tmp_path.parent.glob("S/2041"))


def test_a_folder_that_holds_an_audit_is_kept_unless_forced_and_quiet_is_silent(
    tmp_path: Path,
) -> None:
    write(tmp_path / "s" / "a.edf", records=HALF_MINUTES)
    asked = ("study", "s", "--ordered-hours", "1", "--signal", "off", "--out", "out")
    assert called(*asked, "--second-readers", "off", cwd=tmp_path).status == 0
    before = (tmp_path / "out" / "audit.json").read_bytes()
    refused = called(*asked, cwd=tmp_path)
    assert refused.status == 2
    assert "--force" in refused.stderr
    assert (tmp_path / "out" / "audit.json").read_bytes() == before
    forced = called(*asked, "--second-readers", "off", "--force", "--quiet", cwd=tmp_path)
    assert (forced.status, forced.stdout, forced.stderr) == (0, "", "")


@pytest.mark.parametrize(
    "arguments",
    [
        (),
        ("study",),
        ("study", "missing"),
        ("study", "s", "--ordered-hours", "0"),
        ("study", "s", "--ordered-hours", "nan"),
        ("study", "s", "--timezone", "Mars/Olympus"),
        ("study", "s", "--signal", "half"),
        ("study", "s", "--order", "missing.toml"),
        ("study", "s", "--policy", "missing.toml"),
        ("study", "notes"),
        ("batch", "s"),
        ("plan",),
        ("paint",),
    ],
    ids=str,
)
def test_wrong_use_or_nothing_readable_is_status_2_and_writes_nothing(
    tmp_path: Path, arguments: tuple[str, ...]
) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    (tmp_path / "notes").mkdir()
    (tmp_path / "notes" / "empty.edf").touch()
    made = called(*arguments, cwd=tmp_path)
    assert made.status == 2
    assert made.stderr.strip()
    assert "Traceback" not in made.stderr
    assert sorted(path.name for path in tmp_path.iterdir()) == ["notes", "s"]


def test_ordered_hours_take_the_place_of_the_files_hours(tmp_path: Path) -> None:
    write(tmp_path / "s" / "a.edf", records=HALF_MINUTES)
    order = ordered(tmp_path / "s", 72, study_id='"S-2041"', hookup="2027-03-02T09:30:00")
    made = study(tmp_path / "s", "--order", order, "--ordered-hours", "1")
    assert made.audit["order"]["ordered_s"] == HOUR
    assert made.audit["study"]["study_id"] == "S-2041"
    assert made.audit["order"]["planned_end"] == "2027-03-02T10:30:00"


@pytest.mark.parametrize(
    ("text", "key", "line"),
    [
        ("[order]\nordered_hours = 72\ncolour = 1\n", "colour", 3),
        ('[order]\nordered_hours = "72"\n', "ordered_hours", 2),
        ("[order]\nordered_hours = -1\n", "ordered_hours", 2),
        ("[order]\nstudy_id = 'S'\n", "ordered_hours", 1),
        ("[order]\nordered_hours = 72\nhookup = 2027-03-02T09:30:00Z\n", "hookup", 3),
        ("[order]\nordered_hours = 72\nhookup = 2027-03-02\n", "hookup", 3),
        ("[order]\nordered_hours = 72\ntimezone = 'Mars'\n", "timezone", 3),
        ("[order]\nordered_hours = 72\nvideo = 'no'\n", "video", 3),
        ("[order]\nordered_hours = 72\nmonitoring = 'often'\n", "monitoring", 3),
        ("[order]\nordered_hours = 72\nminimum_channels = 0\n", "minimum_channels", 3),
        ("[order]\nordered_hours = 72\n[power]\nmode = 'usb'\n", "mode", 4),
        ("[order]\nordered_hours = 72\n[power]\nmode_factor = 1.5\n", "mode_factor", 4),
        ("[order]\nordered_hours = 72\n[power]\nmode_factor = 0\n", "mode_factor", 4),
        ("[order]\nordered_hours = 72\n[power]\nhours_per_pack = -1\n", "hours_per_pack", 4),
        ("[order]\nordered_hours = 72\n[logs]\nsound = 'x'\n", "sound", 4),
        ("[order]\nordered_hours = 72\n[extra]\n", "extra", 3),
    ],
)
def test_order_errors_name_the_key_and_the_line(
    tmp_path: Path, text: str, key: str, line: int
) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    (tmp_path / "order.toml").write_text(text)
    made = study(tmp_path / "s", "--order", tmp_path / "order.toml")
    assert made.status == 2
    assert key in made.stderr, made.stderr
    assert f"line {line}" in made.stderr, made.stderr
    assert ".." not in made.stderr, made.stderr
    assert "datetime" not in made.stderr, "a programmer's word"
    assert not made.out.exists()


# --- recorded, span, gap, seam ------------------------------------------------------------------


def identities(made: Run) -> None:
    """recorded + gaps + seams = span, and the parts of the window, to the nanosecond."""
    audit = made.audit
    coverage, parts = audit["coverage"], audit["shortfall"]
    gaps = sum(nanoseconds(gap["duration_s"]) for gap in coverage["gaps"])
    seams = nanoseconds(coverage["seams"]["total_s"])
    recorded = nanoseconds(coverage["recorded_s"])
    assert recorded + gaps + seams == nanoseconds(coverage["span_s"])
    missing = ("late_start_s", "gaps_s", "seams_s", "early_stop_s")
    inside = recorded - nanoseconds(parts["outside_window_s"])
    ordered_ns = nanoseconds(parts["ordered_s"])
    assert sum(nanoseconds(parts[part]) for part in missing) == ordered_ns - inside
    assert nanoseconds(parts["short_s"]) == max(0, ordered_ns - recorded)


@pytest.mark.parametrize(
    ("onsets", "record", "gaps", "seams", "recorded"),
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
def test_recorded_gaps_and_seams_make_up_the_span_to_the_nanosecond(
    tmp_path: Path,
    onsets: list[str],
    record: str,
    gaps: list[float] | None,
    seams: tuple[int, float] | None,
    recorded: float,
) -> None:
    write(tmp_path / "s" / "a.edf", kind="EDF+D", record=record, onsets=onsets, channels=ONE)
    made = study(tmp_path / "s", "--ordered-hours", "0.02")
    identities(made)
    coverage = made.audit["coverage"]
    assert coverage["recorded_s"] == recorded
    if gaps is not None and seams is not None:
        assert [gap["duration_s"] for gap in coverage["gaps"]] == gaps
        assert (coverage["seams"]["count"], coverage["seams"]["total_s"]) == seams
        assert len(made.table("gaps.csv")) == len(gaps)


@pytest.mark.parametrize("kind", ["EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"])
@pytest.mark.parametrize(
    ("change", "records", "code", "outcome"),
    [
        ({}, 6, None, "complete"),
        ({"count": -1}, 6, "never_closed", "complete"),
        ({"count": 9}, 6, "records_missing", "review"),
        ({"count": 4}, 6, "more_records_than_claimed", None),
        ({"cut": 5}, 5, "partial_last_record", "review"),
        ({"tail": b"xyz"}, 6, None, "complete"),
        ({"count": -1, "tail": bytes(2000)}, 6, "padding_at_end", "complete"),
    ],
    ids=["whole", "minus one", "too many", "too few", "cut", "surplus", "padded"],
)
def test_whole_records_are_what_was_recorded_in_all_six_formats(
    tmp_path: Path,
    kind: str,
    change: dict[str, object],
    records: int,
    code: str | None,
    outcome: str | None,
) -> None:
    write(tmp_path / "s" / "a.file", kind=kind, records=6, **change)  # type: ignore[arg-type]
    made = study(tmp_path / "s", "--ordered-hours", "0.05")
    row = made.audit["files"][0]
    assert (row["format"], row["role"], row["records"]) == (kind, "counted", records)
    assert (row["recorded_s"], row["channels"], row["eeg_channels"]) == (30 * records, 8, 8)
    assert code is None or code in codes(made.audit)
    assert outcome is None or made.audit["decision"]["outcome"] == outcome
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
        0: [tal("+3", "Eyes open"), tal("+1000", "after the end")],
        1: [tal("-5", "before the start"), tal("+31", "one", "two", duration="2.5")],
        2: [tal("+60.5", "Häh? ü€")],
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
        (lambda raw: raw[:168] + b"31.02.27" + raw[176:], "The header gives no start date "),
    ],
    ids=["empty", "one byte", "no date"],
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
    assert made.audit["decision"]["outcome"] == "complete"


# --- usable time --------------------------------------------------------------------------------


@pytest.mark.parametrize("kind", ["EDF+C", "BDF+C", "EDF"])
@pytest.mark.parametrize(("minimum", "usable"), [(8, 510), (7, 600), (9, 0)])
def test_usable_is_recorded_time_with_enough_channels_neither_flat_nor_railed(
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
    assert (signal["scanned"], signal["minimum_channels"]) == (True, minimum)
    assert signal["usable_s"] == usable
    assert sum(hour["usable_s"] for hour in signal["hours"]) == usable
    by = {
        c["label"]: (c["eeg"], c["live_s"], c["flat_s"], c["railed_s"]) for c in signal["channels"]
    }
    assert by["EEG Fp1-Ref"] == (True, 540, 60, 0)
    assert by["EEG Fp2-Ref"] == (True, 570, 0, 30)
    assert by["EEG C3-Ref"] == (True, 600, 0, 0)


def test_signal_off_is_marked_as_not_scanned(tmp_path: Path) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    made = study(tmp_path / "s", "--ordered-hours", "1")
    assert made.audit["signal"] == {"scanned": False}
    assert "signal_not_scanned" in codes(made.audit)


# --- billing-time thresholds --------------------------------------------------------------------


def recorded(folder: Path, seconds: int, gap_minutes: tuple[int, int] | None = None) -> None:
    """Records of a minute, then of a second, one after another."""
    minutes, rest = divmod(seconds, 60)
    onsets = [60 * m for m in range(minutes)]
    if gap_minutes:
        onsets = [60 * (m if m < gap_minutes[0] else m + gap_minutes[1]) for m in range(minutes)]
    write(folder / "a.edf", kind="EDF+D", record="60", onsets=onsets, annotation_bytes=16)
    if rest:
        write(folder / "b.edf", start=stamp(START + timedelta(minutes=minutes)), record="1",
              records=rest, annotation_bytes=16)  # fmt: skip


@pytest.mark.parametrize(
    ("duration", "long", "short", "whole"),
    [  # (h, m, s), units of 12-26 h, units of 2-12 h, whole-study code without video
        ((1, 59, 59), 0, 0, None), ((2, 0, 0), 0, 1, None), ((12, 0, 0), 0, 1, None),
        ((12, 0, 1), 1, 0, None), ((26, 0, 0), 1, 0, None), ((26, 0, 1), 1, 1, None),
        ((36, 0, 0), 1, 1, None), ((36, 0, 1), 2, 0, "95721"), ((50, 0, 0), 2, 0, "95721"),
        ((50, 0, 1), 2, 1, "95721"), ((59, 50, 0), 2, 1, "95721"), ((60, 0, 0), 2, 1, "95721"),
        ((60, 0, 1), 3, 0, "95723"), ((72, 0, 0), 3, 0, "95723"), ((74, 0, 0), 3, 0, "95723"),
        ((84, 0, 0), 3, 1, "95723"), ((84, 0, 1), 4, 0, "95725"), ((125, 0, 0), 5, 1, "95725"),
    ],
    ids=str,
)  # fmt: skip
def test_technical_units_and_whole_study_code_follow_the_recorded_time(
    tmp_path: Path, duration: tuple[int, int, int], long: int, short: int, whole: str | None
) -> None:
    hours, minutes, seconds = duration
    recorded(tmp_path / "s", hours * HOUR + minutes * 60 + seconds)
    billing = study(tmp_path / "s", "--ordered-hours", "72").audit["billing"]
    expected = [("95705", short), ("95708", long)]
    found = [(unit["code"], unit["count"]) for unit in billing["technical_totals"]]
    assert found == [pair for pair in expected if pair[1]]
    assert billing["professional"]["whole_study"]["code"] == whole
    assert billing["setup"]["code"] == "95700"
    assert (billing.get("shorter") is None) == (hours >= 2)


def test_a_gap_never_counts_towards_a_unit(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 36 * HOUR, gap_minutes=(600, 14 * 60))
    audit = study(tmp_path / "s", "--ordered-hours", "50").audit
    assert (audit["coverage"]["recorded_s"], audit["coverage"]["span_s"]) == (36 * HOUR, 50 * HOUR)
    billing = audit["billing"]
    assert [p["recorded_s"] for p in billing["periods"]] == [10 * HOUR, 24 * HOUR, 2 * HOUR]
    assert billing["professional"]["whole_study"]["code"] is None


def checks(folder: Path, minutes: range) -> None:
    rows = [(START + timedelta(minutes=minute)).isoformat() for minute in minutes]
    (folder.parent / "checks.csv").write_text("time\n" + "".join(row + "\n" for row in rows))


@pytest.mark.parametrize(
    ("minutes", "longest", "supported", "code"),
    [
        (range(0, 1441, 120), 7200, "intermittent", "95709"),
        (range(120, 1321, 120), 7200, "intermittent", "95709"),
        (range(121, 1441, 100), 7260, "unmonitored", "95708"),
        (range(0, 1319, 100), 8400, "unmonitored", "95708"),
        (range(0), None, None, "95708"),
    ],
    ids=["every two hours", "ends within two hours", "first late", "last early", "empty log"],
)
def test_intermittent_monitoring_needs_a_check_at_least_every_two_hours(
    tmp_path: Path, minutes: range, longest: float | None, supported: str | None, code: str
) -> None:
    recorded(tmp_path / "s", 24 * HOUR)
    checks(tmp_path / "s", minutes)
    order = ordered(tmp_path / "s", 24, '[logs]\nmonitoring = "checks.csv"\n', video="false",
                    monitoring='"intermittent"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    monitoring = audit["monitoring"]
    assert (monitoring["ordered"], monitoring["checks"]) == ("intermittent", len(minutes))
    assert (monitoring["longest_interval_s"], monitoring["supported"]) == (longest, supported)
    assert bool(monitoring["lapses"]) == (supported == "unmonitored")
    assert [u["code"] for u in audit["billing"]["technical_totals"]] == [code]


@pytest.mark.parametrize(
    ("minutes", "meets", "code"), [(1152, True, "95714"), (1151, False, "95708")]
)
def test_video_of_exactly_the_share_meets_it(
    tmp_path: Path, minutes: int, meets: bool, code: str
) -> None:
    recorded(tmp_path / "s", 24 * HOUR)
    end = (START + timedelta(minutes=minutes)).isoformat()
    (tmp_path / "v.csv").write_text(f"start,end\n{START.isoformat()},{end}\n")
    order = ordered(tmp_path / "s", 24, '[logs]\nvideo = "v.csv"\n', video="true",
                    monitoring='"unmonitored"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    assert audit["video"]["recorded_s"] == 60 * minutes
    assert audit["video"]["fraction"] == minutes / 1440
    assert audit["video"]["meets"] is meets
    assert audit["video"]["threshold"] == 0.8
    assert [u["code"] for u in audit["billing"]["technical_totals"]] == [code]


@pytest.mark.parametrize(
    ("minutes", "events", "code"),
    [(19, {}, None), (30, {20: [tal("+1200", "Sleep N2")]}, "95819"),
     (45, {20: [tal("+1200", "Sleep N2")]}, "95812"), (61, {}, "95813"), (119, {}, "95813")],
)  # fmt: skip
def test_under_two_hours_the_shorter_code_is_given(
    tmp_path: Path, minutes: int, events: dict[int, list[bytes]], code: str | None
) -> None:
    write(tmp_path / "s" / "a.edf", record="60", records=minutes, events=events)
    billing = study(tmp_path / "s", "--ordered-hours", "0.5").audit["billing"]
    assert billing["shorter"]["code"] == code
    assert billing["technical_totals"] == []


def test_without_video_and_monitoring_in_the_order_a_finding_says_so(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 3 * HOUR)
    found = codes(study(tmp_path / "s", "--ordered-hours", "3").audit)
    assert {"monitoring_not_stated", "video_not_stated"} <= set(found)


# --- outputs ------------------------------------------------------------------------------------


def test_every_audit_follows_the_schema_that_the_command_prints(tmp_path: Path) -> None:
    schema = json.loads(called("schema", cwd=tmp_path).stdout)
    check = jsonschema.Draft202012Validator(schema)
    check.check_schema(schema)
    write(tmp_path / "s" / "a.edf", records=HALF_MINUTES)
    write(tmp_path / "s" / "old.edf", start="01.01.27 09.00.00", records=2, patient="P-9 X X X")
    (tmp_path / "s" / "bad.edf").write_bytes(b"x")
    order = ordered(tmp_path / "s", 1, "[power]\npacks = 2\n", patient_code='"P-2041"')
    for arguments in (
        (),
        ("--ordered-hours", "1"),
        ("--order", order),
        ("--order", order, "--redact"),
    ):
        made = study(tmp_path / "s", *arguments)
        check.validate(made.audit)
        assert made.audit["schema"] == "coverage-audit/1"
    assert {"complete", "review", "repeat"} <= set(json.dumps(schema).replace('"', " ").split())


def test_without_an_order_its_parts_are_null_and_the_outcome_is_review(tmp_path: Path) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    audit = study(tmp_path / "s").audit
    assert (audit["order"], audit["shortfall"], audit["decision"]["outcome"]) == (
        None, None, "review",
    )  # fmt: skip


def test_redacted_outputs_carry_no_code_name_birth_date_or_file_name(tmp_path: Path) -> None:
    folder = tmp_path / "P-2041 Mabel_Quill"
    write(
        folder / "Quill_P-2041.edf",
        records=4,
        patient="P-2041 F 02-MAY-1990 Mabel_Quill",
        events={0: [tal("+3", "Mabel Quill waves")]},
    )
    made = study(folder, "--ordered-hours", "0.03", "--redact")
    texts = [path.read_text(encoding="utf-8") for path in made.out.iterdir()]
    for text in (*texts, made.stdout, made.stderr):
        for word in ("P-2041", "Mabel", "Quill", "02-MAY-1990", "1990-05-02"):
            assert word.lower() not in text.lower()


def test_the_same_inputs_give_the_same_bytes_when_the_time_of_making_is_fixed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1800000000")
    write(tmp_path / "s" / "a.edf", records=4)
    first = {p.name: p.read_bytes() for p in study(tmp_path / "s").out.iterdir()}
    again = {p.name: p.read_bytes() for p in study(tmp_path / "s").out.iterdir()}
    assert first == again
    assert b"2027-01-15T08:00:00Z" in first["audit.json"]


def test_files_may_be_given_instead_of_a_folder_and_count_once(tmp_path: Path) -> None:
    write(tmp_path / "s" / "a.edf", records=2)
    write(tmp_path / "s" / "b.edf", start="02.03.27 09.31.00", records=2)
    made = called(
        "study", "s/b.edf", tmp_path / "s" / "a.edf", "s/../s/a.edf", "--signal", "off",
        "--second-readers", "off", "--ordered-hours", "0.03", "--out", "out", cwd=tmp_path,
    )  # fmt: skip
    assert len(made.audit["files"]) == 2
    assert (made.audit["coverage"]["recorded_s"], made.audit["coverage"]["overlap_s"]) == (120, 0)


def test_inputs_are_left_as_they_were(tmp_path: Path) -> None:
    path = write(tmp_path / "s" / "a.edf", records=2)
    before, when = path.read_bytes(), path.stat().st_mtime_ns
    path.chmod(0o400)
    study(tmp_path / "s", "--ordered-hours", "1", signal="full")
    assert (path.read_bytes(), path.stat().st_mtime_ns) == (before, when)
    assert [found.name for found in (tmp_path / "s").iterdir()] == ["a.edf"]


def test_plan_says_by_its_status_whether_the_power_lasts(tmp_path: Path) -> None:
    assert called("plan", "--ordered-hours", "72", cwd=tmp_path).status == 0
    short = called("plan", "--ordered-hours", "73", cwd=tmp_path)
    assert short.status == 1
    assert "What would last" in short.stdout


def test_rules_give_each_threshold_its_source_and_the_date_it_was_checked(tmp_path: Path) -> None:
    made = called("rules", cwd=tmp_path)
    assert made.status == 0
    assert "95723" in made.stdout
    assert "2026-11" in made.stdout
    assert "S8" in made.stdout


def test_another_payers_limits_need_a_policy_file_and_no_code(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 90 * 60)
    (tmp_path / "payer.toml").write_text(
        "[policy]\nname = 'other payer'\n[coverage]\ngap_floor_s = 60\n"
    )
    audit = study(
        tmp_path / "s", "--ordered-hours", "1.5", "--policy", tmp_path / "payer.toml"
    ).audit
    assert audit["tool"]["policy"]["name"] == "other payer"
    assert len(audit["tool"]["policy"]["sha256"]) == 64
