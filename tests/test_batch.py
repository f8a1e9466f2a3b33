"""The batch end to end: every study audited, one bad one stops nothing, unchanged ones are kept."""

from __future__ import annotations

import csv
import json
import os
import shutil
import stat
from pathlib import Path

import pytest
from helpers_batch import (
    CHANNELS,
    EPOCH,
    batch,
    make_study,
    one_by_one,
    order_text,
    touch,
    tree,
    worklist,
)
from helpers_cli import codes, read, run
from helpers_edf import edf

from auditor.outputs import files


@pytest.fixture(autouse=True)
def in_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    """Three studies: complete, far too short, and one that holds no recording."""
    root = tmp_path / "returned"
    make_study(root, "S-2041")
    make_study(root, "S-2042", seconds=12, patient="P-2042", unit="N-7")
    (root / "S-2043").mkdir()
    (root / "S-2043" / "a.edf").write_bytes(b"no header")
    return root


@pytest.fixture
def out(tmp_path: Path) -> Path:
    return tmp_path / "worklist"


def audited(capsys: pytest.CaptureFixture[str], root: Path, out: Path, *more: str | Path) -> int:
    """How many studies a batch with --resume audits."""
    run("batch", root, "--out", out, "--resume", *more)
    return int(capsys.readouterr().out.split(": ")[1].split(" audited")[0])


def test_every_study_is_audited_and_one_bad_one_stops_nothing(root: Path, out: Path) -> None:
    assert batch(root, out) == 1
    rows = worklist(out)
    assert [(r["study"], r["outcome"]) for r in rows] == [
        ("S-2043", "unreadable"), ("S-2042", "repeat"), ("S-2041", "complete"),
    ]  # fmt: skip
    assert "no recording could be read" in rows[0]["headline"]
    assert str(root) not in rows[0]["headline"]
    assert rows[0]["audit"] is None
    short = rows[1]
    assert (short["ordered_s"], short["recorded_s"], short["short_s"]) == (36, 12, 24)
    assert (short["recorder"], short["patient_code"]) == ("N-7", "P-2042")
    audit = read(out / "audits" / "S-2042")
    assert audit["coverage"]["recorded_s"] == 12
    assert (out / short["audit"]).is_file()


