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

from collections.abc import Sequence

import numpy as np

from auditor.billing.periods import Window
from auditor.core import intervals as iv
from auditor.core.durations import hms, in_words
from auditor.core.intervals import Pair
from auditor.core.text import Own, matches, quantity
from auditor.model import (
    Coverage,
    End,
    Finding,
    Int64,
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
from auditor.policy.sections import AtMost, LevelRule, MonitoringSettings


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
    if not counted:
        return Monitoring(ordered, (), None, None, (), outside=outside, log=log), ()
    edges = [coverage.first_start, *(check.at for check in counted), coverage.last_end]
    union = coverage.union_starts, coverage.union_ends
    held = iv.held_before(union, np.array(edges))
    rules: dict[MonitoringLevel, LevelRule] = {
        "intermittent": settings.intermittent,
        "continuous": settings.continuous,
    }
    not_shown = {
        level: _lapses(edges, held, rule, rule.interval, periods, union)
        for level, rule in rules.items()
        if rule.interval is not None
    }
    supported: MonitoringLevel = "unmonitored"
    for level, found in not_shown.items():
        supported = supported if found else level
    judged = ordered if ordered is not None and ordered in not_shown else "intermittent"
    lapses = not_shown.get(judged, ())
    monitoring = Monitoring(
        ordered=ordered,
        checks=tuple(counted),
        longest_interval_ns=int(np.diff(held).max()),
        supported=supported,
        lapses=lapses,
        not_shown=tuple(not_shown.items()),
        outside=outside,
        log=log,
    )
    findings = []
    if outside:
        lie = f"{quantity(len(every), 'check')} {'lies' if outside == 1 else 'lie'}"
        findings.append(
            finding(
                "checks_outside_recording",
                "monitoring",
                outside=Own(f"{outside} of {lie}"),
                count=outside,
            )
        )
    if lapses and ordered not in (None, "unmonitored"):
        findings.append(_lapse_finding(lapses, len(counted) - 1, judged))
    return monitoring, tuple(findings)


def _while_recording(
    coverage: Coverage, checks: Sequence[MonitoringCheck]
) -> list[MonitoringCheck]:
    """Those of ``checks`` in the span and in no gap (a dropout is too short to matter).

    The very start and end of a gap still touch recorded time.
    """
    at = np.fromiter((check.at for check in checks), np.int64)
    starts, ends = iv.pair_of(coverage.gaps)
    # Gaps are sorted and apart: a check lies in one where more have begun before it than ended.
    in_gap = np.searchsorted(starts, at) > np.searchsorted(ends, at, "right")
    inside = (at >= coverage.first_start) & (at <= coverage.last_end) & ~in_gap
    return [check for check, kept in zip(checks, inside.tolist(), strict=True) if kept]


def _lapses(
    edges: Sequence[int],
    held: Int64,
    rule: LevelRule,
    usual: AtMost,
    periods: Sequence[Window],
    union: Pair,
) -> tuple[Lapse, ...]:
    """Where more recorded time passed between two ``edges`` than ``rule`` allows.

    ``edges`` are the recording's start, its checks in time order, and its end; ``held``, of the
    same shape, is the recorded time before each. ``usual`` is the rule's interval.
    """
    middle: list[tuple[End, AtMost]] = [("", usual)] * (len(edges) - 3)
    first, last = rule.first_within or usual, rule.last_within or usual
    # A period is touched where its recorded time, not only its wall time, lies in the lapse.
    begins, ends = (iv.held_before(union, at) for at in iv.pair_of(periods))
    low = np.searchsorted(ends, held[:-1], "right").tolist()
    high = np.searchsorted(begins, held[1:]).tolist()
    passed = np.diff(held).tolist()
    return tuple(
        Lapse(
            edges[i],
            edges[i + 1],
            tuple(periods[k].index for k in range(low[i], high[i]) if begins[k] < ends[k]),
            passed[i],
            limit.ns,
            at,
        )
        for i, (at, limit) in enumerate([("first", first), *middle, ("last", last)])
        if passed[i] > limit.ns
    )


def _lapse_finding(lapses: Sequence[Lapse], between: int, level: MonitoringLevel) -> Finding:
    """One finding for all lapses. ``between`` is the number of intervals from check to check."""
    inner = [lapse for lapse in lapses if not lapse.at]
    told = [_intervals(inner, between)] if inner else []
    for lapse in lapses:
        passed, over = _h_mm(lapse.recorded_ns), _h_mm(lapse.recorded_ns - lapse.allowed_ns)
        if lapse.at:
            side = "after the start" if lapse.at == "first" else "before the end"
            told.append(f"the {lapse.at} check is {passed} {side}, {over} over")
    worst = max(lapses, key=lambda lapse: lapse.recorded_ns)
    ends = " That the recording's ends count is our reading of the rule." if not inner else ""
    *most, final = map(str, sorted({p for lapse in lapses for p in lapse.periods}))
    return finding(
        "monitoring_lapse",
        "monitoring",
        span=Interval(worst.start, worst.end),
        told=Own("; ".join(told)),
        periods=Own(f"periods {', '.join(most)} and {final}" if most else f"period {final}"),
        level=Own(level.capitalize()),
        limit=in_words(worst.allowed_ns),
        longest=in_words(worst.recorded_ns, up=True),
        ends=Own(ends),
    )


def _intervals(lapses: Sequence[Lapse], between: int) -> str:
    """'11 of 11 intervals are 2:05, 0:05 over', or the longest where they differ."""
    passed = {_h_mm(lapse.recorded_ns) for lapse in lapses}
    worst = max(lapses, key=lambda lapse: lapse.recorded_ns)
    over = _h_mm(worst.recorded_ns - worst.allowed_ns)
    one = len(lapses) == 1
    of = f"{len(lapses)} of {quantity(between, 'interval')} {'is' if one else 'are'}"
    if len(passed) == 1:
        return f"{of} {passed.pop()}, {over} over"
    return (
        f"{of} over {_h_mm(worst.allowed_ns)}, the longest {_h_mm(worst.recorded_ns)}, {over} over"
    )


def _h_mm(ns: int) -> str:
    """``h:mm`` of missing time, with seconds where there are any; rounded up."""
    return hms(ns, up=True).removesuffix(":00")
