"""The lab's memory: an SQLite file with every audit's key facts and every person's decision.

Append-only: triggers refuse to change or delete a row. WAL mode, so that a worklist can be read
while a batch writes. One row of ``audits`` holds the summary that the worklist and the trends are
made from, and the fingerprint by which ``--resume`` tells what changed; a row of ``decisions``
names the audit that the person saw.
"""

from __future__ import annotations

import contextlib
import json
import os
import sqlite3
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import msgspec
from msgspec import Struct

from auditor.core.errors import OutputError, UsageError
from auditor.core.files import make_private, touch_private
from auditor.model import PersonDecision, Review

FILE_NAME = "history.sqlite"
VERSION = 2

_REFUSED = "SELECT RAISE(ABORT, 'the history is append-only')"
_TABLES = (
    """
CREATE TABLE audits (
  id INTEGER PRIMARY KEY,
  study TEXT NOT NULL,
  audited_utc TEXT NOT NULL,
  fingerprint TEXT NOT NULL,
  inputs TEXT NOT NULL,
  summary TEXT NOT NULL
)""",
    """
CREATE TABLE decisions (
  id INTEGER PRIMARY KEY,
  study TEXT NOT NULL,
  audit INTEGER NOT NULL REFERENCES audits (id),
  outcome TEXT NOT NULL CHECK (outcome IN ('accept', 'accept-short', 'extend', 'repeat', 'void')),
  decided_by TEXT NOT NULL CHECK (length(decided_by) > 0),
  note TEXT NOT NULL,
  recorded_utc TEXT NOT NULL
)""",
    """
CREATE TABLE reviews (
  id INTEGER PRIMARY KEY,
  study TEXT NOT NULL,
  audit INTEGER NOT NULL REFERENCES audits (id),
  role TEXT NOT NULL CHECK (role IN ('technologist', 'coder')),
  reviewed_by TEXT NOT NULL CHECK (length(reviewed_by) > 0),
  note TEXT NOT NULL,
  recorded_utc TEXT NOT NULL
)""",
    *(
        statement
        for table in ("audits", "decisions", "reviews")
        for statement in (
            f"CREATE INDEX {table}_by_study ON {table} (study, id)",
            f"CREATE TRIGGER {table}_stay BEFORE UPDATE ON {table} BEGIN {_REFUSED}; END",
            f"CREATE TRIGGER {table}_are_kept BEFORE DELETE ON {table} BEGIN {_REFUSED}; END",
        )
    ),
)

_NUMBERS = ("outcome", "ordered_ns", "recorded_ns", "usable_ns", "short_ns")
"""What a decision rests on: where one of these changed, a person must look again."""

Summary = dict[str, Any]


class Known(Struct, frozen=True):
    """The latest audit of a study: when it was made, from what, and its summary.

    ``inputs`` is the snapshot of its files, ``fingerprint`` that of all else it depends on.
    """

    audited_utc: str
    fingerprint: str
    inputs: str
    summary: Summary