def test_an_error_nobody_foresaw_is_one_row(
    root: Path,
    out: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    from auditor.batch import jobs

    real = jobs.examine

    def broken(paths: list[Path], **more: object) -> object:
        if paths[0].name == "S-2041":
            raise ZeroDivisionError("P-2041")
        return real(paths, **more)  # type: ignore[arg-type]

    monkeypatch.setattr(jobs, "examine", broken)
    batch(root, out)
    rows = {r["study"]: r["headline"] for r in worklist(out)}
    assert "ZeroDivisionError" in rows["S-2041"]
    assert "P-2041" not in rows["S-2041"]
    assert "under 75 %" in rows["S-2042"]
    assert batch(root, out, "--debug") == 2
    assert "Traceback" in capsys.readouterr().err


def test_all_complete_is_status_0(tmp_path: Path, out: Path) -> None:
    make_study(tmp_path / "in", "S-2041")
    assert batch(tmp_path / "in", out) == 0


def test_outputs_are_for_their_owner_alone(root: Path, out: Path) -> None:
    batch(root, out)
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    for path in out.rglob("*"):
        if path.is_file():
            assert stat.S_IMODE(path.stat().st_mode) == 0o600, path


@pytest.mark.parametrize("name", ["x" * 300, "a/" * 3000])
def test_a_folder_name_that_is_too_long_is_wrong_use(
    name: str, root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert batch(Path(name), out) == 2
    assert batch(root, out / name) == 2
    assert run("trends", "--out", out / name) == 2
    assert "should not happen" not in capsys.readouterr().err


def test_any_umask_gives_files_that_their_owner_can_read(root: Path, out: Path) -> None:
    old = os.umask(0o777)
    try:
        assert batch(root, out) == 1
    finally:
        os.umask(old)
    assert stat.S_IMODE((out / "history.sqlite").stat().st_mode) == 0o600
    assert stat.S_IMODE(out.stat().st_mode) == 0o700


def test_an_output_inside_the_root_is_no_study(root: Path) -> None:
    batch(root, root / "out")
    batch(root, root / "out")
    assert len(worklist(root / "out")) == 3


def test_resume_audits_only_what_changed(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    batch(root, out)
    before = tree(out / "audits")
    assert audited(capsys, root, out) == 0
    assert tree(out / "audits") == before

    touch(root / "S-2041" / "a.edf")  # another time: it may be another file
    assert audited(capsys, root, out) == 1
    assert audited(capsys, root, out) == 0

    path = root / "S-2042" / "a.edf"
    raw = bytearray(path.read_bytes())
    raw[-20] ^= 1  # the same size
    path.write_bytes(bytes(raw))
    touch(path)
    assert audited(capsys, root, out) == 1
    assert audited(capsys, root, out) == 0


@pytest.mark.parametrize(
    "change", ["order", "new file", "lost file", "policy", "log", "lost audit", "option"]
)
def test_resume_audits_again_after_a_change_of(
    change: str, root: Path, out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    study = root / "S-2041"
    log = tmp_path / "checks.csv"  # outside the study's folder
    log.write_text("time,by\n2027-03-02T09:30:10,T-12\n")
    policy = tmp_path / "lab.toml"
    policy.write_text("")
    order = study / "order.toml"
    order.write_text(order_text("S-2041", 36) + f'[logs]\nmonitoring = "{log}"\n')
    shutil.copy(study / "a.edf", study / "b.edf")
    batch(root, out, "--policy", policy)
    assert audited(capsys, root, out, "--policy", policy) == 0
    more: list[str] = []
    every = change in ("policy", "option")
    match change:
        case "order":
            order.write_text(order.read_text().replace("hours = 0.0", "hours = 0.1"))
        case "new file":
            (study / "c.txt").write_text("a letter")
        case "lost file":
            (study / "b.edf").unlink()
        case "policy":
            policy.write_text("[coverage]\ngap_floor_s = 2\n")
        case "log":
            log.write_text("time,by\n2027-03-02T09:30:20,T-12\n")
        case "lost audit":
            shutil.rmtree(out / "audits" / "S-2041")
        case "option":
            more = ["--signal", "off"]
    assert audited(capsys, root, out, "--policy", policy, *more) == (3 if every else 1)


def test_without_resume_everything_is_audited(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    batch(root, out)
    run("batch", root, "--out", out)
    assert "3 studies: 3 audited, 0 unchanged" in capsys.readouterr().out


def test_a_study_that_can_no_longer_be_read_keeps_no_old_audit(root: Path, out: Path) -> None:
    batch(root, out)
    (root / "S-2041" / "a.edf").write_bytes(b"gone")
    batch(root, out, "--resume")
    assert not (out / "audits" / "S-2041").exists()
    assert [p.name for p in (out / "audits").iterdir()] == ["S-2042"]
    assert worklist(out)[0]["outcome"] == "unreadable"


def test_an_order_that_cannot_be_taken_is_that_studys_row(root: Path, out: Path) -> None:
    (root / "S-2041" / "order.toml").write_text("[order]\nordered_hours = -3\n")
    batch(root, out)
    rows = {r["study"]: r for r in worklist(out)}
    assert "ordered_hours" in rows["S-2041"]["headline"]
    assert rows["S-2042"]["outcome"] == "repeat"


def test_a_log_that_is_not_there_costs_its_study_that_log_alone(root: Path, out: Path) -> None:
    order = root / "S-2041" / "order.toml"
    order.write_text(order_text("S-2041", 36) + '[logs]\nmonitoring = "lost.csv"\n')
    batch(root, out)
    rows = {r["study"]: r for r in worklist(out)}
    assert rows["S-2041"]["recorded_s"] == 36
    audit = json.loads((out / rows["S-2041"]["audit"]).with_name("audit.json").read_text())
    [found] = [f for f in audit["findings"] if f["code"] == "log_not_taken"]
    assert "lost.csv" in found["text"]


@pytest.mark.parametrize(("kind", "line"), [("monitoring", "Checks"), ("video", "Video")])
def test_a_log_that_is_not_taken_stands_in_its_own_billing_line(
    kind: str, line: str, root: Path, out: Path
) -> None:
    order = root / "S-2041" / "order.toml"
    order.write_text(order_text("S-2041", 36) + f'video = true\n[logs]\n{kind} = "lost.csv"\n')
    batch(root, out)
    row = next(r for r in worklist(out) if r["study"] == "S-2041")
    assert [name for name, _, text in row["lines"] if "lost.csv is not taken" in text] == [line]


def test_orders_may_come_in_a_table(root: Path, out: Path, tmp_path: Path) -> None:
    for folder in ("S-2041", "S-2042"):
        (root / folder / "order.toml").unlink()
    table = tmp_path / "orders.csv"
    table.write_text(
        "study;ordered_hours;study_id;patient_code;hookup;batteries\n"
        "S-2041;0.01;ST-1;P-2041;2027-03-02T09:29:00;2\n"
        "S-2042;0.01;;;;\n"
        "S-2049;24;;;;\n;;;;;\n"
    )
    batch(root, out, "--orders", table)
    rows = {r["study"]: r for r in worklist(out)}
    assert rows["S-2041"]["study_id"] == "ST-1"
    assert rows["S-2041"]["power"] == "2 batteries"
    assert rows["S-2042"]["short_s"] == 24
    assert read(out / "audits" / "S-2041")["order"]["hookup"] == "2027-03-02T09:29:00"
    document = json.loads((out / "worklist.json").read_text())
    assert document["awaited"] == ["S-2049"]
    assert "S-2049" in (out / "index.html").read_text()


def test_orders_may_come_in_a_toml_list(root: Path, out: Path, tmp_path: Path) -> None:
    (root / "S-2042" / "order.toml").unlink()
    table = tmp_path / "orders.toml"
    table.write_text(
        '[[orders]]\nstudy = "S-2042"\nordered_hours = 0.01\nhookup = 2027-03-02T09:30:00\n'
        "video = false\n"
    )
    batch(root, out, "--orders", table)
    assert read(out / "audits" / "S-2042")["order"]["video"] is False


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (
            "name,hours\nS-1,2\n",
            "row 1: has a first row that does not name the columns study, ordered_hours. It names name, hours.",
        ),
        (
            "study,ordered_hours,Hours ordered\nS-1,2,3\n",
            "row 1: has two columns that mean ordered_hours. Keep one of ordered_hours and Hours",
        ),
        ("study,ordered_hours,moniotring\nS-1,2,x\n", "'moniotring' is not known. Is monitoring"),
        ("", "is empty"),
        ("\0", "no text"),
    ],
)
def test_what_is_no_list_of_orders_is_an_error(
    text: str, says: str, root: Path, out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table = tmp_path / "orders.csv"
    table.write_bytes(text.encode("latin-1"))
    assert batch(root, out, "--orders", table) == 2
    assert says in capsys.readouterr().err
    assert not (out / "index.html").exists()


def test_a_bad_row_costs_its_study_and_names_its_cell(
    root: Path, out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for folder in ("S-2041", "S-2042"):
        (root / folder / "order.toml").unlink()
    table = tmp_path / "orders.csv"
    table.write_text(
        "Study;Ordered hours;Hook-up\nS-2041;0.01;noon\nS-2042;0.01;2.3.2027 9:30\n"
        ";24;\nS-2049;24;\n"
    )
    run("batch", root, "--out", out, "--orders", table)
    rows = {r["study"]: r for r in worklist(out)}
    assert "row 2, column Hook-up: has the value 'noon'" in rows["S-2041"]["headline"]
    assert "Write it as in: 2027-03-02T09:30:00." in rows["S-2041"]["headline"]
    assert read(out / "audits" / "S-2042")["order"]["hookup"] == "2027-03-02T09:30:00"
    told = capsys.readouterr().out
    assert "Named in the list of orders and not there (1): S-2049" in told
    assert "Rows of the list left out (1)" in told
    assert "row 4: names no study" in told


def test_an_order_whose_name_fits_two_studies_is_taken_by_neither(
    tmp_path: Path, out: Path
) -> None:
    root = tmp_path / "in"
    make_study(root, "2026/S-1", ordered_s=None, patient="P-1")
    make_study(root, "2027/S-1", ordered_s=None, patient="P-1", date="02.09.27")
    table = tmp_path / "orders.csv"
    table.write_text("study,ordered_hours\nS-1,0.01\n")
    batch(root, out, "--orders", table)
    assert ["2 studies are called that" in r["headline"] for r in worklist(out)] == [True, True]
    table.write_text("study,ordered_hours\n2026/S-1,0.01\n")
    batch(root, out, "--orders", table)
    assert {r["study"]: r["ordered_s"] for r in worklist(out)} == {
        "2026/S-1": 36, "2027/S-1": None,
    }  # fmt: skip


def test_names_of_any_kind_come_through(tmp_path: Path, out: Path) -> None:
    root = tmp_path / "in"
    names = ["=1+1", "<b>x", "a\nb", "..x", "é", "x" * 200, "S-\udcff"]
    for name in names:
        make_study(root, name, study_id="ST-1")
    assert batch(root, out) == 0
    rows = {r["study"]: r["audit"] for r in worklist(out)}
    assert set(rows) == {*names[:-1], "S-\\xff"}
    assert all((out / link).is_file() for link in rows.values())
    assert len(set(rows.values())) == len(names)
    assert all((out / link).parent.parent == out / "audits" for link in rows.values())
    table = (out / "worklist.csv").read_text(encoding="utf-8")
    assert "\n'=1+1," in table
    assert "<b>x" not in (out / "index.html").read_text(encoding="utf-8")


def test_the_table_holds_what_the_json_holds(root: Path, out: Path) -> None:
    batch(root, out)
    with (out / "worklist.csv").open(newline="", encoding="utf-8") as file:
        table = list(csv.DictReader(file))
    rows = worklist(out)
    assert [r["study"] for r in table] == [r["study"] for r in rows]
    assert [r["recorded_s"] for r in table] == ["", "12", "36"]
    assert table[1]["findings"].split() == [f["code"] for f in rows[1]["findings"]]


def identifiers(root: Path) -> set[bytes]:
    """Every text that a redacted output must not hold."""
    words = {"P-2041", "P-2042", "Mustermann", "Erika", "12-AUG-1961", "1961"}
    words |= {p.name for p in root.rglob("*")} - {"order.toml"}
    return {w.encode() for w in words} | {w.lower().encode() for w in words}


def test_redacted_outputs_hold_no_identifier_and_no_name(
    tmp_path: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root = tmp_path / "Mustermann archive"
    for number, name in enumerate(["Mustermann_E", "ward9/P-2041 second", "Erika-3"]):
        folder = make_study(
            root, name, ordered_s=36, patient="P-2041", date=f"0{number + 1}.0{number + 1}.27"
        )
        raw = edf(
            onsets=list(range(36)), patient="P-2041 F 12-AUG-1961 Mustermann_Erika",
            start_date=f"0{number + 1}.0{number + 1}.27",
        )  # fmt: skip
        (folder / "a.edf").unlink()
        (folder / "Mustermann night.edf").write_bytes(raw)
        (folder / "order.toml").write_text(
            order_text(f"ST-{number}", 36) + 'patient_code = "P-2041"\n'
        )
    (root / "Erika-3" / "order.toml").write_text("[order]\nordered_hours = 'P-2041'\n")
    (root / "P-2042 broken").mkdir()
    (root / "P-2042 broken" / "Erika.edf").write_bytes(b"P-2042")
    run("batch", root, "--out", out, "--redact")
    said = capsys.readouterr()
    outputs = tree(out)
    assert len(worklist(out)) == 4
    assert "history.sqlite" in outputs
    for name, raw in outputs.items():
        for word in identifiers(root):
            assert word not in raw, (name, word)
            assert word.decode() not in name
    assert "Mustermann" not in said.out.replace(str(out), "")
    assert audited(capsys, root, out, "--redact") == 0
    (root / "Mustermann_E" / "Mustermann night.edf").write_bytes(edf(onsets=[0]))
    assert audited(capsys, root, out, "--redact") == 1


def test_the_two_kinds_of_names_do_not_mix(
    root: Path, out: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    batch(root, out)
    assert batch(root, out, "--redact") == 2
    assert "Leave out --redact" in capsys.readouterr().err
    batch(root, tmp_path / "redacted", "--redact")
    assert batch(root, tmp_path / "redacted") == 2
    assert "Give --redact" in capsys.readouterr().err


def test_redacted_ids_stay_and_cannot_be_tried_out_without_the_key(
    root: Path, tmp_path: Path
) -> None:
    ids = []
    for name in ("one", "one", "two"):
        batch(root, tmp_path / name, "--redact")
        ids.append({r["study"] for r in worklist(tmp_path / name)})
    assert ids[0] == ids[1]
    assert ids[0] & ids[2] == set()


def test_a_second_batch_into_the_same_folder_is_refused(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from auditor.batch.folder import held

    with held(out) as free:
        assert free
        assert batch(root, out) == 2
    assert "in use by another batch" in capsys.readouterr().err
    assert batch(root, out) == 1


def test_what_a_killed_run_left_is_swept_away(root: Path, out: Path) -> None:
    batch(root, out)
    for left in ("part", "old", "done"):
        made = out / "audits" / f".S-2041.{files._machine()}-1-1-0.{left}"
        made.mkdir()
        (made / "audit.html").write_text("half")
    others = out / "audits" / ".S-2041.x.part"  # not of a run of ours
    others.mkdir()
    batch(root, out)
    found = sorted(p.name for p in (out / "audits").iterdir())
    assert found == [others.name, "S-2041", "S-2042"]


@pytest.mark.parametrize("name", ["audit.json", "index.html", "worklist.csv", "audits"])
def test_a_folder_with_other_things_under_the_names_of_a_batch_is_refused_and_left_alone(
    root: Path, tmp_path: Path, name: str, capsys: pytest.CaptureFixture[str]
) -> None:
    out = tmp_path / "taken"
    out.mkdir()
    (out / name).write_text("somebody's own")
    (out / "letter.txt").write_text("keep me")
    assert batch(root, out) == 2
    assert f"holds {name}" in capsys.readouterr().err
    assert {p.name: p.read_text() for p in out.iterdir()} == {
        name: "somebody's own",
        "letter.txt": "keep me",
    }


def test_inputs_are_never_changed(root: Path, out: Path) -> None:
    before = {p: (p.read_bytes(), p.stat().st_mtime_ns) for p in root.rglob("*") if p.is_file()}
    batch(root, out)
    assert before == {
        p: (p.read_bytes(), p.stat().st_mtime_ns) for p in root.rglob("*") if p.is_file()
    }


def test_second_readers_are_asked_only_where_wanted(tmp_path: Path, out: Path) -> None:
    make_study(tmp_path / "in", "S-2041")
    batch(tmp_path / "in", out)
    assert read(out / "audits" / "S-2041")["second_readers"] == []
    batch(tmp_path / "in", out, "--second-readers", "on", "--resume")
    audit = read(out / "audits" / "S-2041")
    assert {r["library"] for r in audit["second_readers"]} == {"mne", "pyedflib"}
    assert "second_reader_disagrees" not in codes(audit)


class Told:
    """Keeps what it is told of the progress."""

    def __init__(self) -> None:
        self.stages: list[list[object]] = []

    def stage(self, name: str, total: int) -> None:
        self.stages.append([name, total, 0])

    def advance(self, amount: int) -> None:
        self.stages[-1][2] += amount  # type: ignore[operator]


def test_progress_counts_the_studies_that_are_audited(root: Path, out: Path) -> None:
    from auditor.batch import command
    from auditor.cli.parser import parser

    batch(root, out)
    shutil.rmtree(out / "audits" / "S-2041")
    arguments = parser().parse_args(["batch", str(root), "--out", str(out), "--resume", "--quiet"])
    told = Told()
    assert command.batch(arguments, told) == 1
    assert told.stages == [["Looking for changes", 3, 3], ["Auditing studies", 1, 1]]


def test_a_study_that_goes_on_says_what_came_since_the_last_audit(
    tmp_path: Path, out: Path
) -> None:
    root = tmp_path / "ward"
    folder = make_study(root, "S-2049", seconds=20, ordered_s=120)
    order = folder / "order.toml"
    order.write_text(order.read_text() + "still_recording = true\n")
    assert batch(root, out) == 1
    first = read(out / "audits" / "S-2049")
    assert first["since"] is None
    assert first["decision"]["outcome"] == "so_far"
    (folder / "b.edf").write_bytes(
        edf(onsets=range(30), signals=CHANNELS, start_time="09.30.20", patient="P-2041 X X X")
    )
    assert batch(root, out, "--resume") == 1
    then = read(out / "audits" / "S-2049")
    assert then["since"] == {
        "audited_utc": first["tool"]["generated_utc"],
        "recorded_s": 30.0,
        "files": 1,
    }
    assert "0:00:30 more in 1 new file" in then["note"]["text"]
