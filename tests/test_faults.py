"""Each call by which an output reaches the disk fails once, and from there on for ever.

Afterwards the old result stands whole or the new one does, the history is sound, the status and the
message are true, and the next run that nothing disturbs gives what it gives anywhere. ``pytest -s``
prints for each command how many calls failed, and how many states of the disk that left.
"""

from __future__ import annotations

import contextlib
import functools
import shutil
import sqlite3
from collections import Counter
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import EPOCH, batch, make_study, one_by_one, tree
from helpers_cli import QUICK, run
from helpers_faults import Faults, every_fault
from msgspec.structs import replace

from auditor.batch import jobs
from auditor.batch.jobs import Job, Result
from auditor.cli import parser as command_line
from auditor.core.errors import OutputError, SettingsError, UsageError
from auditor.demo.recorder import pieces
from auditor.demo.studies import plans
from auditor.desk.settings import Settings
from auditor.desk.shelf import Shelf
from auditor.inputs.order import read_order
from auditor.model import Audit, Facts
from auditor.outputs import publish
from auditor.outputs.publish import audit_pieces as real_pieces
from auditor.pipeline import Options
from auditor.pipeline import examine as real_examine
from auditor.pipeline import judge as real_judge
from auditor.policy import load_policy

Step = Callable[[], int]


@pytest.fixture(autouse=True)
def same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    monkeypatch.setattr("auditor.cli.parser.parser", functools.cache(command_line.parser))
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
    audits: dict[str, Audit] = {}

    def examined(paths: Any, **given: Any) -> Facts:
        key = f"{getattr(paths, 'paths', paths)} {given['order']}"
        if key not in facts:
            facts[key] = real_examine(paths, **given)
        return facts[key]

    def judged(found: Facts, *given: Any) -> Audit:
        key = f"{id(found)} {given[1:]}"  # ``facts`` keeps each, so that an id stays its own
        if key not in audits:
            audits[key] = real_judge(found, *given)
        return audits[key]

    for module in ("auditor.pipeline", "auditor.batch.jobs"):
        monkeypatch.setattr(f"{module}.examine", examined)
        monkeypatch.setattr(f"{module}.judge", judged)


def visible(folder: Path) -> dict[str, bytes]:
    """What a person sees of a folder: neither hidden names nor SQLite's own files."""
    return {
        name: data
        for name, data in (tree(folder) if folder.exists() else {}).items()
        if not any(part.startswith(".") for part in Path(name).parts)
        and not Path(name).name.startswith(("history.sqlite", "batch.lock", "desk.lock"))
    }


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

    def mended() -> None:  # what a dead run left is put right by the next one
        assert study_step(folder, out, "0.006", "--force")() in (0, 1)
        assert tree(out) == new
        assert [p.name for p in home.iterdir()] == ["audit"]

    name = f"study over {before}"
    ran = every_fault(name, home, study_step(folder, out, "0.006", *force), prepare, check, mended)
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

    def mended() -> None:
        assert step() == wanted
        assert visible(out) == after
        assert len(sound(out)) <= 1

    # A batch makes some hundred calls: which of them stay for ever is not swapped.
    ran = every_fault(command, home, step, prepare, check, mended, (0,) if fresh else (0, 1))
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

    assert every_fault(what, home, step, prepare, check) >= 4


def test_settings_keep_what_a_file_that_cannot_be_read_now_holds(tmp_path: Path) -> None:
    home = tmp_path / "desk"
    home.mkdir()
    (home / "desk.toml").write_text(f'roots = ["{tmp_path}"]\ntimezone = "Europe/Berlin"\n')
    settings = Settings(home)
    states: Counter[str] = Counter()

    def step() -> int:
        try:
            settings.save("", "America/Denver", [])
        except (OutputError, SettingsError):
            return 2
        return 0

    def check(faults: Faults, status: int) -> None:
        text = (home / "desk.toml").read_text("utf-8")
        assert str(tmp_path) in text, faults.failed
        assert ("America/Denver" in text) == (status == 0), faults.failed
        states[text] += 1

    def prepare() -> None:
        if "America/Denver" in (home / "desk.toml").read_text("utf-8"):
            settings.save("", "Europe/Berlin", [])

    assert every_fault("settings with roots", home, step, prepare, check) > 6
    assert len(states) >= 2


@pytest.fixture(scope="module")
def made(tmp_path_factory: pytest.TempPathFactory) -> tuple[Job, Result]:
    """An audit as the desk's own process hands it on."""
    folder = make_study(tmp_path_factory.mktemp("studies"), "S-2041")
    job = Job("S-2041", "S-2041", (str(folder),), read_order(folder / "order.toml"), load_policy(), Options(generated_utc="2027-03-09T08:00:00Z"), None)  # fmt: skip
    return job, jobs.audit_job(job)


DESK = ("order", "first order", "order beside", "order beside replaced", "remembered", "taken",
        "audit", "decision")  # fmt: skip


