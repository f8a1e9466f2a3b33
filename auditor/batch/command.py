"""``auditor batch``: every study under a folder, one worklist."""

from __future__ import annotations

import argparse
import contextlib
import os
import sys
from collections import Counter
from collections.abc import Generator, Sequence
from functools import partial
from pathlib import Path

from auditor.batch.decide import show_decisions
from auditor.batch.find import find_studies
from auditor.batch.folder import Names, check_own, held, slug_of, sweep
from auditor.batch.history import History
from auditor.batch.jobs import Job, Result, audit_job, mark, store, unchanged, write_job
from auditor.batch.pool import run_pool
from auditor.batch.worklist import write_worklist
from auditor.core.clock import now_utc, zone_info
from auditor.core.errors import NothingReadable, UsageError, system_errors
from auditor.core.progress import Progress
from auditor.core.statuses import ACT, COMPLETE
from auditor.core.text import printable, some_of
from auditor.inputs.orders_list import OrderBook
from auditor.model import Order, StudyFolder
from auditor.outputs.html.lists import WORDS
from auditor.pipeline import Options
from auditor.policy import Policy, load_policy


def batch(arguments: argparse.Namespace, progress: Progress) -> int:
    """Audit every study under ROOT; 0 where every study is complete, else 1.

    Each finished study is in the history at once, so that a run which was stopped goes on with
    ``--resume``. Raises ``UsageError`` or ``SettingsError`` for wrong use, ``NothingReadable``
    where no study is there, ``OutputError`` where the outputs cannot be written.
    """
    root, out = Path(arguments.root).absolute(), Path(arguments.out)
    if not os.path.isdir(root):  # noqa: PTH112  false for any odd name
        raise UsageError(str(root), "is not a folder", "Name the folder that holds the studies.")
    if arguments.timezone is not None:
        zone_info(arguments.timezone)
    workers = arguments.workers if arguments.workers is not None else os.cpu_count() or 1
    if workers < 1:
        raise UsageError("--workers", f"{workers} is not a number of processes", "Give 1 or more.")
    policy = load_policy(None if arguments.policy is None else Path(arguments.policy))
    orders = OrderBook(
        None if arguments.orders is None else Path(arguments.orders), arguments.timezone
    )
    with system_errors(UsageError, root, "cannot be listed", "Check its permissions."):
        studies = find_studies(root, exclude=out, named=frozenset(orders.rows))
    if not studies:
        raise NothingReadable(
            str(root), "holds no study folder with recordings", "Name the folder above them."
        )
    check_own(out)
    with held(out) as free, contextlib.ExitStack() as stack:
        if not free:
            raise UsageError(str(out), "is in use by another batch", "Wait for it to end.")
        stack.callback(sweep, out)  # what workers leave that Ctrl-C ended
        sweep(out)  # what a killed run left
        names = Names(out, redacted=arguments.redact is not None)
        with History(out, create=True) as history:
            history.fast()
            jobs = _jobs(arguments, studies, names, orders, policy, history)
            done = _audit_all(arguments, jobs, names, history, workers, progress)
            keys = [job.study for job in jobs]
            show_decisions(history, keys, out)  # those recorded while the batch was at work
            awaited = () if arguments.redact else orders.unused()
            worklist = write_worklist(history, keys, out, awaited)
    counts = Counter(row.summary["outcome"] for row in worklist)
    if not arguments.quiet:
        sys.stdout.write(_told(counts, done, orders, out, arguments.redact is not None))
    return COMPLETE if set(counts) == {"complete"} else ACT


def _audit_all(
    arguments: argparse.Namespace,
    jobs: Sequence[Job],
    names: Names,
    history: History,
    workers: int,
    progress: Progress,
) -> int:
    """Audit what is to be audited, each into the history as it is done; how many."""
    out = Path(arguments.out)
    todo = []
    progress.stage("Looking for changes", len(jobs))
    for job in jobs:
        known = history.known(job.study) if arguments.resume else None
        if not unchanged(job, known, out, names.inputs):
            todo.append(job)
        progress.advance(1)
    progress.stage("Auditing studies", len(todo))
    with contextlib.closing(_results(todo, arguments.cluster, workers, out)) as results:
        for job, result in results:
            inputs = names.inputs(result.inputs)
            history.add_audit(job.study, now_utc(), mark(job, result), inputs, result.summary)
            progress.advance(1)
    return len(todo)


def _results(
    jobs: Sequence[Job], cluster: str | None, workers: int, out: Path
) -> Generator[tuple[Job, Result], None, None]:
    """Each job's result once its audit is written under ``out``."""
    if not jobs:
        return
    if cluster is None:
        yield from run_pool(jobs, partial(write_job, out=str(out)), min(workers, len(jobs)))
        return
    from auditor.batch.cluster import run_cluster

    for job, result in run_cluster(jobs, audit_job, cluster):
        store(result, job.slug, out)
        yield job, result


def _jobs(
    arguments: argparse.Namespace,
    studies: Sequence[StudyFolder],
    names: Names,
    orders: OrderBook,
    policy: Policy,
    history: History,
) -> list[Job]:
    options = Options(
        timezone=arguments.timezone,
        scan_signal=arguments.signal != "off",
        second_readers=arguments.second_readers == "on",
        workers=1,  # the processes share the cores already
        generated_utc=now_utc(),
        logs_must_open=False,  # one study without its log still has its hours
    )
    decisions = history.decisions()
    orders.expect(studies)
    jobs = []
    for study in studies:
        order, error = orders.of(study)
        key = names.study(study.key)
        jobs.append(
            Job(
                study=key,
                slug=slug_of(key),
                paths=tuple(str(p) for p in study.files or (study.folder,)),
                order=order,
                policy=policy,
                options=options,
                redact=arguments.redact,
                key=names.key,
                decisions=decisions.get(key, ()),
                before=history.known(key) if goes_on(order) else None,
                error=error,
                debug=arguments.debug,
            )
        )
    return jobs


def goes_on(order: Order | None) -> bool:
    """Whether a study's order says that it is still being recorded."""
    return order is not None and order.still_recording


def _told(counts: Counter[str], done: int, orders: OrderBook, out: Path, redacted: bool) -> str:
    every = sum(counts.values())
    lines = [f"{every} studies: {done} audited, {every - done} unchanged"]
    lines += [f"  {counts[outcome]:6} {outcome}" for outcome in WORDS]
    for words, names in (
        ("Named in the list of orders and not there", orders.unused()),
        ("Without an order", orders.without),
        ("Rows of the list left out", orders.unnamed),
    ):
        if names:
            shown = "" if redacted else f": {some_of(names)}"
            lines.append(f"{words} ({len(names)}){shown}")
    lines.append(f"The worklist is {out / 'index.html'}")
    return "\n".join(printable(line) for line in lines) + "\n"
