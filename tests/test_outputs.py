"""Outputs appear whole or not at all."""

from __future__ import annotations

import errno
import os
import stat
from pathlib import Path

import pytest

from auditor.core.errors import OutputError
from auditor.outputs import files as files_room
from auditor.outputs.files import (
    check_free,
    remove_folder,
    sweep,
    sweep_together,
    write_folder,
    write_together,
)

JSON = '{\n "schema": "coverage-audit/2",\n "n": %d}\n'
TEXTS = {"audit.html": "<p>new</p>", "audit.json": JSON % 2, "gaps.csv": "a\n"}
OLD = {**TEXTS, "audit.json": JSON % 1}


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_every_file_is_written_and_nothing_is_left_beside(tmp_path: Path) -> None:
    write_folder(tmp_path / "deep" / "out", TEXTS)
    assert names(tmp_path / "deep" / "out") == sorted(TEXTS)
    assert names(tmp_path / "deep") == ["out"]
    assert (tmp_path / "deep" / "out" / "audit.json").read_text() == TEXTS["audit.json"]


def test_only_the_owner_can_read_an_audit(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", TEXTS)
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700
    for name in TEXTS:
        assert stat.S_IMODE((tmp_path / "out" / name).stat().st_mode) == 0o600


def test_an_older_audit_is_replaced_as_a_whole(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_folder(out, OLD)
    write_folder(out, TEXTS)
    assert (out / "audit.json").read_text() == TEXTS["audit.json"]
    assert names(tmp_path) == ["out"]


@pytest.mark.parametrize("kind", ["file", "folder", "link"])
@pytest.mark.parametrize("beside_an_audit", [True, False])
@pytest.mark.parametrize("name", ["hours.csv", "letter.txt", "audit.json"])
def test_what_others_put_there_is_named_and_never_touched(
    name: str, beside_an_audit: bool, kind: str, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    if beside_an_audit:
        write_folder(out, OLD)
        if (name == "audit.json" and kind == "file") or (name == "hours.csv" and kind == "file"):
            pytest.skip("a plain file of that name counts as the audit's own")
        (out / name).unlink(missing_ok=True)
    out.mkdir(exist_ok=True)
    if kind == "file":
        (out / name).write_text("keep me")
    elif kind == "folder":
        (out / name).mkdir()
        (out / name / "letter.txt").write_text("keep me")
    else:
        (tmp_path / "elsewhere").write_text("keep me")
        (out / name).symlink_to(tmp_path / "elsewhere")
    before = {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file()}
    for refused in (
        lambda: check_free(out, force=True),
        lambda: write_folder(out, TEXTS),
        lambda: remove_folder(out),
    ):
        with pytest.raises(OutputError, match="not written by this program") as error:
            refused()
        assert (name if kind != "file" or beside_an_audit else "") in str(error.value)
    assert {p: p.read_bytes() for p in sorted(tmp_path.rglob("*")) if p.is_file()} == before


def test_an_empty_folder_and_a_link_to_a_folder_take_an_audit(tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    write_folder(tmp_path / "empty", TEXTS)
    assert names(tmp_path / "empty") == sorted(TEXTS)
    (tmp_path / "real").mkdir()
    (tmp_path / "link").symlink_to(tmp_path / "real")
    write_folder(tmp_path / "link", TEXTS)
    assert (tmp_path / "link").is_symlink()
    assert names(tmp_path / "real") == sorted(TEXTS)


def test_files_beside_others_are_replaced_together(tmp_path: Path) -> None:
    (tmp_path / "letter.txt").write_text("keep me")
    write_together(tmp_path, {"index.html": "1", "worklist.csv": "1"})
    write_together(tmp_path, {"index.html": "2", "worklist.csv": "2", "worklist.json": "2"})
    assert names(tmp_path) == ["index.html", "letter.txt", "worklist.csv", "worklist.json"]
    assert {(tmp_path / n).read_text() for n in names(tmp_path)} == {"2", "keep me"}


def leave(parent: Path, name: str, kind: str, files: dict[str, str], alive: bool = False) -> Path:
    """A hidden folder as a run leaves it that was killed (or is at work still)."""
    made = files_room._hidden(parent / name, kind)
    if not alive:
        started = files_room._started(os.getpid())
        made = made.with_name(made.name.replace(f"-{started}-", f"-{started + 1}-"))
    made.mkdir(parents=True)
    for file, text in files.items():
        (made / file).write_text(text)
    return made


def test_an_audit_that_a_killed_run_had_moved_aside_comes_back(tmp_path: Path) -> None:
    leave(tmp_path, "out", "old", OLD)
    leave(tmp_path, "out", "part", {"audit.html": "half"})
    with pytest.raises(OutputError, match="already holds an audit"):
        check_free(tmp_path / "out", force=False)
    assert {n: (tmp_path / "out" / n).read_text() for n in names(tmp_path / "out")} == OLD
    assert names(tmp_path) == ["out"]


def test_a_run_sweeps_only_what_a_dead_run_of_its_own_folder_left(tmp_path: Path) -> None:
    kept = [
        tmp_path / ".out.2027.abcd.part",  # somebody's own folder
        leave(tmp_path, "other", "part", {"a": "b"}),  # of another output
        leave(tmp_path, "out", "part", {"a": "b"}, alive=True),  # of a run at work
    ]
    kept[0].mkdir()
    gone = leave(tmp_path, "out", "old", OLD)
    write_folder(tmp_path / "out", TEXTS)
    assert all(path.is_dir() for path in kept)
    assert not gone.exists()
    assert (tmp_path / "out" / "audit.json").read_text() == TEXTS["audit.json"]


def test_a_worklist_that_a_killed_run_left_half_replaced_is_the_old_one_again(
    tmp_path: Path,
) -> None:
    write_together(tmp_path, {"index.html": "old", "worklist.csv": "old"})
    kept = leave(tmp_path, "files", "old", {"index.html": "old", "worklist.csv": "old"})
    (kept / "trends.html.absent").touch()
    for name in ("index.html", "trends.html"):  # the run had come so far
        (tmp_path / name).write_text("new")
    sweep_together(tmp_path)
    assert names(tmp_path) == ["index.html", "worklist.csv"]
    assert (tmp_path / "index.html").read_text() == "old"


def test_what_cannot_come_back_now_waits_for_the_next_run(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    audit = leave(tmp_path, "out", "old", OLD)
    lists = leave(tmp_path, "files", "old", {"index.html": "old"})
    with monkeypatch.context() as disk:

        def refuse(self: Path, target: Path) -> Path:
            raise OSError(errno.EBUSY, "busy", str(self))

        disk.setattr(Path, "rename", refuse)
        disk.setattr(Path, "replace", refuse)
        sweep(tmp_path, "out")
        sweep_together(tmp_path)
    assert sorted(names(audit) + names(lists)) == sorted([*OLD, "index.html"])
    sweep(tmp_path, "out")
    sweep_together(tmp_path)
    assert names(tmp_path) == ["index.html", "out"]
    assert {n: (tmp_path / "out" / n).read_text() for n in OLD} == OLD


def test_an_audit_is_not_overwritten_unless_forced(tmp_path: Path) -> None:
    write_folder(tmp_path / "out", TEXTS)
    with pytest.raises(OutputError, match="already holds an audit"):
        check_free(tmp_path / "out", force=False)
    check_free(tmp_path / "out", force=True)


def test_a_file_where_the_folder_should_be_is_an_error(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("a file")
    with pytest.raises(OutputError, match="is a file"):
        check_free(tmp_path / "out", force=True)


def test_a_write_that_fails_half_way_leaves_the_old_audit(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    out = tmp_path / "out"
    write_folder(out, OLD)
    calls = []

    def full_disk(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OutputError, match="No space left on device"):
        write_folder(out, TEXTS)
    assert (out / "audit.json").read_text() == OLD["audit.json"]
    assert names(tmp_path) == ["out"]
