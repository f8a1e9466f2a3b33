"""Which folders of this machine the desk lists, and what lies in one.

Only folders under the roots are ever listed or audited: the real path is compared, so a link leads
nowhere else. Addresses name a folder by a number of this desk's own, never by its path: a folder is
often named for a patient, and addresses stay in a browser's history.
"""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import os
import secrets
import stat
import threading
from collections.abc import Iterator, Sequence
from datetime import datetime
from pathlib import Path

from msgspec import Struct

from auditor.core.errors import UsageError, system_errors
from auditor.core.text import printable
from auditor.inputs.order import order_of_folder

MOST_SHOWN = 500
_MOST_LOOKED_AT = 50_000
"""Entries looked at for one page: a shared drive may hold millions."""
_SUFFIXES = (".edf", ".bdf")


class Folder(Struct, frozen=True):
    """One folder of a listing: what it holds down to the bottom.

    ``whole`` is false where it holds more than was looked at. ``newest`` is the local date of the
    newest recording's last change; ``order`` names the order that lies there.
    """

    id: str
    name: str
    recordings: int
    size_bytes: int
    oldest: str
    newest: str
    order: str
    whole: bool = True


class Listing(Struct, frozen=True):
    """A folder as the desk shows it: itself, the way to it, and the folders in it."""

    here: Folder
    path: str
    way: tuple[tuple[str, str], ...]
    """(id, name) of each folder from the root to this one."""
    direct: bool
    """Whether recordings lie in it and not only in folders below."""
    folders: tuple[Folder, ...]
    left_out: int = 0


class Places:
    """The folders that may be listed, each with the number by which addresses name it."""

    def __init__(self, roots: Sequence[Path]) -> None:
        self.roots = tuple(dict.fromkeys(Path(os.path.realpath(root)) for root in roots))
        self._secret = secrets.token_bytes(32)
        self._lock = threading.Lock()
        self._paths: dict[str, Path] = {}

    def id_of(self, path: Path) -> str:
        """The number of ``path``, the same while this desk runs."""
        found = hmac.new(self._secret, os.fsencode(path), hashlib.sha256).hexdigest()[:24]
        with self._lock:
            self._paths[found] = path
        return found

    def path_of(self, number: str) -> Path:
        """The folder of a number, checked anew. Raises ``UsageError``."""
        with self._lock:
            path = self._paths.get(number)
        if path is None:
            raise UsageError(
                "this folder", "is not known since the desk was started again", "Choose it again."
            )
        return self.inside(path)

    def inside(self, path: str | Path) -> Path:
        """The real path of a folder under the roots. Raises ``UsageError``."""
        shown = printable(os.fsencode(path).decode("utf-8", "backslashreplace"), 300)
        try:
            real = Path(os.path.realpath(path, strict=True))
            folder = stat.S_ISDIR(real.stat().st_mode)
        except (OSError, ValueError) as error:
            why = getattr(error, "strerror", None) or "is not a path"
            raise UsageError(
                shown, f"cannot be opened ({why})", "Is the drive connected, and the name right?"
            ) from error
        if not self.holds(real):
            raise UsageError(
                shown,
                "lies outside the folders that this desk lists",
                "Copy the study into the home folder, or ask whoever set the desk up to add the "
                "drive: --root in its shortcut, or roots in desk.toml in the desk's folder.",
            )
        if not folder:
            raise UsageError(shown, "is a file", "Choose the folder that holds it.")
        return real

    def holds(self, path: Path) -> bool:
        """Whether the real path of ``path`` lies under the roots; links are resolved."""
        real = Path(os.path.realpath(path))
        return any(real == root or root in real.parents for root in self.roots)

    def pasted(self, text: str) -> Path:
        """The folder that a person's text names: a path, perhaps in quotes or from a file's link.

        Raises ``UsageError``.
        """
        from urllib.parse import unquote, urlsplit

        text = text.strip().strip("\"'").strip()
        if text.startswith("file:"):
            text = unquote(urlsplit(text).path)
        path = Path(text).expanduser()
        if not text or not path.is_absolute():
            raise UsageError(
                printable(text, 300) or "the path",
                "is not the whole path of a folder",
                "Copy it from the file manager, from the drive's name or the first '/' on.",
            )
        return self.inside(path)

    def listing(self, path: Path) -> Listing:
        """What lies in ``path``, a folder under the roots. Raises ``UsageError``."""
        budget = [_MOST_LOOKED_AT]
        way = [p for p in (path, *path.parents) if self.holds(p)]
        shown = printable(str(path), 300)
        with system_errors(UsageError, shown, "cannot be listed", "Ask its owner."):
            names = sorted(_folders_in(path), key=lambda one: one.name.casefold())
        return Listing(
            here=self._folder(path, budget),
            path=printable(str(path)),
            way=tuple((self.id_of(p), _name(p)) for p in reversed(way)),
            direct=any(_recordings(path, [_MOST_LOOKED_AT], deep=False)),
            folders=tuple(self._folder(one, budget) for one in names[:MOST_SHOWN]),
            left_out=max(0, len(names) - MOST_SHOWN),
        )

    def tops(self) -> tuple[Folder, ...]:
        """The roots."""
        return tuple(
            Folder(self.id_of(root), printable(str(root)), 0, 0, "", "", "") for root in self.roots
        )

    def _folder(self, path: Path, budget: list[int]) -> Folder:
        order, count, size, dates = order_of_folder(path), 0, 0, []
        for about in _recordings(path, budget):
            count += 1
            size += about.st_size
            dates.append(about.st_mtime)
        return Folder(
            self.id_of(path),
            _name(path),
            count,
            size,
            _day(min(dates)) if dates else "",
            _day(max(dates)) if dates else "",
            "" if order is None else printable(order.name),
            whole=budget[0] > 0,
        )


def _name(path: Path) -> str:
    return printable(os.fsencode(path.name or str(path)).decode("utf-8", "backslashreplace"), 120)


def _day(stamp: float) -> str:
    return datetime.fromtimestamp(stamp).astimezone().date().isoformat()


def _folders_in(path: Path) -> Iterator[Path]:
    with os.scandir(path) as entries:
        for entry in entries:
            if entry.name.startswith((".", "$")) or entry.is_symlink():
                continue
            if entry.is_dir(follow_symlinks=False):
                yield Path(entry.path)


def _recordings(top: Path, budget: list[int], *, deep: bool = True) -> Iterator[os.stat_result]:
    """The status of every file named as a recording under ``top`` while ``budget`` lasts.

    A folder that cannot be listed counts nothing here; the audit says so.
    """
    for parent, folders, names in os.walk(top):
        budget[0] -= len(folders) + len(names)
        if budget[0] <= 0:
            return
        folders[:] = folders if deep else []
        for name in filter(lambda name: name.lower().endswith(_SUFFIXES), names):
            with contextlib.suppress(OSError):
                about = (Path(parent) / name).lstat()
                if stat.S_ISREG(about.st_mode):
                    yield about
