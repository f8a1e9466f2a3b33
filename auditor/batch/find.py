"""Which folders under a root are studies, and which order goes with each.

A folder with an order is a study, whatever lies below it; the order is ``order.toml`` or
``order.json`` in it, a TOML file of the folder's own name beside it, or an entry in a list of
orders that names the folder. Of the rest, a folder that
holds recordings directly is a study. Sibling folders whose recordings carry one patient field and
start within days of each other (a card and a computer, or one folder a day) are one study in their
parent; the children of the root are never joined. Recordings that lie beside the folders of other
studies are a study of their own, so that none is left out.
"""

from __future__ import annotations

import os
from collections.abc import Collection, Iterator
from dataclasses import dataclass, field
from datetime import date, timedelta
from itertools import pairwise
from pathlib import Path

from msgspec import Struct

from auditor.core.clock import full_year
from auditor.edf import looks_like_recording
from auditor.inputs.order import order_of_folder
from auditor.model import StudyFolder

_HEAD = 256  # the main header (EDF specification): whose it is, and when
_DEEPEST = 40
_APART = timedelta(days=7)
"""Start dates further apart than this are of two studies (common practice, no source)."""


class _Head(Struct, frozen=True):
    """What the first bytes say: the patient field (empty where unreadable) and the start date."""

    patient: bytes
    day: date | None


@dataclass(slots=True)
class _Folder:
    path: Path
    order: Path | None = None
    named: bool = False
    """Whether a list of orders names it."""
    closed: bool = False
    """Whether it could not be listed, or lies too deep to be looked into here."""
    recordings: dict[Path, _Head] = field(default_factory=dict)
    """Those directly in it."""
    below: list[_Folder] = field(default_factory=list)

    def heads(self) -> Iterator[_Head]:
        yield from self.recordings.values()
        if self.closed:
            yield _Head(b"", None)
        for child in self.below:
            yield from child.heads()

    def ordered(self) -> bool:
        return self.named or self.order is not None

    def order_below(self) -> bool:
        return any(c.ordered() or c.order_below() for c in self.below)


def find_studies(
    root: Path, exclude: Path | None = None, named: Collection[str] = ()
) -> tuple[StudyFolder, ...]:
    """Every study under ``root``, sorted by key; ``exclude`` (the output) is left out.

    ``named`` are the studies of a list of orders, by key or by the last part of it.

    A folder that cannot be listed is taken for a study, whose audit says so: it may hold one.
    Links are not followed, so a loop cannot trap the walk. Raises ``OSError`` where ``root`` itself
    cannot be listed.
    """
    top = _walk(root, exclude.resolve() if exclude is not None else None, 0)
    if top.closed:
        os.scandir(root).close()  # says why
    if named:
        _name(top, root, frozenset(named))
    found: list[tuple[_Folder, bool]] = []  # and whether the whole folder is meant
    if top.ordered():
        found.append((top, True))
    else:
        for child in top.below:
            _collect(child, found)
        if top.recordings:
            found.append((top, not found))
    studies = []
    for folder, whole in found:
        key = _key(folder, root)
        files = () if whole else tuple(sorted(folder.recordings))
        studies.append(
            StudyFolder(
                key if key != "." else root.resolve().name or "root",
                folder.path,
                folder.order,
                files,
                tuple(sorted({head.day for head in folder.heads() if head.day is not None})),
            )
        )
    return tuple(sorted(studies, key=lambda s: s.key))


def _key(folder: _Folder, root: Path) -> str:
    relative = os.fsencode(folder.path.relative_to(root).as_posix())
    return relative.decode("utf-8", "backslashreplace")


def _name(folder: _Folder, root: Path, names: frozenset[str]) -> None:
    for child in folder.below:
        key = _key(child, root)
        child.named = key in names or key.rsplit("/", 1)[-1] in names
        _name(child, root, names)


def _walk(path: Path, exclude: Path | None, depth: int) -> _Folder:
    folder = _Folder(path)
    try:
        with os.scandir(path) as listing:
            entries = sorted(listing, key=lambda e: e.name)
    except OSError:
        folder.closed = True
        return folder
    for entry in entries:
        below = Path(entry.path)
        if entry.is_symlink():
            continue
        if entry.is_dir(follow_symlinks=False):
            if exclude is not None and below.resolve() == exclude:
                continue
            deep = depth >= _DEEPEST
            child = _Folder(below, closed=True) if deep else _walk(below, exclude, depth + 1)
            folder.below.append(child)
        elif entry.is_file(follow_symlinks=False):
            head = _head_of(below)
            if head is not None:
                folder.recordings[below] = head
    folder.order = order_of_folder(path, beside=depth > 0)
    return folder


def _head_of(path: Path) -> _Head | None:
    """What a recording's head says; empty for a broken one; ``None`` for any other file."""
    named = path.suffix.lower() in {".edf", ".bdf"} and not path.name.startswith("._")
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        head = b""
    if looks_like_recording(head):
        return _Head(head[8:88].strip(), _day(head[168:176]))
    return _Head(b"", None) if named else None


def _day(raw: bytes) -> date | None:
    """The start date field, dd.mm.yy; years 85-99 are 1985-1999 (EDF+ specification, item 2)."""
    try:
        day, month, year = (int(part) for part in raw.split(b"."))
        return date(full_year(year), month, day)
    except (ValueError, OverflowError):
        return None


def _collect(folder: _Folder, found: list[tuple[_Folder, bool]]) -> None:
    if folder.ordered():
        found.append((folder, True))
        return
    if not any(folder.heads()) and not folder.order_below():
        return
    if not folder.order_below() and (folder.closed or folder.recordings or _one_study(folder)):
        found.append((folder, True))
        return
    for child in folder.below:
        _collect(child, found)
    if folder.recordings:
        found.append((folder, False))


def _one_study(folder: _Folder) -> bool:
    """Whether the sub-folders of a folder without recordings hold pieces of one study.

    They do when there are two or more, all their recordings carry one and the same patient field
    that says something, and no two start dates in a row lie more than a week apart.
    """
    if sum(any(child.heads()) for child in folder.below) < 2:
        return False
    heads = [h for h in folder.heads() if h.patient]
    if len({h.patient for h in heads}) != 1 or heads[0].patient.upper().split()[:1] == [b"X"]:
        return False
    days = sorted(h.day for h in heads if h.day is not None)
    return all(b - a <= _APART for a, b in pairwise(days))
