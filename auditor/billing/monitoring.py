"""Documented checks: the longest time between them, lapses, and the level that they support.

Time between checks is *recorded* time: an interruption can hold nothing to review and needs no
check, so two checks 3 h apart with a 90-minute interruption between them lie 90 minutes apart. (By
the wall clock they would lie 3 h apart; the source asks for reviews through the recording, so
recorded time is what is counted.) The start and end of the recording count as ends of an interval
too: the first check is due within ``first_within`` of the first record, the last within
``last_within`` of the last. That is our reading; the interpretation without it is told where it
changes a code.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from auditor.billing.periods import Window
from auditor.billing.support import held_in
from auditor.core import intervals as iv
from auditor.core.durations import hms, in_words
from auditor.core.text import Own, matches, quantity
from auditor.model import (
    Coverage,
    Finding,
    Interval,
    Lapse,
    LogRead,
    Monitoring,
    MonitoringCheck,
    MonitoringLevel,
    Order,
    PlacedAnnotation,
    finding,
)
from auditor.policy.monitoring import AtMost, LevelRule, MonitoringSettings


class _Between(Struct, frozen=True):
    """The recorded time between two checks, or between a check and an end of the recording."""

    interval: Interval
    passed_ns: int
    end: str = ""
    """``first`` or ``last`` where one side is the recording's start or end."""

    def limit(self, rule: LevelRule) -> AtMost | None:
        """The longest that ``rule`` allows here."""
        ends = {"first": rule.first_within, "last": rule.last_within}
        return ends.get(self.end) or rule.interval


class _Broken(Struct, frozen=True):
    """Where more recorded time passed than the rule allows."""

    between: _Between
    limit: AtMost

    @property
    def over_ns(self) -> int:
        """How much more than the limit passed."""
        return self.between.passed_ns - self.limit.ns


def measure_monitoring(
    log: LogRead | None,
    annotations: Sequence[PlacedAnnotation],
    coverage: Coverage,
    periods: Sequence[Window],
    order: Order | None,
    settings: MonitoringSettings,
) -> tuple[Monitoring, tuple[Finding, ...]]:
    """What the documented checks support.

    Annotations that match the policy's patterns count as checks beside the log's. A check where
    nothing was recorded shows no review and is not counted. ``supported`` is ``None`` without any
    counted check: nothing is documented, and nothing is assumed.
    """
    noted = [
        MonitoringCheck(a.at, "", a.text, "annotation")
        for a in annotations
        if matches(settings.check_patterns, a.text)
    ]
    every = sorted([*(log.checks if log else ()), *noted], key=lambda c: c.at)
    counted = _while_recording(coverage, every)
    outside = len(every) - len(counted)
    ordered = order.monitoring if order else None
    findings = []
    if outside and counted:
        lie = "lies" if outside == 1 else "lie"
        findings.append(
            finding(
                "checks_outside_recording",
                "monitoring",
                outside=Own(f"{outside} of {quantity(len(every), 'check')} {lie}"),
                count=outside,
            )
        )
    if not counted:
        note = _nothing(ordered, outside, log)
        return (
            Monitoring(ordered, (), None, None, (), note, outside=outside, log=log),
            tuple(findings),
        )
    between = _between([check.at for check in counted], coverage)
    rules: dict[MonitoringLevel, LevelRule] = {
        "intermittent": settings.intermittent,
        "continuous": settings.continuous,
    }
    shown = {level: rule for level, rule in rules.items() if rule.interval is not None}
    broken = {level: list(_broken(between, rule)) for level, rule in shown.items()}
    supported: MonitoringLevel = "unmonitored"
    for level, found in broken.items():
        supported = supported if found else level
    judged: MonitoringLevel = "intermittent"
    if ordered is not None and ordered in shown:
        judged = ordered
    lapses = broken.get(judged, [])
    longest = max(b.passed_ns for b in between)
    told = _lapses(lapses, judged, periods, coverage)
    monitoring = Monitoring(
        ordered=ordered,
        checks=tuple(counted),
        longest_interval_ns=longest,
        supported=supported,
        lapses=told,
        note=_note(len(counted), longest, supported, told, len(periods)),
        not_shown=_where(broken, ends=True),
        not_shown_between=_where(broken, ends=False),
        outside=outside,
        log=log,
    )
    if lapses and ordered not in (None, "unmonitored"):
        findings.append(_lapse_finding(lapses, len(between) - 2, judged, monitoring.lapses))
    return monitoring, tuple(findings)


def _where(
    broken: dict[MonitoringLevel, list[_Broken]], *, ends: bool
) -> tuple[tuple[MonitoringLevel, tuple[Interval, ...]], ...]:
    return tuple(
        (level, tuple(b.between.interval for b in found if ends or not b.between.end))
        for level, found in broken.items()
    )


def _nothing(ordered: MonitoringLevel | None, outside: int, log: LogRead | None) -> Own:
    if outside:
        return Own(f"{quantity(outside, 'check', 'lies', 'lie')} where nothing was recorded.")
    if log is not None and not log.taken:
        return Own("The log of checks could not be taken as it is.")
    if ordered in (None, "unmonitored"):
        return Own("No checks were asked for.")
    return Own("No check is documented in the log or in the annotations.")


def _note(
    counted: int, longest_ns: int, supported: MonitoringLevel, lapses: Sequence[Lapse], periods: int
) -> Own:
    text = (
        f"{quantity(counted, 'documented check')}; at most {in_words(longest_ns, up=True)} of "
        "recording without one"
    )
    if not lapses:
        return Own(f"{text}: {supported} throughout.")
    told = f"{text}: {quantity(len(lapses), 'lapse')}, so not throughout"
    kept = periods - len({p for lapse in lapses for p in lapse.periods})
    if kept:
        told += f"; {quantity(kept, 'period')} without a lapse"
    return Own(f"{told}.")


