"""The returned folder: which files are there, which read as recordings, and their checksums.

Every input is opened read-only. Links to files are read, links to folders are not followed (a link
may lead anywhere, or in a circle), and nothing but a regular file is ever opened.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, field, replace
from pathlib import Path

from auditor.edf import looks_like_recording, read_recording
from auditor.electrodes import electrode_name
from auditor.errors import NothingReadable, RecordingError
from auditor.model import Finding, Recording, UnreadableFile
from auditor.progress import Progress

VOCABULARY = {
    "other_files": "Files in the study's folder that are no recordings",
    "unreadable_file": "A file named like a recording that could not be read as one",
    "empty_file": "A file named like a recording that holds no byte",
    "cannot_open": "A file or folder that could not be opened or listed",
    "link_not_followed": "A link in the folder that was not followed",
    "linked_twice": "One file under several names; it was read once",
    "recordings_in_trash": "Recordings in a trash folder, not counted",
    "changed_while_reading": "A file that changed, grew or vanished while it was read",
    "not_read_to_the_end": "A file whose bytes could not all be read",
    "too_many_files": "More files than the limit; the rest were not looked at",
}

HEAD_BYTES = 256
MAX_ENTRIES = 500_000
"""A folder with more entries than this is hardly a returned study; the walk stops and says so."""
_SHOWN = 8
_CHUNK = 1 << 20
_TRASH = frozenset({"$recycle.bin", "recycler", ".trashes", ".trash", "__macosx", "found.000"})
"""Folders in which operating systems keep deleted or accompanying files (from memory)."""


@dataclass(frozen=True, slots=True)
class FoundFile:
    """A regular file. ``name`` is safe text relative to the root, with ``/`` between parts."""

    name: str
    path: Path
    size_bytes: int
    modified_ns: int
    begins_as_recording: bool
    in_trash: bool = False

    @property
    def named_as_recording(self) -> bool:
        """Whether the name ends in .edf or .bdf; resource forks ('._' names) do not count."""
        base = self.name.rsplit("/", 1)[-1]
        return base.lower().endswith((".edf", ".bdf")) and not base.startswith("._")


@dataclass(slots=True)
class Listing:
    """What a walk found: regular files, other entries by name, and findings."""

    name: str
    root: Path
    files: list[FoundFile] = field(default_factory=list)
    others: list[str] = field(default_factory=list)
    unreadable: list[UnreadableFile] = field(default_factory=list)
    findings: list[Finding] = field(default_factory=list)


@dataclass(frozen=True, slots=True)
class Intake:
    """The readable recordings with what else was found. ``findings`` are those of the folder."""

    name: str
    root: Path
    recordings: tuple[Recording, ...]
    unreadable: tuple[UnreadableFile, ...]
    other_files: tuple[str, ...]
    findings: tuple[Finding, ...]


def safe_name(name: str) -> str:
    """A file name as text that can be written as UTF-8; bytes that are none appear as ``\\xff``."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def some_of(names: Sequence[str]) -> str:
    """The first few of ``names`` in a sentence."""
    shown = ", ".join(names[:_SHOWN])
    return f"{shown} and {len(names) - _SHOWN} more" if len(names) > _SHOWN else shown


def take_in(
    paths: Sequence[Path], *, checksums: bool = True, progress: Progress | None = None
) -> Intake:
    """List, read and checksum everything under ``paths`` (folders or files).

    Raises ``NothingReadable`` where no file is a readable recording; the message says why, file by
    file.
    """
    listing = list_files(paths)
    found = [f for f in listing.files if not f.in_trash]
    wanted = [f for f in found if f.named_as_recording or f.begins_as_recording]
    taken = {f.name for f in wanted}
    listing.others += [f.name for f in listing.files if f.name not in taken]
    if progress:
        progress.stage("Reading recordings", len(wanted))
    recordings: list[Recording] = []
    for file in wanted:
        try:
            recordings.append(with_electrodes(read_recording(file.path, file.name)))
        except RecordingError as error:
            listing.unreadable.append(_unreadable(file, error))
        except OSError as error:
            listing.unreadable.append(_unreadable(file, _as_recording_error(file.name, error)))
        if progress:
            progress.advance(1)
    if not recordings:
        raise _nothing(listing)
    sums = _checksums(wanted, progress) if checksums else {}
    readable = {r.name for r in recordings}
    listing.findings += _changes(wanted, sums, readable)
    listing.findings += _about_others(listing)
    return Intake(
        name=listing.name,
        root=listing.root,
        recordings=tuple(replace(r, sha256=_digest(sums, r.name)) for r in recordings),
        unreadable=tuple(replace(u, sha256=_digest(sums, u.name)) for u in listing.unreadable),
        other_files=tuple(sorted(listing.others)),
        findings=tuple(listing.findings),
    )


