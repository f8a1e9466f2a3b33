"""Whether the tests notice a change of the code (needs the [dev] extra).

    python tests/mutation.py ROOM [MODULE…] [--again OUTPUT]

Changes one thing at a time (a sign, a limit, an argument, a word) in the rooms of ``ROOMS`` and runs
the tests of that room which run the changed lines, until one fails. A change that none notices must be
excused in ``mutation_survivors.toml`` with the reason. Exit status 0: every survivor is excused, and
every excuse is needed; 1: not so; 2: the tests fail unchanged. ``--again`` tries only what an earlier output lists.

The changes are mutmut's, but those that put ``None`` for a value: the type checker notices them. Its own runner is not used: it passes over properties, decorated functions and
tables, which hold most limits here, and imports every test file again for each change. Here the tests
are collected once, each change is made in a forked child, one child at a time, and nothing is written.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import gc
import importlib
import json
import os
import pickle
import re
import resource
import signal
import sys
import time
import tomllib
import traceback
import types
from collections import defaultdict
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from functools import cache
from pathlib import Path
from typing import Any

import coverage
import libcst as cst
import libcst.matchers as m
import pytest
from libcst.metadata import MetadataWrapper, PositionProvider
from mutmut.mutation.mutators import mutation_operators

HERE = Path(__file__).resolve().parent
PACKAGE = HERE.parent / "auditor"
KEPT = HERE / "mutation_survivors.toml"

ROOMS: dict[str, tuple[str, str]] = {
    # What is changed (patterns below auditor/) and the tests that are to notice it: quick ones only.
    "core": ("core/intervals.py core/durations.py", "intervals durations coverage shortfall"),
    "coverage": ("coverage/*.py", "coverage shortfall events placed_annotations"),
    "decision": ("decision/*.py", "decision rules billing_rules"),
    "causes": ("causes/*.py", "causes stop_from_files stop_words power next_hookup"),
    "billing": (
        "billing/*.py",
        "billing billing_examples billing_interpretations billing_limits billing_minimum "
        "billing_once billing_periods billing_practice billing_rules billing_words monitoring policy "
        "video rules",
    ),
}
SLOWEST_S = 1.0
"""A test that takes longer is left out: it would cost more than it notices beyond the others."""
EXAMPLES = 25
"""Of a property; always the same ones, so that a result can be had again."""
MEMORY = 4 << 30
"""Bytes that a child may take: a changed loop that never ends fails at them and not by the machine."""
SURVIVED = -1
TABLE = "(module)"
"""Where a change stands in no function: a constant or a table."""


_TYPE_VARIABLE = m.Assign(value=m.Call(func=m.Name("TypeVar")))
_EXPORTED = m.Assign(targets=[m.AssignTarget(m.Name("__all__"))])


@dataclass(frozen=True)
class Change:
    """One mutant: the module's source with one thing changed."""

    file: Path
    function: str
    lines: range
    was: str
    now: str
    source: str

    @property
    def module(self) -> str:
        parts = self.file.relative_to(PACKAGE.parent).with_suffix("").parts
        return ".".join(parts).removesuffix(".__init__")

    @property
    def key(self) -> tuple[str, str, str, str]:
        at = self.file.relative_to(PACKAGE.parent).as_posix()
        return at, self.function, self.was, self.now

    @property
    def shown(self) -> str:
        """As it is to be written into the kept list."""
        named = zip(("file", "function", "was", "now"), self.key, strict=True)
        return "\n".join(
            ["[[kept]]", *(f"{k} = {json.dumps(v, ensure_ascii=False)}" for k, v in named)]
        )


class _Finder(cst.CSTVisitor):
    """Every change of one module, in the order of the text."""

    METADATA_DEPENDENCIES = (PositionProvider,)

    def __init__(self) -> None:
        super().__init__()
        self.within: list[str] = []
        self.passed: set[cst.CSTNode] = set()
        self.found: list[tuple[str, Any, cst.CSTNode, cst.CSTNode]] = []

    def on_visit(self, node: cst.CSTNode) -> bool:
        # Types and exported names are the type checker's; imports fail at once; decorators, heads of
        # classes and errors for programmers hold no judgement.
        if isinstance(
            node, cst.Annotation | cst.Import | cst.ImportFrom | cst.Decorator | cst.Raise
        ):
            return False
        if isinstance(node, cst.AnnAssign) and "TypeAlias" in str(node.annotation.annotation):
            return False
        if m.matches(node, _TYPE_VARIABLE | _EXPORTED):
            return False
        if isinstance(node, cst.Subscript) and getattr(node.value, "value", "") == "Literal":
            return False
        if isinstance(node, cst.FunctionDef | cst.ClassDef):
            self.within.append(node.name.value)
        if isinstance(node, cst.ClassDef):
            self.passed |= {*node.bases, *node.keywords}
        if node in self.passed or m.matches(node, m.Arg(keyword=m.Name("strict"))):
            return False
        for kind, operator in mutation_operators:
            if isinstance(node, kind):
                changed = list(operator(node))
                if isinstance(node, cst.BaseString):
                    changed = changed[:1]  # what notices other letters notices another case too
                changed = [c for c in changed if not _of_no_account(node, c)]
                for one in changed:
                    at = self.get_metadata(PositionProvider, node, None)
                    self.found.append((".".join(self.within), at, node, one))
        return True

    def on_leave(self, original_node: cst.CSTNode) -> None:
        if isinstance(original_node, cst.FunctionDef | cst.ClassDef):
            self.within.pop()


