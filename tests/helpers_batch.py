"""Small archives of studies for the tests of the batch."""

from __future__ import annotations

import contextlib
import json
import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from helpers_cli import run
from helpers_edf import Sig, edf

from auditor.batch.jobs import Result
from auditor.demo.writer import MONTHS

PROJECT = Path(__file__).resolve().parent.parent

CHANNELS = tuple(Sig(f"EEG {name}") for name in ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "O1", "O2"))
EPOCH = "1800000000"
"""For SOURCE_DATE_EPOCH: with it the same inputs give the same bytes."""


def make_study(
    root: Path,
    name: str,
    *,
    seconds: int = 36,
    ordered_s: int | None = 36,
    patient: str = "P-2041",
    unit: str = "N-3",
    date: str = "02.03.27",
    power: str = "",
    study_id: str = "",
    signals: Sequence[Sig] = CHANNELS,
) -> Path:
    """One study folder: a recording of ``seconds`` and, where ``ordered_s``, its order."""
    folder = root / name
    folder.mkdir(parents=True)
    day, month, year = (int(part) for part in date.split("."))
    (folder / "a.edf").write_bytes(
        edf(
            onsets=list(range(seconds)),
            signals=signals,
            patient=f"{patient} X X X",
            start_date=date,
            recording=f"Startdate {day:02d}-{MONTHS[month - 1]}-20{year:02d} X X {unit}",
        )
    )
    if ordered_s is not None:
        (folder / "order.toml").write_text(
            order_text(study_id or name.rsplit("/", 1)[-1], ordered_s) + power
        )
    return folder


def order_text(study_id: str, ordered_s: int) -> str:
    """An order file: ``ordered_s`` as hours."""
    return f'[order]\nstudy_id = "{study_id}"\nordered_hours = {ordered_s / 3600:.12f}\n'


def batch(root: Path, out: Path, *arguments: str | Path) -> int:
    """Exit status of a quiet ``auditor batch`` on one process a core."""
    return run("batch", root, "--out", out, "--quiet", *arguments)


def worklist(out: Path) -> list[dict[str, Any]]:
    """The studies of worklist.json, in order."""
    document = json.loads((out / "worklist.json").read_text(encoding="utf-8"))
    studies: list[dict[str, Any]] = document["studies"]
    return studies


def tree(folder: Path) -> dict[str, bytes]:
    """Relative name -> content of every file under ``folder``."""
    return {
        p.relative_to(folder).as_posix(): p.read_bytes()
        for p in sorted(folder.rglob("*"))
        if p.is_file()
    }


def touch(path: Path, seconds: int = 5) -> None:
    """Another time of change, the same bytes."""
    about = path.stat()
    os.utime(path, ns=(about.st_atime_ns, about.st_mtime_ns + seconds * 10**9))


def one_by_one(jobs: Sequence[Any], work: Any, workers: int) -> Iterator[tuple[Any, Any]]:
    """In place of the pool of processes, for tests that are not about it."""
    for job in jobs:
        yield job, work(job)


def die(job: Any, folder: str) -> Result:
    """A job's work whose process is killed while it holds a deadly job: the first time, or always."""
    import signal
    import tempfile

    if job.study.startswith("deadly"):
        seen = Path(folder) / job.study
        seen.mkdir(exist_ok=True)
        if job.study != "deadly once" or not any(seen.iterdir()):
            tempfile.mkstemp(dir=seen)
            os.kill(os.getpid(), signal.SIGKILL)
    return Result({"study": job.study, "error": None}, [])


def children(pid: int) -> list[int]:
    """Living processes whose parent is ``pid`` (Linux)."""
    found = []
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError):
                state, parent = (entry / "stat").read_text().rpartition(")")[2].split()[:2]
                if int(parent) == pid and state != "Z":
                    found.append(int(entry.name))
    return found


def workers_of(pid: int) -> list[int]:
    """The pool's workers among the children of ``pid``."""
    found = []
    for child in children(pid):
        with contextlib.suppress(OSError):
            if b"spawn_main" in Path(f"/proc/{child}/cmdline").read_bytes():
                found.append(child)
    return found


def alive(pid: int) -> bool:
    """Whether a process runs (a zombie does not)."""
    try:
        return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] != "Z"
    except OSError:
        return False


def until(condition: Callable[[], object], seconds: float = 60) -> None:
    """Wait for ``condition``; a timeout is a failure."""
    limit = time.monotonic() + seconds
    while not condition():
        assert time.monotonic() < limit, "waited too long"
        time.sleep(0.02)


def audits_in(out: Path) -> list[str]:
    """The audits that are in their place, by folder name."""
    folder = out / "audits"
    if not folder.is_dir():
        return []
    return sorted(p.name for p in folder.iterdir() if not p.name.startswith("."))


@contextlib.contextmanager
def running(*arguments: str | Path) -> Iterator[subprocess.Popen[str]]:
    """``auditor ARGUMENTS`` as a process of its own, ended with the block."""
    process = subprocess.Popen(
        [sys.executable, "-m", "auditor", *(str(a) for a in arguments)],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env={**os.environ, "SOURCE_DATE_EPOCH": EPOCH, "PYTHONPATH": str(PROJECT)},
    )
    with process:
        try:
            yield process
        finally:
            process.kill()
