"""The first look at a folder: what is in it, from headers and annotation bytes alone.

It runs in a process of its own that stays warm: files are hostile until parsed, and neither a crash
nor a lack of memory there takes the page along.
"""

from __future__ import annotations

import contextlib
import stat
import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as Late
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

from msgspec import Struct

from auditor.batch.pool import set_up_worker
from auditor.core.errors import AuditorError, UsageError
from auditor.core.files import MOST_BYTES

LONGEST_S = 120
"""A first look takes a second or two; what takes longer is a drive that does not answer."""
MOST_FILES = 200
_LOGS = (".csv", ".tsv", ".txt")


class LookedFile(Struct, frozen=True):
    """One recording as first seen. ``start`` is ISO 8601 civil time; ``recorded_ns`` its time."""

    name: str
    size_bytes: int
    format: str
    start: str
    recorded_ns: int
    patient: str
    recorder: str
    eeg_channels: int
    note: str = ""
    """Why it would not be counted; empty where it would."""


class Look(Struct, frozen=True):
    """What lies in a folder. Durations in nanoseconds; texts from files are untrusted.

    ``patients`` are the codes or names of the counted files' patient fields; ``logs`` the names of
    files that may be logs, relative to the folder.
    """

    files: tuple[LookedFile, ...]
    left_out: int
    unreadable: tuple[tuple[str, str], ...]
    first_start: str
    last_end: str
    span_ns: int
    recorded_ns: int
    gaps: int
    gaps_ns: int
    copies: int
    patients: tuple[str, ...]
    recorders: tuple[str, ...]
    logs: tuple[str, ...]


class Looker:
    """Takes first looks, one at a time. Used from many threads."""

    def __init__(self) -> None:
        self._lock = threading.Lock()
        self._pool: ProcessPoolExecutor | None = None

    def warm(self) -> None:
        """Start the process before it is needed: the libraries take most of a second to load."""
        with self._lock:
            self._ready().submit(_load)

    def look(self, folder: Path) -> Look:
        """The first look at ``folder``.

        Raises ``AuditorError``: ``NothingReadable`` where no recording is there, ``UsageError``
        where the look ended without an answer.
        """
        with self._lock:
            try:
                return self._ready().submit(first_look, folder).result(timeout=LONGEST_S)
            except AuditorError:
                raise
            except BrokenProcessPool:
                self._end()
                raise UsageError(
                    str(folder),
                    "the first look ended without an answer (out of memory, or a fault)",
                    "Try again, or audit the folder: that runs by itself.",
                ) from None
            except Late:
                self._end()
                raise UsageError(
                    str(folder),
                    f"gave no answer within {LONGEST_S} s",
                    "Is the drive or the network slow? Copy the study to this machine first.",
                ) from None
            except Exception as error:  # what a file holds must not end the page
                raise UsageError(
                    str(folder),
                    f"the first look met an error that should not happen ({type(error).__name__})",
                    "Audit the folder all the same: the audit says more. Please report it.",
                ) from error

    def _ready(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                1, mp_context=get_context("spawn"), initializer=set_up_worker
            )
        return self._pool

    def _end(self) -> None:
        if self._pool is not None:
            for process in list((self._pool._processes or {}).values()):  # no public way to end it
                process.kill()
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None

    def close(self) -> None:
        """End the process, if there is one, at once."""
        self._end()


def _load() -> None:
    """Import what a look needs, and the table of electrode names."""
    from auditor.edf.electrodes import electrode_name
    from auditor.study import build_study

    electrode_name("EEG Fp1", "uV")
    build_study.__module__  # noqa: B018  imported for its sake


def first_look(folder: Path) -> Look:
    """The look itself; picklable either way. Raises ``AuditorError``."""
    from auditor.coverage.timeline import study_coverage
    from auditor.policy import load_policy
    from auditor.study import build_study

    policy = load_policy()
    study = build_study([folder], None, policy)
    axis = study.axis
    coverage = study_coverage(study, policy.coverage.gap_floor_ns)
    files = []
    for file in study.files:
        recording = file.recording
        patient, device = recording.header.patient_field, recording.header.recording_field
        files.append(
            LookedFile(
                name=recording.name,
                size_bytes=recording.size_bytes,
                format=recording.format,
                start="" if file.interval is None else axis.iso(file.interval.start),
                recorded_ns=file.recorded_ns,
                patient=patient.code or patient.name or "",
                recorder=device.equipment or "",
                eeg_channels=sum(c.is_eeg for c in recording.channels),
                note="" if file.role == "counted" else file.reason,
            )
        )
    counted = [f for f in files if not f.note]
    return Look(
        files=tuple(files[:MOST_FILES]),
        left_out=max(0, len(files) - MOST_FILES),
        unreadable=tuple((u.name, u.reason) for u in study.unreadable[:MOST_FILES]),
        first_start=axis.iso(coverage.first_start),
        last_end=axis.iso(coverage.last_end),
        span_ns=coverage.span_ns,
        recorded_ns=coverage.recorded_ns,
        gaps=len(coverage.gaps),
        gaps_ns=coverage.gaps_ns,
        copies=len(study.copies),
        patients=_several(f.patient for f in counted),
        recorders=_several(f.recorder for f in counted),
        logs=_logs(folder, study.other_files),
    )


def _several(texts: Iterable[str]) -> tuple[str, ...]:
    """Each text that says something, once."""
    return tuple(dict.fromkeys(text for text in texts if text))


def _logs(folder: Path, names: Sequence[str]) -> tuple[str, ...]:
    """Files of the folder that a table could be in, small enough to be one."""
    found = []
    for name in names:
        path = folder / name
        if path.suffix.lower() not in _LOGS:
            continue
        with contextlib.suppress(OSError):  # gone meanwhile, or on a bad spot: it is not offered
            about = path.lstat()
            if stat.S_ISREG(about.st_mode) and about.st_size <= MOST_BYTES:
                found.append(name)
    return tuple(found[:MOST_FILES])


def taken(error: AuditorError, folder: Path) -> str:
    """An error's sentence without the folder's whole path before it."""
    return str(error).removeprefix(f"{folder}: ")
