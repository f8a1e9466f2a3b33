"""Runs the command line in children of a warm process and kills them at a chosen moment.

Started as a script it reads one JSON question a line: the arguments, and when to kill (seconds
after the start, once a folder holds so many entries). Children are forked from this process, which
has imported everything, so that a run takes as long as its work and the moments of death fall into
it, not into the import of libraries.
"""

from __future__ import annotations

import contextlib
import json
import multiprocessing
import os
import signal
import subprocess
import sys
import time
from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

_LONGEST_S = 60
_STEP_S = 0.001


class Killer:
    """The warm process. Use as a context manager."""

    def __init__(self, environment: dict[str, str]) -> None:
        here = Path(__file__).resolve()
        path = os.pathsep.join((str(here.parent.parent), str(here.parent)))
        self._process = subprocess.Popen(
            [sys.executable, str(here)],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            env={**os.environ, **environment, "PYTHONPATH": path},
        )

    def __enter__(self) -> Killer:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        assert self._process.stdin is not None
        self._process.stdin.close()
        self._process.wait(timeout=20)
        assert self._process.stdout is not None
        self._process.stdout.close()

    def run(
        self,
        arguments: Sequence[str | Path],
        kill_after_s: float | None = None,
        once: tuple[Path, int] | None = None,
    ) -> dict[str, Any]:
        """Run ``auditor ARGUMENTS``; the status, whether it was killed, and seconds.

        ``kill_after_s`` counts from the start or, with ``once`` (folder, number), from the moment
        at which that folder holds so many entries.
        """
        question = {
            "arguments": [str(a) for a in arguments],
            "after": kill_after_s,
            "once": None if once is None else [str(once[0]), once[1]],
        }
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.write(json.dumps(question) + "\n")
        self._process.stdin.flush()
        answer: dict[str, Any] = json.loads(self._process.stdout.readline())
        return answer


def _entries(folder: str) -> int:
    try:
        return sum(not path.name.startswith(".") for path in Path(folder).iterdir())
    except OSError:
        return 0


def _serve() -> None:
    import pandas  # noqa: F401  what commands import where they need it is here already

    import auditor.batch.command
    from auditor.batch import pool
    from auditor.cli import parser as cli
    from auditor.decision.rules import rule_lines
    from auditor.edf.electrodes import electrode_name
    from auditor.outputs.html.page import template

    electrode_name("EEG Fp1")
    template("audit.html")
    rule_lines(auditor.batch.command.load_policy())
    # The pool's workers are forked from here too. Their other way to start is tested elsewhere.
    pool.get_context = lambda _: multiprocessing.get_context("fork")  # type: ignore[assignment]
    for line in sys.stdin:
        question = json.loads(line)
        begun = time.monotonic()
        child = os.fork()
        if child == 0:
            os.setsid()
            null = os.open(os.devnull, os.O_RDWR)
            for descriptor in (0, 1, 2):
                os.dup2(null, descriptor)
            os._exit(cli.main(question["arguments"]))
        status = _wait(child, question, begun)
        _end_of_session(child)
        answer = {
            "status": os.waitstatus_to_exitcode(status),
            "killed": os.WIFSIGNALED(status),
            "seconds": time.monotonic() - begun,
        }
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


def _wait(child: int, question: dict[str, Any], begun: float) -> int:
    after, once = question["after"], question["once"]
    since = begun if once is None else None
    while True:
        done, status = os.waitpid(child, os.WNOHANG)
        if done:
            return status
        now = time.monotonic()
        if since is None and _entries(once[0]) >= once[1]:
            since = now
        if after is not None and since is not None and now - since >= after:
            os.kill(child, signal.SIGKILL)
            return os.waitpid(child, 0)[1]
        if now - begun > _LONGEST_S:
            os.killpg(child, signal.SIGKILL)
        time.sleep(_STEP_S)


def _end_of_session(session: int) -> None:
    """Wait until no process of the killed command runs: its workers end by themselves."""
    limit = time.monotonic() + 10
    while time.monotonic() < limit:
        left = False
        for entry in Path("/proc").iterdir():
            if entry.name.isdigit():
                with contextlib.suppress(OSError):
                    state, _, _, of = (entry / "stat").read_text().rpartition(")")[2].split()[:4]
                    left |= int(of) == session and state != "Z"
        if not left:
            return
        time.sleep(0.01)
    raise SystemExit("workers outlived a killed command")


if __name__ == "__main__":
    _serve()
