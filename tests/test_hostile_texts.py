"""Texts that attack whoever reads them: in headers and annotations, orders and logs."""

from __future__ import annotations

import csv
import json
import random
from pathlib import Path

import pytest
from helpers_cli import QUICK, codes, read, run
from helpers_edf import edf, event
from helpers_hostile import MARKUP, Folder
from helpers_hostile_folder import EIGHT, audited, roles, within
from helpers_study_invariants import CONTROLS, check, page
from msgspec.structs import replace

from auditor.core.errors import SettingsError
from auditor.inputs.order import read_order
from auditor.inputs.orders_list import read_orders
from auditor.outputs.data import json_pieces

# ---------------------------------------------------------------- what is in the files


@pytest.mark.parametrize("text", MARKUP, ids=[repr(t)[:20] for t in MARKUP])
def test_header_and_annotation_text_is_only_text_in_every_output(
    tmp_path: Path, text: str, capsys: pytest.CaptureFixture[str]
) -> None:
    head = text.encode().decode("latin-1")
    raw = edf(
        onsets=[*range(10), *range(60, 70)], signals=EIGHT, patient=head,
        recording=f"Startdate 02-MAR-2027 {head} {head} {head}", annotation_bytes=160,
        events={3: [event(3, text)], 9: [event(9, "Recording stopped " + text)]},
        signal_fields={("label", 0): head[:16], ("prefilter", 1): head, ("dimension", 2): head[:8]},
        fields={"record count": head[:8]},
    )  # fmt: skip
    order = json.dumps(text.replace("\0", "").replace("\x1b", "").replace("\x9b", "")[:60] or "x")
    seen = check(
        Folder(
            {b"a.edf": raw},
            order=("toml", f"[order]\nordered_hours = 1\nstudy_id = {order}\n".encode()),
        ),
        tmp_path / "case",
        random.Random(1),
    )
    assert seen.split(" ")[0] in ("review", "repeat", "SettingsError")
    run("study", tmp_path / "case" / "study", "--out", tmp_path / "out", *QUICK)
    captured = capsys.readouterr()
    assert not CONTROLS.search(captured.out + captured.err)


def test_a_lone_surrogate_never_reaches_the_json(folder: Path) -> None:
    from auditor.pipeline import Options, audit_study
    from auditor.policy import load_policy

    audit = audit_study(
        [folder], order=None, policy=load_policy(), options=Options(second_readers=False)
    )
    text = "".join(json_pieces(replace(audit, study_id='S\udcff\\\ud800"\n')))
    assert json.loads(text.encode("utf-8"))["study"]["study_id"] == 'S\\xff\\\\ud800"\n'


