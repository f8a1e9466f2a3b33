"""The summary on the terminal, and progress on standard error. Renders only."""

from __future__ import annotations

import sys
import threading
from itertools import groupby
from types import TracebackType
from typing import TextIO

from auditor.core.durations import hms
from auditor.core.text import printable
from auditor.model import Audit, Cause, PowerPlan, RuleLine

_SHOWN = 12
_EVIDENCE = 3
_MARK = {"info": "info", "caution": "CAUTION", "problem": "PROBLEM"}


def summary(audit: Audit) -> str:
    """The audit in a screen of plain text: outcome, hours, gaps, thresholds, findings."""
    axis, coverage = audit.study.axis, audit.coverage
    lines = [
        f"{audit.decision.outcome.upper()}  {audit.decision.headline}",
        *(f"  - {reason.text}" for reason in audit.decision.reasons),
        "",
        f"Study     {audit.study_id or audit.study.name}"
        + (f", patient code {audit.patient_code}" if audit.patient_code else "")
        + (f", recorder {audit.recorder}" if audit.recorder else ""),
        f"Recorded  {hms(coverage.recorded_ns)} from {axis.iso(coverage.first_start)} to "
        f"{axis.iso(coverage.last_end)} (span {hms(coverage.span_ns)})",
    ]
    if audit.signal.scanned:
        lines.append(
            f"Usable    {hms(audit.signal.usable_ns)} with at least "
            f"{audit.signal.needed_channels} live EEG channels"
        )
    else:
        lines.append("Usable    not known: the samples were not scanned")
    if audit.shortfall is not None:
        s = audit.shortfall
        lines.append(
            f"Missing   late start {hms(s.late_start_ns, up=True)}, "
            f"gaps {hms(s.gaps_ns, up=True)}, dropouts {hms(s.dropouts_ns, up=True)}, "
            f"early stop {hms(s.early_stop_ns, up=True)} of the ordered {hms(s.ordered_ns)}"
        )
    stop = audit.stop
    lines.append(f"Stop      {_words(stop.kind)}, likely cause: {_cause(stop.cause)}")
    lines += [f"  - {text}" for text in stop.cause.evidence[:_EVIDENCE]]
    lines += _gaps(audit)
    lines += _thresholds(audit)
    lines += _findings(audit)
    lines += ["", *audit.cautions[:2]]
    return "\n".join(printable(line) for line in lines) + "\n"


def _words(code: str) -> str:
    """A code of the vocabulary as words."""
    return code.replace("_", " ")


def _cause(of: Cause) -> str:
    named = ", ".join(map(_words, (of.likely_cause, *of.also)))
    return named if of.rank is None else f"{named} ({of.rank})"


def _gaps(audit: Audit) -> list[str]:
    axis, gaps = audit.study.axis, [*zip(audit.coverage.gaps, audit.gap_causes, strict=True)]
    if not gaps:
        return ["Gaps      none"]
    lines = [f"Gaps      {len(gaps)}, {hms(audit.coverage.gaps_ns, up=True)} in all"]
    longest = sorted(gaps, key=lambda g: (-g[0].duration, g[0].start))[:_SHOWN]
    for gap, cause in sorted(longest, key=lambda g: g[0].start):
        length = hms(gap.duration, up=True)
        lines.append(f"  {axis.iso(gap.start)}  {length:>10}  likely cause: {_cause(cause)}")
    if len(gaps) > len(longest):
        lines.append(f"  and {len(gaps) - len(longest)} shorter ones, all in gaps.csv")
    return lines


def _thresholds(audit: Audit) -> list[str]:
    billing = audit.billing
    if billing is None:
        return []
    units = ", ".join(f"{u.count} x {u.code} ({u.band})" for u in billing.technical_totals)
    whole = billing.professional.whole_study
    lines = [
        "",
        f"Time thresholds met by {billing.basis} time (never a claim; a qualified coder decides)",
        f"  technical     {units or 'none'}",
        f"  professional  whole study {whole.code or 'none'} ({whole.band}); each day "
        + (", ".join(d.code or "none" for d in billing.professional.each_day) or "none"),
    ]
    if billing.minimum is not None:
        minimum = billing.minimum
        lines.append(f"  minimum       {'met' if minimum.met else 'not met'}: {minimum.text}")
    for period in billing.periods:
        lines += [f"  period {period.index}: {note}" for note in period.notes]
    if audit.monitoring is not None:
        lines += [f"  monitoring: {audit.monitoring.note}"]
    if audit.video is not None:
        lines += [f"  video: {audit.video.note}"]
    lines += [f"  other interpretation: if {a.words}" for a in billing.interpretations]
    return lines


def _findings(audit: Audit) -> list[str]:
    if not audit.findings:
        return []
    lines = ["", "Findings"]
    for finding in audit.findings[:_SHOWN]:
        where = f"{finding.where}: " if finding.where else ""
        lines.append(f"  {_MARK[finding.severity]:8} {where}{finding.text}")
    if len(audit.findings) > _SHOWN:
        lines.append(f"  and {len(audit.findings) - _SHOWN} more, all in audit.html")
    return lines


def plan_text(plan: PowerPlan) -> str:
    """The power plan as plain text."""
    verdict = "lasts" if plan.enough else "does NOT last"
    reserve = "without any reserve"
    if plan.reserve_ns:
        reserve = f"with a reserve of {hms(plan.reserve_ns, up=True)}"
    lines = [
        f"By the lab's figures the set-up {verdict} the ordered {hms(plan.ordered_ns)} {reserve}: "
        f"it runs about {hms(plan.lasts_ns)}.",
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
    return "\n".join(printable(line) for line in lines) + "\n"


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
        self._task: object | None = None
        self._lock = threading.Lock()

    def __enter__(self) -> TerminalProgress:
        if self._progress.console.is_terminal:
            self._progress.start()
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self._progress.stop()

    def stage(self, name: str, total: int) -> None:
        """Begin a stage."""
        with self._lock:
            if self._task is not None:
                self._progress.remove_task(self._task)  # type: ignore[arg-type]
            self._task = self._progress.add_task(printable(name), total=max(total, 1))

    def advance(self, amount: int) -> None:
        """Add to the stage."""
        with self._lock:
            if self._task is not None:
                self._progress.advance(self._task, amount)  # type: ignore[arg-type]
