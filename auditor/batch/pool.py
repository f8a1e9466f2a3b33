"""Jobs on this machine: a process pool that survives the death of a worker.

At most a few jobs a worker are handed out at a time, so memory stays flat however many there are.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context

from auditor.batch.jobs import Job, Result, snapshot
from auditor.batch.summary import failed

_AHEAD = 3
_TRIES = 3


def run_pool(
    jobs: Sequence[Job], work: Callable[[Job], Result], workers: int
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    A worker that dies (killed, out of memory) takes down the pool; it is made anew and the jobs
    under way are tried again, one at a time, so that the one to blame is known. Raises nothing for
    a job; ``KeyboardInterrupt`` stops the workers at once.
    """
    waiting = list(reversed(jobs))
    suspects: list[Job] = []
    tries: dict[str, int] = {}
    while waiting or suspects:
        alone = bool(suspects)
        source = suspects if alone else waiting
        width = 1 if alone else workers
        lost: list[Job] = []
        yield from _one_pool(source, work, width, alone, lost)
        for job in lost:
            tries[job.key] = tries.get(job.key, 0) + 1
            if tries[job.key] < _TRIES:
                suspects.append(job)
            else:
                text = "its audit ended without an answer three times (killed, or out of memory)"
                yield job, Result(job.key, failed(text), snapshot(job.folder))


def _one_pool(
    source: list[Job],
    work: Callable[[Job], Result],
    width: int,
    alone: bool,
    lost: list[Job],
) -> Iterator[tuple[Job, Result]]:
    """Work through ``source`` until it is empty or the pool breaks: ``lost`` gets the rest."""
    pool = ProcessPoolExecutor(
        width, mp_context=get_context("spawn"), initializer=_ignore_interrupts
    )
    running: dict[Future[Result], Job] = {}
    ahead = 1 if alone else width * _AHEAD
    clean = False
    try:
        while source or running:
            while source and len(running) < ahead:
                running[pool.submit(work, source[-1])] = source[-1]
                source.pop()  # only once it was taken: a broken pool takes none
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                result = future.result()
                yield running.pop(future), result
        clean = True
    except BrokenProcessPool:
        lost += running.values()
        clean = True
    finally:
        if not clean:
            for process in list(pool._processes.values()):  # no public way to end them at once
                process.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


def _ignore_interrupts() -> None:
    """Ctrl-C is the parent's to handle; it ends the workers."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
