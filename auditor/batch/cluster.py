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
from queue import Empty, SimpleQueue
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
_KEPT = "what was finished is kept"
_ADDRESS = re.compile(r"(?:(?:tcp|tls)://)?(\[[0-9a-fA-F:.]+\]|[^\s:/@\[\]]+):(\d{1,5})", re.ASCII)


def run_cluster(
    jobs: Sequence[Job], work: Callable[[Job], Result], address: str
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    Raises ``UsageError`` where the extra is not installed, the address is none, nobody or no
    scheduler answers there, or the scheduler or every worker is lost.
    """
    host, port = _host_and_port(address)
    distributed = _distributed()
    _answers(host, port, address)
    with _connected(distributed, address) as client:
        watch = _Watch(client, address)
        watch.until_there()
        done: SimpleQueue[Any] = SimpleQueue()
        waiting = iter(jobs)
        owners: dict[str, Job] = {}

        def hand_out(some: Iterator[Job]) -> None:
            for job in some:
                future = client.submit(work, job, pure=False, retries=_RETRIES)
                owners[future.key] = job
                future.add_done_callback(done.put)

        hand_out(islice(waiting, watch.threads * _AHEAD))
        while owners:
            try:
                future = done.get(timeout=LOOK_S)
            except Empty:
                watch.look()
                continue
            result = _result(future, owners[future.key], watch)
            if result is None:  # it went with the worker that held it: the scheduler makes it anew
                watch.look()  # it may be told as lost again and again, with nobody there
                future.add_done_callback(done.put)
                continue
            job = owners.pop(future.key)
            future.release()
            hand_out(islice(waiting, 1))
            yield job, result


def _result(future: Any, job: Job, watch: _Watch) -> Result | None:
    """A finished job's result, ``None`` where it is lost and will come again.

    A job that the cluster gave up is a row that says so.
    """
    while True:
        if future.status == "cancelled":
            watch.look()  # a lost scheduler cancels all that it was given
            raise watch.scheduler_lost()
        if future.status in ("lost", "pending"):
            return None
        try:
            failure = future.exception(timeout=LOOK_S)
            if failure is not None:
                return given_up(job, f"the cluster gave it up ({type(failure).__name__})")
            result: Result = future.result(timeout=LOOK_S)
            return result
        except (asyncio.CancelledError, OSError):
            watch.look()


class _Watch:
    """Whether there still is someone who works: looked at whenever nothing comes back."""

    def __init__(self, client: Any, address: str) -> None:
        self._client = client
        self._where = f"--cluster {address}"
        self._alone_since: float | None = None
        self.threads = 0

    def until_there(self) -> None:
        """Wait for the first worker. Raises ``UsageError`` where none comes."""
        while not self.threads:
            self.look()
            if not self.threads:
                time.sleep(min(LOOK_S, 0.2))

    def look(self) -> None:
        """Ask the scheduler for its workers. Raises ``UsageError`` once they are given up."""
        asked = time.monotonic()
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
        return UsageError(
            self._where,
            f"the scheduler was lost; {_KEPT}",
            "Start it again, and run with --resume.",
        )

    def _over(self, asked: float) -> bool:
        self._alone_since = asked if self._alone_since is None else self._alone_since
        return time.monotonic() - self._alone_since >= LOST_S


def _host_and_port(address: str) -> tuple[str, int]:
    match = _ADDRESS.fullmatch(address)
    if match is None or not 0 < int(match[2]) < 65536:
        raise UsageError(
            f"--cluster {address}",
            "is no address of a scheduler",
            "Write its machine and port, such as tcp://10.0.0.5:8786.",
        )
    return match[1].strip("[]"), int(match[2])


def _answers(host: str, port: int, address: str) -> None:
    """Raise ``UsageError`` where nothing takes a connection."""
    try:
        _within(CONNECT_S, lambda: socket.create_connection((host, port), CONNECT_S).close())
    except socket.gaierror as error:
        raise UsageError(
            f"--cluster {address}", "no machine of that name is known", "Check the address."
        ) from error
    except (OSError, UnicodeError) as error:
        raise UsageError(
            f"--cluster {address}", "no scheduler answers there", "Check address and network."
        ) from error


def _connected(distributed: Any, address: str) -> Any:
    """A client. Raises ``UsageError`` where what answers is no scheduler."""
    where = address if "://" in address else f"tcp://{address}"
    try:
        return _within(
            2 * CONNECT_S,
            lambda: distributed.Client(where, timeout=CONNECT_S, set_as_default=False),
        )
    except (OSError, ValueError, asyncio.CancelledError) as error:
        raise UsageError(
            f"--cluster {address}",
            "something answers there, but not as a scheduler does",
            "Check the address and that both sides run the same release of distributed.",
        ) from error


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
