"""One study's work as a value that can go to another process or machine, and its result."""

from __future__ import annotations

import contextlib
import hashlib
import json
import os
import stat
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from auditor.batch.folder import AUDITS
from auditor.batch.history import Known, Summary
from auditor.batch.summary import failed, summarise
from auditor.core import __version__
from auditor.core.errors import AuditorError, NothingReadable
from auditor.core.files import NotRegularError, open_regular
from auditor.core.progress import Progress
from auditor.core.text import storable
from auditor.model import Audit, Order, PersonDecision, Since
from auditor.outputs.files import MARKER, remove_folder, write_folder
from auditor.outputs.publish import audit_texts
from auditor.outputs.redact import Redact, redacted
from auditor.pipeline import Options, examine, judge
from auditor.policy import Policy

REFUSALS = frozenset(
    {"cannot_open", "not_read_to_the_end", "changed_while_reading", "bytes_unreadable"}
)
"""Findings of what a disk or its permissions refused, which may be mended at any time."""
WITHHELD = "the study could not be audited; audit it by itself to see why"
"""In a redacted row: why may repeat what the files hold."""


class Job(Struct, frozen=True):
    """Everything one study's audit depends on. Plain and picklable.

    ``study`` is its id in the worklist and ``slug`` its folder under ``audits/``. ``paths`` are
    absolute. ``error`` is set where its order could not be read.
    """

    study: str
    slug: str
    paths: tuple[str, ...]
    order: Order | None
    policy: Policy
    options: Options
    redact: Redact | None
    key: bytes | None = None
    """By which ``redact`` draws what it hides."""
    decisions: tuple[PersonDecision, ...] = ()
    before: Known | None = None
    """The latest audit of a study that goes on."""
    error: str | None = None
    debug: bool = False


class Result(Struct, frozen=True):
    """What came of a job: the summary, and the audit's files by name (none where it failed).

    ``inputs`` is the snapshot from before the audit.
    """

    summary: Summary
    inputs: str
    texts: Mapping[str, str] = {}
    settled: bool = True
    """Whether the same inputs would give the same again: no file was refused, no process died."""


def audit_job(job: Job, progress: Progress | None = None) -> Result:
    """Audit one study; never raises for what its files hold. Runs in any process."""
    inputs = snapshot(job.paths)
    if job.error is not None:
        return given_up(job, WITHHELD if job.redact else job.error, inputs, settled=True)
    try:
        facts = examine(
            [Path(p) for p in job.paths],
            order=job.order,
            policy=job.policy,
            options=job.options,
            progress=progress,
        )
        if job.redact:
            audit = redacted(
                facts, job.policy, job.options, job.decisions,
                study_id=job.study, dates=job.redact == "dates", key=job.key,
            )  # fmt: skip
        else:
            audit = judge(facts, job.policy, job.options, job.decisions)
        audit = replace(audit, since=_since(job, audit))
        texts, summary = audit_texts(audit), summarise(audit)
    except AuditorError as error:
        why = WITHHELD if job.redact else str(error).removeprefix(f"{job.paths[0]}: ")
        settled = not (isinstance(error, NothingReadable) and error.refused)
        return given_up(job, why, inputs, settled=settled)
    except MemoryError:
        return given_up(job, "needs more memory than the machine gives it; audit it by itself")
    except Exception as error:  # one bad study never stops the rest
        if job.debug:
            raise
        return given_up(job, f"an error that should not happen ({type(error).__name__}); report it")
    return Result(
        summary,
        inputs,
        texts,
        settled=not any(f.code in REFUSALS for f in facts.findings)
        and all(file.sha256 is not None for file in facts.study.unreadable),
    )


def _since(job: Job, audit: Audit) -> Since | None:
    """What came since the last audit, where the study goes on and that one has its figures."""
    before, order = job.before, job.order
    if before is None or order is None or not order.still_recording:
        return None
    recorded, files = before.summary.get("recorded_ns"), before.summary.get("files")
    if recorded is None or files is None:
        return None
    return Since(
        before.audited_utc, audit.coverage.recorded_ns - recorded, len(audit.study.counted) - files
    )


def write_job(job: Job, out: str) -> Result:
    """``audit_job``, with the audit written under ``out`` by this process; no texts come back."""
    result = audit_job(job)
    store(result, job.slug, Path(out))
    return replace(result, texts={})


def given_up(job: Job, why: str, inputs: str | None = None, *, settled: bool = False) -> Result:
    """A study that was not audited; ``settled`` where another time would give the same."""
    order = job.order
    if order is not None and job.redact:
        order = replace(order, study_id=job.study, patient_code=None)
    return Result(failed(why, order), inputs or snapshot(job.paths), settled=settled)


def store(result: Result, slug: str, out: Path) -> None:
    """Write a result's audit under ``out``. A failed study keeps no older audit in its place."""
    folder = out / AUDITS / slug
    if result.texts:
        write_folder(folder, result.texts)
    elif (folder / MARKER).exists():
        remove_folder(folder)


def snapshot(paths: Iterable[str]) -> str:
    """A checksum of name, size and mtime (ns) of every regular file under ``paths``.

    What vanishes meanwhile is left out.
    """
    rows = []
    for top in paths:
        found = [(top, Path(top).name)]
        if Path(top).is_dir():
            found = [
                (path, os.path.relpath(path, top).replace(os.sep, "/"))
                for parent, _, names in os.walk(top)
                for path in (os.path.join(parent, name) for name in names)  # noqa: PTH118  hot
            ]
        for path, name in found:
            with contextlib.suppress(OSError):
                about = os.lstat(path)
                if stat.S_ISREG(about.st_mode):
                    rows.append([storable(name), about.st_size, about.st_mtime_ns])
    return hashlib.sha256(json.dumps(sorted(rows)).encode()).hexdigest()


def mark(job: Job, result: Result) -> str:
    """By which ``--resume`` knows an audit: its fingerprint, or one that no job ever has."""
    return fingerprint(job) if result.settled else "to be tried again"


def fingerprint(job: Job) -> str:
    """All that an audit depends on besides its inputs: order, logs, policy, options, version.

    Not the decisions: they are shown in the audit without making it anew.
    """
    logs = []
    if job.order is not None:
        logs = [file_sha256(p) for p in (job.order.monitoring_log, job.order.video_log)]
    facts = {
        "version": __version__,
        "policy": job.policy.sha256,
        "order": None if job.order is None else job.order.sha256,
        "logs": logs,
        "signal": job.options.scan_signal,
        "second_readers": job.options.second_readers,
        "timezone": job.options.timezone,
        "redacted": job.redact,
        "error": job.error,
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def unchanged(job: Job, known: Known | None, out: Path, shown: Callable[[str], str]) -> bool:
    """Whether the audit on disk is the one that this job would make.

    Files of the same name, size and time are taken as the same. ``shown`` gives the form in which
    the history holds a snapshot.
    """
    if known is None or known.fingerprint != fingerprint(job):
        return False
    if known.summary["error"] is None and not (out / AUDITS / job.slug / MARKER).is_file():
        return False
    return known.inputs == shown(snapshot(job.paths))


def file_sha256(path: str | None) -> str | None:
    """The checksum of a regular file, or ``None`` where there is none to read."""
    if path is None:
        return None
    try:
        with os.fdopen(open_regular(Path(path))[0], "rb") as file:
            return hashlib.file_digest(file, "sha256").hexdigest()
    except (OSError, ValueError, NotRegularError):  # a device never ends, a pipe never begins
        return None
