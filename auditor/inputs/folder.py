"""A place with files, and the walk through a returned folder.

Links to files are read, links to folders are not followed (a link may lead anywhere, or in a
circle), and nothing but a regular file is ever opened, read-only.
"""

from __future__ import annotations

import errno
import os
from abc import ABC, abstractmethod
from collections.abc import Collection, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from itertools import takewhile
from pathlib import Path
from typing import Literal

from msgspec import Struct

from auditor.core.files import NotRegularError, open_regular
from auditor.core.text import Own
from auditor.edf import looks_like_recording, read_recording
from auditor.model import FileState, Finding, Recording, finding

HEAD_BYTES = 256
MAX_ENTRIES = 500_000
"""A folder with more entries than this is hardly a returned study; the walk stops and says so."""
_TRASH = frozenset({"$recycle.bin", "recycler", ".trashes", ".trash", "__macosx", "found.000"})
"""Folders in which operating systems keep deleted or accompanying files (from memory)."""


class FoundFile(Struct, frozen=True):
    """A regular file. ``name`` is safe text relative to the root, with ``/`` between parts.

    ``size_bytes`` is ``None`` where the file could not be opened.
    """

    name: str
    path: Path
    size_bytes: int | None
    begins_as_recording: bool
    state: FileState | None = None
    """What the file was when it was listed, for files on this machine that could be opened."""

    @property
    def named_as_recording(self) -> bool:
        """Whether the name ends in .edf or .bdf; resource forks ('._' names) do not count."""
        base = self.name.rsplit("/", 1)[-1]
        return base.lower().endswith((".edf", ".bdf")) and not base.startswith("._")

    @property
    def in_trash(self) -> bool:
        """Whether it lies in a trash folder."""
        parts = [part.lower() for part in self.name.split("/")[:-1]]
        return any(p in _TRASH or p.startswith(".trash-") for p in parts)


@dataclass(slots=True)
class Listing:
    """What a walk found: regular files, other entries by name, and findings."""

    name: str
    root: Path
    files: list[FoundFile] = field(default_factory=list)
    others: list[str] = field(default_factory=list)
    denied: list[tuple[FoundFile, OSError]] = field(default_factory=list)
    """Files named like recordings that could not be opened, with the error."""
    findings: list[Finding] = field(default_factory=list)
    shown: str = ""
    """The whole name of the place, without anything that gives access; the root's by default."""
    advice: str = "Copy the study from the card again."
    """What to do where nothing in it can be read."""

    @property
    def where(self) -> str:
        """The whole name of the place, as text."""
        return self.shown or safe_name(str(self.root))


def safe_name(name: str) -> str:
    """A file name as text that can be written as UTF-8; bytes that are none appear as ``\\xff``."""
    return os.fsencode(name).decode("utf-8", "backslashreplace")


def common_folder(folders: Iterable[str]) -> str:
    """The innermost folder that holds all of ``folders``, by their names."""
    levels = zip(*(f.split("/") for f in folders), strict=False)
    return "/".join(level[0] for level in takewhile(lambda level: len(set(level)) == 1, levels))


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
    for name, path, is_link in sorted(set(entries), key=lambda e: (e[2], e[0], os.fsencode(e[1]))):
        _take(_unused(name, names), path, is_link, listing, seen)
    listing.files.sort(key=lambda f: f.name)
    return listing


def _root(tops: Sequence[Path]) -> Path:
    folders = [p if os.path.isdir(p) else p.parent for p in tops]  # noqa: PTH112  raises nothing
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
    if not os.path.isdir(top):  # noqa: PTH112  raises nothing
        yield _relative(top, root), top, False
        return
    folders, count = [top], 0
    while folders:
        folder = folders.pop()
        try:
            with os.scandir(folder) as scan:
                entries = sorted(scan, key=lambda e: os.fsencode(e.name))
        except OSError as error:
            listing.findings.append(cannot_open(_relative(folder, root) or ".", error, "folder"))
            continue
        for entry in entries:
            count += 1
            if count > MAX_ENTRIES:
                listing.findings.append(too_many(listing.name))
                return
            path = Path(entry.path)
            link = entry.is_symlink()
            if not link and entry.is_dir(follow_symlinks=False):
                folders.append(path)
            else:
                yield _relative(path, root), path, link


