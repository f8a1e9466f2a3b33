"""The command line end to end: what outside users and scripts rely on."""

from __future__ import annotations

import csv
import hashlib
import json
import stat
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from helpers_cli import QUICK, codes, read, run, study
from helpers_edf import Sig, edf, event

from auditor.outputs.data import schema

CHANNELS = tuple(Sig(f"EEG {name}") for name in ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "O1", "O2"))


@pytest.fixture(scope="module")
def validator() -> jsonschema.Draft202012Validator:
    document = schema()
    jsonschema.Draft202012Validator.check_schema(document)
    return jsonschema.Draft202012Validator(document)


@pytest.fixture
def pieces(tmp_path: Path) -> Path:
    """Three EDF+D pieces named out of order, one never closed, one truncated, and two other files."""
    folder = tmp_path / "S-2041"
    folder.mkdir()
    third = edf(onsets=[0, 1, 2, 3], signals=CHANNELS, start_time="09.31.00")
    record = len(edf(onsets=[0, 1], signals=CHANNELS)) - len(edf(onsets=[0], signals=CHANNELS))
    (folder / "a.edf").write_bytes(third[: -record - 7])  # 4 records claimed; 2 whole, 1 in part
    (folder / "b.EDF").write_bytes(
        edf(onsets=["0.25", "1.25", "10.25"], signals=CHANNELS, fields={"record count": "-1"})
    )
    (folder / "c.edf").write_bytes(
        edf(onsets=[0, 1, 2], signals=CHANNELS, start_time="09.30.30",
            events={1: [event(1.5, "Lights off")]})
    )  # fmt: skip
    (folder / "notes.txt").write_text("handed in at the desk")
    (folder / "empty.edf").write_bytes(b"")
    return folder


def sums(folder: Path) -> dict[str, str]:
    return {p.name: hashlib.sha256(p.read_bytes()).hexdigest() for p in sorted(folder.iterdir())}


def test_three_pieces_one_never_closed_one_cut_are_right_to_the_nanosecond(
    pieces: Path, tmp_path: Path, validator: jsonschema.Draft202012Validator
) -> None:
    before = sums(pieces)
    status, audit = study(pieces, tmp_path / "out", "--ordered-hours", "0.025")
    assert status == 1
    assert sums(pieces) == before
    validator.validate(audit)

    coverage = audit["coverage"]
    assert coverage["first_start"] == "2027-03-02T09:30:00.250"
    assert coverage["last_end"] == "2027-03-02T09:31:02"
    assert coverage["span_s"] == 61.75
    assert coverage["recorded_s"] == 8  # 3 + 3 + 2 whole records
    assert [(g["start"][11:], g["duration_s"]) for g in coverage["gaps"]] == [
        ("09:30:02.250", 8.0), ("09:30:11.250", 18.75), ("09:30:33", 27.0),
    ]  # fmt: skip
    assert coverage["dropouts"] == {"count": 0, "total_s": 0}
    assert [f["name"] for f in audit["files"] if f["role"] == "counted"] == [
        "b.EDF", "c.edf", "a.edf",
    ]  # fmt: skip
    (unreadable,) = (f for f in audit["files"] if f["role"] == "unreadable")
    assert unreadable["name"] == "empty.edf"
    assert unreadable["reason"]
    assert audit["shortfall"]["short_s"] == 82
    assert [a["text"] for a in audit["annotations"]] == ["Lights off"]
    assert audit["annotations"][0]["at"] == "2027-03-02T09:30:31.500"
    assert {"never_closed", "other_files"} <= codes(audit)
    assert "signal_not_scanned" not in codes(audit)
    # Under 75 % with a file in doubt: settled first, and no patient called back before.
    assert audit["decision"]["outcome"] == "review"
    assert [a["state"] for a in audit["decision"]["answers"]][::3] == ["no", "look"]


