"""Jobs on a running Dask cluster; results stream back to this machine, which writes them.

The workers must see the studies under the same paths. A worker that dies loses nothing: the
scheduler gives its jobs to another.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import islice

from auditor.batch.jobs import Job, Result, snapshot
from auditor.batch.summary import failed
from auditor.errors import UsageError

_AHEAD = 4
_RETRIES = 3
_CONNECT_S = 30


def run_cluster(
    jobs: Sequence[Job], work: Callable[[Job], Result], address: str
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    Raises ``UsageError`` where the extra is not installed or no scheduler answers.
    """
    try:
        from distributed import Client, as_completed
    except ImportError as error:
        raise UsageError(
            "--cluster", "needs the optional extra", "Install the package with [cluster]."
        ) from error
    try:
        client = Client(address, timeout=_CONNECT_S, set_as_default=False)
    except (OSError, ValueError, TimeoutError) as error:
        raise UsageError(
            f"--cluster {address}", "no scheduler answers there", "Check address and network."
        ) from error
    with client:
        waiting = iter(jobs)
        running = as_completed(with_results=False)
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
            error = future.exception()
            if error is None:
                yield job, future.result()
            else:
                text = f"the cluster gave it up ({type(error).__name__})"
                yield job, Result(job.key, failed(text), snapshot(job.folder))
            future.release()
            hand_out(1)
