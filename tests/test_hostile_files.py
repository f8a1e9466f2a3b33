"""Folders, files and orders that nobody would make on purpose, or somebody would.

Files that change, vanish or fail while they are read; links, loops, devices, sockets and pipes;
names of every kind; settings files that attack their reader; full disks; memory.
"""

from __future__ import annotations

import csv
import dataclasses
import errno
import json
import os
import random
import re
import signal
import socket
import stat
import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

import pytest
from helpers_cli import QUICK, codes, read, run, study
from helpers_edf import Sig, edf, event, layout
from helpers_hostile import MARKUP, Folder
from helpers_study_invariants import CONTROLS, check, fingerprint, page

from auditor.edf import LocalFile
from auditor.edf.source import LocalFile as Source
from auditor.export import json_text
from auditor.study import folder as walk

ROOT = Path(__file__).resolve().parents[1]
EIGHT = tuple(Sig(f"EEG {n}", 16) for n in ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2"))
GOOD = edf(onsets=range(20), signals=EIGHT)
LATER = edf(onsets=range(20), signals=EIGHT, start_time="09.31.00")


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Fails instead of waiting for ever; no measurement: what must not hang returns at once."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"still waiting after {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of one good file, 20 s long."""
    at = tmp_path / "study"
    at.mkdir()
    (at / "good.edf").write_bytes(GOOD)
    return at


def audited(folder: Path, *more: str | Path) -> dict[str, Any]:
    """audit.json of the folder; it was not changed and the run did not hang."""
    before = fingerprint(folder)
    with within(120):
        status, document = study(folder, folder.parent / "out", *more)
    assert status in (0, 1)
    assert fingerprint(folder) == before
    page((folder.parent / "out" / "audit.html").read_text(encoding="utf-8"))
    return document


def roles(document: dict[str, Any]) -> dict[str, str]:
    return {f["name"]: f["role"] for f in document["files"]}


# ---------------------------------------------------------------- reading fails


@pytest.mark.parametrize("first", [0, 300, 2000, len(GOOD) - 100])
def test_an_input_error_in_one_file_costs_no_other_file(
    folder: Path, monkeypatch: pytest.MonkeyPatch, first: int
) -> None:
    (folder / "failing.edf").write_bytes(LATER)
    inode = (folder / "failing.edf").stat().st_ino
    whole = Source.read_into

    def failing(self: Source, offset: int, buffer: memoryview) -> int:
        if os.fstat(self.fd).st_ino == inode and offset + len(buffer) > first:
            raise OSError(errno.EIO, "Input/output error")
        return whole(self, offset, buffer)

    pread = os.pread

    def failing_pread(fd: int, size: int, offset: int) -> bytes:
        if os.fstat(fd).st_ino == inode and offset + size > first:
            raise OSError(errno.EIO, "Input/output error")
        return pread(fd, size, offset)

    monkeypatch.setattr(Source, "read_into", failing)
    monkeypatch.setattr(os, "pread", failing_pread)
    document = audited(folder)
    assert roles(document)["good.edf"] == "counted"
    assert document["coverage"]["recorded_s"] >= 20
    assert document["decision"]["outcome"] != "complete"
    about = [f for f in document["findings"] if f.get("file") == "failing.edf"]
    assert any(f["severity"] == "problem" for f in about)


@pytest.mark.skipif(not Path("/proc/self/mem").exists(), reason="needs /proc")
def test_a_regular_file_whose_every_byte_fails_is_named(folder: Path) -> None:
    (folder / "failing.edf").symlink_to("/proc/self/mem")  # reading at 0 is an input error
    document = audited(folder)
    assert roles(document) == {"good.edf": "counted", "failing.edf": "unreadable"}


@pytest.mark.parametrize(
    "change",
    [
        lambda p: p.unlink(),
        lambda p: p.write_bytes(GOOD[:3000]),
        lambda p: p.write_bytes(GOOD + GOOD[-4000:]),
        lambda p: (p.unlink(), os.mkfifo(p)),
        lambda p: (p.unlink(), p.mkdir()),
        lambda p: (p.unlink(), p.symlink_to("/dev/zero")),
    ],
    ids=["vanishes", "shrinks", "grows", "becomes a pipe", "becomes a folder", "becomes a device"],
)
@pytest.mark.parametrize("moment", ["listed", "read"])
def test_a_file_that_changes_while_it_is_read_is_told_and_costs_no_other(
    folder: Path, monkeypatch: pytest.MonkeyPatch, change: Callable[[Path], Any], moment: str
) -> None:
    (folder / "other.edf").write_bytes(LATER)
    victim = folder / "good.edf"
    done: list[int] = []

    def once() -> None:
        if not done:
            done.append(1)
            change(victim)

    if moment == "listed":
        listed = walk.list_files

        def after_listing(*given: Any, **more: Any) -> Any:
            found = listed(*given, **more)
            once()
            return found

        monkeypatch.setattr("auditor.study.place.list_files", after_listing)
    else:
        closed = LocalFile.close

        def after_reading(self: LocalFile) -> None:
            mine = os.fstat(self.fd).st_ino
            closed(self)
            if not done and victim.exists() and victim.stat().st_ino == mine:
                once()

        monkeypatch.setattr(LocalFile, "close", after_reading)
    with within(120):
        status, document = study(folder, folder.parent / "out")
    assert done
    assert status == 1
    assert roles(document)["other.edf"] == "counted"
    assert document["coverage"]["recorded_s"] >= 20
    about = [f for f in document["findings"] if "good.edf" in (f.get("file") or f["where"])]
    assert any(f["severity"] == "problem" for f in about)


def deny(monkeypatch: pytest.MonkeyPatch, *paths: Path) -> None:
    """Opening or listing ``paths`` is refused, as an ordinary user meets it (root never does)."""
    refused = {os.fspath(p) for p in paths}

    def guard(kept: Callable[..., Any]) -> Callable[..., Any]:
        def guarded(path: Any, *given: Any, **more: Any) -> Any:
            if not isinstance(path, int) and os.fspath(path) in refused:
                raise PermissionError(errno.EACCES, "Permission denied", os.fspath(path))
            return kept(path, *given, **more)

        return guarded

    monkeypatch.setattr(os, "open", guard(os.open))
    monkeypatch.setattr(os, "scandir", guard(os.scandir))


def test_files_and_folders_without_permission_are_named(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (folder / "locked.edf").write_bytes(LATER)
    (folder / "locked").mkdir()
    (folder / "locked" / "inside.edf").write_bytes(LATER)
    deny(monkeypatch, folder / "locked.edf", folder / "locked")
    with within(120):
        _, document = study(folder, folder.parent / "out")
    assert roles(document) == {"good.edf": "counted", "locked.edf": "unreadable"}
    (closed,) = [f for f in document["findings"] if f["code"] == "cannot_open"]
    assert (closed["where"], closed["severity"]) == ("locked", "problem")
    assert document["decision"]["outcome"] != "complete"


def test_a_study_of_which_nothing_may_be_read_is_exit_status_2(
    folder: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    deny(monkeypatch, folder / "good.edf")
    assert run("study", folder, "--out", folder.parent / "out") == 2
    assert "Permission denied" in capsys.readouterr().err
    assert not (folder.parent / "out").exists()


# ---------------------------------------------------------------- what is in the folder


def test_links_loops_devices_sockets_and_pipes_are_never_waited_for(folder: Path) -> None:
    (folder / "loop").symlink_to(".")
    (folder / "up").symlink_to("..")
    (folder / "self.edf").symlink_to("self.edf")
    (folder / "a.edf").symlink_to("b.edf")
    (folder / "b.edf").symlink_to("a.edf")
    (folder / "nowhere.edf").symlink_to("missing")
    (folder / "zero.edf").symlink_to("/dev/zero")
    (folder / "terminal.edf").symlink_to("/dev/tty")
    os.mkfifo(folder / "pipe.edf")
    (folder / "folder.edf").mkdir()
    with socket.socket(socket.AF_UNIX) as end:
        end.bind(os.path.relpath(folder / "socket.edf"))
    (folder / "again.edf").symlink_to("good.edf")
    os.link(folder / "good.edf", folder / "hard.edf")
    document = audited(folder)
    assert document["coverage"]["recorded_s"] == 20
    assert list(roles(document).values()).count("counted") == 1
    assert {"link_not_followed", "linked_twice", "other_files"} <= codes(document)


def test_a_study_given_through_a_link_is_read(folder: Path) -> None:
    (folder.parent / "link").symlink_to(folder)
    _, document = study(folder.parent / "link", folder.parent / "out")
    assert roles(document) == {"good.edf": "counted"}
    assert document["study"]["name"] == "link"


def test_a_folder_and_its_own_file_given_together_count_once(folder: Path) -> None:
    with within(120):
        status = run("study", folder, folder / "good.edf", folder, "--out", folder.parent / "out")
    assert status == 1
    assert read(folder.parent / "out")["coverage"]["recorded_s"] == 20


NAMES = (
    b"a\nb.edf", b"a\rb.EDF", b"quote'\".edf", b"..edf", b"...edf", b"a..edf", b"-rf.edf", b" .edf",
    b"\xff\xfe\x80.edf", b"\xc3\x28.bdf", "\u202efde.edf".encode(), "ᴱᴰᶠ é\u0301.edf".encode(),
    b"\x1b]0;zzq\x07\x1b[2J.edf", b"<zzq onclick=1>.edf", b"&amp;<zzq>.edf", b"=1+1.edf", b"@zzq.edf",
    b"+zzq.edf", b"-zzq.edf", b"\t=zzq.edf", b"{{zzq}}.edf", b"%s%n.edf", b"$(zzq)`zzq`.edf",
    b"x" * 251 + b".edf", b"CON.edf", b"a\\b.edf", b"http:zzq.edf", b"data:text;.edf",
)  # fmt: skip


@pytest.mark.parametrize("name", NAMES, ids=[repr(n)[:20] for n in NAMES])
def test_any_name_that_a_file_can_have_is_only_text(
    folder: Path, capsys: pytest.CaptureFixture[str], name: bytes
) -> None:
    text = os.fsdecode(name)
    (folder / text).write_bytes(LATER)
    inside = folder / f"{text[:-4]}.d"
    inside.mkdir()
    (inside / text).write_bytes(GOOD[:500])
    document = audited(folder)
    assert sorted(roles(document).values()) == ["counted", "counted", "unreadable"]
    captured = capsys.readouterr()
    assert not CONTROLS.search(captured.out + captured.err)
    out = folder.parent / "out"
    text = (out / "files.csv").read_text(encoding="utf-8")
    rows = list(csv.reader(text.splitlines(keepends=True)))
    assert len(rows) == 4
    assert not any(row[0].startswith(("=", "+", "-", "@", "\t", "\r")) for row in rows)
    assert not re.search("[\x00-\x09\x0b-\x1f\x7f]", text)


def test_the_walk_takes_the_same_work_for_each_file_of_ten_thousand(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Counted in calls to the system, which do not depend on how busy the machine is."""
    calls: list[str] = []

    def counting(name: str, kept: Callable[..., Any]) -> Callable[..., Any]:
        def counted(*given: Any, **more: Any) -> Any:
            calls.append(name)
            return kept(*given, **more)

        return counted

    for name in ("open", "stat", "fstat", "scandir", "lstat", "listdir"):
        monkeypatch.setattr(os, name, counting(name, getattr(os, name)))
    work = []
    for count in (1000, 10_000):
        at = tmp_path / str(count)
        at.mkdir()
        for i in range(count):
            (at / f"{i}.txt").touch()
        (at / "a.edf").write_bytes(GOOD)
        calls.clear()
        listing = walk.list_files([at])
        work.append(len(calls))
        assert len(listing.files) == count + 1
    assert work[1] < 11 * work[0]


def test_a_folder_with_more_entries_than_the_limit_says_so(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for i in range(30):
        (folder / f"z{i}.txt").touch()
    monkeypatch.setattr(walk, "MAX_ENTRIES", 20)
    document = audited(folder)
    assert "too_many_files" in codes(document)
    assert document["decision"]["outcome"] != "complete"


def test_a_folder_nested_deeper_than_a_path_can_be_ends_in_an_audit(folder: Path) -> None:
    here = os.open(folder, os.O_RDONLY)
    name = "d" * 200
    for _ in range(30):  # 6,000 characters: longer than a path given to the system may be
        os.mkdir(name, dir_fd=here)
        deeper = os.open(name, os.O_RDONLY, dir_fd=here)
        os.close(here)
        here = deeper
    os.close(here)
    with within(120):
        _, document = study(folder, folder.parent / "out")
    assert document["coverage"]["recorded_s"] == 20
    assert "cannot_open" in codes(document)
    subprocess.run(["rm", "-rf", str(folder)], check=True)  # shutil stops at such a depth


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
    from auditor.audit import Options, audit_study
    from auditor.policy import load_policy

    audit = audit_study(
        [folder], order=None, policy=load_policy(), options=Options(second_readers=False)
    )
    text = json_text(dataclasses.replace(audit, study_id='S\udcff\\\ud800"\n'))
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
    monkeypatch.setattr("auditor.audit.MOST_GAPS", 10)
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


# ---------------------------------------------------------------- the command line


@pytest.mark.parametrize(
    "arguments",
    [
        ["study", "x" * 300],
        ["study", "\x1b[2J\nnowhere"],
        ["study", "STUDY", "--out", "y" * 300],
        ["study", "STUDY", "--order", "\x1b[2J"],
        ["study", "STUDY", "--policy", "\x1b[2J\udcff"],
        ["study", "STUDY", "--timezone", "\x1b[2J"],
        ["study", "STUDY", "--timezone", "../../../etc/passwd"],
        ["study", "STUDY", "--ordered-hours", "\x1b[2J"],
        ["study", "STUDY", "--\x1b[2J\udcff"],
        ["study", "STUDY", "--signal", "\x1b[2J"],
        ["\x1b[2J"],
        ["plan", "--ordered-hours", "1e999999999"],
    ],
)
def test_wrong_use_is_status_2_and_never_writes_to_the_terminal_raw(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    given = [str(folder) if a == "STUDY" else a for a in arguments]
    with within(60):
        assert run(*given) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "should not happen" not in captured.err
    assert "Traceback" not in captured.err
    assert not CONTROLS.search(captured.err)


def test_an_out_folder_with_any_name_is_named_harmlessly(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = folder.parent / os.fsdecode(b"\x1b[2Jout\xff")
    assert run("study", folder, "--out", out, *QUICK) == 1
    assert (out / "audit.json").exists()
    assert not CONTROLS.search(capsys.readouterr().out)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("streams", [">/dev/full", ">&-", ">&- 2>&-", "| true"])
def test_an_output_that_takes_no_text_does_not_undo_the_audit(folder: Path, streams: str) -> None:
    out, status = folder.parent / "out", folder.parent / "status"
    command = f"'{sys.executable}' -m auditor study '{folder}' --out '{out}' {' '.join(QUICK)}"
    done = subprocess.run(
        ["bash", "-c", f"{command} {streams}; echo ${{PIPESTATUS[0]}} > '{status}'"],
        cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert status.read_text().strip() == "1"
    assert (out / "audit.json").exists()
    assert "should not happen" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert ("could not be printed" in done.stderr) == (streams == ">/dev/full")


def test_a_result_that_cannot_be_printed_is_status_2(tmp_path: Path) -> None:
    done = subprocess.run(
        ["bash", "-c", f"'{sys.executable}' -m auditor rules > /dev/full"],
        cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "reading or writing failed" in done.stderr


def test_only_debug_shows_the_traceback_and_the_exit_status_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "\x1b[2Jnowhere"
    assert run("study", path) == 2
    plain = capsys.readouterr().err
    assert run("study", path, "--debug") == 2
    shown = capsys.readouterr().err
    assert "Traceback" not in plain
    assert "Traceback (most recent call last)" in shown
    assert shown.endswith(plain)
    assert not CONTROLS.search(shown)


# ---------------------------------------------------------------- outputs


def in_a_process(
    arguments: list[str], before: str = "", after: str = ""
) -> subprocess.CompletedProcess[str]:
    """``auditor ARGUMENTS`` in a process of its own that first runs the code ``before``."""
    script = f"import resource, os, sys\n{before}\nfrom auditor.cli import main\nstatus = main({arguments!r})\n{after}\nsys.exit(status)"
    return subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=300,
        check=False,
    )  # fmt: skip


@pytest.mark.parametrize("force", [False, True])
def test_a_disk_that_fills_up_leaves_the_old_audit_or_none(folder: Path, force: bool) -> None:
    """A limit on the size of a file: writing beyond it fails as on a full disk."""
    out = folder.parent / "out"
    if force:
        study(folder, out)
        (folder / "later.edf").write_bytes(LATER)
    before = fingerprint(out) if force else []
    result = in_a_process(
        ["study", str(folder), "--out", str(out), *QUICK, *(["--force"] if force else [])],
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))",
    )
    assert result.returncode == 2
    assert "cannot be written" in result.stderr
    assert "Traceback" not in result.stderr
    assert [row[0:5] for row in fingerprint(out)] == before if force else not out.exists()
    assert sorted(p.name for p in folder.parent.iterdir()) == sorted(
        ["study", "out"] if force else ["study"]
    )


@pytest.mark.parametrize("umask", [0o000, 0o077, 0o777])
def test_outputs_are_the_owners_alone_whatever_the_umask(folder: Path, umask: int) -> None:
    out = folder.parent / "out"
    before = os.umask(umask)
    try:
        run("study", folder, "--out", out, *QUICK)
    finally:
        os.umask(before)
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(p.stat().st_mode) for p in out.iterdir()} == {0o600}
    assert len(list(out.iterdir())) >= 6


def test_nothing_leaves_the_machine(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*given: Any, **more: Any) -> None:
        raise AssertionError("something reached for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    with within(300):
        assert run("study", folder, "--out", folder.parent / "out") == 1


def test_a_batch_over_hostile_folders_shows_their_names_as_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    root.mkdir()
    for name in (
        b"<zzq onclick=1>",
        b"=1+1",
        b"a\nb",
        b"\x1b[2J",
        b"\xff\xfe",
        "\u202ezzq".encode(),
        b"-zzq",
    ):
        (root / os.fsdecode(name)).mkdir()
        raw = edf(
            onsets=range(9),
            signals=EIGHT,
            patient="<zzq> X X =zzq",
            recording="Startdate 02-MAR-2027 X <zzq> =N-3",
        )
        (root / os.fsdecode(name) / "a.edf").write_bytes(raw)
    (root / "loop").symlink_to(".")
    os.mkfifo(root / "pipe.edf")
    (root / "bad").mkdir()
    (root / "bad" / "a.edf").write_bytes(GOOD[:200])
    with within(300):
        run("batch", root, "--out", out, "--workers", "1", *QUICK)
        names = [
            s["study"] for s in json.loads((out / "worklist.json").read_text("utf-8"))["studies"]
        ]
        run(
            "decide",
            names[0],
            "--outcome",
            "review",
            "--by",
            "=zzq",
            "--note",
            "<zzq>\x1b[2J",
            "--out",
            out,
        )
        run("trends", "--out", out)
    captured = capsys.readouterr()
    assert len(names) == 8
    assert not CONTROLS.search(captured.out + captured.err)
    assert "should not happen" not in captured.err
    for path in out.rglob("*"):
        if path.suffix in (".html", ".json", ".csv"):
            text = path.read_text(encoding="utf-8")
            if path.suffix == ".json":
                json.loads(text)  # data: names stand there as they are
                continue
            assert not CONTROLS.search(text.replace("\n", ""))
            assert path.suffix != ".html" or "<zzq" not in text.lower()
            assert path.suffix != ".csv" or not re.search(r"(?m)(^|,)\"?[=+@]", text)
        if path.is_file():
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert {p.name for p in out.glob("*.html")} == {"index.html", "trends.html"}


# ---------------------------------------------------------------- memory


def peak_megabytes(folder: Path) -> float:
    """The peak memory of an audit in a process of its own."""
    result = in_a_process(
        ["study", str(folder), "--out", str(folder) + "-out", *QUICK, "--quiet", "--force"],
        after="print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)",
    )
    assert "should not happen" not in result.stderr
    return float(result.stdout.split()[-1])


def claims() -> bytes:
    """9999 signals of 99999999 samples each, in a file that holds that header and little more."""
    raw = edf(records=1, plain=True, signals=[Sig(rate=1)] * 9999)
    at = layout(raw, "samples per record", 0).start
    return raw[:at] + b"99999999" * 9999 + raw[at + 8 * 9999 :]


def a_million_in_one_record() -> bytes:
    lists = b"+0.5\x14x\x14\0" * 1_000_000
    return edf(onsets=[0], signals=EIGHT, annotation_bytes=len(lists) + 20, events={0: [lists]})


def records_of_days() -> bytes:
    """90 kB that claim 350 records of a day each: a year of seconds, of eight channels."""
    return edf(records=350, plain=True, signals=EIGHT, duration="86400")


@pytest.mark.parametrize("make", [claims, a_million_in_one_record, records_of_days])
def test_memory_follows_what_a_file_holds_not_what_it_claims(
    folder: Path, make: Callable[[], bytes]
) -> None:
    usual = peak_megabytes(folder)
    (folder / "hostile.edf").write_bytes(make())
    # Measured: 10 MB more for the claims, 175 MB more for a million annotations in one record,
    # 50 MB more for records of days.
    assert peak_megabytes(folder) < usual + 300
