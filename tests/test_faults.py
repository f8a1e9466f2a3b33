"""Each call by which an output reaches the disk fails once, and from there on for ever.

Afterwards the old result stands whole or the new one does, the history is sound, the status and the
message are true, and the next run that nothing disturbs gives what it gives anywhere.
"""

from __future__ import annotations

import contextlib
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import EPOCH, batch, make_study, one_by_one, tree
from helpers_cli import QUICK, run
from helpers_faults import ERRORS, Faults, injected

from auditor.batch import jobs
from auditor.core.errors import OutputError, SettingsError
from auditor.desk.settings import Settings
from auditor.model import Audit
from auditor.outputs import publish
from auditor.outputs.publish import audit_pieces as real_pieces
from auditor.pipeline import Facts
from auditor.pipeline import examine as real_examine

Step = Callable[[], int]


@pytest.fixture(autouse=True)
def same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    # What is written is worked out once: the same inputs give the same texts, and this is about
    # the way to the disk.
    for place, name in ((publish, "audit_pieces"), (jobs, "audit_texts")):
        texts: dict[str, dict[str, str]] = {}

        def remembered(audit: Audit, texts: dict[str, dict[str, str]] = texts) -> dict[str, str]:
            key = f"{audit.study.name} {audit.order} {audit.person_decisions}"
            if key not in texts:
                texts[key] = {n: "".join(pieces) for n, pieces in real_pieces(audit).items()}
            return texts[key]

        monkeypatch.setattr(place, name, remembered)
    facts: dict[str, Facts] = {}

    def examined(paths: Any, **given: Any) -> Facts:
        key = f"{getattr(paths, 'paths', paths)} {given['order']}"
        if key not in facts:
            facts[key] = real_examine(paths, **given)
        return facts[key]

    for module in ("auditor.pipeline", "auditor.batch.jobs"):
        monkeypatch.setattr(f"{module}.examine", examined)


def visible(folder: Path) -> dict[str, bytes]:
    """What a person sees of a folder: neither hidden names nor SQLite's own files."""
    return {
        name: data
        for name, data in (tree(folder) if folder.exists() else {}).items()
        if not any(part.startswith(".") for part in Path(name).parts)
        and not name.startswith(("history.sqlite", "batch.lock"))
    }


def as_if_dead(home: Path) -> None:
    """Hidden names of this process become those of one that has ended."""
    for left in sorted(home.rglob(".*")):
        parts = left.name.rsplit(".", 2)
        if len(parts) == 3 and parts[2] in ("part", "old", "done"):
            machine, pid, _, count = parts[1].split("-")
            left.rename(left.with_name(f"{parts[0]}.{machine}-{pid}-1-{count}.{parts[2]}"))


def every_fault(
    watched: Path,
    step: Step,
    prepare: Callable[[], None],
    check: Callable[[Faults, int], None],
    passes: tuple[int, ...] = (0, 1),
) -> int:
    """Run ``step`` with the n-th call failing, n = 1, 2, … until a run has none.

    Every other fault stays for ever, as of a full disk; a second pass swaps which do. ``check``
    follows each run. Returns how many runs there were.
    """
    runs = 0
    for swap in passes:
        number = 1
        while True:
            prepare()
            faults = Faults(watched, number, ERRORS[number % len(ERRORS)], number % 2 == swap)
            with injected(faults):
                status = step()
            check(faults, status)
            runs += 1
            if not faults.failed:
                break
            number += 1
    return runs


def study_step(folder: Path, out: Path, hours: str, *more: str) -> Step:
    return lambda: run(
        "study", folder, "--out", out, *QUICK, "--signal", "off", "--ordered-hours", hours, *more
    )


