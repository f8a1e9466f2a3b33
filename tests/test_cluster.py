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
from collections.abc import Callable, Iterator
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
from helpers_cli import run

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
    scheduler: subprocess.Popen[bytes]
    workers: list[subprocess.Popen[bytes]]


def launch(module: str, *arguments: str) -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-W", "ignore", "-m", f"distributed.cli.{module}", *arguments],
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
        env={**os.environ, **_QUIET, "PYTHONPATH": str(PROJECT)},
    )


@contextlib.contextmanager
def running_cluster(folder: Path, workers: int) -> Iterator[Cluster]:
    """A scheduler and so many workers, for one test: what nobody uses costs time all the same."""
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
                   "--no-dashboard", "--death-timeout", "60", "--local-directory", str(folder))
            for _ in range(workers)
        ]  # fmt: skip
        if workers:
            import distributed

            with distributed.Client(address, set_as_default=False, timeout=60) as client:
                client.wait_for_workers(workers, timeout=90)
        yield Cluster(address, started[0], started[1:])
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
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    assert batch(root, tmp_path / "local") == 1

    out = tmp_path / "cluster"
    with running_cluster(tmp_path, 2) as cluster:
        with running("batch", root, "--out", out, "--cluster", cluster.address) as process:
            until(lambda: len(audits_in(out)) >= 4 or process.poll() is not None, 90)
            assert process.poll() is None, process.communicate()[1]
            cluster.workers[0].send_signal(signal.SIGKILL)
            died_at = len(audits_in(out))
            said, errors = process.communicate(timeout=240)
        assert process.returncode == 1, errors
        assert died_at < STUDIES
        assert f"{STUDIES + 1} audited" in said
        assert errors == ""
        with running(
            "batch", root, "--out", out, "--cluster", cluster.address, "--resume"
        ) as again:
            assert "0 audited" in again.communicate(timeout=240)[0]
    for name in ("audits", "worklist.json", "worklist.csv", "index.html"):
        one, other = tmp_path / "local" / name, out / name
        if one.is_dir():
            assert tree(one) == tree(other)
        else:
            assert one.read_bytes() == other.read_bytes()


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


Refused = Callable[[str], str]


@pytest.fixture
def refused(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> Refused:
    """Gives the one sentence by which an address is refused, with the same little patience."""
    for name, seconds in (("CONNECT_S", 2), ("LOST_S", 6), ("LOOK_S", 0.2)):
        monkeypatch.setattr(f"auditor.batch.cluster.{name}", seconds)

    def ask(address: str) -> str:
        assert run("batch", root, "--out", tmp_path / "out", "--cluster", address) == 2
        said, errors = capsys.readouterr()
        assert said == ""
        assert errors.startswith("auditor: --cluster ")
        assert errors.count("\n") == 1
        assert not (tmp_path / "out" / "index.html").exists()
        return errors

    return ask


@pytest.mark.parametrize(
    "address", ["foo", "", "tcp://", "http://10.0.0.5:8786", "10.0.0.5", "10.0.0.5:99999", "[::1"]
)
def test_what_is_no_address_is_told_before_anything_is_asked(address: str) -> None:
    with pytest.raises(UsageError, match="is no address of a scheduler") as caught:
        next(run_cluster([], lambda job: None, address))  # type: ignore[arg-type, return-value]
    assert "tcp://10.0.0.5:8786" in str(caught.value)


def test_a_machine_that_nobody_knows_is_told(refused: Refused) -> None:
    said = refused("tcp://nowhere.invalid:8786")  # RFC 6761: never a machine
    assert "no machine of that name" in said or "no scheduler answers there" in said


def test_an_address_where_nobody_answers_is_wrong_use(refused: Refused) -> None:
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    assert "no scheduler answers there" in refused(f"tcp://127.0.0.1:{port}")


def test_a_listener_that_says_nothing_is_no_scheduler(refused: Refused) -> None:
    with socket.socket() as silent:
        silent.bind(("127.0.0.1", 0))
        silent.listen(8)  # connections are taken by the system, and nobody reads them
        said = refused(f"127.0.0.1:{silent.getsockname()[1]}")
    assert "not as a scheduler does" in said


@pytest.mark.parametrize(
    ("lost", "said"), [(0, "the scheduler was lost"), (1, "every worker was lost")]
)
def test_who_is_lost_ends_the_run_by_name_and_what_was_finished_is_kept(
    lost: int, said: str, root: Path, tmp_path: Path
) -> None:
    out = tmp_path / "out"
    with (
        running_cluster(tmp_path, 1) as cluster,
        impatient("batch", root, "--out", out, "--cluster", cluster.address) as process,
    ):
        until(lambda: audits_in(out) or process.poll() is not None, 90)
        assert process.poll() is None, process.communicate()[1]
        (cluster.scheduler, *cluster.workers)[lost].kill()
        _, errors = process.communicate(timeout=240)
    assert process.returncode == 2
    assert f"{said}; what was finished is kept" in errors
    assert errors.count("\n") == 1
    assert audits_in(out)


def test_a_scheduler_without_workers_is_told(refused: Refused, tmp_path: Path) -> None:
    with running_cluster(tmp_path, 0) as cluster:
        assert "its scheduler has no worker" in refused(cluster.address)
