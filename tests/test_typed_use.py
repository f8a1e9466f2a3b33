"""The package tells its types: a small user program passes the strict type checker, and a wrong
one does not."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import msgspec

USER = Path(__file__).with_name("typed_user.py")
ROOT = Path(__file__).parents[1]


def checked(program: Path, cache: Path) -> subprocess.CompletedProcess[str]:
    types = cache.parent / "types"
    if not types.exists():  # what our own types are made of
        types.mkdir()
        (types / "msgspec").symlink_to(Path(msgspec.__file__).parent)
    return subprocess.run(
        [sys.executable, "-m", "mypy", "--strict", "--config-file=", f"--cache-dir={cache}",
         # Our own types are what counts: without numpy's and pandas' the check takes a second.
         "--follow-imports=silent", "--no-site-packages", "--ignore-missing-imports",
         str(program)],
        capture_output=True, text=True, cwd=ROOT, check=False,
        env={**os.environ, "MYPYPATH": str(types)},
    )  # fmt: skip


def test_a_users_program_is_typed_and_a_wrong_one_is_told(tmp_path: Path) -> None:
    right = checked(USER, tmp_path / "cache")
    assert right.returncode == 0, right.stdout
    wrong = tmp_path / "wrong.py"
    wrong.write_text(
        "import auditor\n\naudit = auditor.audit_study('S-2041', ordered_hours=72)\n"
        "hours: str = audit.coverage.recorded_ns\naudit.decision.outcomes\n"
    )
    told = checked(wrong, tmp_path / "cache")
    assert told.returncode == 1
    assert "Incompatible types in assignment" in told.stdout
    assert 'has no attribute "outcomes"' in told.stdout


def test_the_mark_for_type_checkers_is_shipped() -> None:
    assert (ROOT / "auditor" / "py.typed").is_file()
