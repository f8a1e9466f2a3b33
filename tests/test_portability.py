"""Systems without positioned reads and the like give the same audit, byte for byte."""

from __future__ import annotations

import json
import os
import time
from pathlib import Path, PureWindowsPath

import pytest
from helpers_studies import write_piece

import auditor
from auditor.core.text import path_part
from auditor.outputs.data import json_pieces

POSIX_ONLY = ("pread", "preadv", "fchmod", "O_NOATIME", "O_NONBLOCK", "O_CLOEXEC", "O_NOCTTY")


def facts(folder: Path) -> dict[str, object]:
    audit = auditor.audit_study(folder, ordered_hours="0.05", second_readers=False)
    found: dict[str, object] = json.loads("".join(json_pieces(audit)))
    found.pop("tool")
    return found


def test_without_positioned_reads_and_posix_flags_every_number_is_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    write_piece(tmp_path / "S" / "card" / "01.edf", (0, 60), (75, 120), fmt="EDF+D")
    write_piece(tmp_path / "S" / "card" / "02.edf", (130, 180), fmt="EDF+C", count=-1)
    write_piece(tmp_path / "S" / "computer" / "01.bdf", (20, 100), fmt="BDF+C")
    with_all = facts(tmp_path / "S")
    for name in POSIX_ONLY:
        monkeypatch.delattr(os, name, raising=False)
    assert not hasattr(os, "preadv")
    assert facts(tmp_path / "S") == with_all


def test_outputs_are_written_without_posix_calls(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Folders cannot be opened for a sync on every system; the audit is written all the same."""
    write_piece(tmp_path / "S" / "01.edf", (0, 60), fmt="EDF+C")
    audit = auditor.audit_study(tmp_path / "S", ordered_hours="0.01", second_readers=False)
    for name in POSIX_ONLY:
        monkeypatch.delattr(os, name, raising=False)
    opened = os.open

    def no_folders(path: str, flags: int, mode: int = 0o777) -> int:
        if Path(path).is_dir():
            raise PermissionError(13, "Permission denied")
        return opened(path, flags, mode)

    monkeypatch.setattr(os, "open", no_folders)
    auditor.write_audit(audit, tmp_path / "out")
    assert (tmp_path / "out" / "audit.html").is_file()


@pytest.mark.parametrize(
    "name", ["S-2041", "a:b", "..\\..\\x", "C:\\x", "a?*<>|b", " . ", "x" * 300, "a/b"]
)
def test_an_output_folder_named_after_a_study_is_one_plain_part_on_windows_too(name: str) -> None:
    """Characters that Windows forbids in names (its naming rules, from memory) never remain."""
    part = path_part(name)
    assert PureWindowsPath(part).parts == (part,)
    assert not set(part) & set('<>:"/\\|?*')
    assert part.strip(" .") == part != ""


def test_a_read_beside_others_is_whole_without_positioned_reads(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two threads that read one file through one descriptor never see each other's place."""
    import threading

    from auditor.edf.source import LocalFile

    for name in ("pread", "preadv"):
        monkeypatch.delattr(os, name, raising=False)
    path = tmp_path / "f.bin"
    path.write_bytes(bytes(range(256)) * 4096)
    wrong: list[int] = []
    with LocalFile(path, "f") as source:
        until = time.monotonic() + 0.3

        def look(step: int) -> None:
            buffer = bytearray(512)
            at = 0
            while time.monotonic() < until:
                at = (at + step) % (1 << 19)
                source.read_into(at, memoryview(buffer))
                if buffer[:4] != bytes((at + k) % 256 for k in range(4)):
                    wrong.append(at)

        threads = [threading.Thread(target=look, args=(step,)) for step in (977, 1531)]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
    assert wrong == []
