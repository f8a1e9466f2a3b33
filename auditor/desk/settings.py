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

from auditor.core.clock import zone_info
from auditor.core.errors import OutputError, SettingsError, system_errors
from auditor.core.files import make_private, read_written
from auditor.outputs.files import replace_file
from auditor.policy import Policy, load_policy, policy_of
from auditor.policy.toml import parse_toml, read_toml, toml_text

FILE = "desk.toml"
POLICY = "policy.toml"


class Settings:
    """Reads and writes the two files; read anew each time, so that a hand's change counts."""

    def __init__(self, folder: Path) -> None:
        self._folder = folder

    @property
    def file(self) -> Path:
        """``desk.toml``."""
        return self._folder / FILE

    @property
    def policy_file(self) -> Path:
        """``policy.toml``."""
        return self._folder / POLICY

    def _stored(self) -> dict[str, Any]:
        with contextlib.suppress(SettingsError):
            return read_toml(self.file).data
        return {}

    @property
    def orders(self) -> Path | None:
        """The lab's list of orders."""
        found = self._stored().get("orders")
        return Path(found) if isinstance(found, str) and found else None

    @property
    def timezone(self) -> str | None:
        """The lab's time zone, for orders that name none."""
        found = self._stored().get("timezone")
        with contextlib.suppress(SettingsError):
            if isinstance(found, str) and zone_info(found):
                return found
        return None

    @property
    def roots(self) -> tuple[Path, ...]:
        """Folders that may be listed besides the home folder; only by hand, read at the start."""
        found = self._stored().get("roots")
        named = map(Path, found) if isinstance(found, list) else ()
        return tuple(path for path in named if path.is_absolute() and path.is_dir())

    @property
    def watched(self) -> tuple[Path, ...]:
        """Folders in which studies arrive."""
        found = self._stored().get("watch")
        return tuple(map(Path, found)) if isinstance(found, list) else ()

    def save(self, orders: str, timezone: str, watched: list[str]) -> None:
        """Keep the desk's own settings. Raises ``SettingsError``, ``OutputError``."""
        if timezone:
            zone_info(timezone)
        data = {
            "roots": self._roots_by_hand(), "orders": orders, "timezone": timezone, "watch": watched
        }  # fmt: skip
        given = {key: value for key, value in data.items() if value}
        self._write(self.file, toml_text(given, "The desk's settings; its page writes them."))

    def _roots_by_hand(self) -> object:
        """``roots`` as they stand; a file that cannot be read now must not lose them."""
        with _read(self.file):
            if not self.file.is_file():
                return None
        raw = read_written(self.file)
        with contextlib.suppress(SettingsError):  # not TOML: it is written anew
            return parse_toml(raw, FILE).data.get("roots")
        return None

    def policy(self) -> Policy:
        """The policy in force. Raises ``SettingsError`` for a file that is none."""
        return load_policy(self.policy_file if self._has_policy() else None)

    def policy_tables(self) -> dict[str, Any]:
        """What the lab's policy file holds: only what differs. Raises ``SettingsError``."""
        return read_toml(self.policy_file).data if self._has_policy() else {}

    def _has_policy(self) -> bool:
        with _read(self.policy_file):
            return self.policy_file.is_file()

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
        self._write(self.policy_file, text)
        return load_policy(self.policy_file)

    def _write(self, path: Path, text: str) -> None:
        with _written(path):
            make_private(path.parent)
            replace_file(path, text)


def _read(path: Path) -> AbstractContextManager[None]:
    return system_errors(SettingsError, path, "cannot be read", "Check the folder and the disk.")


def _written(path: Path) -> AbstractContextManager[None]:
    return system_errors(
        OutputError, path, "cannot be written", "Check the folder and the disk's space."
    )