class History:
    """The history file of one worklist folder. Use as a context manager.

    Raises ``UsageError`` where there is none and ``create`` is false, ``OutputError`` where the
    file cannot be opened, read or written.
    """

    def __init__(self, folder: Path, *, create: bool) -> None:
        self._path = folder / FILE_NAME
        if not create and not os.path.isfile(self._path):  # noqa: PTH113  false for any odd name
            raise UsageError(
                str(folder), "holds no history", "Name the folder that 'auditor batch' wrote."
            )
        with self._told():
            if create:
                make_private(folder)
                touch_private(self._path)
            self._db = sqlite3.connect(self._path, timeout=30, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._db.execute("PRAGMA foreign_keys = ON")
            self._prepare()

    def _prepare(self) -> None:
        with self._transaction():
            (version,) = self._db.execute("PRAGMA user_version").fetchone()
            if version == 0:
                for statement in _TABLES:
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {VERSION}")
            elif version != VERSION:
                raise OutputError(
                    str(self._path),
                    f"is of version {version}, not {VERSION}",
                    "Use the auditor that wrote it, or another --out.",
                )

    @contextlib.contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except (sqlite3.Error, OSError) as error:
            raise OutputError(
                str(self._path),
                f"cannot be used ({error})",
                "Check the folder, its permissions and the space on the disk.",
            ) from error

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        with self._told():
            self._db.execute("BEGIN IMMEDIATE")
            try:
                yield
            except BaseException:
                self._db.execute("ROLLBACK")
                raise
            self._db.execute("COMMIT")

    def __enter__(self) -> History:
        return self

    def __exit__(self, *_: object) -> None:
        self._db.close()

    def fast(self) -> None:
        """Leave out the wait for the disk at each commit. A cut of power may then lose the last
        rows, never harm the file; ``--resume`` makes such audits anew.
        """
        self._db.execute("PRAGMA synchronous = NORMAL")

    def add_audit(
        self, study: str, audited_utc: str, fingerprint: str, inputs: str, summary: Summary
    ) -> None:
        """Append one audit's key facts."""
        with self._transaction():
            self._db.execute(
                "INSERT INTO audits (study, audited_utc, fingerprint, inputs, summary)"
                " VALUES (?, ?, ?, ?, ?)",
                (study, audited_utc, fingerprint, inputs, json.dumps(summary)),
            )

    def known(self, study: str) -> Known | None:
        """The latest audit of ``study``."""
        with self._told():
            row = self._db.execute(
                "SELECT audited_utc, fingerprint, inputs, summary FROM audits"
                " WHERE study = ? ORDER BY id DESC LIMIT 1",
                (study,),
            ).fetchone()
        return None if row is None else Known(row[0], row[1], row[2], msgspec.json.decode(row[3]))

    def audited(self) -> dict[str, str]:
        """Study -> when its latest audit was made."""
        with self._told():
            rows = self._db.execute(
                "SELECT study, audited_utc FROM audits"
                " WHERE id IN (SELECT max(id) FROM audits GROUP BY study)"
            )
            return dict(rows.fetchall())

    def latest(self) -> Iterator[tuple[str, Summary]]:
        """Each study with the summary of its latest audit, one at a time, sorted by study."""
        with self._told():
            for study, text in self._db.execute(
                "SELECT study, summary FROM audits"
                " WHERE id IN (SELECT max(id) FROM audits GROUP BY study) ORDER BY study"
            ):
                yield study, msgspec.json.decode(text)

    def add_decision(self, study: str, outcome: str, by: str, note: str, recorded_utc: str) -> bool:
        """Append a person's decision about the latest audit of ``study``.

        One that repeats the latest decision word for word is not recorded again (``False``): what
        failed after it was recorded may be tried anew. Raises ``UsageError`` for a study that is
        not known.
        """
        with self._transaction():
            audit = self._latest_audit(study)
            latest = self._db.execute(
                "SELECT audit, outcome, decided_by, note FROM decisions"
                " WHERE study = ? ORDER BY id DESC LIMIT 1",
                (study,),
            ).fetchone()
            if latest == (audit, outcome, by, note):
                return False
            self._db.execute(
                "INSERT INTO decisions (study, audit, outcome, decided_by, note, recorded_utc)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (study, audit, outcome, by, note, recorded_utc),
            )
        return True

    def add_review(self, study: str, role: str, by: str, note: str, recorded_utc: str) -> None:
        """Append that a person read the latest audit of ``study``. Raises as ``add_decision``."""
        with self._transaction():
            self._db.execute(
                "INSERT INTO reviews (study, audit, role, reviewed_by, note, recorded_utc)"
                " VALUES (?, ?, ?, ?, ?, ?)",
                (study, self._latest_audit(study), role, by, note, recorded_utc),
            )

    def _latest_audit(self, study: str) -> int:
        (audit,) = self._db.execute(
            "SELECT max(id) FROM audits WHERE study = ?", (study,)
        ).fetchone()
        if audit is None:
            raise UsageError(
                study, "is not a study of this history", "Copy its key from the worklist."
            )
        return int(audit)

    def reviews(self) -> dict[str, tuple[tuple[Review, bool], ...]]:
        """Study -> who read it, oldest first, each with whether it was the latest audit."""
        found: dict[str, list[tuple[Review, bool]]] = {}
        with self._told():
            for study, *values, latest in self._db.execute(
                "SELECT r.study, role, reviewed_by, note, recorded_utc,"
                " audit = (SELECT max(id) FROM audits a WHERE a.study = r.study)"
                " FROM reviews r ORDER BY r.id"
            ):
                found.setdefault(study, []).append((Review(*values), bool(latest)))
        return {study: tuple(rows) for study, rows in found.items()}

    def decisions(self) -> dict[str, tuple[PersonDecision, ...]]:
        """Study -> every decision recorded, oldest first.

        Each tells whether it was made on numbers like those of the study's latest audit.
        """
        found: dict[str, list[PersonDecision]] = {}
        with self._told():
            for study, then, now, what, by, note, when in self._db.execute(
                "SELECT d.study, t.summary, n.summary, outcome, decided_by, note, recorded_utc"
                " FROM decisions d JOIN audits t ON t.id = d.audit JOIN audits n ON n.id ="
                " (SELECT max(id) FROM audits a WHERE a.study = d.study) ORDER BY d.id"
            ):
                same = then == now or same_numbers(json.loads(then), json.loads(now))
                made = PersonDecision(what, by, note, when, made_on_this_audit=same)
                found.setdefault(study, []).append(made)
        return {study: tuple(rows) for study, rows in found.items()}


def same_numbers(one: Summary, other: Summary) -> bool:
    """Whether a decision made on ``one`` holds for ``other`` too."""
    return all(one.get(name) == other.get(name) for name in _NUMBERS)
