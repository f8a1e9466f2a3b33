"""Jobs on this machine: a process pool that survives the death of a worker.

At most a few jobs a worker are handed out at a time, so memory stays flat however many there are.
"""

from __future__ import annotations

import os
import signal
import threading
from collections.abc import Callable, Iterator, Sequence
from concurrent.futures import FIRST_COMPLETED, Future, ProcessPoolExecutor, wait
from concurrent.futures.process import BrokenProcessPool
from multiprocessing import get_context, parent_process

from auditor.batch.jobs import Job, Result, given_up

_AHEAD = 3
_TRIES = 3


def run_pool(
    jobs: Sequence[Job], work: Callable[[Job], Result], workers: int
) -> Iterator[tuple[Job, Result]]:
    """Yield each job with its result as it is done, in any order.

    A worker that dies (killed, out of memory) takes down the pool; it is made anew and the jobs
    under way are tried again, one at a time, so that the one to blame is known. Raises nothing for
    a job, only what ``work`` itself raises; ``KeyboardInterrupt`` ends the workers at once.
    """
    waiting = list(reversed(jobs))
    suspects: list[Job] = []
    tries: dict[str, int] = {}
    while waiting or suspects:
        alone = bool(suspects)
        lost: list[Job] = []
        yield from _one_pool(
            suspects if alone else waiting, work, 1 if alone else workers, alone, lost
        )
        for job in lost:
            tries[job.study] = tries.get(job.study, 0) + 1
            if tries[job.study] < _TRIES:
                suspects.append(job)
            else:
                why = "its audit ended without an answer three times (killed, or out of memory)"
                yield job, given_up(job, why)


def _one_pool(
    source: list[Job], work: Callable[[Job], Result], width: int, alone: bool, lost: list[Job]
) -> Iterator[tuple[Job, Result]]:
    """Work through ``source`` until it is empty or the pool breaks: ``lost`` gets the rest."""
    pool = ProcessPoolExecutor(width, mp_context=get_context("spawn"), initializer=set_up_worker)
    running: dict[Future[Result], Job] = {}
    ahead = 1 if alone else width * _AHEAD
    broken, ended = False, False
    try:
        while running or (source and not broken):
            try:
                while source and not broken and len(running) < ahead:
                    running[pool.submit(work, source[-1])] = source[-1]
                    source.pop()  # only once it was taken: a broken pool takes none
            except BrokenProcessPool:
                broken = True
            done, _ = wait(running, return_when=FIRST_COMPLETED)
            for future in done:
                job = running.pop(future)
                if isinstance(future.exception(), BrokenProcessPool):
                    broken = True  # the others of this pool follow; those that ended well count
                    lost.append(job)
                else:
                    yield job, future.result()
        ended = not broken
    finally:
        if not ended:
            for process in list((pool._processes or {}).values()):  # no public way to end them now
                process.terminate()
        pool.shutdown(wait=True, cancel_futures=True)


def set_up_worker() -> None:
    """Ctrl-C is the parent's to handle: it ends the workers. A dying parent takes them along."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    parent = parent_process()
    if parent is not None:
        threading.Thread(target=_end_with, args=(parent.join,), daemon=True).start()


def _end_with(parent_ended: Callable[[], None]) -> None:
    parent_ended()
    os._exit(1)