def test_annotations_beyond_what_is_kept_of_a_study_are_counted_and_told(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    events = {i: [event(i, f"e{i}")] for i in range(10)}
    for name, start in (("good.edf", "09.30.00"), ("later.edf", "09.31.00")):
        raw = edf(onsets=range(20), signals=EIGHT, events=events, start_time=start)
        (folder / name).write_bytes(raw)
    monkeypatch.setattr("auditor.study.intake.MOST_ANNOTATIONS", 15)
    document = audited(folder)
    assert len(document["annotations"]) == 15
    assert [f["annotations"] for f in document["files"]] == [10, 10]
    assert "annotations_beyond_limit" in codes(document)


def test_a_file_that_jumps_without_end_costs_no_other_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    raw = edf(onsets=range(0, 100, 5), signals=EIGHT, start_time="10.00.00")
    (folder / "jumps.edf").write_bytes(raw)
    monkeypatch.setattr("auditor.edf.reader.MAX_JUMPS", 10)
    document = audited(folder)
    assert roles(document) == {"good.edf": "counted", "jumps.edf": "unreadable"}
    (file,) = [f for f in document["files"] if f["role"] == "unreadable"]
    assert "19 places" in file["reason"]


def test_more_gaps_than_are_measured_is_a_clear_error(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    raw = edf(onsets=range(0, 100, 5), signals=EIGHT, start_time="10.00.00")
    (folder / "jumps.edf").write_bytes(raw)
    monkeypatch.setattr("auditor.coverage.timeline.MOST_GAPS", 10)
    assert run("study", folder, "--out", folder.parent / "out", *QUICK) == 2
    assert "20 gaps" in capsys.readouterr().err
    assert not (folder.parent / "out").exists()


def test_hundreds_of_folders_that_recorded_at_once_are_no_study(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Each copy is compared with all others: without a bound the work grows with the square."""
    for i in range(101):
        (folder / f"copy{i}").mkdir()
        (folder / f"copy{i}" / "a.edf").write_bytes(edf(onsets=range(9), signals=EIGHT))
    with within(120):
        assert run("study", folder, "--out", folder.parent / "out", *QUICK) == 2
    assert "auditor batch" in capsys.readouterr().err


# ---------------------------------------------------------------- orders and logs

TOMLS = {
    "huge": b"[order]\nordered_hours = 1\n#" + b"x" * 2_000_000,
    "deep arrays": b"x = " + b"[" * 100_000,
    "deep closed arrays": b"x = " + b"[" * 20_000 + b"]" * 20_000,
    "deep tables": b"[" + b".".join([b"a"] * 400_000) + b"]\n",
    "deep keys": b".".join([b"a"] * 400_000) + b" = 1\n",
    "deep quoted keys": b' . '.join([b'"a"'] * 100_000) + b" = 1\n",
    "one long word": b"a" * 900_000,
    "many spaces": b"a " * 400_000,
    "deep inline tables": b"x = " + b"{a=" * 20_000,
    "NUL": b"[order]\nordered_hours = 1\n\0",
    "not UTF-8": b"[order]\nordered_hours = 1\nstudy_id = \"\xff\"\n",
    "UTF-16": "[order]\nordered_hours = 1\n".encode("utf-16"),
    "long number": b"[order]\nordered_hours = " + b"9" * 100_000 + b"\n",
    "exponent": b"[order]\nordered_hours = 1e999999999\n",
    "tiny": b"[order]\nordered_hours = 1e-999999999\n",
    "endless exponent": b"[order]\nordered_hours = 1e" + b"9" * 50 + b"\n",
    "controls": b"[order]\nordered_hours = 1\nstudy_id = \"\\u001b[2J\\u0000zzq\"\n\"\\u001b[31m\" = 1\n",
    "control value": b"[order]\nordered_hours = 1\nmonitoring = \"\\u001b[2J\"\n",
    "year 1": b"[order]\nordered_hours = 1\nhookup = 0001-01-01T00:00:00\n",
    "empty": b"",
    "markup keys": b"[order]\n\"<zzq>\" = 1\n",
}  # fmt: skip


@pytest.mark.parametrize("kind", TOMLS)
def test_a_hostile_order_file_is_one_clear_line(
    folder: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    order = folder.parent / "order.toml"
    order.write_bytes(TOMLS[kind])
    with within(60):
        status = run("study", folder, "--order", order, "--out", folder.parent / "out", *QUICK)
    captured = capsys.readouterr()
    assert status == 2
    assert captured.out == ""
    assert captured.err.startswith("auditor: ")
    assert "should not happen" not in captured.err
    assert str(order) in captured.err
    assert len(captured.err.splitlines()) == 1
    assert len(captured.err) < 2000
    assert not CONTROLS.search(captured.err)
    assert not (folder.parent / "out").exists()


LOGS = {
    "huge": b"time,note\n" + b"2027-03-02T09:30:05,x\n" * 300_000,
    "NUL": b"time,note\n2027-03-02T09:30:05,\0\n2027-03-02T\0,x\n",
    "open quote": b'time,note\n2027-03-02T09:30:05,"never closed\n' + b"x\n" * 10_000,
    "long cell": b"time,note\n" + b"9" * 200_000 + b",x\n",
    "long header": b"time," * 100_000 + b"\n",
    "not UTF-8": b"time,note\n2027-03-02T09:30:05,\xff\xfe\n",
    "controls": b"time,note\n\x1b[2J,x\n",
    "binary": bytes(range(256)) * 100,
}


@pytest.mark.parametrize("kind", LOGS)
def test_a_hostile_log_is_one_clear_line_or_only_text(
    folder: Path, capsys: pytest.CaptureFixture[str], kind: str
) -> None:
    order = folder.parent / "order.toml"
    order.write_text('[order]\nordered_hours = 1\n[logs]\nmonitoring = "checks.csv"\n')
    (folder.parent / "checks.csv").write_bytes(LOGS[kind])
    out = folder.parent / "out"
    with within(60):
        status = run("study", folder, "--order", order, "--out", out, *QUICK)
    captured = capsys.readouterr()
    assert "should not happen" not in captured.err
    assert not CONTROLS.search(captured.out + captured.err)
    if status == 2:
        assert "checks.csv" in captured.err
        assert len(captured.err) < 2000
        assert not out.exists()
    else:
        read(out)
        page((out / "audit.html").read_text(encoding="utf-8"))


def test_cells_of_a_log_that_look_like_formulas_are_only_text(folder: Path) -> None:
    order = folder.parent / "order.toml"
    order.write_text(
        '[order]\nordered_hours = 1\nmonitoring = "intermittent"\n[logs]\nmonitoring = "checks.csv"\n'
    )
    rows = [
        f'2027-03-02T09:30:{i + 1:02d},"{t}","<zzq>"'
        for i, t in enumerate(("=1+1", "@zzq", "+2", "-2"))
    ]
    (folder.parent / "checks.csv").write_text("time,by,note\n" + "\n".join(rows))
    document = audited(folder, "--order", order)
    assert document["monitoring"]["checks"] == 4
    for path in (folder.parent / "out").glob("*.csv"):
        for row in csv.reader(path.read_text(encoding="utf-8").splitlines()):
            assert not any(cell.startswith(("=", "+", "@")) for cell in row)


@pytest.mark.parametrize("target", ["/dev/zero", "/dev/null", "."])
def test_an_order_that_is_no_file_is_a_clear_line(
    folder: Path, capsys: pytest.CaptureFixture[str], target: str
) -> None:
    with within(60):
        assert run("study", folder, "--order", target, "--out", folder.parent / "out") == 2
    assert "should not happen" not in capsys.readouterr().err


@pytest.mark.parametrize(
    ("name", "raw"),
    [
        ("orders.csv", b"study,ordered_hours" + b",note" * 400_000 + b",study\nS-2041,24\n"),
        (
            "request.json",
            b"{" + b",".join(b'"k%d":1' % n for n in range(400_000)) + b',"k399999":2}',
        ),
    ],
)
def test_a_name_given_twice_among_very_many_is_found_at_once(
    name: str, raw: bytes, tmp_path: Path
) -> None:
    (tmp_path / name).write_bytes(raw)
    with within(60), pytest.raises(SettingsError, match=r"study and study|given twice"):
        read_orders(tmp_path / name) if name == "orders.csv" else read_order(tmp_path / name)