def _while_recording(
    coverage: Coverage, checks: Sequence[MonitoringCheck]
) -> list[MonitoringCheck]:
    """Those of ``checks`` in the span and in no gap (a dropout is too short to matter).

    The very start and end of a gap still touch recorded time.
    """
    at = np.array([check.at for check in checks], np.int64)
    starts = np.array([gap.start for gap in coverage.gaps], np.int64)
    ends = np.array([gap.end for gap in coverage.gaps], np.int64)
    # Gaps are sorted and apart: a check lies in one where more have begun before it than ended.
    in_gap = np.searchsorted(starts, at, "left") > np.searchsorted(ends, at, "right")
    inside = (at >= coverage.first_start) & (at <= coverage.last_end) & ~in_gap
    return [check for check, kept in zip(checks, inside.tolist(), strict=True) if kept]


def _between(counted: Sequence[int], coverage: Coverage) -> list[_Between]:
    """Each interval between neighbouring checks, and from and to the ends of the recording, in
    order."""
    edges = [coverage.first_start, *counted, coverage.last_end]
    union = coverage.union_starts, coverage.union_ends
    passed = np.diff(iv.held_before(union, np.array(edges, np.int64))).tolist()
    ends = ["first", *[""] * (len(counted) - 1), "last"]
    return [
        _Between(Interval(a, b), held, end)
        for (a, b), held, end in zip(pairwise(edges), passed, ends, strict=True)
    ]


def _broken(between: Sequence[_Between], rule: LevelRule) -> Iterator[_Broken]:
    for one in between:
        limit = one.limit(rule)
        if limit is not None and one.passed_ns > limit.ns:
            yield _Broken(one, limit)


def _lapses(
    broken: Sequence[_Broken],
    level: MonitoringLevel,
    periods: Sequence[Window],
    coverage: Coverage,
) -> tuple[Lapse, ...]:
    """Each lapse with the periods in whose recorded time it lies."""
    starts, ends = [p.start for p in periods], [p.end for p in periods]
    shared: list[tuple[int, int, Interval]] = []
    for i, b in enumerate(broken):
        interval = b.between.interval
        for k in range(bisect_right(ends, interval.start), bisect_left(starts, interval.end)):
            part = interval.clip(periods[k].interval)
            if part is not None:
                shared.append((i, periods[k].index, part))
    union = coverage.union_starts, coverage.union_ends
    held = held_in(union, [part for _, _, part in shared]).tolist()
    touched: list[list[int]] = [[] for _ in broken]
    for (i, index, _), recorded in zip(shared, held, strict=True):
        if recorded:
            touched[i].append(index)
    return tuple(
        Lapse(
            b.between.interval.start,
            b.between.interval.end,
            tuple(indices),
            Own(
                f"{in_words(b.between.passed_ns, up=True)} of recording passed without a "
                f"documented check, in {_periods(indices)}; {level} monitoring allows at most "
                f"{in_words(b.limit.ns)}."
            ),
            b.between.passed_ns,
        )
        for b, indices in zip(broken, touched, strict=True)
    )


def _periods(numbers: Sequence[int]) -> str:
    texts = [str(n) for n in numbers]
    if len(texts) < 2:
        return f"period {texts[0]}" if texts else "no period"
    return f"periods {', '.join(texts[:-1])} and {texts[-1]}"


def _lapse_finding(
    broken: Sequence[_Broken], between: int, level: MonitoringLevel, lapses: Sequence[Lapse]
) -> Finding:
    """One finding for all lapses. ``between`` is the number of intervals from check to check."""
    inner = [b for b in broken if not b.between.end]
    told = [_intervals(inner, between)] if inner else []
    for b in broken:
        passed, over = _h_mm(b.between.passed_ns), _h_mm(b.over_ns)
        if b.between.end == "first":
            told.append(f"the first check is {passed} after the start, {over} over")
        if b.between.end == "last":
            told.append(f"the last check is {passed} before the end, {over} over")
    worst = max(broken, key=lambda b: b.between.passed_ns)
    ends = " That the recording's ends count is our reading of the rule." if not inner else ""
    return finding(
        "monitoring_lapse",
        "monitoring",
        span=worst.between.interval,
        told=Own("; ".join(told)),
        periods=Own(_periods(sorted({p for lapse in lapses for p in lapse.periods}))),
        level=Own(level.capitalize()),
        limit=in_words(worst.limit.ns),
        longest=in_words(worst.between.passed_ns, up=True),
        ends=Own(ends),
    )


def _intervals(broken: Sequence[_Broken], between: int) -> str:
    """'11 of 11 intervals are 2:05, 0:05 over', or the longest where they differ."""
    passed = {_h_mm(b.between.passed_ns) for b in broken}
    worst = max(broken, key=lambda b: b.over_ns)
    over = _h_mm(worst.over_ns)
    one = len(broken) == 1
    of = f"{len(broken)} of {quantity(between, 'interval')} {'is' if one else 'are'}"
    if len(passed) == 1:
        return f"{of} {passed.pop()}, {over} over"
    longest = _h_mm(worst.between.passed_ns)
    return f"{of} over {_h_mm(worst.limit.ns)}, the longest {longest}, {over} over"


def _h_mm(ns: int) -> str:
    """``h:mm`` of missing time, with seconds where there are any; rounded up."""
    return hms(ns, up=True).removesuffix(":00")
