"""What the desk's pages have in common: the folder, the queue, the roots, the settings."""

from __future__ import annotations

import os
import threading
import time
from collections.abc import Sequence
from functools import lru_cache
from pathlib import Path

from msgspec import Struct

from auditor.batch.command import goes_on
from auditor.batch.folder import slug_of
from auditor.batch.jobs import Job, snapshot
from auditor.core.clock import now_utc
from auditor.core.errors import AuditorError, SettingsError, UsageError
from auditor.desk.folders import Places
from auditor.desk.intake import Look, Looker
from auditor.desk.runs import Run, Runs
from auditor.desk.settings import Settings
from auditor.desk.shelf import KnownOrder, Shelf
from auditor.model import Order
from auditor.pipeline import Options

_LOOKS_KEPT = 8


class Waiting(Struct, frozen=True):
    """A study of a watched folder that is not audited yet, and why. ``id`` names its folder.

    ``wanted`` says that a person must do something: give its order.
    """

    id: str
    name: str
    root: str
    why: str
    wanted: bool


class Desk:
    """One running desk. Used from many threads."""

    def __init__(self, folder: Path, roots: Sequence[Path], watched: Sequence[Path] = ()) -> None:
        self.shelf = Shelf(folder)
        self.settings = Settings(folder)
        self.places = Places([*roots, *watched])
        self.watched = tuple(watched)
        self.waiting: tuple[Waiting, ...] = ()
        """Studies of watched folders that are not audited yet, as the watch found them last."""
        self.runs = Runs(folder, self.shelf.finish)
        self.looker = Looker()
        self.ended = threading.Event()
        self.last_by = ""
        """The name that was last given with a decision, filled in at the next."""
        self._asked = time.monotonic()
        self._look = lru_cache(_LOOKS_KEPT)(lambda folder, files: self.looker.look(folder))

    def asked(self) -> None:
        """A person asked for a page."""
        self._asked = time.monotonic()

    def quiet_s(self) -> float:
        """Seconds since a person last asked for a page."""
        return time.monotonic() - self._asked

    def close(self) -> None:
        """End what runs and let the folder go."""
        self.runs.close()
        self.looker.close()
        self.shelf.give_back()

    def watched_now(self) -> tuple[Path, ...]:
        """The folders that are watched: those given at the start and those of the settings."""
        named = [p for p in self.settings.watched if self.places.holds(p)]
        return tuple(dict.fromkeys((*self.watched, *named)))

    def audited(self, study: str, folder: Path) -> bool:
        """Whether the study has an audit of the files as they are now; a refusal is none."""
        if self.shelf.studies().get(study) != folder:
            return False
        with self.shelf.history() as history:
            known = history.known(study)
        if known is None or known.summary["error"] is not None:
            return False
        return known.inputs == snapshot([str(folder)])

    def look(self, folder: Path) -> Look:
        """The first look at a folder, kept while nothing in it changes. Raises ``AuditorError``."""
        return self._look(folder, snapshot([str(folder)]))

    def order(self, study: str, folder: Path) -> KnownOrder:
        """The order of a study, wherever it stands."""
        return self.shelf.order(study, folder, self.settings.orders, self.settings.timezone)

    def start(self, study: str, folder: Path, order: Order | None) -> Run:
        """Put a study's audit into the queue.

        Raises ``UsageError`` where the study would make it read outside the folders that the desk
        lists, ``SettingsError`` for the lab's policy, ``OutputError``.
        """
        self._stay_inside(folder, order)
        policy = self.settings.policy()
        zone = None if order is not None and order.timezone else self.settings.timezone
        with self.shelf.history() as history:
            decisions = history.decisions().get(study, ())
            before = history.known(study) if goes_on(order) else None
        job = Job(
            study=study,
            slug=slug_of(study),
            paths=(str(folder),),
            order=order,
            policy=policy,
            options=Options(timezone=zone, generated_utc=now_utc()),
            redact=None,
            decisions=decisions,
            before=before,
        )
        self.shelf.remember(study, folder)
        return self.runs.add(job)

    def folder_of(self, study: str) -> Path:
        """The folder that a study was audited from. Raises ``UsageError``."""
        folder = self.shelf.studies().get(study)
        if folder is None:
            raise UsageError(
                "this study", "was not audited from this desk", "Choose its folder under 'Studies'."
            )
        return self.places.inside(folder)

    def start_again(self, study: str) -> Run:
        """Audit a study again by the order that is known for it. Raises ``AuditorError``."""
        folder = self.folder_of(study)
        known = self.order(study, folder)
        if known.error:
            raise SettingsError("", known.error)
        return self.start(study, folder, known.order)

    def _stay_inside(self, folder: Path, order: Order | None) -> None:
        logs = [] if order is None else [order.monitoring_log, order.video_log]
        for path in (*(Path(log) for log in logs if log is not None), *links_in(folder)):
            if not self.places.holds(path):
                problem = "leads out of the folders that this desk lists"
                action = "Copy the file itself into the study's folder; choose a log in the order."
                raise UsageError(path.name, problem, action)


def links_in(folder: Path) -> list[Path]:
    """Every link below ``folder``; folders that are links are not looked into."""
    below = (Path(parent) / name for parent, _, names in os.walk(folder) for name in names)
    return [path for path in below if path.is_symlink()]


def told(error: AuditorError) -> str:
    """An error's sentence, without a colon where no place is named."""
    text = str(error)
    return text[:1].upper() + text[1:]
