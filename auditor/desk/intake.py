"""The first look at a folder: what is in it, from headers and annotation bytes alone.

It runs in a process of its own that stays warm: files are hostile until parsed, and neither a crash
nor a lack of memory there takes the page along.
"""

from __future__ import annotations

import contextlib
import stat
import threading
from collections.abc import Sequence
from concurrent.futures import ProcessPoolExecutor
from concurrent.futures import TimeoutError as Late
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context
from pathlib import Path

from msgspec import Struct

from auditor.batch.pool import set_up_worker
from auditor.core.errors import AuditorError, UsageError
from auditor.core.files import MOST_BYTES
from auditor.model import Coverage, Study

LONGEST_S = 120
"""A first look takes a second or two; what takes longer is a drive that does not answer."""
_MOST_LOGS = 200
_LOGS = (".csv", ".tsv", ".txt")


class Look(Struct, frozen=True):
    """What lies in a folder. ``logs`` names files that may be logs, relative to the folder."""

    study: Study
    coverage: Coverage
    logs: tuple[str, ...]

    @property
    def patients(self) -> tuple[str, ...]:
        """The codes or names of the counted files' patient fields, each once; untrusted."""
        fields = [f.recording.header.patient_field for f in self.study.counted]
        return tuple(dict.fromkeys(t for f in fields if (t := f.code or f.name)))


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
            except (BrokenProcessPool, Late) as error:
                self.close()
                problem = "the first look ended without an answer (out of memory, or a fault)"
                action = "Try again, or audit the folder: that runs by itself."
                if isinstance(error, Late):
                    problem = f"gave no answer within {LONGEST_S} s"
                    action = "Is the drive or the network slow? Copy the study to this machine."
                raise UsageError(str(folder), problem, action) from None
            except Exception as error:  # what a file holds must not end the page
                problem = f"met an error that should not happen ({type(error).__name__})"
                action = "Audit the folder all the same: the audit says more. Please report it."
                raise UsageError(str(folder), problem, action) from error

    def _ready(self) -> ProcessPoolExecutor:
        if self._pool is None:
            self._pool = ProcessPoolExecutor(
                1, mp_context=get_context("spawn"), initializer=set_up_worker
            )
        return self._pool

    def close(self) -> None:
        """End the process, if there is one, at once."""
        if self._pool is not None:
            for process in list((self._pool._processes or {}).values()):  # no public way to end it
                process.kill()
            self._pool.shutdown(wait=False, cancel_futures=True)
            self._pool = None


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
    coverage = study_coverage(study, policy.coverage.gap_floor_ns)
    return Look(study, coverage, _logs(folder, study.other_files))


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
    return tuple(found[:_MOST_LOGS])
