"""The returned folder: every recording found and read once, whatever else lies there."""

from __future__ import annotations

import errno
import hashlib
import json
import os
import socket
from pathlib import Path

import pytest
from helpers_studies import Amplifier, append, set_field, write_piece

from auditor.core.errors import NothingReadable
from auditor.core.units import MINUTE
from auditor.edf.source import LocalFile
from auditor.inputs import checksums, folder
from auditor.inputs.checksums import identified, read_study
from auditor.model import Study
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.study.placing import recorded_ns

POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4"))


def piece(path: Path, first: int = 0, last: int = 1, **options: object) -> Path:
    """One file of the minutes ``first`` to ``last``."""
    path.parent.mkdir(parents=True, exist_ok=True)
    write_piece(path, (first * 60, last * 60), amplifier=AMPLIFIER, **options)  # type: ignore[arg-type]
    return path


def study_of(*paths: Path, sums: bool = False) -> Study:
    """The study; with ``sums`` its bytes read once, which gives checksums and tells of changes."""
    study = build_study(list(paths), None, POLICY)
    return identified(study, read_study(study, {})) if sums else study


def names(study: Study) -> list[str]:
    return [f.recording.name for f in study.files]


def codes(study: Study) -> dict[str, str]:
    return {f.code: f.severity for f in study.findings}


def test_a_folder_is_searched_to_the_bottom_and_ordered_by_time(tmp_path: Path) -> None:
    piece(tmp_path / "z" / "y" / "x" / "deep.edf", 0, 1)
    piece(tmp_path / "z" / "a.EDF", 1, 2)
    piece(tmp_path / "z" / "b.Bdf", 2, 3, fmt="BDF+D")
    study = study_of(tmp_path)
    assert names(study) == ["z/y/x/deep.edf", "z/a.EDF", "z/b.Bdf"]
    assert study.name == tmp_path.name
    assert recorded_ns(study.counted) == 3 * MINUTE


def test_a_recording_of_another_name_is_read_all_the_same(tmp_path: Path) -> None:
    piece(tmp_path / "DATA0001.DAT")
    (tmp_path / "letter.txt").write_text("invented")
    study = study_of(tmp_path)
    assert names(study) == ["DATA0001.DAT"]
    assert study.other_files == ("letter.txt",)
    assert codes(study) == {"other_files": "info"}


def test_resource_forks_are_other_files_unless_they_are_recordings(tmp_path: Path) -> None:
    piece(tmp_path / "a.edf")
    (tmp_path / "._a.edf").write_bytes(b"\x00\x05\x16\x07" + b"Mac OS X" + bytes(60))
    piece(tmp_path / "._real.edf", 1, 2)
    study = study_of(tmp_path)
    assert names(study) == ["a.edf", "._real.edf"]
    assert study.other_files == ("._a.edf",)
    assert study.unreadable == ()


@pytest.mark.parametrize("trash", [".Trash-1000/files", "$RECYCLE.BIN", "a/.Trashes/501"])
def test_recordings_in_the_trash_are_said_and_not_counted(tmp_path: Path, trash: str) -> None:
    piece(tmp_path / "a.edf")
    piece(tmp_path / trash / "gone.edf", 1, 2)
    study = study_of(tmp_path)
    assert names(study) == ["a.edf"]
    assert codes(study)["recordings_in_trash"] == "caution"


def test_files_that_are_none_are_named_with_the_reason_and_the_study_goes_on(
    tmp_path: Path,
) -> None:
    piece(tmp_path / "good.edf")
    (tmp_path / "empty.edf").write_bytes(b"")
    (tmp_path / "noise.bdf").write_bytes(bytes(range(256)) * 4)
    study = study_of(tmp_path, sums=True)
    assert names(study) == ["good.edf"]
    unreadable = {u.name: u for u in study.unreadable}
    assert unreadable.keys() == {"empty.edf", "noise.bdf"}
    assert unreadable["empty.edf"].finding.severity == "caution"
    assert unreadable["noise.bdf"].finding.severity == "problem"
    assert unreadable["noise.bdf"].reason
    assert unreadable["empty.edf"].sha256 == hashlib.sha256(b"").hexdigest()


