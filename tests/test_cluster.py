"""The same work on a Dask cluster: identical audits, and a worker that dies loses nothing.

A real scheduler and two workers run on the loopback interface, as processes of their own.
"""

from __future__ import annotations

import contextlib
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

from auditor.batch.cluster import run_cluster
from auditor.core.errors import UsageError

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


@contextlib.contextmanager
def impatient(*arguments: str | Path) -> Iterator[subprocess.Popen[str]]:
    """``auditor ARGUMENTS`` in a process whose patience with a cluster is a few seconds."""
    script = (
        "import sys, auditor.batch.cluster as c; c.CONNECT_S, c.LOST_S, c.LOOK_S = 2, 6, 0.2; "
        "from auditor.cli.parser import main; sys.exit(main(sys.argv[1:]))"
    )
    process = subprocess.Popen(
        [sys.executable, "-c", script, *(str(a) for a in arguments)],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
        env={**os.environ, "PYTHONPATH": str(PROJECT)},
    )  # fmt: skip
    with process:
        try:
            yield process
        finally:
            process.kill()


def refused(root: Path, out: Path, address: str) -> str:
    """The one sentence by which an address is refused."""
    with impatient("batch", root, "--out", out, "--cluster", address) as process:
        said, errors = process.communicate(timeout=90)
    assert (process.returncode, said) == (2, "")
    assert errors.startswith("auditor: --cluster ")
    assert errors.count("\n") == 1
    assert not (out / "index.html").exists()
    return errors


@pytest.mark.parametrize(
    "address", ["foo", "", "tcp://", "http://10.0.0.5:8786", "10.0.0.5", "10.0.0.5:99999", "[::1"]
)
def test_what_is_no_address_is_told_before_anything_is_asked(address: str) -> None:
    with pytest.raises(UsageError, match="is no address of a scheduler") as caught:
        next(run_cluster([], lambda job: None, address))  # type: ignore[arg-type, return-value]
    assert "tcp://10.0.0.5:8786" in str(caught.value)


def test_a_machine_that_nobody_knows_is_told(root: Path, tmp_path: Path) -> None:
    said = refused(root, tmp_path, "tcp://nowhere.invalid:8786")  # RFC 6761: never a machine
    assert "no machine of that name" in said or "no scheduler answers there" in said


def test_an_address_where_nobody_answers_is_wrong_use(root: Path, tmp_path: Path) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    assert "no scheduler answers there" in refused(root, tmp_path, f"tcp://127.0.0.1:{port}")


def test_a_listener_that_says_nothing_is_no_scheduler(root: Path, tmp_path: Path) -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen(8)  # connections are taken by the system, and nobody reads them
        port = silent.getsockname()[1]
        said = refused(root, tmp_path, f"127.0.0.1:{port}")
    assert "not as a scheduler does" in said


@contextlib.contextmanager
def small_cluster(folder: Path, workers: int) -> Iterator[Cluster]:
    """A scheduler of one test with at most one worker; ``workers[0]`` is the scheduler."""
    file = folder / "scheduler.json"
    started = [
        launch(
            "dask_scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard",
            "--no-jupyter", "--no-show", "--scheduler-file", str(file), "--idle-timeout", "120s",
        )
    ]  # fmt: skip
    try:
        until(lambda: file.exists() and file.read_text().strip().endswith("}"), 60)
        address = json.loads(file.read_text())["address"]
        started += [
            launch("dask_worker", address, "--host", "127.0.0.1", "--no-nanny", "--nthreads", "1",
                   "--no-dashboard", "--death-timeout", "5", "--local-directory", str(folder))
            for _ in range(workers)
        ]  # fmt: skip
        if workers:
            import distributed

            with distributed.Client(address, set_as_default=False, timeout=60) as client:
                client.wait_for_workers(workers, timeout=90)
        yield Cluster(address, started)
    finally:
        for one in started:
            one.kill()
            one.wait(timeout=20)


@pytest.mark.parametrize(
    ("lost", "said"), [(0, "the scheduler was lost"), (1, "every worker was lost")]
)
def test_who_is_lost_ends_the_run_by_name_and_what_was_finished_is_kept(
    lost: int, said: str, root: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    with (
        small_cluster(tmp_path, 1) as cluster,
        impatient("batch", root, "--out", out, "--cluster", cluster.address) as process,
    ):
        until(lambda: audits_in(out) or process.poll() is not None, 90)
        assert process.poll() is None, process.communicate()[1]
        cluster.workers[lost].kill()
        _, errors = process.communicate(timeout=60)
    assert process.returncode == 2
    assert f"{said}; what was finished is kept" in errors
    assert errors.count("\n") == 1
    assert audits_in(out)


def test_a_scheduler_without_workers_is_told(root: Path, tmp_path: Path) -> None:
    with small_cluster(tmp_path, 0) as cluster:
        assert "its scheduler has no worker" in refused(root, tmp_path / "out", cluster.address)
