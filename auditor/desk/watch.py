"""Watched folders: a study that arrived and lies still is audited by itself.

A copy from a card grows for minutes, and files keep their old times when they are copied; so what
counts is that this desk saw nothing change for the policy's quiet time.
"""

from __future__ import annotations

import contextlib
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

from auditor.batch.find import find_studies
from auditor.batch.jobs import snapshot
from auditor.core.errors import AuditorError, SettingsError
from auditor.core.units import NS
from auditor.desk.service import Desk, Waiting

_EACH_S = 20.0
"""How often the watched folders are looked at, and at least twice in the quiet time."""


@dataclass(slots=True)
class _Seen:
    """A study's folder: a snapshot, since when it is so, and that of when it was audited."""

    files: str
    since: float
    taken: str | None = None


class Watch:
    """Looks at the watched folders in a thread of its own."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk
        self._seen: dict[Path, _Seen] = {}
        self._thread = threading.Thread(target=self._work, name="desk-watch", daemon=True)

    def start(self) -> None:
        """Begin; it ends with the desk."""
        self._thread.start()

    def _work(self) -> None:
        while not self._desk.ended.wait(self._each()):
            with contextlib.suppress(AuditorError):  # a full disk: the next look tries again
                self.look()

    def _each(self) -> float:
        with contextlib.suppress(SettingsError):
            return min(_EACH_S, self._desk.settings.policy().desk.quiet_ns / NS / 2)
        return _EACH_S

    def look(self, now: Callable[[], float] = time.monotonic) -> None:
        """Look once: audit what lies still and has an order, list what waits."""
        waiting: list[Waiting] = []
        for root in self._desk.watched_now():
            waiting += self._look_at(root, now())
        self._desk.waiting = tuple(waiting)

    def _look_at(self, root: Path, now: float) -> Sequence[Waiting]:
        desk = self._desk
        try:
            quiet_s = desk.settings.policy().desk.quiet_ns / NS
            found = find_studies(root, exclude=desk.shelf.folder)
        except (OSError, AuditorError) as error:
            why = getattr(error, "strerror", None) or str(error)
            return [Waiting("", "", root.name, f"cannot be looked at ({why})", False)]
        waiting = []
        for study in found:
            if study.files:
                continue  # recordings that lie loose between other studies' folders
            folder = study.folder
            files = snapshot([str(folder)])
            seen = self._seen.get(folder)
            if seen is None or seen.files != files:
                taken = None if seen is None else seen.taken
                seen = self._seen[folder] = _Seen(files, now, taken)
            name = desk.shelf.study_of(folder)
            if seen.taken == files or (seen.taken is None and desk.audited(name, folder)):
                seen.taken = files
                continue
            left = quiet_s - (now - seen.since)
            if left > 0:
                words = f"arriving: nothing must change for {int(left) // 60 + 1} min more"
                waiting.append(Waiting(desk.places.id_of(folder), name, root.name, words, False))
                continue
            waiting += self._take(name, folder, seen, root.name)
        return waiting

    def _take(self, name: str, folder: Path, seen: _Seen, root: str) -> Sequence[Waiting]:
        desk = self._desk
        known = desk.order(name, folder)
        if known.order is None:
            words = f"order wanted: {known.error}" if known.error else "order wanted"
            return [Waiting(desk.places.id_of(folder), name, root, words, True)]
        try:
            desk.start(name, folder, known.order)
        except AuditorError as error:
            return [Waiting(desk.places.id_of(folder), name, root, str(error), True)]
        seen.taken = seen.files
        return []
