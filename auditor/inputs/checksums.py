"""SHA-256 of every recording, and whether a file changed or could not be read."""

from __future__ import annotations

import hashlib
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from functools import partial
from typing import Protocol

from msgspec.structs import replace

from auditor.core.errors import RecordingError
from auditor.core.progress import Progress
from auditor.edf.source import LocalFile, open_bytes, read_exactly
from auditor.inputs.once import Block, Cut, ToRead, WasRead, plain_cuts, read_once
from auditor.model import Finding, Recording, Study, finding

_PROBES = 64
_PROBE_BYTES = 4096


class Judged(Protocol):
    """A file whose blocks are judged as they are read."""

    @property
    def cuts(self) -> Sequence[Cut]:
        """The blocks in which it is to be read."""

    def judge(self, block: Block) -> None:
        """Take one block, in any order, from any thread."""


def read_study(
    study: Study,
    judged: Mapping[str, Judged],
    *,
    workers: int = 2,
    progress: Progress | None = None,
) -> dict[str, WasRead]:
    """Read every file of ``study`` once; what became of each, by name.

    ``judged`` are the files whose samples are looked at, by name; all others are hashed alone.
    Files in a remote storage have no checksum: each byte of them would have to be fetched.
    """
    files = []
    for recording in (f.recording for f in study.files):
        one, local = judged.get(recording.name), recording.opener is None
        if one is not None or local:
            files.append(
                ToRead(
                    recording.name,
                    partial(open_bytes, recording),
                    one.cuts if one else plain_cuts(recording.size_bytes),
                    hashed=local,
                    judge=one.judge if one else None,
                    piece=recording.record_bytes,
                    before=recording.state,
                )
            )
    for file in study.unreadable:
        if file.state is not None:
            opened, cuts = partial(LocalFile, file.path, file.name), plain_cuts(file.state.size)
            files.append(ToRead(file.name, opened, cuts, before=file.state))
    return read_once(files, workers, progress)


def identified(study: Study, read: Mapping[str, WasRead]) -> Study:
    """``study`` with the checksums of its files, and with what reading them has shown."""

    def sha256(name: str) -> str | None:
        return read[name].sha256 if name in read else None

    files = tuple(
        replace(f, recording=replace(f.recording, sha256=sha256(f.recording.name)))
        for f in study.files
    )
    unreadable = tuple(replace(u, sha256=sha256(u.name)) for u in study.unreadable)
    recordings = [f.recording for f in study.files]
    findings = (*study.findings, *_findings(recordings, read), *_not_alike(recordings, read))
    return replace(study, files=files, unreadable=unreadable, findings=findings)


def _findings(files: Sequence[Recording], read: Mapping[str, WasRead]) -> Iterator[Finding]:
    for name, size in ((f.name, f.size_bytes) for f in files):
        found = read.get(name, WasRead())
        if found.changed:
            yield changed_finding(name, size)
        elif found.failure or found.bad:
            yield finding(
                "not_read_to_the_end",
                name,
                form="" if found.failure else "bytes",
                file=name,
                name=name,
                why=found.failure,
                size=sum(high - low for low, high in found.bad),
                first=min((low for low, _ in found.bad), default=0),
                last=max((high for _, high in found.bad), default=0),
            )


def changed_finding(name: str, size: int | None) -> Finding:
    """A file that is no longer what was read."""
    return finding("changed_while_reading", name, file=name, name=name, size=size or 0)


def with_likeness(recordings: Sequence[Recording]) -> tuple[Recording, ...]:
    """The same recordings, those that may hold the same bytes marked as alike or not.

    Which files belong is settled before the one pass that makes the checksums. Until then two files
    of one size, start and header are taken as identical where they are so at places all over;
    ``identified`` tells where the checksums say otherwise.
    """
    groups: dict[object, list[Recording]] = defaultdict(list)
    for one in recordings:
        if one.opener is None:
            key = (one.size_bytes, one.records, one.start_civil_ns, one.header)
            groups[key].append(one)
    marks = {
        one.name: _likeness(one) for group in groups.values() if len(group) > 1 for one in group
    }
    return tuple(replace(r, likeness=marks.get(r.name)) for r in recordings)


def _likeness(recording: Recording) -> str | None:
    digest = hashlib.sha256(repr((recording.size_bytes, recording.header)).encode())
    digest.update(recording.offsets_ns.tobytes())
    last = max(0, recording.size_bytes - _PROBE_BYTES)
    try:
        with open_bytes(recording) as source:
            for at in {last * probe // (_PROBES - 1): None for probe in range(_PROBES)}:
                digest.update(read_exactly(source, at, _PROBE_BYTES))
    except (OSError, RecordingError):  # taken for a file of its own; the pass over it tells why
        return None
    return digest.hexdigest()


def _not_alike(files: Sequence[Recording], read: Mapping[str, WasRead]) -> Iterator[Finding]:
    alike: dict[str, dict[str, str]] = defaultdict(dict)
    for one in files:
        sha256 = read.get(one.name, WasRead()).sha256
        if one.likeness and sha256:
            alike[one.likeness].setdefault(sha256, one.name)
    for by_sum in alike.values():
        if len(by_sum) > 1:
            names = tuple(by_sum.values())
            yield finding("copies_not_identical", names[0], file=names[0], named=names)
