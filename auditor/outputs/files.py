"""Outputs appear whole or not at all, readable by their owner alone."""

from __future__ import annotations

import os
import shutil
import tempfile
from collections.abc import Mapping
from contextlib import suppress
from pathlib import Path

from auditor.core.errors import OutputError

MARKER = "audit.json"


def check_free(out: Path, *, force: bool) -> None:
    """Raise ``OutputError`` where ``out`` cannot take an audit, before any work is done."""
    try:
        if out.exists() and not out.is_dir():
            raise OutputError(str(out), "is a file", "Name a folder with --out.")
        if not force and any((out / name).exists() for name in (MARKER, "audit.html")):
            raise OutputError(
                str(out), "already holds an audit", "Give another --out, or --force to replace it."
            )
    except OSError as error:
        raise OutputError(
            str(out), f"cannot be used ({error.strerror or error})", "Give another --out."
        ) from error


def write_whole(out: Path, texts: Mapping[str, str]) -> None:
    """Write ``texts`` (file name -> content) into ``out``.

    They are written and flushed to a hidden folder beside ``out`` and moved into place at once. A
    folder that holds nothing but an older audit is replaced as a whole; in one that holds other
    files each file is replaced by itself, ``audit.json`` last. A full disk or a kill leaves the
    old audit, or none.

    Raises ``OutputError``.
    """
    out = Path(os.path.abspath(out))  # noqa: PTH100  a link given as DIR stays that link
    beside: Path | None = None
    try:
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = Path(tempfile.mkdtemp(prefix=f".{out.name[:40]}.", suffix=".part", dir=out.parent))
        beside.chmod(0o700)  # whatever the umask leaves of that
        for name, text in texts.items():
            _write_file(beside / name, text)
        _sync_folder(beside)
        _move_into_place(beside, out, set(texts))
        _sync_folder(out.parent)
    except OSError as error:
        raise OutputError(
            str(out),
            f"cannot be written ({error.strerror or error})",
            "Free space on the disk or give another --out. Nothing half written was left there.",
        ) from error
    finally:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)


def _write_file(path: Path, text: str) -> None:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(descriptor, "w", encoding="utf-8", newline="") as file:
        if hasattr(os, "fchmod"):
            os.fchmod(descriptor, 0o600)  # whatever the umask leaves of that
        file.write(text)
        file.flush()
        os.fsync(file.fileno())


def _sync_folder(folder: Path) -> None:
    """Best effort: Windows opens no folder, and some network shares refuse to sync one."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    with suppress(OSError):
        os.fsync(descriptor)
    os.close(descriptor)


def _move_into_place(beside: Path, out: Path, ours: set[str]) -> None:
    if not out.exists():
        beside.rename(out)
        return
    if out.is_symlink() or any(entry.name not in ours for entry in out.iterdir()):
        (out / MARKER).unlink(missing_ok=True)
        for name in sorted(ours, key=lambda n: n == MARKER):
            (beside / name).replace(out / name)
        return
    old = Path(tempfile.mkdtemp(prefix=f".{out.name[:40]}.", suffix=".old", dir=out.parent))
    out.rename(old / "audit")
    beside.rename(out)
    shutil.rmtree(old, ignore_errors=True)
