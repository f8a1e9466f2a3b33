"""What several test modules ask for by name."""

from __future__ import annotations

from pathlib import Path

import pytest


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """A study of one good file, 20 s long."""
    from helpers_hostile_folder import GOOD  # only where asked for: it imports much

    at = tmp_path / "study"
    at.mkdir()
    (at / "good.edf").write_bytes(GOOD)
    return at
