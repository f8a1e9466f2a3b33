"""Folders and files that nobody would make on purpose, or somebody would.

Files that change, vanish or fail while they are read; links, loops, devices, sockets and pipes; names
of every kind.
"""

from __future__ import annotations

import csv
import errno
import os
import re
import socket
import subprocess
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers_cli import codes, read, run, study
from helpers_hostile_folder import GOOD, LATER, audited, roles, within
from helpers_study_invariants import CONTROLS

from auditor.edf import LocalFile
from auditor.edf.source import LocalFile as Source
from auditor.inputs import folder as walk

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

        monkeypatch.setattr("auditor.inputs.folder.list_files", after_listing)
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
