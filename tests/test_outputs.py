"""Outputs appear whole or not at all."""

from __future__ import annotations

import os
import stat
from pathlib import Path

import pytest

from auditor.core.errors import OutputError
from auditor.outputs.files import check_free, write_whole

TEXTS = {"audit.html": "<p>new</p>", "audit.json": '{"new": 1}\n', "gaps.csv": "a\n"}


def names(folder: Path) -> list[str]:
    return sorted(p.name for p in folder.iterdir())


def test_every_file_is_written_and_nothing_is_left_beside(tmp_path: Path) -> None:
    write_whole(tmp_path / "deep" / "out", TEXTS)
    assert names(tmp_path / "deep" / "out") == sorted(TEXTS)
    assert names(tmp_path / "deep") == ["out"]
    assert (tmp_path / "deep" / "out" / "audit.json").read_text() == TEXTS["audit.json"]


def test_only_the_owner_can_read_an_audit(tmp_path: Path) -> None:
    write_whole(tmp_path / "out", TEXTS)
    assert stat.S_IMODE((tmp_path / "out").stat().st_mode) == 0o700
    for name in TEXTS:
        assert stat.S_IMODE((tmp_path / "out" / name).stat().st_mode) == 0o600


def test_an_older_audit_is_replaced_as_a_whole(tmp_path: Path) -> None:
    out = tmp_path / "out"
    write_whole(out, {**TEXTS, "audit.json": "old"})
    write_whole(out, TEXTS)
    assert (out / "audit.json").read_text() == TEXTS["audit.json"]
    assert names(tmp_path) == ["out"]


def test_files_of_others_in_the_folder_are_kept(tmp_path: Path) -> None:
    out = tmp_path / "out"
    out.mkdir()
    (out / "letter.txt").write_text("keep me")
    write_whole(out, TEXTS)
    assert names(out) == sorted([*TEXTS, "letter.txt"])
    assert (out / "letter.txt").read_text() == "keep me"


def test_an_audit_is_not_overwritten_unless_forced(tmp_path: Path) -> None:
    write_whole(tmp_path / "out", TEXTS)
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
    write_whole(out, {**TEXTS, "audit.json": "old"})
    calls = []

    def full_disk(descriptor: int) -> None:
        calls.append(descriptor)
        if len(calls) == 2:
            raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(OutputError, match="No space left on device"):
        write_whole(out, TEXTS)
    assert (out / "audit.json").read_text() == "old"
    assert names(tmp_path) == ["out"]
