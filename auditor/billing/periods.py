"""Periods: 24-hour windows (policy) of the study axis, what is left over, calendar dates."""

from __future__ import annotations

from collections.abc import Sequence

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


class Window(Struct, frozen=True):
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
) -> tuple[Window, ...]:
    """The periods of the policy, from the first record to the last.

    The last one ends with the last record. Periods are absolute: over a change of the clock a
    period still lasts its full length (only periods from a fixed hour follow the civil clock).
    """
    return windows_of(coverage, axis, settings, settings.period_start_ns, ())


def counted_extents(
    windows: Sequence[Window], coverage: Coverage, settings: BillingSettings
) -> tuple[tuple[int, Interval], ...]:
    """Index and wall time of each period that holds recorded time, a little left over joined."""
    held = held_in((coverage.union_starts, coverage.union_ends), [w.interval for w in windows])
    found = joined(windows, held.tolist(), settings)
    return tuple(
        (w.index, Interval(w.start, windows[i + 1].end) if i + 1 in found else w.interval)
        for i, w in enumerate(windows)
        if held[i] and i not in found
    )


def windows_of(
    coverage: Coverage,
    axis: Axis,
    settings: BillingSettings,
    start_ns: int | None,
    clock_starts: Sequence[int],
) -> tuple[Window, ...]:
    """The periods from the first record on; each of ``clock_starts`` begins a new one."""
    union = coverage.union_starts, coverage.union_ends
    if start_ns is not None:
        edges = _fixed_edges(coverage, axis, start_ns)
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


def joined(
    windows: Sequence[Window], recorded: Sequence[int], settings: BillingSettings
) -> frozenset[int]:
    """Positions of periods whose time joins the one before: a little left over at a clock's end."""
    begins = [i for i, w in enumerate(windows) if w.first or i == 0]
    found = set()
    for begin, end in zip(begins, [*begins[1:], len(windows)], strict=True):
        held = [i for i in range(begin, end) if recorded[i]]
        if held and held[-1] > begin and within(settings.leftover_joins, recorded[held[-1]]):
            found.add(held[-1])
    return frozenset(found)


def dates_of(pair: Pair, interval: Interval, axis: Axis) -> tuple[str, ...]:
    """First and last calendar date (ISO, local) on which ``pair`` holds time in ``interval``.

    One where both are the same, none where it holds no time there.
    """
    starts, ends = pair
    first = int(np.searchsorted(ends, interval.start, "right"))
    last = int(np.searchsorted(starts, interval.end, "left")) - 1
    if first > last:
        return ()
    edges = max(int(starts[first]), interval.start), min(int(ends[last]), interval.end) - 1
    return tuple(dict.fromkeys(axis.iso(at)[:10] for at in edges))


def restarts(study: Study, coverage: Coverage) -> tuple[int, ...]:
    """Instants at which a file begins right after a gap."""
    after_gap = {gap.end for gap in coverage.gaps}
    starts = {f.interval.start for f in study.counted if f.interval is not None}
    return tuple(sorted(after_gap & starts))