def with_electrodes(recording: Recording) -> Recording:
    """The same recording with the standard electrode name put to each EEG channel."""
    return replace(
        recording,
        channels=tuple(
            c if c.is_annotation else replace(c, electrode=electrode_name(c.label, c.dimension))
            for c in recording.channels
        ),
    )


# ---------------------------------------------------------------- walking


def list_files(paths: Sequence[Path]) -> Listing:
    """Every regular file under ``paths``, each real file once, in the order of their names."""
    tops = [Path(os.path.abspath(p)) for p in paths]  # noqa: PTH100  links are not resolved
    root = _root(tops)
    listing = Listing(name=safe_name(root.name) or "study", root=root)
    entries: list[tuple[str, Path, bool]] = []
    for top in tops:
        entries += _walk(top, root, listing)
    seen: dict[tuple[int, int], str] = {}
    names: set[str] = set()
    # Names of real entries go before links, so that a link never takes a file's own name away.
    for name, path, is_link in sorted(entries, key=lambda e: (e[2], e[0], os.fsencode(e[1]))):
        _take(_unused(name, names), path, is_link, listing, seen)
    listing.files.sort(key=lambda f: f.name)
    return listing


def _root(tops: Sequence[Path]) -> Path:
    folders = [p if p.is_dir() else p.parent for p in tops]
    try:
        return Path(os.path.commonpath(folders))
    except ValueError:  # different drives
        return folders[0]


def _unused(name: str, names: set[str]) -> str:
    """``name``, or with a number where two names of different bytes look alike as text."""
    unused, number = name, 1
    while unused in names:
        number += 1
        unused = f"{name} ({number})"
    names.add(unused)
    return unused


def _relative(path: Path, root: Path) -> str:
    try:
        return safe_name(path.relative_to(root).as_posix())
    except ValueError:
        return safe_name(path.as_posix())


def _walk(top: Path, root: Path, listing: Listing) -> Iterator[tuple[str, Path, bool]]:
    if not top.is_dir():
        yield _relative(top, root), top, False
        return
    folders, count = [top], 0
    while folders:
        folder = folders.pop()
        try:
            with os.scandir(folder) as scan:
                entries = sorted(scan, key=lambda e: os.fsencode(e.name))
        except OSError as error:
            listing.findings.append(_cannot_open(_relative(folder, root) or ".", error, "folder"))
            continue
        for entry in entries:
            count += 1
            if count > MAX_ENTRIES:
                listing.findings.append(_too_many(listing.name))
                return
            path = Path(entry.path)
            link = entry.is_symlink()
            if not link and entry.is_dir(follow_symlinks=False):
                folders.append(path)
            else:
                yield _relative(path, root), path, link


def _take(
    name: str,
    path: Path,
    is_link: bool,
    listing: Listing,
    seen: dict[tuple[int, int], str],
) -> None:
    try:
        handle = _open_regular(path)
    except _NotRegularError as error:
        listing.others.append(name)
        if is_link and error.is_folder:
            listing.findings.append(_link_not_followed(name, "it leads to a folder"))
        return
    except OSError as error:
        if is_link and error.errno in (errno.ENOENT, errno.ELOOP):
            why = "it leads in a circle" if error.errno == errno.ELOOP else "it leads nowhere"
            listing.findings.append(_link_not_followed(name, why))
            listing.others.append(name)
            return
        file = FoundFile(name, path, 0, 0, False)
        if file.named_as_recording:
            listing.unreadable.append(_unreadable(file, _as_recording_error(name, error), None))
        else:
            listing.others.append(name)
            listing.findings.append(_cannot_open(name, error, "file"))
        return
    with os.fdopen(handle, "rb", buffering=0) as file_object:
        status = os.fstat(handle)
        key = (status.st_dev, status.st_ino)
        if status.st_ino and key in seen:
            listing.others.append(name)
            listing.findings.append(_linked_twice(name, seen[key]))
            return
        seen[key] = name
        try:
            head = file_object.read(HEAD_BYTES) or b""
        except OSError:
            head = b""  # reading it as a recording will say why
    parts = [part.lower() for part in name.split("/")[:-1]]
    listing.files.append(
        FoundFile(
            name=name,
            path=path,
            size_bytes=status.st_size,
            modified_ns=status.st_mtime_ns,
            begins_as_recording=looks_like_recording(head),
            in_trash=any(p in _TRASH or p.startswith(".trash-") for p in parts),
        )
    )


