"""SIGKILL at any moment: an output is the old one, the new one or absent, never half of one.

Runs of ``study`` and ``batch``, killed at moments drawn with a fixed seed: five by default,
``KILLS=50 pytest tests/test_kill.py`` for as many as are wanted.
"""

from __future__ import annotations

import os
import random
import sqlite3
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from helpers_batch import EPOCH, audits_in, make_study, tree
from helpers_cli import QUICK
from helpers_kill import Killer

from auditor.outputs.files import AUDIT_FILES

KILLS = int(os.environ.get("KILLS", "5"))
STUDY_RUNS = KILLS * 3 // 5
BATCH_RUNS = KILLS - STUDY_RUNS
MANY = KILLS >= 30
"""Enough runs that both deaths and survivals must be among them, however busy the machine is."""
STUDIES = 8

pytestmark = pytest.mark.skipif(sys.platform != "linux", reason="looks for processes in /proc")


@pytest.fixture(scope="module")
def killer() -> Iterator[Killer]:
    with Killer({"SOURCE_DATE_EPOCH": EPOCH}) as found:
        yield found


def test_a_killed_study_leaves_the_old_audit_the_new_one_or_none(
    killer: Killer, tmp_path: Path
) -> None:
    folder = make_study(tmp_path, "S-2041", seconds=20, ordered_s=None)
    out = tmp_path / "deep" / "out"
    whole: dict[str, dict[str, bytes]] = {}
    for hours in ("0.005", "0.006"):  # two audits of the same files that differ in every part
        arguments = ("study", folder, "--out", tmp_path / hours, *QUICK, "--ordered-hours", hours)
        took = killer.run(arguments)["seconds"]
        whole[hours] = tree(tmp_path / hours)
        assert set(whole[hours]) == AUDIT_FILES
    chance = random.Random(20270302)
    seen = []
    for number in range(STUDY_RUNS):
        hours = ("0.005", "0.006")[number % 2]
        arguments = ("study", folder, "--out", out, *QUICK, "--force", "--ordered-hours", hours)
        # Most moments in the second half, where the outputs are written.
        answer = killer.run(arguments, took * chance.triangular(0, 1.1, 0.9))
        found = tree(out) if out.exists() else {}
        assert found in ({}, *whole.values()), (number, sorted(found))
        seen.append((answer["killed"], found == whole[hours]))
    assert not MANY or sum(killed for killed, _ in seen) >= STUDY_RUNS // 3
    assert not MANY or any(not new for _, new in seen)
    assert killer.run(arguments)["status"] in (0, 1)  # complete or short, by the hours ordered
    assert tree(out) == whole[hours]


def test_a_killed_batch_leaves_whole_audits_and_resume_finishes(
    killer: Killer, tmp_path: Path
) -> None:
    root = tmp_path / "returned"
    for number in range(STUDIES):
        make_study(root, f"S-{2041 + number}", seconds=36 if number % 2 else 12)
    expected = tmp_path / "undisturbed"
    took = killer.run(("batch", root, "--out", expected, "--workers", "2"))["seconds"]
    whole = tree(expected)
    assert len(audits_in(expected)) == STUDIES
    chance = random.Random(20270303)
    killed = finished = 0
    for number in range(BATCH_RUNS):
        # Two runs die in the same folder, the second one while it goes on where the first died.
        if number % 2 == 0:
            out = tmp_path / f"out-{number}"
        arguments = ("batch", root, "--out", out, "--workers", "2", "--resume")
        there = len(audits_in(out))
        wanted = there + chance.randrange(0, max(1, (STUDIES - there) // 2))
        answer = killer.run(
            arguments, took / STUDIES * chance.uniform(0, 1), (out / "audits", wanted)
        )
        killed += answer["killed"]
        check_whole(out, whole)
        if number % 4 == 3 or number == BATCH_RUNS - 1:
            assert killer.run(arguments)["status"] == 1
            finished += 1
            found = tree(out)
            assert same_outputs(found, whole)
            assert not [name for name in found if ".part" in name or ".old" in name]
            assert not list(tmp_path.glob(f".{out.name}.*"))
    assert not MANY or killed >= BATCH_RUNS // 3
    assert finished >= 1


def check_whole(out: Path, whole: dict[str, bytes]) -> None:
    """Every output that is in its place is whole, and the history holds no audit that is not."""
    found = tree(out)
    for name, content in found.items():
        hidden = any(part.startswith(".") for part in Path(name).parts)
        if not hidden and "history" not in name and name in whole:
            assert content == whole[name], name
    for slug in audits_in(out):
        assert {n for n in found if n.startswith(f"audits/{slug}/")} == {
            n for n in whole if n.startswith(f"audits/{slug}/")
        }
    if (out / "history.sqlite").exists():
        db = sqlite3.connect(out / "history.sqlite")
        try:
            assert db.execute("PRAGMA integrity_check").fetchone() == ("ok",)
            tables = {row[0] for row in db.execute("SELECT name FROM sqlite_master")}
            if "audits" in tables:
                known = {row[0] for row in db.execute("SELECT study FROM audits")}
                assert known <= set(audits_in(out))
        finally:
            db.close()


def same_outputs(found: dict[str, bytes], whole: dict[str, bytes]) -> bool:
    def outputs(files: dict[str, bytes]) -> dict[str, bytes]:
        return {name: content for name, content in files.items() if "history" not in name}

    return outputs(found) == outputs(whole)