def _of_no_account(node: cst.CSTNode, changed: cst.CSTNode) -> bool:
    """Whether a value was replaced by ``None`` as a whole, which the type checker notices, or
    ``strict`` taken from a ``zip``: that states an invariant, as an assertion does."""
    if isinstance(node, cst.Call) and isinstance(changed, cst.Call):
        strict = m.Arg(keyword=m.Name("strict"))
        if any(m.matches(a, strict) for a in {*node.args} - {*changed.args}):
            return True
        pairs = zip(node.args, changed.args, strict=False)
        return len(node.args) == len(changed.args) and any(
            m.matches(new.value, m.Name("None")) and old is not new for old, new in pairs
        )
    return isinstance(node, cst.Assign | cst.AnnAssign)


def changes(file: Path) -> list[Change]:
    """Every change of one module that still compiles; each source once."""
    source = file.read_text("utf-8")
    finder = _Finder()
    wrapper = MetadataWrapper(cst.parse_module(source))
    wrapper.visit(finder)
    lines = source.splitlines(keepends=True)
    starts = [0]
    for line in lines:
        starts.append(starts[-1] + len(line))
    found: dict[str, Change] = {}
    for function, at, node, changed in finder.found:
        old, new = wrapper.module.code_for_node(node), wrapper.module.code_for_node(changed)
        mutated = None
        if at is not None:
            first = starts[at.start.line - 1] + at.start.column
            last = starts[at.end.line - 1] + at.end.column
            if source[first:last] == old:
                mutated = source[:first] + new + source[last:]
        if mutated is None:
            mutated = wrapper.module.deep_replace(node, changed).code  # type: ignore[union-attr]
        if mutated in found or mutated == source:
            continue
        try:
            compile(mutated, str(file), "exec")
        except SyntaxError:
            continue
        was, now, where = _difference(lines, mutated.splitlines(keepends=True))
        found[mutated] = Change(file, function or TABLE, where, was, now, mutated)
    return list(found.values())


def _difference(old: list[str], new: list[str]) -> tuple[str, str, range]:
    parts = [
        o for o in difflib.SequenceMatcher(None, old, new, False).get_opcodes() if o[0] != "equal"
    ]
    i1, i2, j1, j2 = parts[0][1], parts[-1][2], parts[0][3], parts[-1][4]
    was, now = (" ".join(" ".join(part).split()) for part in (old[i1:i2], new[j1:j2]))
    return was, now, range(i1 + 1, max(i2, i1 + 1) + 1)


def apply(change: Change) -> bool:
    """Make ``change`` in the modules that are loaded; false where such a module cannot be."""
    live = importlib.import_module(change.module)
    fresh = types.ModuleType(change.module)
    fresh.__file__ = live.__file__
    try:
        exec(compile(change.source, str(change.file), "exec"), fresh.__dict__)
    except Exception:
        return False
    _take_over(live.__dict__, fresh.__dict__, change.module)
    if change.function == TABLE:
        for name in _defined_at(change) & fresh.__dict__.keys():
            old = live.__dict__[name]
            for module in list(sys.modules.values()):
                if getattr(module, "__dict__", {}).get(name, module) is old:
                    module.__dict__[name] = fresh.__dict__[name]
    return True


def _take_over(live: Any, fresh: Any, module: str) -> None:
    """Give every function that ``live`` holds, wherever it is wrapped, the code of its twin."""
    for name, twin in fresh.items():
        old, new = live.get(name), twin
        if isinstance(new, type) and new.__module__ == module:
            _take_over(vars(old), vars(new), module)
        for part in ("__func__", "fget", "func", "__wrapped__"):
            if hasattr(new, part) and not isinstance(new, types.FunctionType | types.ModuleType):
                if hasattr(old, "cache_clear"):
                    old.cache_clear()
                old, new = getattr(old, part), getattr(new, part)
        if isinstance(new, types.FunctionType) and new.__module__ == module:
            old.__code__ = new.__code__
            old.__defaults__, old.__kwdefaults__ = new.__defaults__, new.__kwdefaults__