class _NotRegularError(Exception):
    def __init__(self, is_folder: bool) -> None:
        super().__init__()
        self.is_folder = is_folder


def _open_regular(path: Path) -> int:
    """A read-only descriptor of a regular file.

    A device, socket or pipe is not opened, and should one take the file's place meanwhile, the
    open does not wait for it (O_NONBLOCK).
    """
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        raise _NotRegularError(stat.S_ISDIR(mode))
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    handle = os.open(path, flags)
    if not stat.S_ISREG(os.fstat(handle).st_mode):
        os.close(handle)
        raise _NotRegularError(False)
    return handle


# ---------------------------------------------------------------- checksums


@dataclass(frozen=True, slots=True)
class _Sum:
    sha256: str | None
    problem: str = ""
    changed: bool = False


def _checksums(files: Sequence[FoundFile], progress: Progress | None) -> dict[str, _Sum]:
    if progress:
        progress.stage("Checksums", sum(f.size_bytes for f in files))
    with ThreadPoolExecutor(max_workers=2, thread_name_prefix="checksum") as pool:
        return dict(
            zip(
                (f.name for f in files),
                pool.map(lambda f: _checksum(f, progress), files),
                strict=True,
            )
        )


def _checksum(file: FoundFile, progress: Progress | None) -> _Sum:
    digest, buffer = hashlib.sha256(), bytearray(_CHUNK)
    view = memoryview(buffer)
    try:
        handle = _open_regular(file.path)
        with os.fdopen(handle, "rb", buffering=0) as source:
            left = file.size_bytes
            while left > 0:  # a file that grows without end must not hold the audit up
                count = source.readinto(view[: min(left, _CHUNK)])
                if not count:
                    break
                digest.update(view[:count])
                left -= count
                if progress:
                    progress.advance(count)
            status = os.fstat(handle)
    except _NotRegularError:
        return _Sum(None, changed=True)
    except OSError as error:
        return _Sum(None, error.strerror or "input or output error", error.errno == errno.ENOENT)
    same = (status.st_size, status.st_mtime_ns) == (file.size_bytes, file.modified_ns)
    return _Sum(digest.hexdigest() if same else None, changed=not same)


def _digest(sums: dict[str, _Sum], name: str) -> str | None:
    found = sums.get(name)
    return found.sha256 if found else None


def _changes(
    files: Iterable[FoundFile], sums: dict[str, _Sum], readable: set[str]
) -> Iterator[Finding]:
    for file in files:
        if file.name not in readable:
            continue
        if file.name not in sums:
            try:
                status = file.path.stat()
                same = (status.st_size, status.st_mtime_ns) == (file.size_bytes, file.modified_ns)
                found = _Sum(None, changed=not same)
            except OSError:
                found = _Sum(None, changed=True)
        else:
            found = sums[file.name]
        if found.changed:
            yield Finding(
                "changed_while_reading",
                "problem",
                file.name,
                "This file changed or vanished while it was read, so its recorded time may be "
                "neither that of before nor that of after.",
                expected=f"{file.size_bytes} bytes, untouched",
                observed="other size or time of change, or the file is gone",
                action="Wait until copying has ended, then run the audit again.",
                file=file.name,
            )
        elif found.problem:
            yield Finding(
                "not_read_to_the_end",
                "problem",
                file.name,
                f"Not all bytes of this file could be read ({found.problem}), so it has no "
                "checksum, and part of the time counted for it may not be readable.",
                action="Copy the file from the card again, or read the card on another computer.",
                file=file.name,
            )


