"""The lab's memory: an SQLite file with every audit's key facts and every person's decision.

Append-only: triggers refuse to change or delete a row. WAL mode, so that a worklist can be read
while a batch writes. One row of ``audits`` holds the summary that the worklist and the trends are
made from, and the fingerprint by which ``--resume`` tells what changed.
"""

from __future__ import annotations

import contextlib
import json
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from auditor.errors import OutputError, UsageError
from auditor.model import PersonDecision

FILE_NAME = "history.sqlite"
VERSION = 1

_TABLES = """
CREATE TABLE audits (
  id INTEGER PRIMARY KEY,
  study TEXT NOT NULL,
  audited_utc TEXT NOT NULL,
  fingerprint TEXT NOT NULL,
  inputs TEXT NOT NULL,
  summary TEXT NOT NULL
);
CREATE INDEX audits_by_study ON audits (study, id);
CREATE TABLE decisions (
  id INTEGER PRIMARY KEY,
  study TEXT NOT NULL,
  outcome TEXT NOT NULL CHECK (outcome IN ('complete', 'review', 'repeat')),
  decided_by TEXT NOT NULL CHECK (length(decided_by) > 0),
  note TEXT NOT NULL,
  recorded_utc TEXT NOT NULL
);
CREATE INDEX decisions_by_study ON decisions (study, id);
CREATE TRIGGER audits_stay BEFORE UPDATE ON audits BEGIN
  SELECT RAISE(ABORT, 'the history is append-only'); END;
CREATE TRIGGER audits_are_kept BEFORE DELETE ON audits BEGIN
  SELECT RAISE(ABORT, 'the history is append-only'); END;
CREATE TRIGGER decisions_stay BEFORE UPDATE ON decisions BEGIN
  SELECT RAISE(ABORT, 'the history is append-only'); END;
CREATE TRIGGER decisions_are_kept BEFORE DELETE ON decisions BEGIN
  SELECT RAISE(ABORT, 'the history is append-only'); END;
"""

Summary = dict[str, Any]


@dataclass(frozen=True, slots=True)
class Known:
    """The latest audit of a study: what it was made from, and its summary."""

    fingerprint: str
    inputs: list[Any]
    summary: Summary


class History:
    """The history file of one worklist folder. Use as a context manager."""

    def __init__(self, folder: Path, *, create: bool) -> None:
        path = folder / FILE_NAME
        if not create and not path.is_file():
            raise UsageError(
                str(folder), "holds no history", "Name the folder that 'auditor batch' wrote."
            )
        try:
            folder.mkdir(parents=True, exist_ok=True, mode=0o700)
            if create and not path.exists():
                path.touch(mode=0o600)
            self._db = sqlite3.connect(path, timeout=30, isolation_level=None)
            self._db.execute("PRAGMA journal_mode = WAL")
            self._prepare(path)
        except (sqlite3.Error, OSError) as error:
            raise OutputError(
                str(path), f"cannot be opened ({error})", "Check the folder."
            ) from error

    def _prepare(self, path: Path) -> None:
        with self._transaction():
            (version,) = self._db.execute("PRAGMA user_version").fetchone()
            if version == 0:
                for statement in _statements(_TABLES):
                    self._db.execute(statement)
                self._db.execute(f"PRAGMA user_version = {VERSION}")
            elif version != VERSION:
                raise OutputError(str(path), f"is of version {version}, not {VERSION}", "")

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
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

    def add_audit(
        self, study: str, audited_utc: str, fingerprint: str, inputs: list[Any], summary: Summary
    ) -> None:
        """Append one audit's key facts."""
        with self._transaction():
            self._db.execute(
                "INSERT INTO audits (study, audited_utc, fingerprint, inputs, summary)"
                " VALUES (?, ?, ?, ?, ?)",
                (study, audited_utc, fingerprint, json.dumps(inputs), json.dumps(summary)),
            )

    def latest(self) -> dict[str, Known]:
        """Study -> its latest audit."""
        rows = self._db.execute(
            "SELECT study, fingerprint, inputs, summary FROM audits"
            " WHERE id IN (SELECT max(id) FROM audits GROUP BY study)"
        )
        return {r[0]: Known(r[1], json.loads(r[2]), json.loads(r[3])) for r in rows}

    def add_decision(self, study: str, outcome: str, by: str, note: str, recorded_utc: str) -> None:
        """Append a person's decision. Raises ``UsageError`` for a study that is not known."""
        known = self._db.execute(
            "SELECT 1 FROM audits WHERE study = ? LIMIT 1", (study,)
        ).fetchone()
        if known is None:
            raise UsageError(
                study, "is not a study of this history", "Copy its key from the worklist."
            )
        with self._transaction():
            self._db.execute(
                "INSERT INTO decisions (study, outcome, decided_by, note, recorded_utc)"
                " VALUES (?, ?, ?, ?, ?)",
                (study, outcome, by, note, recorded_utc),
            )

    def decisions(self) -> dict[str, tuple[PersonDecision, ...]]:
        """Study -> every decision recorded, oldest first."""
        found: dict[str, list[PersonDecision]] = {}
        for study, *values in self._db.execute(
            "SELECT study, outcome, decided_by, note, recorded_utc FROM decisions ORDER BY id"
        ):
            found.setdefault(study, []).append(PersonDecision(*values))
        return {study: tuple(rows) for study, rows in found.items()}


def _statements(script: str) -> Iterator[str]:
    """The statements of ``script``; a trigger's body is one with its trigger."""
    statement = ""
    for line in script.splitlines():
        statement += line + "\n"
        if sqlite3.complete_statement(statement):
            yield statement
            statement = ""
