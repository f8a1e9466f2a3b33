"""The same work on a Dask cluster: identical audits, and a worker that dies loses nothing.

A real scheduler and two workers run on the loopback interface, as processes of their own.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest
from helpers_batch import (
    EPOCH,
    PROJECT,
    audits_in,
    batch,
    make_study,
    one_by_one,
    running,
    tree,
    until,
)

pytest.importorskip("distributed")
STUDIES = 24
_QUIET = {
    "DASK_DISTRIBUTED__ADMIN__SYSTEM_MONITOR__GIL__ENABLED": "False",
    "DASK_DISTRIBUTED__DIAGNOSTICS__NVML": "False",
    "DASK_DISTRIBUTED__WORKER__MEMORY__TERMINATE": "False",
}


@dataclass
class Cluster:
    """A running scheduler and its workers."""

    address: str
    workers: list[subprocess.Popen[bytes]]


def launch(module: str, *arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{module}", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **_QUIET, "PYTHONPATH": str(PROJECT)},
    )


@pytest.fixture(scope="module")
def cluster(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Cluster]:
    folder = tmp_path_factory.mktemp("cluster")
    file = folder / "scheduler.json"
    scheduler = launch(
        "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter",
        "--no-show", "--scheduler-file", str(file), "--idle-timeout", "120s",
    )  # fmt: skip
    started = [scheduler]
    try:
        until(file.exists, 60)
        until(lambda: file.read_text().strip().endswith("}"), 10)
        address = json.loads(file.read_text())["address"]
        workers = [
            launch(
                "dask_worker", address, "--host", "127.0.0.1", "--no-nanny", "--nthreads", "1",
                "--no-dashboard", "--name", f"worker-{n}", "--death-timeout", "60",
                "--local-directory", str(folder),
            )
            for n in range(2)
        ]  # fmt: skip
        started += workers
        yield Cluster(address, workers)
    finally:
        for process in started:
            process.kill()
            process.wait(timeout=20)


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    root = tmp_path_factory.mktemp("archive") / "returned"
    for number in range(STUDIES):
        make_study(root, f"S-{2041 + number}", seconds=36 if number % 2 else 12)
    (root / "S-2040").mkdir()
    (root / "S-2040" / "a.edf").write_bytes(b"broken")
    return root


def test_cluster_and_local_runs_give_the_same_bytes_though_a_worker_dies(
    cluster: Cluster, root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    assert batch(root, tmp_path / "local") == 1

    out = tmp_path / "cluster"
    with running("batch", root, "--out", out, "--cluster", cluster.address) as process:
        until(lambda: len(audits_in(out)) >= 4 or process.poll() is not None, 90)
        assert process.poll() is None, process.communicate()[1]
        cluster.workers[0].send_signal(signal.SIGKILL)
        died_at = len(audits_in(out))
        said, errors = process.communicate(timeout=120)
    assert process.returncode == 1, errors
    assert died_at < STUDIES
    assert f"{STUDIES + 1} audited" in said
    assert errors == ""
    for name in ("audits", "worklist.json", "worklist.csv", "index.html"):
        one, other = tmp_path / "local" / name, out / name
        if one.is_dir():
            assert tree(one) == tree(other)
        else:
            assert one.read_bytes() == other.read_bytes()

    with running("batch", root, "--out", out, "--cluster", cluster.address, "--resume") as again:
        assert "0 audited" in again.communicate(timeout=60)[0]


def test_an_address_where_nobody_answers_is_wrong_use(root: Path, tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    nobody = f"tcp://127.0.0.1:{port}"
    with running("batch", root, "--out", tmp_path, "--cluster", nobody) as process:
        _, errors = process.communicate(timeout=90)
    assert process.returncode == 2
    assert "no scheduler answers there" in errors
    assert "Traceback" not in errors
    assert not (tmp_path / "index.html").exists()


def test_a_scheduler_that_is_lost_ends_the_run_and_keeps_what_was_finished(
    root: Path, tmp_path: Path
) -> None:
    file = tmp_path / "scheduler.json"
    scheduler = launch(
        "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--no-jupyter",
        "--no-show", "--scheduler-file", str(file), "--idle-timeout", "120s",
    )  # fmt: skip
    started = [scheduler]
    try:
        until(lambda: file.exists() and file.read_text().strip().endswith("}"), 60)
        address = json.loads(file.read_text())["address"]
        started.append(
            launch("dask_worker", address, "--host", "127.0.0.1", "--no-nanny", "--nthreads", "1",
                   "--no-dashboard", "--death-timeout", "5", "--local-directory", str(tmp_path))
        )  # fmt: skip
        out = tmp_path / "out"
        with running("batch", root, "--out", out, "--cluster", address) as process:
            until(lambda: audits_in(out) or process.poll() is not None, 90)
            scheduler.kill()
            _, errors = process.communicate(timeout=120)
    finally:
        for one in started:
            one.kill()
            one.wait(timeout=20)
    assert process.returncode == 2
    assert "the scheduler was lost" in errors
    assert "Traceback" not in errors
    assert audits_in(out)