def _take(
    name: str, path: Path, is_link: bool, listing: Listing, seen: dict[tuple[int, int], str]
) -> None:
    try:
        handle, status = open_regular(path)
        with os.fdopen(handle, "rb", buffering=0) as file_object:
            try:
                head = file_object.read(HEAD_BYTES) or b""
            except OSError:
                head = b""  # reading it as a recording will say why
    except NotRegularError as error:
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
        file = FoundFile(name, path, None, False)
        if file.named_as_recording:
            listing.denied.append((file, error))
        else:
            listing.others.append(name)
            listing.findings.append(cannot_open(name, error, "file"))
        return
    key = (status.st_dev, status.st_ino)
    if status.st_ino and key in seen:
        listing.others.append(name)
        listing.findings.append(finding("linked_twice", name, first=seen[key]))
        return
    seen[key] = name
    listing.files.append(
        FoundFile(
            name=name,
            path=path,
            size_bytes=status.st_size,
            begins_as_recording=looks_like_recording(head),
            state=FileState.of(status),
        )
    )


def cannot_open(name: str, error: OSError, kind: Literal["file", "folder"]) -> Finding:
    """A file or folder that the system would not open."""
    return finding(
        "cannot_open",
        name,
        severity="problem" if kind == "folder" else "caution",
        file=name if kind == "file" else None,
        name=name,
        kind=Own(kind),
        why=Own(error.strerror or "input or output error"),
    )


def _link_not_followed(name: str, why: str) -> Finding:
    return finding("link_not_followed", name, name=name, why=Own(why))


def too_many(name: str) -> Finding:
    """More entries than ``MAX_ENTRIES``."""
    return finding("too_many_files", name, most=MAX_ENTRIES)


class Place(ABC):
    """Folders and files, on this machine or elsewhere: all that the study knows of where they lie.

    Chosen once, by the outermost rooms.
    """

    @property
    @abstractmethod
    def name(self) -> str:
        """The name of the folder; never holds what gives access."""

    @abstractmethod
    def list_files(self) -> Listing:
        """Every file of the place. Raises ``AuditorError`` where it cannot be looked at."""

    @abstractmethod
    def read(self, file: FoundFile) -> Recording:
        """One file as a recording. Raises ``RecordingError``, ``OSError``."""

    def changes(self, files: Sequence[FoundFile]) -> Iterable[Finding]:
        """Which ``files`` changed since they were listed, where no pass over their bytes tells."""
        return ()

    def findings(self) -> tuple[Finding, ...]:
        """What is to be said about the place when everything has been read."""
        return ()


class LocalPlace(Place):
    """Folders and files on this machine; of several the first gives the name."""

    def __init__(self, paths: Sequence[Path], used: Collection[str] = ()) -> None:
        """``used`` are files read for another purpose, such as the order: no recordings."""
        self.paths = list(paths)
        self._used = {os.path.realpath(path) for path in used}

    @property
    def name(self) -> str:
        first = self.paths[0].resolve()
        return (first if os.path.isdir(first) else first.parent).name  # noqa: PTH112  raises nothing

    def list_files(self) -> Listing:
        listing = list_files(self.paths)
        if self._used:
            listing.files = [
                file
                for file in listing.files
                if file.named_as_recording or os.path.realpath(file.path) not in self._used
            ]
        return listing

    def read(self, file: FoundFile) -> Recording:
        return read_recording(file.path, file.name)


def as_place(paths: Sequence[Path] | Place, used: Collection[str] = ()) -> Place:
    """``paths`` on this machine as a place; a place as it is. ``used`` as for ``LocalPlace``."""
    if used and isinstance(paths, LocalPlace):
        return LocalPlace(paths.paths, used)
    return paths if isinstance(paths, Place) else LocalPlace(paths, used)
