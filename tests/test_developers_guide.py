"""The contributors' guide names what is there: rooms, files, functions, in the order of imports."""

from __future__ import annotations

import ast
import re
import tomllib
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
GUIDE = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
WALK = "Follow one gap from the bytes to the page"
CHANGES = "Where would you change …"
PLACE = re.compile(r"`([\w./-]+/[\w./-]*)`")
NAMED = re.compile(r"`([\w/]+\.py)`((?:[:,] `[A-Za-z_][\w.]*`)+)")


def section(title: str) -> str:
    return GUIDE.split(f"\n## {title}\n")[1].split("\n## ")[0]


def first_cells(text: str) -> list[str]:
    rows = [line for line in text.splitlines() if line.startswith("|")][2:]
    return [row.split("|")[1].strip() for row in rows]


def defined(module: Path) -> set[str]:
    """Classes, functions and constants of a module, and methods as ``Class.method``."""
    names = set()
    for node in ast.parse(module.read_text(encoding="utf-8")).body:
        if isinstance(node, ast.FunctionDef):
            names.add(node.name)
        elif isinstance(node, ast.ClassDef):
            names.add(node.name)
            names |= {f"{node.name}.{n.name}" for n in node.body if isinstance(n, ast.FunctionDef)}
        elif isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name):
            names.add(node.target.id)
    return names


def named(text: str) -> list[tuple[str, str]]:
    """Each file of ours with each name that the text says is in it."""
    return [
        (file, name)
        for file, names in NAMED.findall(text)
        for name in re.findall(r"`([^`]+)`", names)
        if "/" not in name
    ]


def test_the_walk_follows_a_gap_in_six_steps_each_with_file_and_function() -> None:
    steps = [line for line in section(WALK).splitlines() if re.match(r"\| \d", line)]
    assert first_cells(section(WALK)) == ["1", "2", "3", "4", "5", "6"]
    for step in steps:
        assert named(step), step


def test_eight_common_changes_have_a_place() -> None:
    changes = [line for line in section(CHANGES).splitlines() if line.startswith("|")][2:]
    assert len(changes) >= 8
    for change in changes:
        assert PLACE.search(change), change


@pytest.mark.parametrize(("file", "name"), sorted(set(named(GUIDE))))
def test_what_the_guide_names_is_there(file: str, name: str) -> None:
    assert name in defined(ROOT / file)


def test_every_path_of_the_guide_exists() -> None:
    ours = [p for p in PLACE.findall(GUIDE) if p.split("/")[0] in
            ("auditor", "tests", "fixtures", "report_templates", ".ci")]  # fmt: skip
    assert len(set(ours)) > 30
    made_when_built = {"auditor/report_templates"}
    missing = [p for p in set(ours) - made_when_built if not (ROOT / p).exists()]
    assert missing == []


def test_the_table_of_rooms_is_the_list_of_layers() -> None:
    with (ROOT / "pyproject.toml").open("rb") as file:
        contracts = tomllib.load(file)["tool"]["importlinter"]["contracts"]
    [layers] = [c for c in contracts if c["type"] == "layers"]
    assert layers["exhaustive"]
    rooms = section("How data flows, and so how the folders read")
    assert [cell.strip("`") for cell in first_cells(rooms)] == layers["layers"]


def test_decisions_are_numbered_from_one() -> None:
    numbers = [int(n) for n in re.findall(r"^(\d+)\. \*\*", section("Decisions"), re.M)]
    assert numbers == list(range(1, len(numbers) + 1))
    assert len(numbers) >= 10