# ---------------------------------------------------------------- findings


def _as_recording_error(name: str, error: OSError) -> RecordingError:
    return RecordingError(
        name,
        f"cannot be read ({error.strerror or 'input or output error'})",
        "Check its permissions and the card, and copy it again.",
        code="cannot_open",
    )


def _unreadable(file: FoundFile, error: RecordingError, size: int | None = -1) -> UnreadableFile:
    empty = file.size_bytes == 0 and size is not None
    code = "empty_file" if empty else "unreadable_file"
    problem = "holds no byte" if empty else error.problem
    at = f" at byte {error.offset}" if error.offset is not None and not empty else ""
    named = f" (header field '{error.field}'{at})" if error.field else at
    return UnreadableFile(
        name=file.name,
        path=file.path,
        size_bytes=file.size_bytes if size is not None else None,
        reason=f"{problem[:1].upper()}{problem[1:]}{named}.",
        finding=Finding(
            code,
            "caution" if empty else "problem",
            file.name,
            "This file is named like a recording but none could be read from it: "
            f"it {problem}{named}. No time is counted for it."
            if file.named_as_recording
            else "This file begins as a recording does but could not be read as one: "
            f"{problem}{named}. No time is counted for it.",
            expected="a readable EDF, EDF+, BDF or BDF+ recording",
            observed=problem,
            action=error.action or "Copy it from the card again; ask for the missing recording.",
            file=file.name,
        ),
    )


def _cannot_open(name: str, error: OSError, kind: str) -> Finding:
    why = error.strerror or "input or output error"
    return Finding(
        "cannot_open",
        "problem" if kind == "folder" else "caution",
        name,
        f"This {kind} could not be opened ({why}). Recordings in it, if any, are not counted.",
        observed=why,
        action="Check its permissions, then run the audit again.",
        file=name if kind == "file" else None,
    )


def _link_not_followed(name: str, why: str) -> Finding:
    return Finding(
        "link_not_followed",
        "caution",
        name,
        f"This link was not followed: {why}. Recordings behind it, if any, are not counted.",
        action="Give the folder itself if it belongs to the study.",
    )


def _linked_twice(name: str, first: str) -> Finding:
    return Finding(
        "linked_twice",
        "info",
        name,
        "This name and another lead to one and the same file; it was read once.",
        observed=f"the same file as {first}",
    )


def _too_many(name: str) -> Finding:
    return Finding(
        "too_many_files",
        "problem",
        name,
        f"The folder holds more than {MAX_ENTRIES} entries; the rest were not looked at, and "
        "recordings among them are not counted.",
        action="Give the folder of one study.",
    )


def _about_others(listing: Listing) -> Iterator[Finding]:
    trash = [f.name for f in listing.files if f.in_trash and f.begins_as_recording]
    if trash:
        yield Finding(
            "recordings_in_trash",
            "caution",
            listing.name,
            f"{len(trash)} recording(s) lie in a trash folder and are not counted.",
            observed=some_of(trash),
            action="If they belong to the study, put them back and run the audit again.",
        )
    if listing.others:
        names = sorted(listing.others)
        one = len(names) == 1
        yield Finding(
            "other_files",
            "info",
            listing.name,
            f"{len(names)} other file{' is' if one else 's are'} in the folder; "
            f"{'it is' if one else 'they are'} no recording and {'was' if one else 'were'} left "
            "alone.",
            observed=some_of(names),
        )


def _nothing(listing: Listing) -> NothingReadable:
    where = safe_name(str(listing.root))
    if listing.unreadable:
        reasons = "; ".join(f"{u.name}: {u.finding.observed}" for u in listing.unreadable[:_SHOWN])
        more = len(listing.unreadable) - _SHOWN
        return NothingReadable(
            where,
            f"no recording could be read ({reasons}{f'; and {more} more' if more > 0 else ''})",
            "Copy the study from the card again.",
        )
    denied = [f for f in listing.findings if f.code in ("cannot_open", "link_not_followed")]
    if denied:
        return NothingReadable(where, f"no recording was found ({denied[0].text})", "")
    return NothingReadable(
        where,
        "no recording was found (no file is named or begins as an EDF or BDF recording)",
        "Give the folder that was copied from the recorder's card.",
    )
