"""Jobs on a running Dask cluster; results stream back to this machine, which writes them.

The workers must see the studies and their logs under the same absolute paths. A worker that dies
loses nothing: the scheduler gives its jobs to another. Only addresses that the user names are ever
connected to.
"""

from __future__ import annotations

import asyncio
import logging
from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any

from auditor.batch.jobs import Job, Result, given_up
from auditor.core.errors import UsageError

_AHEAD = 2
"""Jobs handed out for each thread of the cluster: enough to keep it busy, few results to hold."""
_RETRIES = 3
_CONNECT_S = 10


def run_cluster(
    jobs: Sequence[Job], work: Callable[[Job], Result], address: str
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    Raises ``UsageError`` where the extra is not installed, no scheduler answers, or it is lost.
    """
    distributed = _distributed()
    try:
        client = distributed.Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--cluster {address}", "no scheduler answers there", "Check address and network."
        ) from error
    with client:
        waiting = iter(jobs)
        running = distributed.as_completed(loop=client.loop)
        owners: dict[str, Job] = {}

        def hand_out(count: int) -> None:
            for job in islice(waiting, count):
                future = client.submit(work, job, pure=False, retries=_RETRIES)
                owners[future.key] = job
                running.add(future)

        threads = sum(client.nthreads().values()) or 1
        hand_out(threads * _AHEAD)
        while owners:
            future = next(running)
            job = owners.pop(future.key)
            result = _result(future, job, address)
            future.release()
            hand_out(1)
            yield job, result


def _result(future: Any, job: Job, address: str) -> Result:
    """A finished job's result; a job that the cluster gave up is a row that says so."""
    lost = UsageError(
        f"--cluster {address}",
        "the scheduler was lost; what was finished is kept",
        "Start it again and run with --resume.",
    )
    if future.cancelled() or future.status == "lost":
        raise lost
    try:
        failure = future.exception()
        if failure is None:
            result: Result = future.result()
            return result
    except (asyncio.CancelledError, OSError) as error:
        raise lost from error
    return given_up(job, f"the cluster gave it up ({type(failure).__name__})")


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
