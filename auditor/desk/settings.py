"""The lab's settings of the desk: its list of orders, its zone, watched folders, its policy.

They lie in the desk's folder as two files that a person can read, ``desk.toml`` and
``policy.toml``.
"""

from __future__ import annotations

import contextlib
from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Any

from msgspec import Struct, ValidationError, convert
from msgspec.structs import asdict

from auditor.core.clock import zone_info
from auditor.core.errors import OutputError, SettingsError, system_errors
from auditor.core.files import make_private
from auditor.outputs.files import replace_file
from auditor.policy import Policy, load_policy, policy_of
from auditor.policy.toml import read_toml, toml_text

POLICY = "policy.toml"


class _Own(Struct, frozen=True):
    """What ``desk.toml`` holds; ``roots`` only by hand."""

    roots: tuple[str, ...] = ()
    orders: str = ""
    timezone: str = ""
    watch: tuple[str, ...] = ()


class Settings:
    """Reads and writes the two files; read anew each time, so that a hand's change counts."""

    def __init__(self, folder: Path) -> None:
        self.file = folder / "desk.toml"
        self.policy_file = folder / POLICY

    def _own(self) -> _Own:
        with contextlib.suppress(SettingsError, ValidationError):
            return convert(_tables(self.file), _Own)
        return _Own()

    @property
    def orders(self) -> Path | None:
        """The lab's list of orders."""
        found = self._own().orders
        return Path(found) if found else None

    @property
    def timezone(self) -> str | None:
        """The lab's time zone, for orders that name none."""
        found = self._own().timezone
        with contextlib.suppress(SettingsError):
            if found and zone_info(found):
                return found
        return None

    @property
    def roots(self) -> tuple[Path, ...]:
        """Folders that may be listed besides the home folder; only by hand, read at the start."""
        named = map(Path, self._own().roots)
        return tuple(path for path in named if path.is_absolute() and path.is_dir())

    @property
    def watched(self) -> tuple[Path, ...]:
        """Folders in which studies arrive."""
        return tuple(map(Path, self._own().watch))

    def save(self, orders: str, timezone: str, watched: list[str]) -> None:
        """Keep the desk's own settings. Raises ``SettingsError``, ``OutputError``.

        What a hand wrote stays: a file that cannot be read is not written over.
        """
        if timezone:
            zone_info(timezone)
        roots = _tables(self.file).get("roots", ())
        own = _Own(roots, orders, timezone, tuple(watched))
        given = {key: value for key, value in asdict(own).items() if value}
        _write(self.file, toml_text(given, "The desk's settings; its page writes them."))

    def policy(self) -> Policy:
        """The policy in force. Raises ``SettingsError`` for a file that is none."""
        return load_policy(self.policy_file if _is_there(self.policy_file) else None)

    def policy_tables(self) -> dict[str, Any]:
        """What the lab's policy file holds: only what differs. Raises ``SettingsError``."""
        return _tables(self.policy_file)

    def save_policy(self, tables: Mapping[str, Any]) -> Policy:
        """Keep the lab's policy, checked first; without tables the default is in force again.

        Raises ``SettingsError``, ``OutputError``.
        """
        if not tables:
            with _written(self.policy_file):
                self.policy_file.unlink(missing_ok=True)
            return load_policy(None)
        text = toml_text(tables, "What the lab's policy changes; the desk's page writes it.")
        policy_of(text, POLICY)
        _write(self.policy_file, text)
        return load_policy(self.policy_file)


def _is_there(path: Path) -> bool:
    """Raises ``SettingsError`` where the system does not say."""
    with system_errors(SettingsError, path, "cannot be read", "Check the folder and the disk."):
        return path.is_file()


def _tables(path: Path) -> dict[str, Any]:
    """What a file holds, nothing where it is not there. Raises ``SettingsError``."""
    return read_toml(path).data if _is_there(path) else {}


def _write(path: Path, text: str) -> None:
    with _written(path):
        make_private(path.parent)
        replace_file(path, text)


def _written(path: Path) -> AbstractContextManager[None]:
    return system_errors(
        OutputError, path, "cannot be written", "Check the folder and the disk's space."
    )
