"""The audits that are to be made: a queue, and each audit in a process of its own.

A crash, a kill or a lack of memory ends that process and nothing else; its audit is then as it was
before. One audit runs at a time: it uses both the disk and the processors as far as they go.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable
from multiprocessing import get_context
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Literal

from msgspec import Struct
from msgspec.structs import replace

from auditor.batch.jobs import Job, Result, audit_job, store
from auditor.batch.pool import set_up_worker
from auditor.core.errors import AuditorError, UsageError

State = Literal["waiting", "running", "done", "failed", "cancelled"]
_TOLD_EACH_S = 0.2


class Run(Struct, frozen=True):
    """One audit that was asked for. ``done`` of ``total`` units (bytes, files) of ``stage``.

    ``text`` says how it ended. ``elapsed_s`` are seconds of this stage, for an estimate only.
    """

    id: str
    study: str
    state: State = "waiting"
    stage: str = ""
    done: int = 0
    total: int = 0
    elapsed_s: float = 0.0
    text: str = ""
    ahead: int = 0
    """Runs before it in the queue."""

    @property
    def ended(self) -> bool:
        """Whether nothing more will come."""
        return self.state in ("done", "failed", "cancelled")

    @property
    def percent(self) -> int:
        """How much of the stage is done, rounded down; 0 where that is not known."""
        return min(100, self.done * 100 // self.total) if self.total else 0

    @property
    def left_s(self) -> int | None:
        """Seconds that the stage will take at its pace so far; ``None`` where too early to say."""
        if not self.total or not self.done or self.elapsed_s < 2:
            return None
        return int(self.elapsed_s * (self.total - self.done) / self.done) + 1


class Runs:
    """The queue. ``finish`` takes each result into the desk's folder. Used from many threads."""

    def __init__(self, out: Path, finish: Callable[[Job, Result], None]) -> None:
        self._out = out
        self._finish = finish
        self._lock = threading.Condition()
        self._runs: dict[str, Run] = {}
        self._jobs: dict[str, Job] = {}
        self._process: tuple[str, object] | None = None
        self._closed = False
        self._number = 0
        self._thread = threading.Thread(target=self._work, name="desk-runs", daemon=True)
        self._thread.start()

    def add(self, job: Job) -> Run:
        """Put an audit into the queue; one of the same study that still waits is replaced."""
        with self._lock:
            for run in list(self._runs.values()):
                if run.study == job.study and run.state == "waiting":
                    self._jobs[run.id] = job
                    return run
            self._number += 1
            run = Run(f"{self._number}", job.study)
            self._runs[run.id], self._jobs[run.id] = run, job
            self._lock.notify_all()
            return run

    def get(self, number: str) -> Run | None:
        """One run as it stands now."""
        return next((run for run in self.all() if run.id == number), None)

    def all(self) -> tuple[Run, ...]:
        """Every run, in the order in which they were asked for."""
        with self._lock:
            ahead, found = 0, []
            for run in self._runs.values():
                found.append(replace(run, ahead=ahead))
                ahead += run.state in ("waiting", "running")
            return tuple(found)

    def of(self, study: str) -> Run | None:
        """The latest run of a study."""
        return next((run for run in reversed(self.all()) if run.study == study), None)

    @property
    def busy(self) -> bool:
        """Whether any audit waits or runs."""
        return any(not run.ended for run in self.all())

    def cancel(self, number: str) -> None:
        """End a run: what waits is taken out, what is under way is stopped."""
        with self._lock:
            run = self._runs.get(number)
            if run is None or run.ended:
                return
            self._set(number, state="cancelled", text="Cancelled; nothing was changed.")
            self._jobs.pop(number, None)
            if self._process is not None and self._process[0] == number:
                self._process[1].terminate()  # type: ignore[attr-defined]

    def close(self) -> None:
        """Cancel everything; no run begins any more."""
        with self._lock:
            self._closed = True
            self._lock.notify_all()
        for run in self.all():
            self.cancel(run.id)
        self._thread.join(timeout=10)

    def _set(self, number: str, **changes: object) -> None:
        with self._lock:
            run = self._runs[number]
            if run.ended:
                return  # cancelled meanwhile: that stands
            self._runs[number] = replace(run, **changes)

    def _work(self) -> None:
        while True:
            with self._lock:
                while not self._jobs and not self._closed:
                    self._lock.wait()
                if self._closed:
                    return
                number, job = next(iter(self._jobs.items()))
                del self._jobs[number]
            try:
                self._audit(number, job)
                self._set(number, state="done", text="The audit is made.")
            except Exception as error:  # the queue goes on whatever became of one audit
                self._set(number, state="failed", text=_why(error))

    def _audit(self, number: str, job: Job) -> None:
        """One audit from its start to its place in the desk's folder. Raises ``AuditorError``."""
        context = get_context("spawn")
        mine, theirs = context.Pipe(duplex=False)
        process = context.Process(
            target=_in_child, args=(job, str(self._out), theirs), daemon=False
        )
        with self._lock:
            self._set(number, state="running", stage="Starting")
            if self._runs[number].ended:
                return
            self._process = (number, process)
            process.start()
        theirs.close()
        result: Result | str | None = None
        try:
            with contextlib.suppress(EOFError):  # it ended, well or not
                result = self._listen(number, mine)
        finally:
            mine.close()
            process.join(timeout=30)
            if process.is_alive():
                process.kill()
                process.join()
            with self._lock:
                self._process = None
        if self._runs[number].ended:
            return
        if not isinstance(result, Result):
            raise UsageError("", result or _died(process.exitcode))
        self._set(number, stage="Into the worklist", done=0, total=0)
        self._finish(job, result)

    def _listen(self, number: str, pipe: Connection) -> Result | str:
        """Take what the process tells until its result. Raises ``EOFError`` where it died."""
        began = time.monotonic()
        while True:
            told: dict[str, object] | Result | str = pipe.recv()
            if not isinstance(told, dict):
                return told
            began = time.monotonic() if "stage" in told else began
            self._set(number, **told, elapsed_s=time.monotonic() - began)


