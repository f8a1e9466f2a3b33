"""How the recorded time falls short of the ordered window, split so that the parts sum exactly.

The window is [planned start, planned start + ordered). Whatever of it lies before the first record
is a late start, whatever lies after the last record an early stop, and the rest is recorded or a
hole; so late start + gaps + dropouts + early stop = ordered - recorded inside the window.
"""

from __future__ import annotations

from auditor.core import intervals as iv
from auditor.coverage.timeline import recorded_within
from auditor.model import Coverage, Interval, Order, Shortfall


def ordered_window(coverage: Coverage, hookup: int | None, order: Order | None) -> Interval | None:
    """From the hook-up, else the first record, as long as ordered; ``None`` without an order."""
    if order is None:
        return None
    start = coverage.first_start if hookup is None else hookup
    return Interval(start, start + order.ordered_ns)


def measure_shortfall(coverage: Coverage, window: Interval) -> Shortfall:
    """Split ``window`` (planned start to planned end) into what was recorded and what was not.

    A hole that the window cuts stays what it is as a whole: a part of a gap counts as gap however
    short, a part of a dropout as dropout. Raises ``ValueError`` where the window is empty.
    """
    ordered = window.duration
    if ordered <= 0:
        raise ValueError("the ordered window must be longer than nothing")
    inside = recorded_within(coverage, window)
    late = min(coverage.first_start, window.end) - window.start
    early = window.end - max(coverage.last_end, window.start)
    holes = iv.clip(iv.holes((coverage.union_starts, coverage.union_ends)), window)
    gaps = sum(
        max(0, min(gap.end, window.end) - max(gap.start, window.start)) for gap in coverage.gaps
    )
    return Shortfall(
        window=window,
        ordered_ns=ordered,
        recorded_inside_ns=inside,
        late_start_ns=max(late, 0),
        gaps_ns=gaps,
        dropouts_ns=iv.total(holes) - gaps,
        early_stop_ns=max(early, 0),
        outside_window_ns=coverage.recorded_ns - inside,
        short_ns=max(ordered - coverage.recorded_ns, 0),
    )