def test_files_given_one_by_one_make_a_study(tmp_path: Path) -> None:
    first = piece(tmp_path / "one" / "a.edf", 0, 1)
    second = piece(tmp_path / "two" / "b.edf", 1, 2)
    piece(tmp_path / "two" / "not_given.edf", 2, 3)
    study = study_of(second, first, second, second.parent.parent / "two" / "b.edf")
    assert names(study) == ["one/a.edf", "two/b.edf"]
    assert study.other_files == ()
    assert names(study_of(first)) == ["a.edf"]


def test_a_relative_path_and_a_link_to_the_folder_work(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece(tmp_path / "study" / "a.edf")
    (tmp_path / "link").symlink_to(tmp_path / "study")
    assert names(study_of(tmp_path / "link")) == ["a.edf"]
    monkeypatch.chdir(tmp_path / "study")
    here = study_of(Path())
    assert names(here) == ["a.edf"]
    assert here.name == "study"


def test_links_to_files_are_read_once_and_links_to_folders_not_followed(tmp_path: Path) -> None:
    real = piece(tmp_path / "study" / "real.edf", 0, 1)
    outside = piece(tmp_path / "elsewhere" / "outside.edf", 1, 2)
    root = tmp_path / "study"
    (root / "a_link.edf").symlink_to(real)
    os.link(real, root / "hard.edf")
    (root / "far.edf").symlink_to(outside)
    (root / "folder").symlink_to(tmp_path / "elsewhere")
    (root / "up").symlink_to(root)
    (root / "loop.edf").symlink_to(root / "loop.edf")
    (root / "nowhere.edf").symlink_to(root / "missing.edf")
    study = study_of(root)
    assert names(study) == ["hard.edf", "far.edf"]  # the first real name of the two hard links
    assert recorded_ns(study.counted) == 2 * MINUTE
    found = [f for f in study.findings if f.code == "link_not_followed"]
    assert {f.where for f in found} == {"folder", "up", "loop.edf", "nowhere.edf"}
    assert {f.where for f in study.findings if f.code == "linked_twice"} == {
        "a_link.edf",
        "real.edf",
    }


def test_pipes_sockets_and_devices_are_never_opened(tmp_path: Path) -> None:
    piece(tmp_path / "a.edf")
    os.mkfifo(tmp_path / "pipe.edf")
    (tmp_path / "zero.edf").symlink_to("/dev/zero")
    (tmp_path / "tty.bdf").symlink_to("/dev/tty")
    listener = socket.socket(socket.AF_UNIX)
    here = Path.cwd()
    os.chdir(tmp_path)  # a socket's path is short
    try:
        listener.bind("socket.edf")
    finally:
        os.chdir(here)
    study = study_of(tmp_path)
    listener.close()
    assert names(study) == ["a.edf"]
    assert study.other_files == ("pipe.edf", "socket.edf", "tty.bdf", "zero.edf")


HOSTILE_NAMES = [
    b"new\nline.edf",
    b"quote\"'`.edf",
    b"..hidden...edf",
    b"<script>alert(1)</script>.edf".replace(b"/", b"_"),
    b"=cmd().edf",
    b"\xff\xfe bytes.edf",
    b"esc\x1b[31m.edf",
    b"rtl\xe2\x80\xaefde.edf",
    b"n" * 251 + b".edf",
    "ümlaut 測定.edf".encode(),
]


def test_any_name_becomes_text_that_can_be_written_as_utf_8(tmp_path: Path) -> None:
    for i, raw in enumerate(HOSTILE_NAMES):
        made = piece(tmp_path / f"{i}.tmp", i, i + 1)
        made.rename(tmp_path / os.fsdecode(raw))
    study = study_of(tmp_path, sums=True)
    assert len(study.counted) == len(HOSTILE_NAMES)
    assert len(set(names(study))) == len(HOSTILE_NAMES)
    assert all(f.recording.sha256 for f in study.files)
    json.dumps(names(study), ensure_ascii=False).encode("utf-8")
    assert "\\xff\\xfe bytes.edf" in names(study)


def test_two_names_that_look_alike_as_text_stay_apart(tmp_path: Path) -> None:
    piece(tmp_path / "x.tmp", 0, 1).rename(tmp_path / "\\xff.edf")
    piece(tmp_path / "y.tmp", 1, 2).rename(tmp_path / os.fsdecode(b"\xff.edf"))
    study = study_of(tmp_path, sums=True)
    assert set(names(study)) == {"\\xff.edf", "\\xff.edf (2)"}
    assert len({f.recording.sha256 for f in study.files}) == 2


def test_ten_thousand_files_and_a_deep_folder(tmp_path: Path) -> None:
    for i in range(10_000):
        (tmp_path / f"{i:05d}.txt").touch()
    deep = tmp_path.joinpath(*["d"] * 200)
    piece(deep / "a.edf")
    study = study_of(tmp_path)
    assert len(study.counted) == 1
    assert len(study.other_files) == 10_000
    text = next(f for f in study.findings if f.code == "other_files")
    assert len(text.observed) < 500


def test_a_walk_that_never_ends_stops_and_says_so(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folder, "MAX_ENTRIES", 5)
    for i in range(9):
        piece(tmp_path / f"{i}.edf", i, i + 1)
    study = study_of(tmp_path)
    assert len(study.counted) == 5
    assert codes(study)["too_many_files"] == "problem"


# ---------------------------------------------------------------- errors while reading


def test_a_file_that_cannot_be_opened_is_unreadable_with_the_reason(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece(tmp_path / "a.edf")
    locked = [piece(tmp_path / "locked.edf", 1, 2), tmp_path / "locked.txt"]
    locked[1].touch()
    really = folder.open_regular

    def refuse(path: Path) -> int:
        if path in locked:
            raise PermissionError(errno.EACCES, "Permission denied")
        return really(path)

    monkeypatch.setattr(folder, "open_regular", refuse)
    study = study_of(tmp_path)
    (unreadable,) = study.unreadable
    assert unreadable.name == "locked.edf"
    assert "Permission denied" in unreadable.finding.text
    assert unreadable.size_bytes is None
    assert unreadable.finding.severity == "problem"
    assert {f.where: f.severity for f in study.findings if f.code == "cannot_open"} == {
        "locked.txt": "caution"
    }


def test_a_folder_that_cannot_be_listed_is_a_problem(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece(tmp_path / "a.edf")
    (tmp_path / "locked").mkdir()
    really = os.scandir

    def refuse(path: Path):
        if Path(path).name == "locked":
            raise PermissionError(errno.EACCES, "Permission denied")
        return really(path)

    monkeypatch.setattr(folder.os, "scandir", refuse)
    study = study_of(tmp_path)
    assert {f.where: f.severity for f in study.findings if f.code == "cannot_open"} == {
        "locked": "problem"
    }


@pytest.mark.parametrize("what", ["grows", "vanishes"])
def test_a_file_that_changes_while_it_is_read_is_said(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, what: str
) -> None:
    piece(tmp_path / "a.edf", 0, 1)
    piece(tmp_path / "b.edf", 1, 2)
    really = folder.read_recording

    def meddle(path: Path, name: str):
        recording = really(path, name)
        if name == "b.edf":
            if what == "grows":
                append(path, bytes(1000))
            else:
                path.unlink()
        return recording

    monkeypatch.setattr(folder, "read_recording", meddle)
    study = study_of(tmp_path, sums=True)
    changed = [f for f in study.findings if f.code == "changed_while_reading"]
    assert [(f.file, f.severity) for f in changed] == [("b.edf", "problem")]
    assert study.counted[1].recording.sha256 is None


def test_a_file_that_vanishes_before_it_is_read_is_unreadable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    piece(tmp_path / "a.edf", 0, 1)
    piece(tmp_path / "b.edf", 1, 2)
    really = folder.read_recording

    def meddle(path: Path, name: str):
        if name == "a.edf":
            (tmp_path / "b.edf").unlink(missing_ok=True)
        return really(path, name)

    monkeypatch.setattr(folder, "read_recording", meddle)
    study = study_of(tmp_path, sums=True)
    assert names(study) == ["a.edf"]
    assert [u.name for u in study.unreadable] == ["b.edf"]


def test_an_input_error_in_the_middle_leaves_no_checksum_and_is_a_problem(tmp_path: Path) -> None:
    bad = piece(tmp_path / "a.edf", 0, 1)
    piece(tmp_path / "b.edf", 1, 2)

    class Broken(LocalFile):
        def read_into(self, offset: int, buffer: memoryview) -> int:
            raise OSError(errno.EIO, "Input/output error")

    study = build_study([tmp_path], None, POLICY)
    with pytest.MonkeyPatch.context() as patch:
        opener = checksums.open_bytes
        patch.setattr(
            checksums,
            "open_bytes",
            lambda r: Broken(r.path, r.name) if r.path == bad else opener(r),
        )
        study = identified(study, read_study(study, {}))
    assert [f.recording.sha256 is None for f in study.counted] == [True, False]
    assert codes(study)["not_read_to_the_end"] == "problem"


def test_files_taken_as_the_same_that_have_other_checksums_are_a_problem(tmp_path: Path) -> None:
    piece(tmp_path / "a.edf", 0, 1)
    raw = bytearray((tmp_path / "a.edf").read_bytes())
    (tmp_path / "again.edf").write_bytes(raw)
    assert "copies_not_identical" not in codes(study_of(tmp_path, sums=True))
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(checksums, "_PROBE_BYTES", 1)  # so few that a damaged byte lies between
        raw[-100] ^= 1
        (tmp_path / "again.edf").write_bytes(raw)
        assert codes(study_of(tmp_path, sums=True))["copies_not_identical"] == "problem"


@pytest.mark.parametrize("year", ["0001", "2300", "9999"])
def test_a_start_centuries_away_is_none_and_hides_no_other_file(tmp_path: Path, year: str) -> None:
    piece(tmp_path / "good.edf")
    far = piece(tmp_path / "far.edf", 1, 2)
    set_field(far, "recording", f"Startdate 01-JAN-{year} X X N-3")
    set_field(far, "start_date", "01.01.yy")
    study = study_of(tmp_path)
    assert [f.recording.name for f in study.counted] == ["good.edf"]
    assert [(f.recording.name, f.reason_code) for f in study.set_aside] == [
        ("far.edf", "start_not_known")
    ]


# ---------------------------------------------------------------- nothing readable


def test_nothing_readable_says_why_file_by_file_and_is_bounded(tmp_path: Path) -> None:
    for i in range(30):
        (tmp_path / f"{i:02d}.edf").write_bytes(b"x" * 1000)
    with pytest.raises(NothingReadable) as error:
        study_of(tmp_path)
    text = str(error.value)
    assert "00.edf" in text
    assert "22 more" in text
    assert len(text) < 3000


def test_an_empty_folder_a_missing_one_and_other_files_only(tmp_path: Path) -> None:
    with pytest.raises(NothingReadable, match="no recording was found"):
        study_of(tmp_path)
    with pytest.raises(NothingReadable):
        study_of(tmp_path / "missing")
    (tmp_path / "a.txt").touch()
    with pytest.raises(NothingReadable, match="no recording was found"):
        study_of(tmp_path)


# ---------------------------------------------------------------- checksums


class Counted:
    """Progress that remembers what it was told."""

    def __init__(self) -> None:
        self.totals: dict[str, int] = {}
        self.done: dict[str, int] = {}
        self.now = ""

    def stage(self, name: str, total: int) -> None:
        self.now = name
        self.totals[name], self.done[name] = total, 0

    def advance(self, amount: int) -> None:
        self.done[self.now] += amount


def test_checksums_are_those_of_the_bytes_and_progress_adds_up(tmp_path: Path) -> None:
    for i in range(3):
        piece(tmp_path / f"{i}.edf", i, i + 1)
    progress = Counted()
    study = build_study([tmp_path], None, POLICY, progress=progress)
    study = identified(study, read_study(study, {}, progress=progress))
    for file in study.counted:
        whole = hashlib.sha256(file.recording.path.read_bytes()).hexdigest()
        assert file.recording.sha256 == whole
    assert progress.done == progress.totals
    assert progress.totals["Reading"] == sum(f.recording.size_bytes for f in study.files)


def test_no_input_is_altered(tmp_path: Path) -> None:
    piece(tmp_path / "a.edf")
    piece(tmp_path / "b.edf", 1, 2)
    before = {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in tmp_path.iterdir()}
    study_of(tmp_path, sums=True)
    assert {p: (p.stat().st_mtime_ns, p.read_bytes()) for p in tmp_path.iterdir()} == before
