"""The desk's folder: the worklist, the audits, the orders filled in here, and who has it.

Plain files that colleagues open from a share without the desk. It is a folder as ``auditor batch``
writes it, so a batch and the desk share one worklist. One desk at a time writes there; the lock is
one of the operating system and ends with the process, however that ends.
"""

from __future__ import annotations

import contextlib
import getpass
import json
import os
import platform
import secrets
import stat
import threading
from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from msgspec import Struct
from msgspec.structs import asdict

from auditor.batch.decide import bring_up_to_date, decide
from auditor.batch.find import find_studies
from auditor.batch.folder import AUDITS, held, slug_of, sweep
from auditor.batch.history import History
from auditor.batch.jobs import Job, Result, mark
from auditor.batch.worklist import listed, rows
from auditor.core.clock import now_utc
from auditor.core.errors import OutputError, SettingsError, UsageError, system_errors
from auditor.core.files import make_private
from auditor.core.text import printable
from auditor.desk.order_form import Tables, tables_in, taken
from auditor.inputs.order import order_of_folder, order_tables, read_order
from auditor.inputs.orders_list import read_orders
from auditor.model import Order, PersonDecision, Review, WorkRow
from auditor.outputs.files import replace_file

LOCK = "desk.lock"
HOLDER = "desk.json"
STUDIES = "desk-studies.json"
ORDERS = "orders"
_LARGEST_JSON = 64 << 20


class Holder(Struct, frozen=True):
    """Who has the folder: a name of a user and a machine, and since when."""

    user: str
    host: str
    since_utc: str


class KnownOrder(Struct, frozen=True):
    """The order of a study: its tables as a form shows them, and where it stands.

    ``place`` is 'desk' (kept in the desk's folder), 'beside' (in or beside the study's folder),
    'list' (the lab's list of orders) or '' where there is none. ``order`` is ``None`` where
    ``error`` says what is wrong with it.
    """

    tables: Tables
    place: str
    name: str = ""
    order: Order | None = None
    error: str = ""


class Decided(Struct, frozen=True):
    """Every decision about a study, oldest first, and who read it (review, latest audit)."""

    decisions: tuple[PersonDecision, ...] = ()
    reviews: tuple[tuple[Review, bool], ...] = ()

    def reviewed(self, role: str) -> Review | None:
        """Who read the latest audit in this role, last."""
        found = [review for review, latest in self.reviews if latest and review.role == role]
        return found[-1] if found else None


