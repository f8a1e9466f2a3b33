"""A study folder of one good file for tests that put something hostile beside it."""

from __future__ import annotations

import signal
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import FrameType
from typing import Any

from helpers_cli import study
from helpers_edf import Sig, edf
from helpers_study_invariants import fingerprint, page

ROOT = Path(__file__).resolve().parents[1]
EIGHT = tuple(Sig(f"EEG {n}", 16) for n in ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2"))
GOOD = edf(onsets=range(20), signals=EIGHT)
LATER = edf(onsets=range(20), signals=EIGHT, start_time="09.31.00")


@contextmanager
def within(seconds: int) -> Iterator[None]:
    """Fails instead of waiting for ever; no measurement: what must not hang returns at once."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise AssertionError(f"still waiting after {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.alarm(seconds)
    try:
        yield
    finally:
        signal.alarm(0)
        signal.signal(signal.SIGALRM, before)


def audited(folder: Path, *more: str | Path) -> dict[str, Any]:
    """audit.json of the folder; it was not changed and the run did not hang."""
    before = fingerprint(folder)
    with within(120):
        status, document = study(folder, folder.parent / "out", *more)
    assert status in (0, 1)
    assert fingerprint(folder) == before
    page((folder.parent / "out" / "audit.html").read_text(encoding="utf-8"))
    return document


def roles(document: dict[str, Any]) -> dict[str, str]:
    return {f["name"]: f["role"] for f in document["files"]}
