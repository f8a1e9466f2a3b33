"""Jobs on a running Dask cluster; results stream back to this machine, which writes them.

The workers must see the studies and their logs under the same absolute paths. A worker that dies
loses nothing: the scheduler gives its jobs to another. Only addresses that the user names are ever
connected to. Nothing is waited for without a limit: who does not answer is told by its name.
"""

from __future__ import annotations

import asyncio
import logging
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import Future as Answer
from itertools import islice
from typing import Any

from auditor.batch.jobs import Job, Result, given_up
from auditor.core.errors import UsageError

_AHEAD = 2
"""Jobs handed out for each thread of the cluster: enough to keep it busy, few results to hold."""
_RETRIES = 3
CONNECT_S = 4.0
"""For the machine to answer, and as long again for its scheduler."""
LOST_S = 10.0
"""Without a scheduler or any worker for so long, a run ends; a restart may take as much."""
LOOK_S = 1.0
_POLL_S = 0.05
"""Between two looks at what is done."""
_KEPT = "what was finished is kept"
_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[^\s:/@\[\]]+):(\d{1,5})", re.ASCII)


def run_cluster(
    jobs: Sequence[Job], work: Callable[[Job], Result], address: str
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    Raises ``UsageError`` where the extra is not installed, the address is none, nobody or no
    scheduler answers there, or the scheduler or every worker is lost.
    """
    with _connected(address) as client:
        watch = _Watch(client, address)
        while not watch.threads:
            watch.look()
            time.sleep(_POLL_S)
        waiting = iter(jobs)
        running: dict[Any, Job] = {}
        while True:
            for job in islice(waiting, max(0, watch.threads * _AHEAD - len(running))):
                running[client.submit(work, job, pure=False, retries=_RETRIES)] = job
            if not running:
                return
            done = [future for future in running if future.done()]
            for future in done:
                result = _result(future, running[future], watch)
                if result is not None:
                    yield running.pop(future), result
            if not done:
                watch.look(each_s=LOOK_S)
                time.sleep(_POLL_S)


def _result(future: Any, job: Job, watch: _Watch) -> Result | None:
    """A finished job's result, ``None`` where it is lost and will come again.

    A job that the cluster gave up is a row that says so.
    """
    if future.status == "cancelled":
        watch.look()  # a lost scheduler cancels all that it was given
        raise watch.scheduler_lost()
    try:
        if future.status == "error":
            failure = future.exception(timeout=LOOK_S)
            return given_up(job, f"the cluster gave it up ({type(failure).__name__})")
        result: Result = future.result(timeout=LOOK_S)
        return result
    except (asyncio.CancelledError, OSError):  # it went with the worker that held it: made anew
        watch.look()
        return None


class _Watch:
    """Whether there still is someone who works: looked at whenever nothing comes back."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._where = f"--cluster {address}"
        self._alone_since: float | None = None
        self._looked = 0.0
        self.threads = 0

    def look(self, each_s: float = 0) -> None:
        """Ask the scheduler for its workers, at most each so many seconds.

        Raises ``UsageError`` once they are given up.
        """
        asked = time.monotonic()
        if asked - self._looked < each_s:
            return
        self._looked = asked
        try:
            threads = self._client.sync(self._client.scheduler.ncores, callback_timeout=LOST_S / 2)
        except (asyncio.CancelledError, OSError) as error:  # a time-out is an OSError too
            if self._over(asked):
                raise self.scheduler_lost() from error
            return
        now = sum(threads.values())
        if now:
            self._alone_since, self.threads = None, now
        elif self._over(asked):
            what = "every worker was lost" if self.threads else "its scheduler has no worker"
            raise UsageError(
                self._where, f"{what}; {_KEPT}", "Start workers, and run with --resume."
            )

    def scheduler_lost(self) -> UsageError:
        """What is raised where the scheduler is gone."""
        what = f"the scheduler was lost; {_KEPT}"
        return UsageError(self._where, what, "Start it again, and run with --resume.")

    def _over(self, asked: float) -> bool:
        self._alone_since = asked if self._alone_since is None else self._alone_since
        return time.monotonic() - self._alone_since >= LOST_S


def _connected(address: str) -> Any:
    """A client. Raises ``UsageError`` where no address is given, or no scheduler answers."""
    option = f"--cluster {address}"
    match = _ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match[2]) < 65536:
        form = "Write its machine and port, such as tcp://10.0.0.5:8786."
        raise UsageError(option, "is no address of a scheduler", form)
    distributed = _distributed()
    host, port = match[1].strip("[]"), int(match[2])
    where = address if "://" in address else f"tcp://{address}"
    answers = False
    try:
        _within(CONNECT_S, lambda: socket.create_connection((host, port), CONNECT_S).close())
        answers = True
        return _within(
            2 * CONNECT_S,
            lambda: distributed.Client(where, timeout=CONNECT_S, set_as_default=False),
        )
    except (OSError, ValueError, asyncio.CancelledError) as error:
        problem, action = "no scheduler answers there", "Check address and network."
        if isinstance(error, socket.gaierror):
            problem, action = "no machine of that name is known", "Check the address."
        elif answers:
            problem = "something answers there, but not as a scheduler does"
            action = "Check the address and that both sides run the same release of distributed."
        raise UsageError(option, problem, action) from error


def _within(seconds: float, ask: Callable[[], Any]) -> Any:
    """What ``ask`` gives, or ``TimeoutError``: it may hang for ever, and is then left behind."""
    answer: Answer[Any] = Answer()

    def work() -> None:
        try:
            answer.set_result(ask())
        except BaseException as error:
            answer.set_exception(error)

    threading.Thread(target=work, daemon=True).start()
    return answer.result(timeout=seconds)


def _distributed() -> Any:
    """The library, without its own messages on the terminal: what it says reaches the user here."""
    try:
        import distributed
    except ImportError as error:
        raise UsageError(
            "--cluster", "needs the optional extra", "Install the package with [cluster]."
        ) from error
    for name in list(logging.root.manager.loggerDict):
        if name.split(".")[0] in ("distributed", "tornado", "asyncio"):
            logging.getLogger(name).setLevel(logging.CRITICAL + 1)
    return distributed
