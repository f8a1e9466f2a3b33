"""Periods: 24-hour windows (policy) of the study axis, and the recorded time in each."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.units import DAY
from auditor.model import Coverage, Interval
from auditor.policy.billing import BillingSettings

_LIST_EMPTY_UP_TO = 400 * DAY
"""Spans longer than this (one wrong date is enough) list only periods that hold recorded time."""


@dataclass(frozen=True, slots=True)
class Window:
    """One period. ``index`` counts from 1; ``first`` marks where a clock was started."""

    index: int
    start: int
    end: int
    first: bool = False

    @property
    def interval(self) -> Interval:
        """The period as an interval."""
        return Interval(self.start, self.end)


def billing_periods(
    coverage: Coverage, axis: Axis, settings: BillingSettings
) -> tuple[Interval, ...]:
    """The periods of the policy's default reading, from the first record to the last.

    The last one ends with the last record. Periods are absolute: over a change of the clock a
    period still lasts its full length (only periods from a fixed hour follow the civil clock).
    """
    fixed = settings.readings.default == "fixed_hour"
    windows = period_windows(coverage, axis, settings, fixed_hour=fixed)
    return tuple(w.interval for w in windows)


def period_windows(
    coverage: Coverage,
    axis: Axis,
    settings: BillingSettings,
    *,
    fixed_hour: bool = False,
    clock_starts: Sequence[int] = (),
) -> tuple[Window, ...]:
    """The periods from the first record on; each of ``clock_starts`` begins a new one."""
    union = coverage.union_starts, coverage.union_ends
    if fixed_hour:
        edges = _fixed_edges(coverage, axis, settings.readings.fixed_hour_ns)
        firsts = {coverage.first_start}
    else:
        begins = sorted({coverage.first_start, *clock_starts})
        firsts = set(begins)
        edges = []
        for begin, end in zip(begins, [*begins[1:], coverage.last_end], strict=True):
            edges += np.arange(begin, end, settings.period.ns, dtype=np.int64).tolist()
    bounds = np.array([*edges, coverage.last_end], np.int64)
    held = np.diff(iv.held_before(union, bounds))
    listed = coverage.span_ns <= _LIST_EMPTY_UP_TO
    rows = range(len(held)) if listed else np.flatnonzero(held).tolist()
    return tuple(
        Window(index, int(bounds[i]), int(bounds[i + 1]), int(bounds[i]) in firsts)
        for index, i in enumerate(rows, 1)
    )


def _fixed_edges(coverage: Coverage, axis: Axis, hour_ns: int) -> list[int]:
    """The first record's start, then every instant inside the span that shows the fixed hour.

    In a span too long to be a study only the days that hold recorded time, and the days after
    them, give an instant.
    """
    span = [(coverage.first_start, coverage.last_end)]
    if coverage.span_ns > _LIST_EMPTY_UP_TO:
        span = [(s.start, s.end) for s in coverage.segments]
    days: set[int] = set()
    for start, end in span:
        days.update(range(axis.civil(start) // DAY, axis.civil(end - 1) // DAY + 2))
    instants = (axis.instant(day * DAY + hour_ns) for day in sorted(days))
    inside = [at for at in instants if coverage.first_start < at < coverage.last_end]
    return [coverage.first_start, *inside]
