"""Periods: 24-hour windows (policy) of the study axis, what is left over, calendar dates."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from auditor.billing.limits import within
from auditor.billing.support import held_in
from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.intervals import Pair
from auditor.core.units import DAY
from auditor.model import Coverage, Interval, Study
from auditor.policy.billing import BillingSettings

_LIST_EMPTY_UP_TO = 400 * DAY
"""Spans longer than this (one wrong date is enough) list only periods that hold recorded time."""


class Window(Interval, frozen=True):
    """One period. ``index`` counts from 1; ``first`` marks where a clock was started."""

    index: int
    first: bool


class Portion(Struct, frozen=True):
    """The time of one period, once a little left over has joined the period before it.

    ``extent`` is the window, with the one after where that joined it; ``took_ns`` is that one's
    time. ``joins``: its own time was joined to the period before.
    """

    window: Window
    extent: Interval
    recorded_ns: int
    took_ns: int
    joins: bool

    @property
    def counted_ns(self) -> int:
        """The time that counts with this period."""
        return 0 if self.joins else self.recorded_ns + self.took_ns


def billing_periods(
    coverage: Coverage, axis: Axis, settings: BillingSettings, restarts: Sequence[int] = ()
) -> tuple[Window, ...]:
    """The periods of the policy, from the first record to the last.

    The last one ends with the last record; where the policy says so, each of ``restarts`` begins a
    new one. Periods are absolute: over a change of the clock a period still lasts its full length
    (only periods from a fixed hour follow the civil clock).
    """
    begins = {coverage.first_start}
    if settings.period_start_ns is not None:
        edges = _fixed_edges(coverage, axis, settings.period_start_ns)
    else:
        if settings.restart.moves_clock:
            begins.update(restarts)
        edges = [
            at
            for begin, end in pairwise([*sorted(begins), coverage.last_end])
            for at in range(begin, end, settings.period.ns)
        ]
    bounds = [*edges, coverage.last_end]
    rows: Sequence[int] = range(len(edges))
    if coverage.span_ns > _LIST_EMPTY_UP_TO:
        union = coverage.union_starts, coverage.union_ends
        rows = np.flatnonzero(np.diff(iv.held_before(union, np.array(bounds)))).tolist()
    return tuple(
        Window(bounds[i], bounds[i + 1], index, bounds[i] in begins)
        for index, i in enumerate(rows, 1)
    )


def _fixed_edges(coverage: Coverage, axis: Axis, hour_ns: int) -> list[int]:
    """The first record's start, then every instant inside the span that shows the fixed hour.

    In a span too long to be a study only the days that hold recorded time, and those before and
    after them, give an instant.
    """
    span = [(coverage.first_start, coverage.last_end)]
    if coverage.span_ns > _LIST_EMPTY_UP_TO:
        span = [(s.start, s.end) for s in coverage.segments]
    days: set[int] = set()
    for start, end in span:
        days.update(range(axis.civil(start) // DAY - 1, axis.civil(end) // DAY + 2))
    instants = (axis.instant(day * DAY + hour_ns) for day in sorted(days))
    inside = [at for at in instants if coverage.first_start < at < coverage.last_end]
    return [coverage.first_start, *inside]


def portions(
    pair: Pair, windows: Sequence[Window], settings: BillingSettings
) -> tuple[Portion, ...]:
    """The time of ``pair`` in each of ``windows``; a little left over at a clock's end joins."""
    recorded = held_in(pair, windows).tolist()
    begins = [i for i, w in enumerate(windows) if w.first or i == 0]
    joins = set()
    for begin, end in pairwise([*begins, len(windows)]):
        held = [i for i in range(begin + 1, end) if recorded[i]]
        if held and within(settings.leftover_joins, recorded[held[-1]]):
            joins.add(held[-1])
    return tuple(
        Portion(
            w,
            Interval(w.start, windows[i + 1].end if i + 1 in joins else w.end),
            recorded[i],
            recorded[i + 1] if i + 1 in joins else 0,
            i in joins,
        )
        for i, w in enumerate(windows)
    )


def dates_of(pair: Pair, interval: Interval, axis: Axis) -> tuple[str, ...]:
    """First and last calendar date (ISO, local) on which ``pair`` holds time in ``interval``.

    One where both are the same, none where it holds no time there.
    """
    starts, ends = pair
    first = int(np.searchsorted(ends, interval.start, "right"))
    last = int(np.searchsorted(starts, interval.end)) - 1
    if first > last:
        return ()
    edges = max(int(starts[first]), interval.start), min(int(ends[last]), interval.end) - 1
    return tuple(dict.fromkeys(axis.iso(at)[:10] for at in edges))


def restarts(study: Study, coverage: Coverage) -> tuple[int, ...]:
    """Instants at which a file begins right after a gap."""
    after_gap = {gap.end for gap in coverage.gaps}
    starts = {f.interval.start for f in study.counted if f.interval is not None}
    return tuple(sorted(after_gap & starts))
