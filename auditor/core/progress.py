"""How long work tells of its progress, without knowing who shows it."""

from __future__ import annotations

from typing import Protocol


class Progress(Protocol):
    """Receives progress. ``stage`` begins a stage of ``total`` units; ``advance`` adds to it."""

    def stage(self, name: str, total: int) -> None:
        """Begin the stage ``name`` of ``total`` units (bytes, files or studies)."""

    def advance(self, amount: int) -> None:
        """``amount`` more units of the current stage are done; may be called from any thread."""


class Silent:
    """Progress that nobody looks at."""

    def stage(self, name: str, total: int) -> None:
        """Ignore."""

    def advance(self, amount: int) -> None:
        """Ignore."""
