"""The repository's own rules: layout, the README's commands, and what no file may say."""

from __future__ import annotations

import re
import subprocess
import tomllib
from pathlib import Path
from typing import Any

import pytest

ROOT = Path(__file__).resolve().parent.parent
TOP = {
    "README.md",
    "DEVELOPERS.md",
    "pyproject.toml",
    "auditor",
    "report_templates",
    "tests",
    "fixtures",
}


def tracked() -> list[str]:
    if not (ROOT / ".git").exists():
        pytest.skip("not a git checkout")
    listing = subprocess.run(
        ["git", "ls-files", "-z"], cwd=ROOT, capture_output=True, check=True, text=True
    )
    return [name for name in listing.stdout.split("\0") if name]


def project() -> dict[str, Any]:
    with (ROOT / "pyproject.toml").open("rb") as file:
        return tomllib.load(file)


def numbers(version: str) -> list[int]:
    return [int(n) for n in re.findall(r"\d+", version)]


def block_after(text: str, heading: str) -> str:
    """The first fenced code block after ``heading``."""
    found = re.search(r"```\w*\n(.*?)```", text[text.index(heading) :], re.DOTALL)
    assert found is not None
    return found.group(1).strip()


def test_the_top_level_holds_only_what_was_agreed() -> None:
    names = {name.split("/")[0] for name in tracked()}
    assert {n for n in names if not n.startswith(".")} <= TOP


def test_ci_runs_the_readmes_test_command_word_for_word() -> None:
    readme = (ROOT / "README.md").read_text(encoding="utf-8")
    command = block_after(readme, "Run the tests")
    assert command.startswith("python3 -m venv")
    assert "pytest" in command
    assert command in (ROOT / ".ci" / "run").read_text(encoding="utf-8").splitlines()


def test_the_readme_opens_with_the_job_in_one_paragraph() -> None:
    lines = (ROOT / "README.md").read_text(encoding="utf-8").split("\n\n")
    assert lines[0].startswith("# ")
    assert 200 < len(lines[1]) < 1400
    for word in ("EEG", "ordered", "interruptions", "billing", "audit"):
        assert word in lines[1]


LONG: dict[str, str] = {}
"""Modules of more than 500 lines, and why they are not two."""


def test_a_module_has_one_noun_and_a_long_one_says_which() -> None:
    # 150 to 350 lines are usual; what is cut only to stay short is as hard to find as what is long.
    long = {
        name
        for name in tracked()
        if name.endswith(".py") and name.startswith("auditor/") and (ROOT / name).is_file()
        and len((ROOT / name).read_text(encoding="utf-8").splitlines()) > 500
    }  # fmt: skip
    assert long == set(LONG)


def test_the_package_has_at_most_twenty_entries_at_its_root() -> None:
    entries = {name.split("/")[1] for name in tracked() if name.startswith("auditor/")}
    assert len(entries) <= 20, sorted(entries)


def test_every_room_is_in_the_one_list_of_layers() -> None:
    contracts = project()["tool"]["importlinter"]["contracts"]
    [layers] = [c for c in contracts if c["type"] == "layers"]
    assert layers["exhaustive"]  # lint-imports then refuses a room that is not in the list
    assert layers["exhaustive_ignores"] == ["__main__"]
    rooms = {
        name.split("/")[1].removesuffix(".py")
        for name in tracked()
        if re.fullmatch(r"auditor/(\w+\.py|\w+/.*\.py)", name)
    }
    assert rooms - {"__init__", "__main__"} == set(layers["layers"])


def test_ci_holds_a_version_of_every_dependency_that_its_lower_bound_allows() -> None:
    pins = dict(
        line.split("==")
        for line in (ROOT / ".ci" / "constraints.txt").read_text(encoding="utf-8").splitlines()
        if not line.startswith("#")
    )
    config = project()
    groups = config["project"]["optional-dependencies"].values()
    wanted = {
        part
        for group in (
            config["project"]["dependencies"],
            config["build-system"]["requires"],
            *groups,
        )
        for part in group
    }
    for requirement in wanted:
        found = re.fullmatch(r"([\w-]+)(?:\[\w+\])?(?:>=([\d.]+))?(?:; .+)?", requirement)
        assert found, requirement
        pinned = pins[found[1].lower()]
        if found[2]:
            assert numbers(pinned) >= numbers(found[2]), requirement


def test_ci_uses_the_constraints_and_the_newest_are_tried_without_them() -> None:
    run = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert 'PIP_CONSTRAINT="${PIP_CONSTRAINT-$PWD/.ci/constraints.txt}"' in run
    assert "PIP_CONSTRAINT='' bash" in (ROOT / ".ci" / "newest").read_text(encoding="utf-8")


def test_no_file_names_the_machine_it_was_written_on() -> None:
    pattern = re.compile(r"(?<![\w.])/(work|root|home)/\w")
    texts = (".py", ".md", ".toml", ".html", ".css", ".js", ".json", ".csv")
    for name in tracked():
        if name.endswith(texts) and (ROOT / name).is_file():
            text = (ROOT / name).read_text(encoding="utf-8", errors="replace")
            assert not pattern.search(text), name


FIGURE = re.compile(
    r"(?:batter(?:y|ies)|suppl(?:y|ies)|charg(?:er|ers|ing))[^\n]{0,60}?(?<![\w.])"
    r"(\d+(?:\.\d+)?)\s*(?:h|hours?|min|minutes|%)(?!\w)"
    r"|(?:hours_per_battery|external_hours|mode_share|reserve_share|charges)\"?\s*[=:]\s*\[?\s*"
    r"(\d+(?:\.\d+)?)",
    re.IGNORECASE,
)
"""A figure of a battery, a supply or a charger. 0, 1 and 100 % stand for nothing or all of it."""


def power_figures(text: str) -> list[str]:
    return [
        found.group()
        for found in FIGURE.finditer(text)
        if float(found.group(1) or found.group(2)) not in (0, 1)
        and not found.group().endswith(" 100 %")
    ]


def test_a_power_figure_is_found() -> None:
    for text in ("hours_per_battery = 36", "two batteries run 72 h", "the supply feeds 100 hours",
                 "charges = [0.8, 1]", "charging takes 3 h", "Battery at 5 %"):  # fmt: skip
        assert power_figures(text), text
    for text in ("hours_per_battery = 1", "external_hours = 0", "batteries = 2", "a battery",
                 "charge of a battery, such as 100 %"):  # fmt: skip
        assert not power_figures(text), text


def test_no_figure_of_a_battery_supply_or_charger_ships() -> None:
    # Together such figures describe one recorder. Tests hold check values, marked as common
    # practice, no source; the demo and the README name their invented lab.
    for name in tracked():
        path = ROOT / name
        if name.startswith(("tests/", "fixtures/golden/", "fixtures/fuzz/")) or not path.is_file():
            continue
        text = path.read_bytes().decode("utf-8", errors="replace")
        if name == "README.md":
            blocks = re.findall(r"```.*?```", text, re.DOTALL)
            shown = [b for b in blocks if "invented" in b or "S-2041" in b]
            for block in shown:
                text = text.replace(block, "")
        elif name == "auditor/demo/studies.py":
            assert "fictional lab" in text
            continue
        assert power_figures(text) == [], name