def test_the_default_output_is_named_by_the_study(
    pieces: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    run("study", pieces, *QUICK, "--quiet")
    assert sorted(p.name for p in (tmp_path / "audit-S-2041").iterdir()) == [
        "audit.html", "audit.json", "files.csv", "gaps.csv", "hours.csv", "marks.txt", "note.txt",
        "periods.csv", "segments.csv",
    ]  # fmt: skip
    order = tmp_path / "order.toml"
    order.write_text('[order]\nordered_hours = 1\nstudy_id = "../S 2049"\n')
    run("study", pieces, *QUICK, "--quiet", "--order", order)
    assert (tmp_path / "audit-S_2049" / "audit.json").is_file()


def test_outputs_are_for_their_owner_alone(pieces: Path, tmp_path: Path) -> None:
    study(pieces, tmp_path / "out")
    for path in (tmp_path / "out").iterdir():
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_an_audit_is_kept_unless_it_is_forced(
    pieces: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study(pieces, tmp_path / "out")
    assert run("study", pieces, "--out", tmp_path / "out", *QUICK) == 2
    assert "already holds an audit" in capsys.readouterr().err
    assert run("study", pieces, "--out", tmp_path / "out", *QUICK, "--force") == 1


def test_a_study_that_goes_on_is_so_far_and_status_1(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.edf").write_bytes(edf(onsets=list(range(36)), signals=CHANNELS))
    status, audit = study(tmp_path / "in", tmp_path / "out", "--ordered-hours", "1", "--so-far")
    assert (status, audit["decision"]["outcome"]) == (1, "so_far")
    assert audit["order"]["still_recording"] is True
    assert audit["stop"]["kind"] == "so_far"
    printed = capsys.readouterr().out
    assert printed.startswith("SO FAR  0:00:36 recorded of 1:00:00 ordered so far, 0:59:24 to come")
    assert "repeat" not in printed.split("This audit is")[0].lower()
    assert "The recording goes on." in (tmp_path / "out" / "note.txt").read_text(encoding="utf-8")


def test_complete_is_status_0(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.edf").write_bytes(edf(onsets=list(range(36)), signals=CHANNELS))
    status, audit = study(tmp_path / "in", tmp_path / "out", "--ordered-hours", "0.01")
    assert (status, audit["decision"]["outcome"]) == (0, "complete")
    assert audit["signal"]["usable_s"] == 36
    assert audit["decision"]["needed_s"] == 0


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["study", "ABSENT"], "cannot be looked at (No such file"),
        (["study", "NOTHING"], "no recording was found"),
        (
            ["study", "PIECES", "--ordered-hours", "many"],
            "--ordered-hours: has the value 'many': must be a number of hours",
        ),
        (["study", "PIECES", "--timezone", "Mars/Olympus"], "no zone of this name"),
        (["study", "PIECES", "--order", "ABSENT"], "cannot be read"),
        (["study", "PIECES", "--policy", "ABSENT"], "cannot be read"),
        (["study", "PIECES", "--signal", "half"], "invalid choice"),
        (["study"], "required"),
        (["frobnicate"], "invalid choice"),
        ([], "required"),
        (["plan"], "no ordered time"),
        (["batch", "ABSENT", "--out", "OUT"], "is not a folder"),
        (["batch", "NOTHING", "--out", "OUT"], "holds no study folder"),
        (["decide", "S-1", "--outcome", "accept", "--by", "T-1", "--out", "NOTHING"], "no history"),
        (["trends", "--out", "NOTHING"], "no history"),
    ],
)
def test_wrong_use_is_status_2_with_one_clear_line(
    arguments: list[str], says: str, pieces: Path, tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    nothing = tmp_path / "nothing"
    nothing.mkdir()
    (nothing / "readme.txt").write_text("no recording here")
    places = {"ABSENT": tmp_path / "absent", "NOTHING": nothing, "PIECES": pieces,
              "OUT": tmp_path / "out"}  # fmt: skip
    assert run(*(places.get(a, a) for a in arguments)) == 2
    error = capsys.readouterr().err
    assert says in error
    assert "Traceback" not in error
    assert not (tmp_path / "out").exists() or not (tmp_path / "out" / "index.html").exists()


def test_no_traceback_reaches_the_user_without_debug(
    pieces: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:  # fmt: skip
    def broken(*_: Any, **__: Any) -> None:
        raise ZeroDivisionError("P-2041")

    monkeypatch.setattr("auditor.pipeline.build_study", broken)
    assert run("study", pieces, "--out", tmp_path / "out") == 2
    error = capsys.readouterr().err
    assert "ZeroDivisionError" in error
    assert "Traceback" not in error
    assert "P-2041" not in error
    assert run("study", pieces, "--out", tmp_path / "out", "--debug") == 2
    assert "Traceback" in capsys.readouterr().err


def test_quiet_prints_nothing(
    pieces: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    run("study", pieces, "--out", tmp_path / "out", *QUICK, "--quiet")
    captured = capsys.readouterr()
    assert (captured.out, captured.err) == ("", "")


def test_signal_off_says_that_nothing_was_scanned(pieces: Path, tmp_path: Path) -> None:
    _, audit = study(pieces, tmp_path / "out", "--signal", "off")
    assert audit["signal"] == {"scanned": False}
    assert "signal_not_scanned" in codes(audit)


def test_the_tables_hold_the_same_facts_as_the_json(pieces: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    _, audit = study(pieces, out)

    def table(name: str) -> list[dict[str, str]]:
        with (out / name).open(newline="", encoding="utf-8") as file:
            return list(csv.DictReader(file))

    assert [row["name"] for row in table("files.csv")] == [f["name"] for f in audit["files"]]
    assert [float(row["duration_s"]) for row in table("gaps.csv")] == [
        g["duration_s"] for g in audit["coverage"]["gaps"]
    ]
    assert [row["start"] for row in table("segments.csv")] == [
        s["start"] for s in audit["coverage"]["segments"]
    ]
    assert sum(float(row["recorded_s"]) for row in table("hours.csv")) == 8


def test_the_same_inputs_give_the_same_bytes(
    pieces: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    # SOURCE_DATE_EPOCH: reproducible-builds.org specification.
    monkeypatch.setenv("SOURCE_DATE_EPOCH", "1800000000")
    study(pieces, tmp_path / "one")
    study(pieces, tmp_path / "two")
    assert sums(tmp_path / "one") == sums(tmp_path / "two")
    assert read(tmp_path / "one")["tool"]["generated_utc"] == "2027-01-15T08:00:00Z"


def test_hours_on_the_command_line_take_the_place_of_the_order_files(
    pieces: Path, tmp_path: Path
) -> None:
    order = tmp_path / "order.toml"
    order.write_text('[order]\nordered_hours = 72\npatient_code = "P-2041"\n')
    _, audit = study(pieces, tmp_path / "out", "--order", order, "--ordered-hours", "1")
    assert audit["order"]["ordered_s"] == 3600
    assert audit["study"]["patient_code"] == "P-2041"


def test_a_time_zone_gives_utc_beside_civil_time(
    pieces: Path, tmp_path: Path, validator: jsonschema.Draft202012Validator
) -> None:
    _, audit = study(pieces, tmp_path / "out", "--timezone", "America/Denver")
    validator.validate(audit)
    assert audit["coverage"]["first_start"] == "2027-03-02T09:30:00.250"
    assert audit["coverage"]["first_start_utc"] == "2027-03-02T16:30:00.250Z"


def test_the_plan_says_whether_power_lasts(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = tmp_path / "order.toml"
    order.write_text(
        "[order]\nordered_hours = 24\n[power]\nbatteries = 2\nhours_per_battery = 30\n", "utf-8"
    )
    assert run("plan", "--order", order, "--ordered-hours", "24") == 0
    assert "lasts the ordered 24:00:00" in capsys.readouterr().out
    assert run("plan", "--order", order, "--ordered-hours", "96") == 1
    assert "does NOT last" in capsys.readouterr().out
    assert run("plan", "--ordered-hours", "24") == 2


def test_rules_and_schema_are_printed(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("rules") == 0
    rules = capsys.readouterr().out
    assert "95700" in rules
    assert "inferred" in rules
    assert run("schema") == 0
    jsonschema.Draft202012Validator.check_schema(json.loads(capsys.readouterr().out))
