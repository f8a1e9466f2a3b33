"""One study's work as a value that can go to another process or machine, and its result."""

from __future__ import annotations

import hashlib
import json
import os
from collections.abc import Mapping
from dataclasses import dataclass, field
from functools import lru_cache
from pathlib import Path
from typing import Any

from auditor import __version__
from auditor.audit import Options, audit_study
from auditor.batch.history import Known, Summary
from auditor.batch.summary import failed, summarise
from auditor.errors import AuditorError
from auditor.model import Audit, Order, PersonDecision
from auditor.outputs import MARKER, write_whole
from auditor.policy import Policy, load_policy
from auditor.publish import audit_texts
from auditor.redact import redact
from auditor.safe_text import path_part, storable

AUDITS = "audits"
_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Job:
    """Everything one study's audit depends on. Plain and picklable.

    ``slug`` names its folder under ``audits/``; ``error`` is set where its order could not be read.
    """

    key: str
    slug: str
    folder: str
    order: Order | None
    order_sha256: str | None
    policy_path: str | None
    options: Options
    redacted: bool
    decisions: tuple[PersonDecision, ...] = ()
    error: str | None = None


@dataclass(frozen=True, slots=True)
class Result:
    """What came of a job: the summary, and the audit's files by name (none where it failed)."""

    key: str
    summary: Summary
    inputs: list[Any]
    texts: Mapping[str, str] = field(default_factory=dict, repr=False)


def slug_of(key: str, *, redacted: bool) -> str:
    """A folder name for a study's audit, unique by a piece of its key's hash where it must be."""
    digest = hashlib.sha256(os.fsencode(key)).hexdigest()[:10]
    if redacted:
        return f"study-{digest}"
    plain = path_part(key.replace("/", "_"))
    return plain if plain == key else f"{plain}-{digest}"


@lru_cache(maxsize=8)
def _policy(path: str | None) -> Policy:
    return load_policy(None if path is None else Path(path))


def audit_job(job: Job) -> Result:
    """Audit one study; never raises for what its files hold. Runs in any process."""
    inputs = snapshot(job.folder)
    if job.error is not None:
        return Result(job.key, failed(job.error), inputs)
    try:
        audit = audit_study(
            [Path(job.folder)],
            order=job.order,
            policy=_policy(job.policy_path),
            options=job.options,
            decisions=job.decisions,
        )
    except AuditorError as error:
        text = "the study could not be audited" if job.redacted else str(error)
        return Result(job.key, failed(text), inputs)
    except Exception as error:  # one bad study never stops the rest
        text = f"an error that should not happen ({type(error).__name__})"
        return Result(job.key, failed(text), inputs)
    checksums = _checksums(audit)
    for row in inputs:
        row[3] = checksums.get(row[0])
    if job.redacted:
        audit = redact(audit)
    return Result(job.key, summarise(audit), inputs, audit_texts(audit))


def write_job(job: Job, out: str) -> Result:
    """``audit_job``, with the audit written under ``out`` by this process; no texts come back."""
    result = audit_job(job)
    store(result, job.slug, Path(out))
    return Result(result.key, result.summary, result.inputs)


def store(result: Result, slug: str, out: Path) -> None:
    """Write a result's audit under ``out``. A failed study keeps no older audit in its place."""
    folder = out / AUDITS / slug
    if result.texts:
        write_whole(folder, result.texts)
    elif (folder / MARKER).exists():
        for path in sorted(folder.iterdir(), key=lambda p: p.name != MARKER):
            path.unlink()
        folder.rmdir()


def snapshot(folder: str) -> list[Any]:
    """``[name, size, mtime in ns, None]`` of every regular file in the study's folder, sorted."""
    rows: list[Any] = []
    for parent, folders, names in os.walk(folder):
        folders.sort()
        for name in names:
            path = Path(parent) / name
            try:
                about = path.lstat()
            except OSError:
                continue
            relative = storable(path.relative_to(folder).as_posix())
            rows.append([relative, about.st_size, about.st_mtime_ns, None])
    return sorted(rows)


def fingerprint(job: Job) -> str:
    """All that an audit depends on besides its inputs: order, logs, policy, options, version."""
    logs = []
    if job.order is not None:
        logs = [_file_sha256(p) for p in (job.order.monitoring_log, job.order.video_log)]
    facts = {
        "version": __version__,
        "policy": _policy(job.policy_path).sha256,
        "order": job.order_sha256,
        "logs": logs,
        "signal": job.options.scan_signal,
        "second_readers": job.options.second_readers,
        "timezone": job.options.timezone,
        "redacted": job.redacted,
        "decisions": [[d.outcome, d.by, d.note, d.recorded_utc] for d in job.decisions],
        "error": job.error,
    }
    return hashlib.sha256(json.dumps(facts, sort_keys=True).encode()).hexdigest()


def unchanged(job: Job, known: Known | None, out: Path) -> bool:
    """Whether the audit on disk is the one that this job would make.

    Files of the same name, size and time are taken as the same; where only the time differs the
    checksum decides.
    """
    if known is None or known.fingerprint != fingerprint(job):
        return False
    if known.summary["error"] is None and not (out / AUDITS / job.slug / MARKER).is_file():
        return False
    now = snapshot(job.folder)
    if [row[:2] for row in now] != [row[:2] for row in known.inputs]:
        return False
    for row, before in zip(now, known.inputs, strict=True):
        touched = row[2] != before[2]
        if touched and _file_sha256(str(Path(job.folder) / row[0])) != before[3]:
            return False
    return True


def _checksums(audit: Audit) -> dict[str, str | None]:
    sums = {storable(f.recording.name): f.recording.sha256 for f in audit.study.files}
    sums |= {storable(f.name): f.sha256 for f in audit.study.unreadable}
    return sums


def _file_sha256(path: str | None) -> str | None:
    if path is None:
        return None
    digest = hashlib.sha256()
    try:
        with Path(path).open("rb") as file:
            while block := file.read(_CHUNK):
                digest.update(block)
    except OSError:
        return None
    return digest.hexdigest()
