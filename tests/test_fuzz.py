"""A short, seeded run of each fuzz target; ``tests/fuzz`` says how to run them for longer."""

from __future__ import annotations

import importlib.util
import math
import re
import subprocess
import sys
from pathlib import Path
from types import ModuleType

import pytest

FUZZ = Path(__file__).resolve().parent / "fuzz"


def target(name: str) -> ModuleType:
    spec = importlib.util.spec_from_file_location(f"fuzz_{name}", FUZZ / f"{name}.py")
    assert spec is not None
    assert spec.loader is not None
    module = importlib.util.module_from_spec(spec)
    path = list(sys.path)
    try:
        spec.loader.exec_module(module)
    finally:
        sys.path[:] = path
    return module


def test_seeded_damage_to_whole_studies_ends_in_an_audit_or_a_clear_error(tmp_path: Path) -> None:
    runs, results, failures, _ = target("whole_study").search(
        seed=2042, until=math.inf, into=tmp_path / "kept", seconds=60, megabytes=400, most=60,
        second_every=0, traced_every=0,
    )  # fmt: skip
    assert failures == {}
    assert runs == sum(results.values()) == 60
    # Both happen: damage that is survived and damage that is refused.
    audited = sum(
        n
        for result, n in results.items()
        if result.split(" ")[0] in ("review", "repeat", "complete")
    )
    assert 10 < audited < 60


def test_a_failure_is_kept_once_and_can_be_run_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    whole = target("whole_study")

    def broken(*given: object, **more: object) -> str:
        raise ZeroDivisionError("invented")

    monkeypatch.setattr(whole, "check", broken)
    kept = tmp_path / "kept"
    runs, results, failures, _ = whole.search(
        seed=1, until=math.inf, into=kept, seconds=60, megabytes=400, most=3, second_every=0,
        traced_every=0,
    )  # fmt: skip
    assert (runs, len(failures), sum(results.values())) == (3, 1, 3)
    (path,) = kept.iterdir()
    assert {"study", "beside", "input.pickle", "error.txt"} <= {p.name for p in path.iterdir()}
    monkeypatch.setattr(sys, "argv", ["whole_study.py", "--replay", str(path)])
    with pytest.raises(ZeroDivisionError, match="invented"):
        whole.main()


def test_seeded_damage_never_breaks_header_annotations_or_record_scan(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, str(FUZZ / "parsers.py"), "--inputs", "300", "--minutes", "5",
         "--seconds", "60", "--keep", str(tmp_path)],
        capture_output=True, text=True, timeout=400, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    found = re.match(r"300 inputs in .*: (\d+) refused, (\d+) read", done.stdout)
    assert found is not None
    assert min(int(found[1]), int(found[2])) > 30


def test_the_corpus_that_guided_fuzzing_left_breaks_nothing() -> None:
    done = subprocess.run(
        [sys.executable, str(FUZZ / "guided.py"), "all", "--replay"],
        capture_output=True, text=True, timeout=600, check=False,
    )  # fmt: skip
    assert done.returncode == 0, done.stdout + done.stderr
    counts = {name: int(n) for name, n in re.findall(r"(\w+): (\d+) inputs", done.stdout)}
    assert len(counts) == 8
    assert min(counts.values()) > 0