@pytest.mark.parametrize("before", ["nothing", "an older audit"])
def test_an_audit_is_the_old_one_or_the_new_one_whatever_call_fails(
    before: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    folder = make_study(tmp_path, "S-2041", seconds=20, ordered_s=None)
    home = tmp_path / "outputs"
    out = home / "audit"
    force = () if before == "nothing" else ("--force",)
    assert study_step(folder, tmp_path / "old", "0.005")() in (0, 1)
    assert study_step(folder, tmp_path / "new", "0.006")() in (0, 1)
    old = tree(tmp_path / "old") if force else {}
    new = tree(tmp_path / "new")
    seen: set[str] = set()

    def prepare() -> None:
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir()
        if force:
            shutil.copytree(tmp_path / "old", out)
        capsys.readouterr()

    def check(faults: Faults, status: int) -> None:
        said = capsys.readouterr().err
        found = tree(out) if out.exists() else {}
        aside = [p for p in home.iterdir() if p.name.endswith(".old")]
        if not found and old and aside:  # both renames failed: named, and back with the next run
            assert "comes back with the next run" in said, (faults.failed, said)
            assert tree(aside[0]) == old
            seen.add("aside")
        else:
            assert found in (old, new), (faults.failed, sorted(found))
            seen.add("new" if found == new else "old")
        if status in (0, 1):
            assert found == new, faults.failed
        else:
            assert status == 2
            assert "should not happen" not in said
            assert said.startswith("auditor: "), said
            if "nothing was changed" in said:
                assert found == old, faults.failed
        if faults.failed:  # what a dead run left is put right by the next one
            as_if_dead(home)
            assert study_step(folder, out, "0.006", "--force")() in (0, 1)
            assert tree(out) == new
            assert [p.name for p in home.iterdir()] == ["audit"]

    ran = every_fault(home, study_step(folder, out, "0.006", *force), prepare, check)
    assert ran > 60
    assert {"new", "old"} <= seen


def archive(tmp_path: Path) -> tuple[Path, Path]:
    root, home = tmp_path / "returned", tmp_path / "outputs"
    make_study(root, "S-2041")
    make_study(root, "S-2042", seconds=12, patient="P-2042", unit="N-7")
    return root, home


def sound(out: Path) -> list[tuple[object, ...]]:
    """The history's decisions; fails where the file is damaged."""
    if not (out / "history.sqlite").exists():
        return []
    with contextlib.closing(sqlite3.connect(out / "history.sqlite")) as db:
        assert db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
        try:
            return db.execute("SELECT study, outcome FROM decisions ORDER BY id").fetchall()
        except sqlite3.OperationalError:  # the disk refused before the tables were made
            return []


@pytest.mark.parametrize("command", ["batch", "batch --resume", "decide", "trends"])
def test_a_worklist_and_its_history_are_whole_whatever_call_fails(
    command: str,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
) -> None:
    root, home = archive(tmp_path)
    out, first = home / "worklist", tmp_path / "first"
    quick = (*QUICK, "--signal", "off")
    assert batch(root, first, *quick) == 1
    step: Step = {
        "batch": lambda: batch(root, out, *quick),
        "batch --resume": lambda: batch(root, out, "--resume", *quick),
        "decide": lambda: run(
            "decide", "S-2042", "--outcome", "repeat", "--by", "T-12", "--out", out, "--quiet"
        ),
        "trends": lambda: run("trends", "--out", out, "--quiet"),
    }[command]
    fresh = command == "batch"

    def prepare() -> None:
        shutil.rmtree(home, ignore_errors=True)
        home.mkdir()
        if not fresh:
            shutil.copytree(first, out)
        capsys.readouterr()

    prepare()
    before = visible(out)
    status = step()
    after = visible(out)
    wanted = status
    states: set[str] = set()

    def check(faults: Faults, status: int) -> None:
        said = capsys.readouterr().err
        decided = sound(out)
        found = visible(out)
        # A disk that refuses for ever refuses the way back too: that is said, and undone later.
        aside = not faults.once and "comes back with the next run" in said
        assert not aside or [p for p in out.rglob("*.old") if p.is_dir()]
        for name in sorted({n.rpartition("/")[0] for n in after}):  # each folder by itself
            here = {n: d for n, d in found.items() if n.rpartition("/")[0] == name}
            olds = {n: d for n, d in before.items() if n.rpartition("/")[0] == name}
            news = {n: d for n, d in after.items() if n.rpartition("/")[0] == name}
            if name == "":  # the worklist and the trends are two sets that stand beside each other
                for ours in ({"index.html", "worklist.csv", "worklist.json"},
                             {"trends.html", "trends.csv"}):  # fmt: skip
                    part = [{n: d for n, d in s.items() if n in ours} for s in (here, olds, news)]
                    assert part[0] in part[1:] or aside, (faults.failed, sorted(part[0]))
            else:
                assert here in (olds, news) or aside, (faults.failed, name, sorted(here))
        assert status in (wanted, 2, 1), faults.failed
        if status == 2:
            assert said.startswith("auditor: ")
            assert "should not happen" not in said, (faults.failed, said)
        if command == "decide":
            assert len(decided) == (status == 0 or "the decision is recorded" in said), said
        states.add("new" if found == after else "old" if found == before else "between")
        if faults.failed:
            as_if_dead(home)
            assert step() == wanted, faults.failed
            assert visible(out) == after, faults.failed
            assert len(sound(out)) <= 1

    # A batch makes some hundred calls: which of them stay for ever is not swapped.
    ran = every_fault(home, step, prepare, check, (0,) if fresh else (0, 1))
    assert ran > 20
    assert "new" in states


@pytest.mark.parametrize("what", ["settings", "policy", "policy given up"])
def test_the_desks_own_files_are_the_old_ones_or_the_new_ones(what: str, tmp_path: Path) -> None:
    home = tmp_path / "desk"
    settings = Settings(home)
    saying: dict[str, Callable[[], object]] = {
        "settings": lambda: settings.save("orders.csv", "America/Denver", ["/watched"]),
        "policy": lambda: settings.save_policy({"coverage": {"gap_floor_s": 3}}),
        "policy given up": lambda: settings.save_policy({}),
    }
    shutil.rmtree(home, ignore_errors=True)
    settings.save("", "Europe/Berlin", [])
    settings.save_policy({"coverage": {"gap_floor_s": 2}})
    old = visible(home)
    saying[what]()
    new = visible(home)
    assert old != new

    def prepare() -> None:
        shutil.rmtree(home)
        home.mkdir()
        for name, data in old.items():
            (home / name).write_bytes(data)

    told: list[str] = []

    def step() -> int:
        told.clear()
        try:
            saying[what]()
        except (OutputError, SettingsError) as error:
            told.append(str(error))
            return 2
        return 0

    def check(faults: Faults, status: int) -> None:
        found = visible(home)
        assert found in (old, new), faults.failed
        assert status or found == new, faults.failed
        # A policy that stands may still not be readable again: that is said as it is.
        assert all("cannot be written" in t or "cannot be read" in t for t in told), told
        if faults.failed and faults.once:
            assert set(home.iterdir()) == {home / name for name in found}, faults.failed

    assert every_fault(home, step, prepare, check) >= 4
