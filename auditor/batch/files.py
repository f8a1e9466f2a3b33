"""Folders and files for their owner alone."""

from __future__ import annotations

from pathlib import Path


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