class _Told:
    """Progress that goes to the parent, a few times a second. Called from any thread."""

    def __init__(self, pipe: Connection) -> None:
        self._pipe = pipe
        self._lock = threading.Lock()
        self._done = 0
        self._told = 0.0

    def stage(self, name: str, total: int) -> None:
        with self._lock:
            self._done, self._told = 0, time.monotonic()
            self._pipe.send({"stage": name, "total": total, "done": 0})

    def advance(self, amount: int) -> None:
        with self._lock:
            self._done += amount
            now = time.monotonic()
            if now - self._told >= _TOLD_EACH_S:
                self._told = now
                self._pipe.send({"done": self._done})


def _in_child(job: Job, out: str, pipe: Connection) -> None:
    """Audit, write, and tell the parent; whatever happens, by a sentence."""
    set_up_worker()
    progress = _Told(pipe)
    try:
        result = audit_job(job, progress)
        if not Path(job.paths[0]).exists():
            pipe.send("The study's folder is no longer there; the audit stays as it was.")
            return
        if result.summary["error"] is None:
            progress.stage("Writing the audit", 0)
            store(result, job.slug, Path(out))
        pipe.send(replace(result, texts={}))
    except Exception as error:
        pipe.send(_why(error))


def _why(error: Exception) -> str:
    if isinstance(error, AuditorError):
        return str(error)
    return f"An error that should not happen ({type(error).__name__}). Please report it."


def _died(status: int | None) -> str:
    how = "was killed, perhaps for want of memory" if status and status < 0 else "ended by itself"
    return (
        f"The audit's process {how} before it gave an answer (status {status}). Nothing was "
        "changed. Close other programs and run it again."
    )