class Runner:
    """Takes the place of pytest's loop over the tests that it has collected."""

    def __init__(self, files: list[Path], only: str) -> None:
        self.files = files
        self.only = only
        self.survivors: list[Change] = []
        self.killers: dict[tuple[Path, str], set[int]] = defaultdict(set)

    def pytest_runtestloop(self, session: pytest.Session) -> bool:
        self.items = session.items
        _limit_properties(self.items)
        self._measure()
        gc.freeze()
        for file in self.files:
            every = [c for c in changes(file) if not self.only or c.shown in self.only]
            began, alive = time.monotonic(), 0
            for change in every:
                if not self._noticed(change):
                    alive += 1
                    self.survivors.append(change)
                    print(change.shown, flush=True)
            shown = file.relative_to(PACKAGE)
            print(
                f"# {shown}: {len(every)} changes, {len(every) - alive} noticed, {alive} not, "
                f"{time.monotonic() - began:.0f} s",
                flush=True,
            )
        return True

    def _measure(self) -> None:
        """Which lines each test runs, and how long it takes; in a child, as everything else."""
        failed, self.took, self.reached = _in_child(self._covered, 3600)
        if failed:
            pytest.exit(f"fails unchanged: {failed}", 2)
        slow = {i for i, took in self.took.items() if took > SLOWEST_S}
        for index in sorted(slow):
            print(f"# left out, {self.took[index]:.1f} s: {self.items[index].nodeid}")
        self.reached = {place: tests - slow for place, tests in self.reached.items()}

    def _covered(self) -> tuple[str, dict[int, float], dict[tuple[str, int], set[int]]]:
        seen = coverage.Coverage(data_file=None, include=[str(PACKAGE / "*")], config_file=False)
        took: dict[int, float] = {}
        reached: dict[tuple[str, int], set[int]] = defaultdict(set)
        for index, item in enumerate(self.items):
            began = time.process_time()
            if _fails(item):
                return item.nodeid, took, reached
            took[index] = time.process_time() - began
        seen.start()
        for index, item in enumerate(self.items):
            seen.switch_context(str(index))
            _fails(item)
        seen.stop()
        data = seen.get_data()
        for name in data.measured_files():
            for line, contexts in data.contexts_by_lineno(name).items():
                reached[name, line] |= {int(c) for c in contexts if c}
        return "", took, reached

    def _tests(self, change: Change) -> list[int]:
        """The tests to run: those that run the lines, or read the table. First those that have
        noticed something there, then the quickest."""
        tests: set[int] = set()
        for line in _statement_of(change):
            tests |= self.reached.get((str(change.file), line), set())
        if not tests:
            for place in _lines_that_name(_defined_at(change)):
                tests |= self.reached.get(place, set())
        known = self.killers[change.file, change.function]
        return sorted(tests, key=lambda i: (i not in known, self.took[i]))

    def _noticed(self, change: Change) -> bool:
        tests = self._tests(change)
        # Ample: the machine may be busy or the run paused, and a change that only takes longer was not
        # noticed. What goes round for ever ends sooner, by the processor's time.
        limit = 900 + 20 * sum(self.took[i] for i in tests)
        failed = _in_child(
            lambda: (
                next((i for i in tests if self._fails_or_hangs(i)), SURVIVED)
                if apply(change)
                else None
            ),
            limit,
        )
        if failed not in (None, SURVIVED):
            self.killers[change.file, change.function].add(failed)
        return failed != SURVIVED

    def _fails_or_hangs(self, index: int) -> bool:
        """Whether the test fails; one that goes round for ever ends its process, soon and however
        busy the machine is, since only the processor's time counts."""
        signal.setitimer(signal.ITIMER_PROF, 5 + 20 * self.took[index])
        return _fails(self.items[index])


def _limit_properties(items: Iterable[pytest.Item]) -> None:
    """The same few examples for every change, none shrunk."""
    from hypothesis import HealthCheck, Phase, settings

    few = settings(
        max_examples=EXAMPLES, derandomize=True, database=None, deadline=None,
        phases=(Phase.explicit, Phase.generate), suppress_health_check=list(HealthCheck),
    )  # fmt: skip
    for item in items:
        test = getattr(item, "obj", None)
        if hasattr(test, "hypothesis"):
            getattr(test, "__func__", test)._hypothesis_internal_use_settings = few


