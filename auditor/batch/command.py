"""``auditor batch`` and ``auditor decide``."""

from __future__ import annotations

import argparse
import hashlib
import os
import sys
from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path

from auditor.audit import Options, now_utc
from auditor.batch.find import StudyFolder, find_studies
from auditor.batch.history import History
from auditor.batch.jobs import (
    Job,
    Result,
    audit_job,
    fingerprint,
    slug_of,
    store,
    unchanged,
    write_job,
)
from auditor.batch.orders import read_orders
from auditor.batch.pool import run_pool
from auditor.batch.worklist import Row, csv_text, json_text, rows
from auditor.civil import zone_info
from auditor.errors import AuditorError, NothingReadable, SettingsError, UsageError
from auditor.model import Order, PersonDecision
from auditor.order import order_of, read_order
from auditor.outputs import write_whole
from auditor.policy import Policy, load_policy
from auditor.progress import Progress
from auditor.report import render_worklist
from auditor.safe_text import printable
from auditor.toml_input import parse_toml

COMPLETE, ACT = 0, 1


def batch(arguments: argparse.Namespace, progress: Progress) -> int:
    """Audit every study under ROOT; 0 where every study is complete, else 1.

    Raises ``UsageError`` or ``SettingsError`` for wrong use, ``NothingReadable`` where no study is
    there.
    """
    root, out = Path(arguments.root), Path(arguments.out)
    if not root.is_dir():
        raise UsageError(str(root), "is not a folder", "Name the folder that holds the studies.")
    if arguments.timezone is not None:
        zone_info(arguments.timezone)
    workers = arguments.workers if arguments.workers is not None else os.cpu_count() or 1
    if workers < 1:
        raise UsageError("--workers", f"{workers} is not a number of processes", "Give 1 or more.")
    studies = find_studies(root, exclude=out)
    if not studies:
        raise NothingReadable(str(root), "holds no study folder with recordings", "")
    with History(out, create=True) as history:
        jobs = _jobs(arguments, studies, history.decisions())
        latest = history.latest()
        todo = [
            job
            for job in jobs
            if not (arguments.resume and unchanged(job, latest.get(job.key), out))
        ]
        progress.stage("Auditing studies", len(todo))
        for job, result in _results(todo, arguments.cluster, workers, out):
            history.add_audit(job.key, now_utc(), fingerprint(job), result.inputs, result.summary)
            progress.advance(1)
        worklist = write_worklist(history, {job.key: job.slug for job in jobs}, out)
    counts = Counter(row.summary["outcome"] for row in worklist)
    if not arguments.quiet:
        sys.stdout.write(_told(counts, len(todo), len(jobs), out))
    return COMPLETE if set(counts) == {"complete"} else ACT


def _told(counts: Counter[str], done: int, every: int, out: Path) -> str:
    lines = [f"{every} studies: {done} audited, {every - done} unchanged"]
    lines += [f"  {counts[o]:6} {o}" for o in ("unreadable", "repeat", "review", "complete")]
    lines.append(f"The worklist is {out / 'index.html'}")
    return "\n".join(printable(line) for line in lines) + "\n"


def _results(
    jobs: Sequence[Job], cluster: str | None, workers: int, out: Path
) -> Iterator[tuple[Job, Result]]:
    """Each job's result once its audit is written under ``out``."""
    if cluster is None:
        yield from run_pool(jobs, partial(write_job, out=str(out)), workers)
        return
    from auditor.batch.cluster import run_cluster

    for job, result in run_cluster(jobs, audit_job, cluster):
        store(result, job.slug, out)
        yield job, result


def _jobs(
    arguments: argparse.Namespace,
    studies: Sequence[StudyFolder],
    decisions: Mapping[str, tuple[PersonDecision, ...]],
) -> list[Job]:
    policy = load_policy(None if arguments.policy is None else Path(arguments.policy))
    listed = {} if arguments.orders is None else read_orders(Path(arguments.orders))
    options = Options(
        timezone=arguments.timezone,
        scan_signal=arguments.signal == "full",
        second_readers=arguments.second_readers == "on",
        workers=1,  # the processes share the cores already
        generated_utc=now_utc(),
    )
    orders = _Orders(listed, Path(arguments.orders or "."), policy, arguments.timezone)
    jobs = []
    for study in studies:
        order, digest, error = orders.of(study)
        jobs.append(
            Job(
                key=study.key,
                slug=slug_of(study.key, redacted=arguments.redact),
                folder=str(study.folder),
                order=order,
                order_sha256=digest,
                policy_path=arguments.policy,
                options=options,
                redacted=arguments.redact,
                decisions=decisions.get(study.key, ()),
                error=error,
            )
        )
    orders.all_used()
    return jobs


@dataclass(slots=True)
class _Orders:
    """The order of each study: the file beside it, else its row in the list."""

    listed: dict[str, str]
    path: Path
    policy: Policy
    timezone: str | None
    _unused: set[str] = field(init=False)

    def __post_init__(self) -> None:
        self._unused = set(self.listed)

    def of(self, study: StudyFolder) -> tuple[Order | None, str | None, str | None]:
        """The order, the checksum of its text, and an error in its place."""
        power = self.policy.power
        names = {study.key, study.key.rsplit("/", 1)[-1]} & set(self.listed)
        self._unused -= names
        try:
            if study.order is not None:
                digest = hashlib.sha256(study.order.read_bytes()).hexdigest()
                order = read_order(
                    study.order,
                    default_pack_ns=power.pack_ns,
                    default_factor_ppm=power.mode_factor_ppm,
                    timezone=self.timezone,
                )
                return order, digest, None
            if names:
                text = self.listed[max(names, key=len)].encode()
                source = parse_toml(text, f"{self.path} (order of {study.key})")
                order = order_of(
                    source,
                    self.path.resolve().parent,
                    default_pack_ns=power.pack_ns,
                    default_factor_ppm=power.mode_factor_ppm,
                )
                return order, source.sha256, None
        except (AuditorError, OSError) as error:
            return None, None, f"its order cannot be taken: {error}"
        return None, None, None

    def all_used(self) -> None:
        """Raise ``SettingsError`` where the list holds an order for a study that is not there."""
        if self._unused:
            names = ", ".join(sorted(self._unused)[:5])
            raise SettingsError(
                str(self.path),
                f"holds orders for studies that are not there: {names}",
                "Write the study's folder as below ROOT, or its last part.",
            )


def write_worklist(history: History, slugs: Mapping[str, str], out: Path) -> tuple[Row, ...]:
    """Write index.html, worklist.csv and worklist.json for the studies of ``slugs``."""
    generated = now_utc()
    worklist = rows(history.latest(), history.decisions(), slugs)
    write_whole(
        out,
        {
            "index.html": render_worklist(worklist, generated),
            "worklist.csv": csv_text(worklist),
            "worklist.json": json_text(worklist, generated),
        },
    )
    return worklist
