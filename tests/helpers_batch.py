"""Small archives of studies for the tests of the batch."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any

from helpers_cli import run
from helpers_edf import Sig, edf

from auditor.demo.writer import MONTHS

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
