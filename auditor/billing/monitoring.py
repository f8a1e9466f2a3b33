"""Documented checks: the longest time between them, lapses, and the level that they support.

Time between checks is *recorded* time: a gap in the recording can hold nothing to review and needs
no check, so two checks 3 h apart with a 90-minute gap between them lie 90 minutes apart. (By the
wall clock they would lie 3 h apart; the source asks for reviews through the recording, so recorded
time is what is counted.) The start and end of the recording count as ends of an interval too: the
first check is due within ``first_within`` of the first record, the last within ``last_within`` of
the last.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

import numpy as np

from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.core.patterns import matches
from auditor.coverage.timeline import recorded_within
from auditor.model import (
    Coverage,
    Finding,
    Interval,
    Lapse,
    Monitoring,
    MonitoringCheck,
    MonitoringLevel,
    Order,
    PlacedAnnotation,
)
from auditor.policy.monitoring import AtMost, LevelRule, MonitoringSettings

VOCABULARY = {
    "monitoring_lapse": "More recorded time passed between documented checks than the level needs.",
    "checks_outside_recording": "Checks before the first record, after the last or in a gap; they "
    "show no review and are not counted.",
}


def measure_monitoring(
    checks: Sequence[MonitoringCheck],
    annotations: Sequence[PlacedAnnotation],
    coverage: Coverage,
    periods: Sequence[Interval],
    order: Order | None,
    settings: MonitoringSettings,
) -> tuple[Monitoring, tuple[Finding, ...]]:
    """What the documented checks support.

    Annotations that match the policy's patterns count as checks beside the log's. A check where
    nothing was recorded shows no review and is not counted (it is kept in ``checks`` and told).
    ``periods`` are numbered from 1 in ``Lapse.periods``. ``supported`` is ``None`` without any
    counted check: nothing is documented, and nothing is assumed.
    """
    noted = [
        MonitoringCheck(a.at, "", a.text, "annotation")
        for a in annotations
        if matches(settings.check_patterns, a.text)
    ]
    every = tuple(sorted([*checks, *noted], key=lambda c: c.at))
    counted = _while_recording(coverage, [c.at for c in every])
    ordered = order.monitoring if order else None
    outside = len(every) - len(counted)
    findings = list(_outside(outside, len(every)))
    if not counted:
        note = "No check is documented in the log or in the annotations."
        if outside:
            note += f" {outside} {_lie(outside)} where nothing was recorded."
        return Monitoring(ordered, every, None, None, (), note, (), outside), tuple(findings)

    between = _between(counted, coverage)
    rules: tuple[tuple[MonitoringLevel, LevelRule], ...] = (
        ("intermittent", settings.intermittent),
        ("continuous", settings.continuous),
    )
    not_shown: list[tuple[MonitoringLevel, tuple[Interval, ...]]] = []
    supported: MonitoringLevel = "unmonitored"
    judged: MonitoringLevel = "intermittent"
    for level, rule in rules:
        if rule.interval is None:
            continue
        broken = tuple(interval for interval, _, _ in _broken(between, rule))
        not_shown.append((level, broken))
        if not broken:
            supported = level
        if level == ordered:
            judged = level
    lapses: tuple[Lapse, ...] = ()
    rule = dict(rules)[judged]
    if rule.interval is not None:
        lapses = tuple(
            _lapse(interval, passed, limit, judged, periods, coverage)
            for interval, passed, limit in _broken(between, rule)
        )
    longest = max(passed for _, passed in between)
    if lapses and ordered not in (None, "unmonitored"):
        findings.append(_lapse_finding(lapses, judged))
    note = (
        f"{len(counted)} documented {'check' if len(counted) == 1 else 'checks'}; at most "
        f"{in_words(longest, up=True)} of recording without one."
    )
    return (
        Monitoring(ordered, every, longest, supported, lapses, note, tuple(not_shown), outside),
        tuple(findings),
    )


def _while_recording(coverage: Coverage, instants: Sequence[int]) -> list[int]:
    """Those of ``instants`` in the span and in no gap (a dropout is too short to matter).

    The very start and end of a gap still touch recorded time.
    """
    at = np.array(instants, np.int64)
    starts = np.array([gap.start for gap in coverage.gaps], np.int64)
    ends = np.array([gap.end for gap in coverage.gaps], np.int64)
    # Gaps are sorted and apart: a check lies in one where more have begun before it than ended.
    in_gap = np.searchsorted(starts, at, "left") > np.searchsorted(ends, at, "right")
    inside = (at >= coverage.first_start) & (at <= coverage.last_end)
    kept: list[int] = at[inside & ~in_gap].tolist()
    return kept


def _between(counted: Sequence[int], coverage: Coverage) -> list[tuple[Interval, int]]:
    """Each interval between neighbouring checks, and from and to the ends of the recording, with
    the recorded time in it; wall time, in order."""
    edges = [coverage.first_start, *counted, coverage.last_end]
    union = coverage.union_starts, coverage.union_ends
    passed = np.diff(iv.held_before(union, np.array(edges, np.int64))).tolist()
    return [(Interval(a, b), held) for (a, b), held in zip(pairwise(edges), passed, strict=True)]


def _broken(
    between: Sequence[tuple[Interval, int]], rule: LevelRule
) -> Iterator[tuple[Interval, int, AtMost]]:
    """The intervals in which more recorded time passed than ``rule`` allows, with the limit."""
    if rule.interval is None:
        return
    last = len(between) - 1
    for i, (interval, passed) in enumerate(between):
        limit = rule.interval
        if i == 0:
            limit = rule.first_within or limit
        elif i == last:
            limit = rule.last_within or limit
        if passed > limit.ns:
            yield interval, passed, limit


def _lapse(
    interval: Interval,
    passed_ns: int,
    limit: AtMost,
    level: MonitoringLevel,
    periods: Sequence[Interval],
    coverage: Coverage,
) -> Lapse:
    touched = []
    for index, period in enumerate(periods, 1):
        shared = interval.clip(period)
        if shared is not None and recorded_within(coverage, shared):
            touched.append(index)
    which = f"period {touched[0]}" if len(touched) == 1 else "periods " + _listed(touched)
    one = len(touched) == 1
    rest = len(periods) - len(touched)
    meaning = (
        f"{in_words(passed_ns, up=True)} of recording passed without a documented check, in {which}"
        f"; {level} monitoring allows at most {in_words(limit.ns)}. "
        f"{'That period does' if one else 'Those periods do'} not meet {level} monitoring"
    )
    meaning += "; the other periods are not affected by it." if rest else "."
    return Lapse(interval.start, interval.end, tuple(touched), meaning, passed_ns)


def _listed(numbers: Sequence[int]) -> str:
    texts = [str(n) for n in numbers]
    return texts[0] if len(texts) < 2 else f"{', '.join(texts[:-1])} and {texts[-1]}"


def _lapse_finding(lapses: Sequence[Lapse], level: MonitoringLevel) -> Finding:
    worst = max(lapses, key=lambda lapse: lapse.recorded_ns or 0)
    periods = sorted({p for lapse in lapses for p in lapse.periods})
    word = "period" if len(periods) == 1 else "periods"
    passed = in_words(worst.recorded_ns or 0, up=True)
    return Finding(
        "monitoring_lapse",
        "caution",
        "monitoring",
        f"The documented checks leave {len(lapses)} {'lapse' if len(lapses) == 1 else 'lapses'}, "
        f"the longest {passed} of recording, in {word} {_listed(periods)}. {worst.meaning}",
        expected=f"checks as often as {level} monitoring needs",
        observed=passed,
        action="Look for checks that were made and not entered. If there were none, the level of "
        "the periods named is lower.",
        span=Interval(worst.start, worst.end),
    )


def _lie(count: int) -> str:
    return "lies" if count == 1 else "lie"


def _outside(outside: int, every: int) -> Iterator[Finding]:
    if outside:
        yield Finding(
            "checks_outside_recording",
            "info",
            "monitoring",
            f"{outside} of {every} checks {_lie(outside)} before the first record, after the last "
            "or in a gap. Nothing was being recorded then, so they show no review and are not "
            "counted.",
            expected="checks while the recording runs",
            observed=f"{outside} outside",
            action="If many lie outside, compare the log's clock and dates with the recording's.",
        )
