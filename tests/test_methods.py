"""The methods page: its worked study, its defaults and the program give the same figures."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable
from decimal import Decimal
from pathlib import Path

import pytest
from helpers_cli import run
from helpers_worked import CHECKS, HOOKUP, ORDER, write_worked_study

import auditor
from auditor.core.clock import iso
from auditor.core.units import NS
from auditor.model import Audit

ROOT = Path(__file__).resolve().parent.parent
PAGE = (ROOT / "auditor" / "decision" / "methods.md").read_text(encoding="utf-8")


def table(first: str, page: str = PAGE) -> list[list[str]]:
    """The rows of the table whose first heading is ``first``."""
    lines = page.splitlines()
    start = next(i for i, line in enumerate(lines) if line.startswith(f"| {first} |"))
    rows = []
    for line in lines[start + 2 :]:
        if not line.startswith("|"):
            break
        rows.append([cell.strip() for cell in line.strip("|").split("|")])
    return rows


def nanoseconds(text: str) -> int:
    """A duration as the page writes it: h:mm:ss with decimals."""
    match = re.fullmatch(r"(\d+):(\d\d):(\d\d(?:\.\d+)?)", text)
    assert match is not None, text
    hours, minutes, seconds = match.groups()
    return int((Decimal(int(hours) * 3600 + int(minutes) * 60) + Decimal(seconds)) * NS)


@pytest.fixture(scope="module")
def worked(tmp_path_factory: pytest.TempPathFactory) -> Audit:
    folder = tmp_path_factory.mktemp("methods") / "S-2048"
    return auditor.audit_study(folder, order=write_worked_study(folder))


def hour(audit: Audit, civil: str) -> int:
    return next(h.recorded_ns for h in audit.hours if audit.study.axis.iso(h.start) == civil)


# How the program's figure is read from the audit, by the page's name for it.
FIGURES: dict[str, Callable[[Audit], int | None]] = {
    "recorded": lambda a: a.coverage.recorded_ns,
    "span": lambda a: a.coverage.span_ns,
    "gaps": lambda a: a.coverage.gaps_ns,
    "dropouts": lambda a: a.coverage.dropouts_ns,
    "longest run": lambda a: a.coverage.longest_run_ns,
    "sum of records": lambda a: a.coverage.overlap_ns + a.coverage.recorded_ns,
    "overlap": lambda a: a.coverage.overlap_ns,
    "held by B alone": lambda a: a.coverage.copies[1].only_here_ns,
    "late start": lambda a: a.shortfall and a.shortfall.late_start_ns,
    "early stop": lambda a: a.shortfall and a.shortfall.early_stop_ns,
    "short": lambda a: a.shortfall and a.shortfall.short_ns,
    "night of 13 March": lambda a: a.nights[0].recorded_ns,
    "clock hour 07:00 of 14 March": lambda a: hour(a, "2027-03-14T07:00:00"),
    "period 1": lambda a: a.billing and a.billing.periods[0].recorded_ns,
    "period 2": lambda a: a.billing and a.billing.periods[1].recorded_ns,
    "to the next technical limit": lambda a: a.billing and a.billing.total.to_next_ns,
    "longest time between checks": lambda a: a.monitoring and a.monitoring.longest_interval_ns,
}


@pytest.mark.parametrize(("figure", "value"), [(r[0], r[2]) for r in table("figure")])
def test_the_program_gives_the_figure_that_was_worked_out_by_hand(
    figure: str, value: str, worked: Audit
) -> None:
    assert FIGURES[figure](worked) == nanoseconds(value)


def test_every_figure_is_on_the_page() -> None:
    assert [row[0] for row in table("figure")] == list(FIGURES)


@pytest.mark.parametrize(("figure", "sum_", "value"), table("figure"))
def test_the_sums_on_the_page_add_up(figure: str, sum_: str, value: str) -> None:
    """Where the middle column is an expression of durations, it gives the value beside it."""
    parts = re.fullmatch(r"[\d:.]+(?: [+-] [\d:.]+)+", sum_)
    if parts is None:
        assert not re.search(r"\d [+-] \d", sum_), figure
        return
    total, sign = 0, 1
    for word in sum_.split():
        if word in "+-":
            sign = 1 if word == "+" else -1
        else:
            total += sign * nanoseconds(word)
    assert total == nanoseconds(value)


def test_the_files_are_as_the_page_describes_them(worked: Audit) -> None:
    files = {f.recording.name: f for f in worked.study.counted}
    hookup = worked.hookup
    assert hookup is not None
    assert iso(hookup) == "2027-03-14T03:00:00"
    for name, copy, start, records, spans in table("file"):
        file = files.pop(name)
        assert file.copy == copy
        assert iso(file.recording.start_civil_ns) == start.replace(" ", "T")
        runs = [r.split(" from +") for r in records.split(", ")]
        assert file.recording.records == sum(int(count) for count, _ in runs)
        first = [0]
        for count, _ in runs[:-1]:
            first.append(first[-1] + int(count))
        onsets = [int(file.recording.offsets_ns[i]) for i in first]
        assert onsets == [int(Decimal(onset) * NS) for _, onset in runs]
        expected = [tuple(map(nanoseconds, s.split(" to "))) for s in spans.split(", ")]
        measured = zip(file.run_starts - hookup, file.run_ends - hookup, strict=True)
        assert [(int(a), int(b)) for a, b in measured] == expected
    assert not files


def test_the_lapse_the_codes_and_the_outcome_are_those_on_the_page(worked: Audit) -> None:
    axis = worked.study.axis
    monitoring, billing = worked.monitoring, worked.billing
    assert monitoring is not None
    assert billing is not None
    assert [(axis.iso(x.start)[11:16], axis.iso(x.end)[11:16]) for x in monitoring.lapses] == [
        ("12:00", "15:00")
    ]
    assert monitoring.lapses[0].periods == (1,)
    assert [(u.code, u.count) for u in billing.technical_totals] == [("95708", 1)]
    by_period = [(u.code, u.count) for p in billing.periods for u in p.technical.units]
    assert by_period == [("95708", 1), ("95706", 1)]
    assert worked.decision.outcome == "review"
    assert worked.coverage.recorded_ns * 1000 // (30 * 3600 * NS) == 852  # 85.3 %, rounded down
    for words in ("95708", "95706", "review", "85.3 %"):
        assert words in PAGE


def test_the_checks_on_the_page_are_those_of_the_log() -> None:
    listed = PAGE.split("on the patient's clock: ")[1].split(". From")[0]
    assert listed.replace("\n", " ").split(", ") == [c[11:] for c in CHECKS]
    hookup = re.search(r"^hookup = (.*)$", ORDER, re.MULTILINE)
    assert hookup is not None
    assert hookup[1] == HOOKUP.isoformat()


def test_usable_time_is_all_of_recorded_time_in_the_worked_study(worked: Audit) -> None:
    assert worked.signal.usable_ns == worked.coverage.recorded_ns


@pytest.mark.parametrize(("setting", "default"), [(r[0], r[1]) for r in table("setting")])
def test_the_defaults_on_the_page_are_those_of_the_policy(setting: str, default: str) -> None:
    policy = tomllib.loads(
        (ROOT / "auditor" / "policy" / "us-long-term-eeg.toml").read_text(encoding="utf-8")
    )
    section, key = setting.strip("`").split(".")
    assert Decimal(str(policy[section][key])) == Decimal(default)


def test_the_command_prints_the_page(capsys: pytest.CaptureFixture[str]) -> None:
    assert run("methods") == 0
    assert capsys.readouterr().out == PAGE
