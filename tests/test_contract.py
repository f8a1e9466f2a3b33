"""What outside users and scripts rely on: command line, order file, outputs.

Black-box: files come from a writer of this test's own, expected values are worked out by hand.
"""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest
from helpers_contract import (
    HALF_MINUTES,
    HOUR,
    called,
    eight,
    installed,
    ordered,
    study,
    write,
)
from helpers_edf import event

# --- command line -------------------------------------------------------------------------------


def test_the_command_writes_the_named_files_and_says_complete_with_status_0(
    tmp_path: Path,
) -> None:
    waves = {record: [500, -500] * 150 for record in range(HALF_MINUTES)}
    write(tmp_path / "S 77" / "a.edf", records=HALF_MINUTES, channels=eight(300, waves))
    made = installed(
        "study", "S 77", "--ordered-hours", "1", "--out", "my audit", cwd=tmp_path, out="my audit",
    )  # fmt: skip
    assert made.status == 0, made.stderr
    named = {
        "audit.html", "audit.json", "files.csv", "segments.csv", "gaps.csv", "hours.csv",
        "periods.csv",
    }  # fmt: skip
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
    # The samples were not looked at, so a person must: status 1.
    assert called(*asked, "--second-readers", "off", cwd=tmp_path).status == 1
    before = (tmp_path / "out" / "audit.json").read_bytes()
    refused = called(*asked, cwd=tmp_path)
    assert refused.status == 2
    assert "--force" in refused.stderr
    assert (tmp_path / "out" / "audit.json").read_bytes() == before
    forced = called(*asked, "--second-readers", "off", "--force", "--quiet", cwd=tmp_path)
    assert (forced.status, forced.stdout, forced.stderr) == (1, "", "")


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
        ('[order]\nordered_hours = "many"\n', "ordered_hours", 2),
        ("[order]\nordered_hours = -1\n", "ordered_hours", 2),
        ("[order]\nstudy_id = 'S'\n", "ordered_hours", 1),
        ("[order]\nordered_hours = 72\nhookup = 2027-03-02T09:30:00Z\n", "hookup", 3),
        ("[order]\nordered_hours = 72\nhookup = 2027-03-02\n", "hookup", 3),
        ("[order]\nordered_hours = 72\ntimezone = 'Mars'\n", "timezone", 3),
        ("[order]\nordered_hours = 72\nvideo = 'maybe'\n", "video", 3),
        ("[order]\nordered_hours = 72\nmonitoring = 'often'\n", "monitoring", 3),
        ("[order]\nordered_hours = 72\nminimum_channels = 0\n", "minimum_channels", 3),
        ("[order]\nordered_hours = 72\n[power]\nmode = 'usb'\n", "mode", 4),
        ("[order]\nordered_hours = 72\n[power]\nmode_share = 1.5\n", "mode_share", 4),
        ("[order]\nordered_hours = 72\n[power]\nmode_share = 0\n", "mode_share", 4),
        ("[order]\nordered_hours = 72\n[power]\nhours_per_battery = -1\n", "hours_per_battery", 4),
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


# --- outputs ------------------------------------------------------------------------------------


def test_every_audit_follows_the_schema_that_the_command_prints(tmp_path: Path) -> None:
    schema = json.loads(called("schema", cwd=tmp_path).stdout)
    check = jsonschema.Draft202012Validator(schema)
    check.check_schema(schema)
    write(tmp_path / "s" / "a.edf", records=HALF_MINUTES)
    write(tmp_path / "s" / "old.edf", start="01.01.27 09.00.00", records=2, patient="P-9 X X X")
    (tmp_path / "s" / "bad.edf").write_bytes(b"x")
    order = ordered(tmp_path / "s", 1, "[power]\nbatteries = 2\n", patient_code='"P-2041"')
    for arguments in (
        (),
        ("--ordered-hours", "1"),
        ("--order", order),
        ("--order", order, "--redact"),
    ):
        made = study(tmp_path / "s", *arguments)
        check.validate(made.audit)
        assert made.audit["schema"] == "coverage-audit/2"
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
        events={0: [event("+3", "Mabel Quill waves")]},
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
    assert called("plan", "--ordered-hours", "72", cwd=tmp_path).status == 2
    (tmp_path / "lab.toml").write_text(
        "[order]\nordered_hours = 60\n[power]\nbatteries = 2\nhours_per_battery = 30\n", "utf-8"
    )
    assert called("plan", "--order", "lab.toml", cwd=tmp_path).status == 0
    short = called("plan", "--order", "lab.toml", "--ordered-hours", "61", cwd=tmp_path)
    assert short.status == 1
    assert "What would last" in short.stdout


def test_rules_give_each_threshold_its_source_and_the_date_it_was_checked(tmp_path: Path) -> None:
    made = called("rules", cwd=tmp_path)
    assert made.status == 0
    assert "95723" in made.stdout
    assert "2026-11" in made.stdout
    assert "S8" in made.stdout