class Shelf:
    """Reads and writes the desk's folder. Used from many threads."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self._lock = threading.RLock()
        self._stack = contextlib.ExitStack()
        self._held = False

    def take(self) -> Holder | None:
        """Hold the folder until ``give_back``; or who has it. Raises ``OutputError``."""
        if not self._stack.enter_context(held(self.folder, name=LOCK)):
            self._stack.close()
            return self.holder()
        self._held = True
        self._write(HOLDER, asdict(Holder(_user(), platform.node(), now_utc())))
        with held(self.folder) as free:
            if free:
                sweep(self.folder)
        with self.history() as history:
            self._list(history, ())
        return None

    def give_back(self) -> None:
        """Let the folder go, where it is held."""
        if self._held:
            with contextlib.suppress(OSError):
                (self.folder / HOLDER).unlink(missing_ok=True)
            self._held = False
        self._stack.close()

    def holder(self) -> Holder:
        """Who says to have the folder."""
        found = self._read(HOLDER)
        texts = [printable(str(found.get(key) or "not known"), 80)
                 for key in ("user", "host", "since_utc")]  # fmt: skip
        return Holder(*texts)

    def history(self) -> History:
        """The history of the folder; use as a context manager."""
        return History(self.folder, create=True)

    def version(self) -> str:
        """Changes whenever the history does, whoever wrote it."""
        stamps = []
        for name in ("history.sqlite", "history.sqlite-wal"):
            with contextlib.suppress(OSError):
                about = (self.folder / name).stat()
                stamps.append(f"{about.st_mtime_ns}-{about.st_size}")
        return ".".join(stamps)

    # -- studies and their folders -------------------------------------------------------------

    def studies(self) -> dict[str, Path]:
        """Study -> its folder, for those that this desk audited."""
        return _folders(self._read(STUDIES))

    def study_of(self, folder: Path) -> str:
        """What the study in ``folder`` is called: the folder's name, with those above it where
        another study of the worklist has that name. Changes nothing."""
        known = self.studies()
        for study, path in known.items():
            if path == folder:
                return study
        parts = [os.fsencode(p).decode("utf-8", "backslashreplace") for p in folder.parts[1:]]
        with self.history() as history:
            taken_names = history.audited().keys() | known.keys()
        for depth in range(1, len(parts) + 1):
            name = "/".join(parts[-depth:])
            if name not in taken_names:
                return name
        return f"{'/'.join(parts)} ({secrets.token_hex(3)})"

    def remember(self, study: str, folder: Path) -> None:
        """Keep where a study lies. Raises ``OutputError``."""
        with self._lock, self._told():
            # Strictly: what cannot be read now must not be written over.
            known = {**_folders(self._stored(STUDIES)), study: folder}
            paths = {name: os.fsencode(path).hex() for name, path in known.items()}
            self._write(STUDIES, {"studies": paths})

    # -- orders --------------------------------------------------------------------------------

    def order(self, study: str, folder: Path, orders: Path | None, zone: str | None) -> KnownOrder:
        """The order of a study: kept here, beside it, or in the lab's list. Raises nothing."""
        place, path, order = "desk", self._kept(study), None
        tables: Tables = {}
        try:
            if not path.is_file():
                beside = order_of_folder(folder)
                found = beside or orders
                if found is None:
                    return KnownOrder({}, "")
                place, path = "beside" if beside else "list", found
            if place != "list" and path.suffix == ".toml":
                with contextlib.suppress(SettingsError):
                    tables = tables_in(path)
            if place == "desk":
                order = taken(path.read_text(encoding="utf-8"), folder, "order.toml").order
            elif place == "beside":
                order = read_order(path, timezone=zone)
            else:
                order = _listed(path, study, folder)
        except (SettingsError, UsageError, OSError, ValueError) as error:
            why = f"cannot be read ({error.strerror})" if isinstance(error, OSError) else str(error)
            return KnownOrder(tables, place, path.name, error=why)
        if order is None:
            return KnownOrder({}, "")
        name = "order.toml" if place == "desk" else path.name
        return KnownOrder(tables or order_tables(order), place, name, order)

    def keep_order(self, study: str, text: str) -> None:
        """Keep a study's order in the desk's folder. Raises ``OutputError``."""
        path = self._kept(study)
        with self._told():
            make_private(path.parent)
            replace_file(path, text)

    def write_beside(self, study: str, folder: Path, text: str, *, replace: bool) -> None:
        """Write ``order.toml`` into the study's folder, as the person asked; nothing else.

        Raises ``UsageError`` where one lies there and is not to be replaced, ``OutputError``.
        """
        name, problem = "order.toml", "cannot be written beside the study"
        action = "Leave that box empty: the order is then kept in the desk's folder."
        with system_errors(OutputError, name, problem, action):
            try:
                replace_file(folder / name, text, mode=0o644, fresh=not replace)
            except FileExistsError:
                action = "Tick 'replace it', or keep the order here."
                raise UsageError(name, "lies there already", action) from None
        problem = "is written, but the order kept in the desk's folder still counts"
        action = "Check that folder, then save again with 'replace it' ticked."
        with system_errors(OutputError, name, problem, action):
            self._kept(study).unlink(missing_ok=True)

    def _kept(self, study: str) -> Path:
        return self.folder / ORDERS / f"{slug_of(study)}.toml"

    # -- audits and decisions ------------------------------------------------------------------

    def audit_folder(self, study: str) -> Path:
        """Where a study's audit lies."""
        return self.folder / AUDITS / slug_of(study)

    def document(self, study: str) -> dict[str, Any] | None:
        """``audit.json`` of a study, or ``None`` without one. Raises ``OutputError``."""
        path = self.audit_folder(study) / "audit.json"
        try:
            if path.stat().st_size > _LARGEST_JSON:
                raise OutputError(str(path), "is larger than any audit", "Audit the study again.")
            found = json.loads(path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return None
        except (OSError, ValueError) as error:
            raise OutputError(str(path), "cannot be read", "Audit the study again.") from error
        return found if isinstance(found, dict) else None

    def finish(self, job: Job, result: Result) -> None:
        """Take an audit that was made into the history and the worklist.

        A study that could not be audited gets a row that says so, but never in the place of an
        audit that was made before. Raises ``UsageError`` with what was wrong, ``OutputError``.
        """
        error = result.summary["error"]
        with self._lock, self.history() as history:
            before = history.known(job.study)
            if error is None or before is None or before.summary["error"] is not None:
                history.add_audit(
                    job.study, now_utc(), mark(job, result), result.inputs, result.summary
                )
                self._list(history, (job.study,))
        if error is not None:
            raise UsageError("", error)

    def _list(self, history: History, studies: tuple[str, ...]) -> None:
        """Bring the worklist's files up to the history, with ``studies`` in it."""
        if bring_up_to_date(history, studies, self.folder):
            self._open_to_colleagues(studies)

    def _open_to_colleagues(self, studies: tuple[str, ...]) -> None:
        """Let worklist and audits be read by whom the desk's folder itself lets in.

        Outputs are for their owner alone. A folder that the person opened to a group or to all (on
        a share) says otherwise for what it is shared for; the history and the orders stay closed.
        """
        with contextlib.suppress(OSError):  # best effort: what it cannot open stays closed
            shared = stat.S_IMODE(self.folder.stat().st_mode) & 0o055
            if not shared or os.name == "nt":
                return
            folders = [self.folder / AUDITS, *(self.audit_folder(study) for study in studies)]
            files = [self.folder / name for name in (HOLDER, "index.html", "worklist.csv",
                                                     "worklist.json")]  # fmt: skip
            files += [path for folder in folders[1:] for path in folder.glob("*")]
            for paths, mode in ((folders, 0o700 | shared), (files, 0o600 | shared & 0o044)):
                for path in paths:
                    with contextlib.suppress(OSError):
                        if not path.is_symlink():
                            path.chmod(mode)

    def worklist(self) -> tuple[WorkRow, ...]:
        """The rows of the worklist, those to act on first."""
        with self.history() as history:
            return rows(history, listed(self.folder, history)[0])

    def audited(self) -> dict[str, str]:
        """Study -> when its latest audit was made."""
        with self.history() as history:
            return history.audited()

    def decided(self) -> dict[str, Decided]:
        """Study -> what people said of it."""
        with self.history() as history:
            decisions, reviews = history.decisions(), history.reviews()
        return {
            study: Decided(decisions.get(study, ()), reviews.get(study, ()))
            for study in decisions.keys() | reviews.keys()
        }

    def decide(self, study: str, outcome: str, by: str, note: str) -> None:
        """Record a person's decision. Raises ``UsageError``, ``OutputError``."""
        with self._lock:
            decide(self.folder, study, outcome, by, note)
            self._open_to_colleagues((study,))

    # -- plain files ---------------------------------------------------------------------------

    def _read(self, name: str) -> dict[str, Any]:
        with contextlib.suppress(OSError):
            return self._stored(name)
        return {}

    def _stored(self, name: str) -> dict[str, Any]:
        with contextlib.suppress(FileNotFoundError, ValueError):
            found = json.loads((self.folder / name).read_text(encoding="utf-8"))
            if isinstance(found, dict):
                return found
        return {}

    def _write(self, name: str, data: Mapping[str, Any]) -> None:
        with self._told():
            replace_file(self.folder / name, json.dumps(data, indent=1, ensure_ascii=False) + "\n")

    def _told(self) -> AbstractContextManager[None]:
        action = "Check the folder, its permissions and the space on the disk."
        return system_errors(OutputError, self.folder, "cannot be written", action)


def _listed(orders: Path, study: str, folder: Path) -> Order | None:
    """By the row of the lab's list that names the study or its folder; logs lie in the folder."""
    rows, _ = read_orders(orders)
    row = rows.get(study) or rows.get(folder.name)
    if row is None:
        return None
    days = [day for part in find_studies(folder) for day in part.days]
    return row.read(folder, orders.name, days)


def _folders(stored: Mapping[str, Any]) -> dict[str, Path]:
    found = stored.get("studies", {})
    if not isinstance(found, dict):
        return {}
    return {str(k): Path(os.fsdecode(bytes.fromhex(str(v)))) for k, v in found.items()}


def _user() -> str:
    try:
        return getpass.getuser()
    except (OSError, KeyError, ImportError):
        return "not known"
