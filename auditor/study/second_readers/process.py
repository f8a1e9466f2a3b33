"""The second readers in a process of their own: asked one file at a time, killed if they hang."""

from __future__ import annotations

import json
import math
import os
import sys
import threading
from contextlib import suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any

from msgspec import Struct

from auditor.core.clock import civil_ns
from auditor.core.units import NS

if TYPE_CHECKING:
    import subprocess

LIBRARIES = ("mne", "pyedflib")
START_SECONDS = 60
_SCRIPT = Path(__file__).with_name("ask.py")
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")


class Answer(Struct, frozen=True):
    """What a library said of a file: numbers, or ``refused`` in its own (untrusted) words.

    ``stopped`` says why there is no answer at all: it took too long, crashed or ran out of memory.
    ``start_civil_ns`` is the start that the library reports, as civil time.
    """

    recorded_ns: int | None = None
    start_civil_ns: int | None = None
    records: int | None = None
    refused: str | None = None
    stopped: str | None = None


class ReaderProcess:
    """Runs ``ask.py``; started at the first question and again after each death."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[str] | None = None
        self.versions: dict[str, str] = {}

    def __enter__(self) -> ReaderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def start(self) -> bool:
        """Start the process if it does not run; false where it cannot be started."""
        if self._process is not None:
            return True
        import subprocess

        environment = {**os.environ, **dict.fromkeys(_ONE_THREAD, "1")}
        try:
            # -P: the script's own folder stays out of the search path of the libraries it imports.
            self._process = subprocess.Popen(  # noqa: S603  our own script, no shell
                [sys.executable, "-P", str(_SCRIPT)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                encoding="ascii",
                env=environment,
            )
        except OSError:
            return False
        said = self._exchange(None, START_SECONDS)
        versions = None if isinstance(said, str) else said.get("versions")
        if not isinstance(versions, dict):
            self._end()
            return False
        self.versions = {str(k): str(v) for k, v in versions.items()}
        return True

    def ask(
        self, library: str, path: Path, bdf: bool, seconds: float, *, whole: bool = True
    ) -> Answer:
        """What ``library`` says of ``path``, waiting at most ``seconds``. Never raises.

        Where not ``whole`` it reads the header and no annotations.
        """
        if not self.start():
            return Answer(stopped="it could not be started")
        question = {"library": library, "path": str(path), "bdf": bdf, "whole": whole}
        said = self._exchange(question, seconds)
        if isinstance(said, str):
            self._end()
            return Answer(stopped=said)
        if said.get("limit"):
            self._end()
            return Answer(stopped="it ran out of the memory that it may use")
        if "refused" in said:
            return Answer(refused=str(said["refused"]))
        return Answer(
            recorded_ns=_nanoseconds(said.get("recorded_s")),
            start_civil_ns=_civil(said.get("start")),
            records=said.get("records") if isinstance(said.get("records"), int) else None,
        )

    def _exchange(self, question: dict[str, Any] | None, seconds: float) -> dict[str, Any] | str:
        """The answer as a dict, or in words why there is none."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        late = threading.Event()

        def kill() -> None:
            late.set()
            process.kill()

        timer = threading.Timer(seconds, kill)
        timer.daemon = True
        timer.start()
        try:
            if question is not None:
                process.stdin.write(json.dumps(question) + "\n")
                process.stdin.flush()
            line = process.stdout.readline()
            answer = json.loads(line) if line else None
        except (OSError, ValueError):
            answer = None
        finally:
            timer.cancel()
        if isinstance(answer, dict):
            return answer
        if late.is_set():
            return f"it took longer than {seconds:.0f} s"
        return "it crashed"

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            with suppress(OSError, ValueError):  # what was still to be written goes nowhere
                process.communicate()
            process.wait()


def _nanoseconds(value: object) -> int | None:
    if isinstance(value, int | float) and math.isfinite(value) and abs(value) < 1e9:
        return round(value * NS)
    return None


def _civil(value: object) -> int | None:
    try:
        return civil_ns(datetime.fromisoformat(str(value)))
    except ValueError:
        return None
