"""Files opened without surprises (regular ones only, never waiting, never more than a limit), and
folders and files made for their owner alone."""

from __future__ import annotations

import os
import stat
from pathlib import Path

from auditor.core.errors import SettingsError

MOST_BYTES = 64 << 20
"""A file larger than this was not written by a person."""


class NotRegularError(Exception):
    """A folder, device, socket or pipe where a file was expected."""

    def __init__(self, is_folder: bool) -> None:
        super().__init__()
        self.is_folder = is_folder


def open_regular(path: Path) -> tuple[int, os.stat_result]:
    """A read-only descriptor of a regular file, and its status.

    A device, socket or pipe is not opened, and should one take the file's place meanwhile, the
    open does not wait for it (O_NONBLOCK). The access time is left alone where that is allowed (to
    the file's owner): nothing of an input is altered then, and each positioned read is a tenth
    faster by measurement. Raises ``NotRegularError``, ``OSError``, and ``ValueError`` for a name
    that holds a null byte.
    """
    mode = path.stat().st_mode
    if not stat.S_ISREG(mode):
        raise NotRegularError(stat.S_ISDIR(mode))
    flags = os.O_RDONLY | getattr(os, "O_NONBLOCK", 0) | getattr(os, "O_BINARY", 0)
    try:
        handle = os.open(path, flags | getattr(os, "O_NOATIME", 0))
    except PermissionError:
        handle = os.open(path, flags)
    try:
        status = os.fstat(handle)
        if not stat.S_ISREG(status.st_mode):
            raise NotRegularError(False)
    except BaseException:
        os.close(handle)
        raise
    return handle, status


def read_written(path: Path, where: str = "", *, most: int = MOST_BYTES) -> bytes:
    """The bytes of a file that a person keeps: an order, a policy, a log, a list.

    Raises ``SettingsError`` naming ``where`` (the path by default) for what is no regular file,
    cannot be opened, or is larger than ``most`` bytes.
    """
    where = where or str(path)
    try:
        with os.fdopen(open_regular(path)[0], "rb") as file:
            raw = file.read(most + 1)
    except NotRegularError as error:
        kind = "a folder" if error.is_folder else "a device or a pipe"
        raise SettingsError(where, f"is {kind}, no file", "Name the file itself.") from None
    except (OSError, ValueError) as error:  # ValueError: a name that holds a null byte
        why = getattr(error, "strerror", None) or "no such name is possible"
        raise SettingsError(
            where, f"cannot be read ({why})", "Check its name and its permissions."
        ) from error
    if len(raw) > most:
        raise SettingsError(where, f"is larger than {most >> 20} MiB", "Is it the right file?")
    return raw


def make_private(folder: Path) -> None:
    """Make ``folder`` for its owner alone, whatever the umask; one that is there stays as it is."""
    if not folder.is_dir():
        folder.mkdir(parents=True, exist_ok=True)
        folder.chmod(0o700)


def touch_private(path: Path) -> None:
    """Make an empty file for its owner alone, whatever the umask; one that is there stays."""
    if not path.exists():
        path.touch(mode=0o600)
        path.chmod(0o600)