def _fails(item: pytest.Item) -> bool:
    from _pytest.runner import runtestprotocol

    reports = runtestprotocol(item, log=False, nextitem=None)
    return any(report.failed for report in reports)


def _in_child(work: Callable[[], Any], limit_s: float) -> Any:
    """What ``work`` returns in a forked child; ``None`` where it takes longer."""
    out, into = os.pipe()
    child = os.fork()
    if not child:
        resource.setrlimit(resource.RLIMIT_AS, (MEMORY, MEMORY))
        try:
            with os.fdopen(into, "wb") as file:
                pickle.dump(work(), file)
        except BaseException:
            traceback.print_exc()
        os._exit(0)
    os.close(into)
    signal.signal(signal.SIGALRM, lambda *_: os.kill(child, signal.SIGKILL))
    signal.setitimer(signal.ITIMER_REAL, limit_s)
    with os.fdopen(out, "rb") as file:
        raw = file.read()
    signal.setitimer(signal.ITIMER_REAL, 0)
    _, status = os.waitpid(child, 0)
    if status:
        return None
    return pickle.loads(raw)  # nothing was sent: what went wrong stands above


def _statement_of(change: Change) -> range:
    """The lines of the innermost statement: the interpreter names not each of them."""
    found = change.lines
    for node in ast.walk(_tree(change.file)):
        if isinstance(node, ast.stmt):
            lines = range(node.lineno, (node.end_lineno or node.lineno) + 1)
            if change.lines.start in lines and change.lines.stop - 1 in lines:
                found = lines  # the walk comes to outer statements first
    return found


@cache
def _tree(file: Path) -> ast.Module:
    return ast.parse(file.read_text("utf-8"))


def _defined_at(change: Change) -> frozenset[str]:
    """The names that the changed statement of a module defines, with those defined by them, or the
    class it stands in."""
    names = {change.function.split(".")[0]} - {TABLE}
    for node in _tree(change.file).body:
        parts = [part for part in ast.walk(node) if isinstance(part, ast.Name)]
        here = node.lineno <= change.lines.start <= (node.end_lineno or 0)
        # A table that is made of a changed constant holds what was changed, too.
        made = isinstance(node, ast.Assign | ast.AnnAssign) and any(p.id in names for p in parts)
        if here or (made and change.function == TABLE):
            names |= {part.id for part in parts if isinstance(part.ctx, ast.Store)}
    return frozenset(names)


@cache
def _lines_that_name(names: frozenset[str]) -> list[tuple[str, int]]:
    pattern = re.compile(rf"\b(?:{'|'.join(map(re.escape, names))})\b")
    return [
        (str(file), number)
        for file in PACKAGE.rglob("*.py")
        for number, line in enumerate(file.read_text("utf-8").splitlines(), 1)
        if names and pattern.search(line)
    ]


def kept() -> list[dict[str, str]]:
    return tomllib.loads(KEPT.read_text("utf-8")).get("kept", []) if KEPT.exists() else []


def main(room: str, modules: Iterable[str], only: str = "") -> int:
    patterns, tests = ROOMS[room]
    files = sorted({f for p in patterns.split() for f in PACKAGE.glob(p)})
    chosen = [f for f in files if not modules or f.stem in modules]
    sys.path[:0] = [str(HERE.parent), str(HERE)]
    runner = Runner(chosen, only)
    paths = [str(HERE / f"test_{name}.py") for name in tests.split()]
    os.chdir(HERE.parent)
    collected = pytest.main(
        [
            "-o",
            "addopts=--import-mode=importlib",
            "-p",
            "no:terminal",
            "-p",
            "no:cacheprovider",
            *paths,
        ],
        plugins=[runner],
    )
    if collected not in (0, 5):
        return 2
    survived = {c.key for c in runner.survivors}
    names = {f.relative_to(PACKAGE.parent).as_posix() for f in chosen}
    excuses = {(k["file"], k["function"], k["was"], k["now"]) for k in kept() if k["file"] in names}
    unexcused = [c for c in runner.survivors if c.key not in excuses]
    print(f"# {len(unexcused)} survivors without an excuse:")
    for change in unexcused:
        print(change.shown)
    needless = sorted(excuses - survived)
    print(f"# {len(needless)} excuses that no longer apply:")
    for excuse in needless:
        print(f"#   {excuse}")
    return 1 if unexcused or needless else 0


if __name__ == "__main__":
    parser = argparse.ArgumentParser()
    parser.add_argument("room", choices=ROOMS)
    parser.add_argument("modules", nargs="*")
    parser.add_argument("--again", type=Path)
    asked = parser.parse_args()
    earlier = asked.again.read_text("utf-8") if asked.again else ""
    sys.exit(main(asked.room, asked.modules, earlier))
