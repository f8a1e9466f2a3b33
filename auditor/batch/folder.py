"""The folder that a batch writes: who holds it, what a killed run left there, and its names."""

from __future__ import annotations

import contextlib
import hashlib
import hmac
import secrets
import sqlite3
from collections.abc import Iterator
from pathlib import Path

from auditor.batch.history import FILE_NAME
from auditor.core.errors import OutputError, UsageError, system_errors
from auditor.core.files import make_private, touch_private
from auditor.core.text import path_part
from auditor.outputs.files import replace_file, sweep_together
from auditor.outputs.files import sweep as sweep_folders

AUDITS = "audits"
LOCK = "batch.lock"
KEY = "redact.key"
_KEY_BYTES = 32
_NAMES = (AUDITS, "audit.json", "audit.html", "index.html", "worklist.csv", "worklist.json",
          "trends.html", "trends.csv", KEY)  # fmt: skip
"""What a batch writes beside its history, and what says that a folder is a single audit."""


@contextlib.contextmanager
def held(out: Path, *, wait_s: float = 0, name: str = LOCK) -> Iterator[bool]:
    """Hold ``out`` against other batches; ``False`` where one is at work there.

    ``name`` is the lock's: a desk holds one of its own beside that of the batches. It
    is one of the operating system on an empty SQLite file, so it ends with the process,
    however that ends. Raises ``OutputError`` where the folder cannot be written.
    """
    path = out / name
    try:
        make_private(out)
        touch_private(path)
        lock = sqlite3.connect(path, timeout=wait_s, isolation_level=None)
    except (OSError, sqlite3.Error) as error:
        raise OutputError(
            str(out), f"cannot be written ({error})", "Check the folder and its permissions."
        ) from error
    try:
        try:
            lock.execute("BEGIN EXCLUSIVE")
        except sqlite3.OperationalError:
            yield False
            return
        yield True
    finally:
        lock.close()


def check_own(out: Path) -> None:
    """Raise ``OutputError`` where ``out`` holds what a batch would overwrite and did not write."""
    if is_there(out / FILE_NAME):
        return
    taken = [name for name in _NAMES if is_there(out / name) or (out / name).is_symlink()]
    if taken:
        raise OutputError(
            str(out),
            f"holds {taken[0]}, not written by a batch",
            "Give another --out, or move it away: nothing of others is touched.",
        )


def sweep(out: Path) -> None:
    """Put right what a dead run left unfinished among its outputs. Only while ``held``."""
    sweep_together(out)
    sweep_folders(out / AUDITS)


class Names:
    """What studies and their files are called in a batch's outputs.

    As they are; or, redacted, by a keyed hash of their names (HMAC, RFC 2104), the same in every
    run. The key lies in ``redact.key``: who has an id but not the key cannot try names out.

    Raises ``UsageError`` where the folder's history holds the other kind of names.
    """

    def __init__(self, out: Path, *, redacted: bool) -> None:
        path, kept = out / KEY, is_there(out / KEY)
        if is_there(out / FILE_NAME) and kept != redacted:
            held_names = "no names" if kept else "the names of studies"
            raise UsageError(
                str(out),
                f"holds the history of batches with {held_names}",
                f"{'Leave out' if redacted else 'Give'} --redact, or give another --out.",
            )
        self.key = _secret(path) if redacted else None

    def study(self, key: str) -> str:
        """The id of the study ``key``."""
        return key if self.key is None else f"study-{self._hash(key, 12)}"

    def person(self, name: str) -> str:
        """What a person of the lab is called in the history."""
        return name if self.key is None else f"person-{self._hash(name.casefold(), 8)}"

    def note(self, text: str) -> str:
        """A person's note; withheld from a redacted history."""
        return text if self.key is None or not text else "[text withheld]"

    def inputs(self, snapshot: str) -> str:
        """A snapshot of files as the history holds it."""
        return snapshot if self.key is None else self._hash(snapshot, 64)

    def _hash(self, text: str, digits: int) -> str:
        assert self.key is not None
        return hmac.new(self.key, text.encode(), hashlib.sha256).hexdigest()[:digits]


def slug_of(study: str) -> str:
    """A folder name for the audit of ``study``, unique by a piece of its hash where it must be."""
    plain = path_part(study.replace("/", "_"))
    if plain == study:
        return plain
    return f"{plain}-{hashlib.sha256(study.encode()).hexdigest()[:10]}"


def is_there(path: Path) -> bool:
    """Whether something is there. Raises ``OutputError`` where the disk does not say."""
    with system_errors(OutputError, path, "cannot be used", "Check it."):
        return path.exists()


def _secret(path: Path) -> bytes:
    with system_errors(OutputError, path, "cannot be used", "Check it."):
        if not path.exists():
            replace_file(path, secrets.token_bytes(_KEY_BYTES))
        secret = path.read_bytes()
    if len(secret) != _KEY_BYTES:
        raise OutputError(str(path), "is not the key that was written", "Give another --out.")
    return secret
