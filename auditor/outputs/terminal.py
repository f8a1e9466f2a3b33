"""The summary on the terminal, and progress on standard error."""

from __future__ import annotations

import sys
import textwrap
from itertools import groupby
from typing import TextIO

from auditor.core.durations import hms
from auditor.core.text import printable
from auditor.model import Audit, PowerPlan, RuleLine
from auditor.outputs.note import chart_note

_SHOWN = 6
_WIDTH = 100
_ANSWERS = {
    "order": "Ordered time recorded",
    "readable": "EEG to read",
    "billing": "Billing minimum met",
    "files": "Files and clock right",
}


def summary(audit: Audit) -> str:
    """The audit in half a screen of plain text: outcome, four answers, what to do, note, codes."""
    decision = audit.decision
    outcome = decision.outcome.replace("_", " ").upper()
    lines = [f"{outcome}  {decision.headline}", ""]
    lines += [f"{_ANSWERS[a.question]:23}{a.state:9}{a.text}" for a in decision.answers]
    lines += _to_do(audit)
    lines += ["", *textwrap.wrap(chart_note(audit), _WIDTH)]
    lines += _codes(audit)
    lines += ["", *audit.cautions[:2]]
    return "\n".join(printable(line) for line in lines) + "\n"


def _to_do(audit: Audit) -> list[str]:
    """What the findings ask of a person, each once."""
    asked = [f for f in audit.findings if f.question is not None]
    actions = list(dict.fromkeys(f.action for f in asked if f.action))
    if not actions:
        return []
    lines = ["", "To do", *(f"  - {action}" for action in actions[:_SHOWN])]
    if len(actions) > _SHOWN:
        lines.append(f"  and {len(actions) - _SHOWN} more, all in audit.html")
    return lines


def _codes(audit: Audit) -> list[str]:
    billing = audit.billing
    if billing is None:
        return []
    units = [f"{u.count} x {u.code}" for u in billing.technical_totals]
    if billing.shorter is not None and billing.shorter.code:
        units.append(billing.shorter.code)
    days = [d.code or "none" for d in billing.professional.each_day]
    whole = billing.professional.whole_study.code or "none"
    set_up = "" if billing.setup.supported is False else f"set-up {billing.setup.code}; "
    return [
        "",
        "Codes by recorded time (never a claim; a qualified coder decides): "
        f"{set_up}technical {', '.join(units) or 'none'}; professional each day "
        f"{', '.join(days) or 'none'}, whole study {whole}",
    ]


def plan_text(plan: PowerPlan) -> str:
    """The power plan as plain text."""
    verdict = "lasts" if plan.enough else "does NOT last"
    reserve = " without any reserve" if plan.enough else ""
    if plan.reserve_ns:
        reserve = f" with a reserve of {hms(plan.reserve_ns, up=True)}"
    lines = [
        f"By the lab's figures the set-up {verdict} the ordered {hms(plan.ordered_ns)}{reserve}: "
        f"it runs about {hms(plan.lasts_ns)}."
    ]
    if not plan.reserve_ns:
        lines.append(
            "No reserve is asked for: enter reserve_share in the policy's [power], since batteries "
            "age and a study that is cut short has to be repeated."
        )
    for title, texts in (
        ("What would last", plan.would_last),
        ("Advice", plan.advice),
        ("Cautions", plan.cautions),
    ):
        if texts:
            lines += ["", title, *(f"  - {text}" for text in texts)]
    return "\n".join(lines)


def rules_text(lines: tuple[RuleLine, ...], name: str, sha256: str, checked: str) -> str:
    """The thresholds in force as plain text, one a line, grouped as they come.

    A source that several lines in a row share stands above them; a date only where it is not that
    of the policy.
    """
    out = [f"Policy {name} (sha256 {sha256}), sources checked {checked}"]
    for origin, group in groupby(lines, key=lambda line: (line.mark, line.source, line.checked)):
        mark, source, when = origin
        dated = f", checked {when}" if when not in ("", checked) else ""
        known = f"{source}{dated}" if source.startswith(mark) else f"{mark}: {source}{dated}"
        rules = [f"{line.subject}: {line.value}" for line in group]
        if len(rules) > 2:
            out += ["", f"[{known}]", *rules]
        else:
            out += [f"{rule} [{known}]" for rule in rules]
    return "\n".join(printable(line) for line in out) + "\n"


class TerminalProgress:
    """Progress with the time left, on standard error, where that is a terminal."""

    def __init__(self, stream: TextIO | None = None) -> None:
        from rich.console import Console
        from rich.progress import BarColumn, Progress, TextColumn, TimeRemainingColumn

        self._progress = Progress(
            TextColumn("{task.description}", markup=False),
            BarColumn(),
            TextColumn("{task.percentage:>3.0f} %", markup=False),
            TimeRemainingColumn(),
            console=Console(file=stream or sys.stderr, markup=False, highlight=False),
            transient=True,
        )
        self._task = self._progress.add_task("", total=None, visible=False)

    def __enter__(self) -> TerminalProgress:
        if self._progress.console.is_terminal:
            self._progress.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._progress.stop()

    def stage(self, name: str, total: int) -> None:
        """Begin a stage."""
        self._progress.reset(
            self._task, total=max(total, 1), description=printable(name), visible=True
        )

    def advance(self, amount: int) -> None:
        """Add to the stage."""
        self._progress.advance(self._task, amount)
