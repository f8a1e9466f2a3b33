"""The pool of processes: what dies in it loses nothing, and nothing outlives the command."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

import pytest
from helpers_batch import (
    EPOCH,
    alive,
    audits_in,
    batch,
    die,
    make_study,
    one_by_one,
    running,
    tree,
    until,
    workers_of,
    worklist,
)

from auditor.batch.jobs import Job
from auditor.batch.pool import run_pool
from auditor.pipeline import Options
from auditor.policy import load_policy

STUDIES = 12


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("archive") / "returned"
    for number in range(STUDIES):
        make_study(root, f"S-{2041 + number}", seconds=36 if number % 2 else 12)
    return root


@pytest.fixture(scope="module")
def expected(root: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The audits of a run that nothing disturbs, one after the other in this process."""
    out = tmp_path_factory.mktemp("undisturbed") / "out"
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("SOURCE_DATE_EPOCH", EPOCH)
        patch.setattr("auditor.batch.command.run_pool", one_by_one)
        assert batch(root, out) == 1
    assert len(worklist(out)) == STUDIES
    assert len(audits_in(out)) == STUDIES
    return tree(out / "audits")


def job(study: str) -> Job:
    return Job(study, study, (), None, load_policy(), Options(), None)


def test_a_killed_worker_costs_no_job_and_a_deadly_job_only_itself(tmp_path: Path) -> None:
    names = [f"S-{n}" for n in range(8)]
    jobs = [job(n) for n in ("deadly always", *names[:4], "deadly once", *names[4:])]
    found = list(run_pool(jobs, partial(die, folder=str(tmp_path)), 2))
    assert sorted(j.study for j, _ in found) == sorted(j.study for j in jobs)
    failed = [j.study for j, result in found if result.summary["error"]]
    assert failed == ["deadly always"]
    assert len(list((tmp_path / "deadly always").iterdir())) == 3
    assert len(list((tmp_path / "deadly once").iterdir())) == 1


def test_a_worker_killed_in_mid_run_loses_nothing(
    root: Path, tmp_path: Path, expected: dict[str, bytes]
) -> None:
    out = tmp_path / "out"
    with running("batch", root, "--out", out, "--workers", "2") as process:
        until(lambda: audits_in(out), 120)
        victims = workers_of(process.pid)
        assert victims
        os.kill(victims[0], signal.SIGKILL)
        said, errors = process.communicate(timeout=240)
    assert process.returncode == 1, errors
    assert f"{STUDIES} audited" in said
    assert tree(out / "audits") == expected
    assert {r["outcome"] for r in worklist(out)} == {"complete", "repeat"}


def test_ctrl_c_ends_at_once_and_resume_goes_on(
    root: Path, tmp_path: Path, expected: dict[str, bytes]
) -> None:
    out = tmp_path / "out"
    with running("batch", root, "--out", out, "--workers", "2") as process:
        until(lambda: audits_in(out), 120)
        workers = workers_of(process.pid)
        process.send_signal(signal.SIGINT)
        _, errors = process.communicate(timeout=240)
    assert process.returncode == 130
    assert errors == "auditor: stopped; nothing half written was left\n"
    until(lambda: not any(alive(pid) for pid in workers), 60)
    assert not list((out / "audits").glob(".*"))
    kept = audits_in(out)
    assert 1 <= len(kept) < STUDIES
    with running("batch", root, "--out", out, "--resume", "--workers", "2") as again:
        said, _ = again.communicate(timeout=240)
    audited = int(said.split(": ")[1].split(" audited")[0])
    # One that was written and not yet in the history is made again; at most those under way.
    assert STUDIES - len(kept) <= audited <= STUDIES - len(kept) + 6
    assert tree(out / "audits") == expected


def test_workers_end_with_a_killed_parent(root: Path, tmp_path: Path) -> None:
    out = tmp_path / "out"
    with running("batch", root, "--out", out, "--workers", "2") as process:
        until(lambda: audits_in(out), 120)
        workers = workers_of(process.pid)
        process.kill()
    assert workers
    until(lambda: not any(alive(pid) for pid in workers), 60)
