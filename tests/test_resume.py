"""``batch --resume`` tries again what a person may have mended: what was refused, what died."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import audits_in, batch, make_study, one_by_one, worklist

from auditor.batch.jobs import given_up

QUICK = ("--signal", "off", "--second-readers", "off")


@pytest.fixture(autouse=True)
def in_this_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "returned"
    make_study(root, "S-2041")
    make_study(root, "S-2042", seconds=12)
    return root


def audited(capsys: pytest.CaptureFixture[str], root: Path, out: Path) -> int:
    from helpers_cli import run

    capsys.readouterr()
    run("batch", root, "--out", out, "--resume", *QUICK)
    return int(capsys.readouterr().out.split(": ")[1].split(" audited")[0])


def refusing(real: Callable[..., int], refused: Path) -> Callable[..., int]:
    """``os.open`` that denies one file, as its permissions do to all but an administrator."""

    def call(path: Any, *rest: Any, **named: Any) -> int:
        if os.fspath(path) == str(refused):
            raise PermissionError(errno.EACCES, os.strerror(errno.EACCES), path)
        return real(path, *rest, **named)

    return call


@pytest.mark.parametrize("only", [True, False])
def test_a_file_that_was_refused_is_tried_again_until_it_opens(
    only: bool, root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out, second = tmp_path / "out", root / "S-2042" / "b.edf"
    if only:
        second = root / "S-2042" / "a.edf"
    else:
        second.write_bytes((root / "S-2041" / "a.edf").read_bytes())
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(os, "open", refusing(os.open, second))
        batch(root, out, *QUICK)
        before = next(r for r in worklist(out) if r["study"] == "S-2042")
        assert audited(capsys, root, out) == 1  # still refused: tried, and in vain
    assert audits_in(out) == (["S-2041"] if only else ["S-2041", "S-2042"])
    assert audited(capsys, root, out) == 1
    row = next(r for r in worklist(out) if r["study"] == "S-2042")
    assert row["recorded_s"] == (12 if only else 36)
    assert row != before
    assert audited(capsys, root, out) == 0


def test_a_study_whose_worker_died_is_tried_again(
    root: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    def deadly(jobs: Sequence[Any], work: Any, workers: int) -> Iterator[tuple[Any, Any]]:
        for job in jobs:
            dies = job.study == "S-2041"
            yield job, given_up(job, "its audit ended three times") if dies else work(job)

    out = tmp_path / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("auditor.batch.command.run_pool", deadly)
        batch(root, out, *QUICK)
        assert audited(capsys, root, out) == 1
    assert audited(capsys, root, out) == 1
    assert all(r["outcome"] != "unreadable" for r in worklist(out))
    assert audited(capsys, root, out) == 0


@pytest.mark.parametrize("error", [MemoryError(), ValueError("invented")])
def test_a_study_that_met_no_fault_of_its_own_is_tried_again(
    error: Exception, root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    def broken(*given: Any, **more: Any) -> None:
        raise error

    out = tmp_path / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr("auditor.batch.jobs.examine", broken)
        assert batch(root, out, *QUICK) == 1
    words = "more memory" if isinstance(error, MemoryError) else "should not happen"
    assert all(words in r["headline"] for r in worklist(out))
    assert audited(capsys, root, out) == 2
    assert audited(capsys, root, out) == 0


def test_a_redacted_row_of_a_worker_that_died_holds_no_id_of_the_order(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def deadly(jobs: Sequence[Any], work: Any, workers: int) -> Iterator[tuple[Any, Any]]:
        for job in jobs:
            yield job, given_up(job, "its audit ended three times")

    monkeypatch.setattr("auditor.batch.command.run_pool", deadly)
    out = tmp_path / "out"
    batch(root, out, "--redact", *QUICK)
    for name in ("index.html", "worklist.csv", "worklist.json"):
        assert "S-204" not in (out / name).read_text("utf-8")
    assert all("ended three times" in r["headline"] for r in worklist(out))


def test_what_its_files_make_impossible_is_not_tried_again(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (root / "S-2042" / "a.edf").write_bytes(b"no recording")
    batch(root, tmp_path / "out", *QUICK)
    assert audited(capsys, root, tmp_path / "out") == 0
