"""A place with files: all that the study knows of where its files lie."""

from __future__ import annotations

import os
from collections.abc import Collection, Iterable, Sequence
from pathlib import Path
from typing import Protocol

from auditor.edf import read_recording
from auditor.inputs.folder import FoundFile, Listing, list_files
from auditor.model import Finding, Recording


class Place(Protocol):
    """Folders and files, on this machine or elsewhere. Chosen once, by the outermost rooms."""

    @property
    def name(self) -> str:
        """The name of the folder; never holds what gives access."""

    def list_files(self) -> Listing:
        """Every file of the place. Raises ``AuditorError`` where it cannot be looked at."""

    def read(self, file: FoundFile) -> Recording:
        """One file as a recording. Raises ``RecordingError``, ``OSError``."""

    def changes(self, files: Sequence[FoundFile]) -> Iterable[Finding]:
        """Which ``files`` changed since they were listed, where no pass over them tells."""

    def findings(self) -> tuple[Finding, ...]:
        """What is to be said about the place when everything has been read."""


class LocalPlace:
    """Folders and files on this machine."""

    def __init__(self, paths: Sequence[Path], used: Collection[str] = ()) -> None:
        """``used`` are files read for another purpose, such as the order: no recordings."""
        self.paths = list(paths)
        self._used = {os.path.realpath(path) for path in used}

    @property
    def name(self) -> str:
        """See ``Place.name``; of the first path."""
        first = self.paths[0].resolve()
        return (first if os.path.isdir(first) else first.parent).name  # noqa: PTH112  raises nothing

    def list_files(self) -> Listing:
        """See ``Place.list_files``."""
        listing = list_files(self.paths)
        if self._used:
            listing.files = [
                file
                for file in listing.files
                if file.named_as_recording or os.path.realpath(file.path) not in self._used
            ]
        return listing

    def read(self, file: FoundFile) -> Recording:
        """See ``Place.read``."""
        return read_recording(file.path, file.name)

    def changes(self, files: Sequence[FoundFile]) -> Iterable[Finding]:
        """See ``Place.changes``: the pass over the bytes tells."""
        return ()

    def findings(self) -> tuple[Finding, ...]:
        """See ``Place.findings``: a local place has nothing to say."""
        return ()


def as_place(paths: Sequence[Path] | Place, used: Collection[str] = ()) -> Place:
    """``paths`` on this machine as a place; a place as it is. ``used`` as for ``LocalPlace``."""
    if used and isinstance(paths, LocalPlace):
        return LocalPlace(paths.paths, used)
    return LocalPlace(paths, used) if isinstance(paths, Sequence) else paths