@pytest.mark.parametrize("what", DESK)
def test_what_the_desk_writes_is_the_old_or_the_new_whatever_call_fails(
    what: str, made: tuple[Job, Result], tmp_path: Path
) -> None:
    """Orders beside a study and in the desk's folder, its studies, its audits, its decisions."""
    job, result = made
    home, first = tmp_path / "outputs", tmp_path / "first"
    older, newer = "[order]\nordered_hours = 24\n", "[order]\nordered_hours = 48\n"
    begun = Shelf(first / "desk")
    study = first / "S-2041"
    study.mkdir(parents=True)
    assert begun.take() is None
    begun.remember("S-2040", tmp_path)
    if what not in ("first order", "audit"):
        begun.keep_order("S-2041", older)
    if what == "order beside replaced":
        (study / "order.toml").write_text(older)
    if what == "decision":
        jobs.store(result, job.slug, begun.folder)
        begun.finish(job, result)
    begun.give_back()
    shelf, folder = Shelf(home / "desk"), home / "S-2041"

    def taken() -> None:
        assert shelf.take() is None

    def audited() -> None:
        jobs.store(result, job.slug, shelf.folder)
        shelf.finish(job, result)

    act: Callable[[], None] = {
        "order": lambda: shelf.keep_order("S-2041", newer),
        "first order": lambda: shelf.keep_order("S-2041", newer),
        "order beside": lambda: shelf.write_beside("S-2041", folder, newer, replace=False),
        "order beside replaced": lambda: shelf.write_beside("S-2041", folder, newer, replace=True),
        "remembered": lambda: shelf.remember("S-2041", folder),
        "taken": taken,
        "audit": audited,
        "decision": lambda: shelf.decide("S-2041", "repeat", "T-12", ""),
    }[what]

    def prepare() -> None:
        shelf.give_back()
        shutil.rmtree(home, ignore_errors=True)
        shutil.copytree(first, home)

    told: list[str] = []

    def step() -> int:
        told.clear()
        try:
            act()
        except (OutputError, UsageError) as error:
            told.append(str(error))
            return 2
        return 0

    prepare()
    old = visible(home)
    assert step() == 0
    new = visible(home)
    states: set[str] = set()

    def check(faults: Faults, status: int) -> None:
        found = visible(home)
        aside = not faults.once and "comes back with the next run" in "".join(told)
        for name in {*old, *new, *found}:
            # The folder that holds an audit is one thing, every other file by itself.
            whole = name.rpartition("/")[0] if "/audits/" in name else name
            part = [{n: d for n, d in s.items() if n == whole or n.startswith(f"{whole}/")}
                    for s in (found, old, new)]  # fmt: skip
            assert part[0] in part[1:] or aside, (faults.failed, whole)
        if status == 0:
            assert found == new, faults.failed
        else:
            assert told[0], faults.failed
            assert "should not happen" not in told[0]
        if what.startswith("order beside") and "still counts" not in "".join(told):
            kept = "desk/orders/S-2041.toml" in found
            assert kept == (status != 0), (faults.failed, told)
        decided = sound(home / "desk")
        if what == "decision":
            assert len(decided) == (status == 0 or "the decision is recorded" in told[0]), told
        states.add("new" if found == new else "old" if found == old else "between")

    def mended() -> None:
        shelf.give_back()
        if what == "order beside" and (folder / "order.toml").exists():
            # It stands there, and the one kept here could not be taken away.
            shelf.write_beside("S-2041", folder, newer, replace=True)
        else:
            assert step() == 0, told
        assert visible(home) == new
        assert len(sound(home / "desk")) <= 1

    # An audit's and a decision's way to the disk is that of the commands, with both halves there.
    passes = (0,) if what in ("audit", "decision") else (0, 1)
    ran = every_fault(f"desk: {what}", home, step, prepare, check, mended, passes)
    shelf.give_back()
    assert ran >= 10
    assert {"new", "old"} <= states


@pytest.mark.parametrize("before", ["nothing", "an older one"])
def test_the_demo_leaves_whole_files_whatever_call_fails(
    before: str,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One short invented study in place of eight long ones, audited in this process."""

    class InProcess(contextlib.nullcontext[Any]):
        def __init__(self, *about: object, **named: object) -> None:
            super().__init__(self)
            self.map = map

    long = plans()[0]
    plan = replace(long, devices=((long.devices[0][0], pieces(0, 40, 20)),), runs=((0, 40),))
    monkeypatch.setattr("auditor.demo.plans", lambda: (plan,))
    monkeypatch.setattr("auditor.demo.ProcessPoolExecutor", InProcess)
    monkeypatch.setattr("auditor.demo.ThreadPoolExecutor", InProcess)
    home = tmp_path / "outputs"
    out = home / "demo"

    def step() -> int:
        return run("demo", "--out", out)

    home.mkdir()
    assert step() == 0
    capsys.readouterr()
    new = visible(out)
    assert {"INVENTED.txt", "studies/S-2041/01.edf", "studies/S-2041/checks.csv",
            "studies/S-2041/order.toml", "audits/S-2041/audit.json"} <= new.keys()  # fmt: skip
    over = before != "nothing"

    def prepare() -> None:
        if not over:
            shutil.rmtree(home)
            home.mkdir()
        capsys.readouterr()

    def check(faults: Faults, status: int) -> None:
        said = capsys.readouterr().err
        found = visible(out) if out.exists() else {}
        assert found.items() <= new.items(), faults.failed  # each file is there whole, or not
        if over:
            audit = {n for n in new if n.startswith("audits/")}
            lost = new.keys() - found.keys()
            assert not lost or (lost == audit and "comes back" in said), (faults.failed, lost)
        assert status in (0, 2)
        if status == 0:
            assert found == new, faults.failed
        else:
            assert said.startswith("auditor: ")
            assert "should not happen" not in said, (faults.failed, said)

    def mended() -> None:
        assert step() == 0
        assert visible(out) == new
        left = [p for p in home.rglob(".*") if ".part" in p.name or ".old" in p.name]
        assert not left

    # Half of the faults stay for ever, and over an older one the other half.
    passes = (int(over),)
    assert every_fault(f"demo over {before}", home, step, prepare, check, mended, passes) > 60
