"""Which folders under a root are studies, and which order goes with each.

A folder that holds an order file is a study, whatever lies below it. Of the rest, a folder that
holds recordings directly is a study; sibling folders that hold nothing but recordings of one
patient field (a card and a computer, or one folder a day) are one study in their parent, except
that the children of the root are never joined.
"""

from __future__ import annotations

import os
from dataclasses import dataclass, field
from pathlib import Path

from auditor.edf import looks_like_recording

ORDER_NAMES = ("order.toml", "order.json")
_HEAD = 88  # version and patient field: enough to tell a recording and whose it is
_DEEPEST = 40


@dataclass(frozen=True, slots=True)
class StudyFolder:
    """One study found. ``key`` is its path below the root, with ``/`` between parts."""

    key: str
    folder: Path
    order: Path | None


@dataclass(slots=True)
class _Folder:
    path: Path
    order: Path | None = None
    patients: set[bytes] = field(default_factory=set)
    """Patient fields of the recordings directly in it."""
    below: list[_Folder] = field(default_factory=list)

    def all_patients(self) -> set[bytes]:
        found = set(self.patients)
        for child in self.below:
            found |= child.all_patients()
        return found

    def has_order_below(self) -> bool:
        return any(c.order is not None or c.has_order_below() for c in self.below)


def find_studies(root: Path, exclude: Path | None = None) -> tuple[StudyFolder, ...]:
    """Every study folder under ``root``, sorted by key; ``exclude`` (the output) is left out.

    Folders that cannot be listed are passed over here; the audit of the study that holds them says
    so. Links are not followed, so a loop cannot trap the walk.
    """
    top = _walk(root, exclude.resolve() if exclude is not None else None, 0)
    found: list[_Folder] = []
    if top.order is not None:
        found.append(top)
    else:
        for child in top.below:
            _collect(child, found)
        if top.patients:
            found.append(top)
    studies = []
    for study in found:
        key = study.path.relative_to(root).as_posix()
        studies.append(
            StudyFolder(key if key != "." else root.resolve().name, study.path, study.order)
        )
    return tuple(sorted(studies, key=lambda s: s.key))


def _walk(path: Path, exclude: Path | None, depth: int) -> _Folder:
    folder = _Folder(path)
    try:
        with os.scandir(path) as listing:
            entries = sorted(listing, key=lambda e: e.name)
    except OSError:
        return folder
    for entry in entries:
        if entry.is_symlink():
            continue
        if entry.is_dir(follow_symlinks=False):
            below = Path(entry.path)
            if depth < _DEEPEST and not (exclude is not None and below.resolve() == exclude):
                folder.below.append(_walk(below, exclude, depth + 1))
        elif entry.is_file(follow_symlinks=False):
            if entry.name in ORDER_NAMES:
                folder.order = folder.order or Path(entry.path)
            else:
                patient = _patient_of(Path(entry.path))
                if patient is not None:
                    folder.patients.add(patient)
    return folder


def _patient_of(path: Path) -> bytes | None:
    """The raw patient field of a recording; empty for a broken one; ``None`` for other files."""
    named = path.suffix.lower() in {".edf", ".bdf"} and not path.name.startswith("._")
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except OSError:
        return b"" if named else None
    if looks_like_recording(head):
        return head[8:88].strip()
    return b"" if named else None


def _collect(folder: _Folder, found: list[_Folder]) -> None:
    if folder.order is not None:
        found.append(folder)
        return
    inner = folder.all_patients()
    if not inner:
        return
    if not folder.has_order_below() and (folder.patients or _one_study(folder)):
        found.append(folder)
        return
    for child in folder.below:
        _collect(child, found)


def _one_study(folder: _Folder) -> bool:
    """Whether the sub-folders of a folder without recordings hold pieces of one study.

    They do when all their recordings carry one and the same patient field that says something.
    """
    known = {p for p in folder.all_patients() if p}
    return len(known) == 1 and next(iter(known)).upper().split()[:1] != [b"X"]
