"""SHA-256 of every recording, and whether a file changed while it was read."""

from __future__ import annotations

import errno
import hashlib
import os
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

from auditor.core.files import NotRegularError, open_regular
from auditor.core.progress import Progress
from auditor.core.text import Own
from auditor.inputs.folder import FoundFile
from auditor.model import Finding, finding

_CHUNK = 1 << 20


@dataclass(frozen=True, slots=True)
class Checksum:
    """``sha256`` is ``None`` where the bytes were not read as one unchanged whole."""

    sha256: str | None
    problem: str = ""
    changed: bool = False


def checksums_of(files: Sequence[FoundFile], progress: Progress | None) -> dict[str, Checksum]:
    if progress:
        progress.stage("Checksums", sum(f.size_bytes or 0 for f in files))
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="checksum") as pool:
        return dict(
            zip(
                (f.name for f in files),
                pool.map(lambda f: _checksum(f, progress), files),
                strict=True,
            )
        )


def _checksum(file: FoundFile, progress: Progress | None) -> Checksum:
    digest, buffer = hashlib.sha256(), bytearray(_CHUNK)
    view = memoryview(buffer)
    try:
        handle = open_regular(file.path)
        with os.fdopen(handle, "rb", buffering=0) as source:
            left = file.size_bytes or 0
            while left > 0:  # a file that grows without end must not hold the audit up
                count = source.readinto(view[: min(left, _CHUNK)])
                if not count:
                    break
                digest.update(view[:count])
                left -= count
                if progress:
                    progress.advance(count)
            status = os.fstat(handle)
    except NotRegularError:
        return Checksum(None, changed=True)
    except OSError as error:
        return Checksum(
            None, error.strerror or "input or output error", error.errno == errno.ENOENT
        )
    same = (status.st_size, status.st_mtime_ns) == (file.size_bytes, file.modified_ns)
    return Checksum(digest.hexdigest() if same else None, changed=not same)


def digest_of(sums: dict[str, Checksum], name: str) -> str | None:
    found = sums.get(name)
    return found.sha256 if found else None


def changed_finding(file: FoundFile) -> Finding:
    """A file that is no longer what was read."""
    return finding(
        "changed_while_reading",
        file.name,
        file=file.name,
        name=file.name,
        size=file.size_bytes or 0,
    )


def changes(
    files: Iterable[FoundFile], sums: dict[str, Checksum], readable: set[str]
) -> Iterator[Finding]:
    for file in files:
        if file.name not in readable:
            continue
        if file.name not in sums:
            try:
                status = file.path.stat()
                same = (status.st_size, status.st_mtime_ns) == (file.size_bytes, file.modified_ns)
                found = Checksum(None, changed=not same)
            except OSError:
                found = Checksum(None, changed=True)
        else:
            found = sums[file.name]
        if found.changed:
            yield changed_finding(file)
        elif found.problem:
            yield finding(
                "not_read_to_the_end",
                file.name,
                file=file.name,
                name=file.name,
                why=Own(found.problem),
            )
