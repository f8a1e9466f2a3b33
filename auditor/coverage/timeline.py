"""What was recorded: the union of all counted records, its gaps and dropouts, copies and hours.

``recorded + gaps + dropouts = span`` to the nanosecond, by construction: the union's intervals and
the holes between them tile the span, and every hole is either a gap or a dropout. How it falls
short of the ordered window is split so that the parts sum exactly too.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import starmap
from typing import Any

import numpy as np

from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.errors import BeyondLimit, NothingReadable
from auditor.core.intervals import Pair
from auditor.core.units import DAY, HOUR, NS
from auditor.model import (
    CopyCoverage,
    Coverage,
    Gap,
    HourFacts,
    Interval,
    NightFacts,
    Order,
    Segment,
    Shortfall,
    Study,
    Track,
)

_ALL_ROWS_UP_TO = 400 * DAY
"""Spans longer than this list only the hours and nights that hold recorded time.

No study lasts so long; one wrong date in a file must not make millions of empty rows.
"""


MOST_GAPS = 500_000
"""Each gap costs memory and a row in every table; a study of weeks has hundreds."""


def study_coverage(study: Study, gap_floor_ns: int) -> Coverage:
    """The coverage of all counted files of ``study``.

    Raises ``NothingReadable`` where none holds recorded time, ``BeyondLimit`` where they have more
    than ``MOST_GAPS`` gaps together.
    """
    tracks = [Track(f.copy or "A", f.run_starts, f.run_ends, f.records_ns) for f in study.counted]
    starts, ends = iv.union_of((t.starts, t.ends) for t in tracks)
    if not len(starts):
        raise NothingReadable(
            study.name,
            "no counted file holds recorded time (only headers or annotations)",
            "Check that the whole study was copied.",
        )
    gaps = int((starts[1:] - ends[:-1] >= gap_floor_ns).sum())
    if gaps > MOST_GAPS:
        raise BeyondLimit(
            study.name,
            f"the files have {gaps} gaps together; no more than {MOST_GAPS} are measured",
            "Audit the files in groups, or raise the policy's gap_floor_s.",
        )
    return measure_coverage(tracks, gap_floor_ns)


def measure_coverage(tracks: Sequence[Track], gap_floor_ns: int) -> Coverage:
    """The coverage of all counted ``tracks`` together; a hole of ``gap_floor_ns`` is a gap.

    Raises ``ValueError`` where no track holds any time, or the floor is not positive.
    """
    if gap_floor_ns <= 0:
        raise ValueError("the gap floor must be longer than nothing")
    by_copy = {
        name: held
        for name in sorted({t.copy for t in tracks})
        if len((held := iv.union_of((t.starts, t.ends) for t in tracks if t.copy == name))[0])
    }
    if not by_copy:
        raise ValueError("no counted file holds any recorded time, so there is nothing to measure")
    union = iv.union_of(by_copy.values())
    starts, ends = union
    recorded = iv.total(union)
    hole_starts, hole_ends = iv.holes(union)
    lengths = hole_ends - hole_starts
    is_gap = lengths >= gap_floor_ns
    gaps = _gaps((hole_starts[is_gap], hole_ends[is_gap]))
    segments = _segments(union, by_copy, gap_floor_ns)
    return Coverage(
        first_start=int(starts[0]),
        last_end=int(ends[-1]),
        recorded_ns=recorded,
        longest_run_ns=max(s.recorded_ns for s in segments),
        overlap_ns=sum(t.records_ns for t in tracks) - recorded,
        dropouts_count=int((~is_gap).sum()),
        dropouts_ns=int(lengths[~is_gap].sum()),
        gaps_ns=int(lengths[is_gap].sum()),
        segments=segments,
        gaps=gaps,
        copies=_copies(by_copy, gaps, gap_floor_ns),
        union_starts=starts,
        union_ends=ends,
    )


def _gaps(holes: Pair) -> tuple[Gap, ...]:
    return tuple(map(Gap, holes[0].tolist(), holes[1].tolist()))


def _segments(union: Pair, by_copy: dict[str, Pair], gap_floor_ns: int) -> tuple[Segment, ...]:
    starts, ends = iv.joined(union, gap_floor_ns)
    recorded = iv.held_before(union, ends) - iv.held_before(union, starts)
    names = tuple(by_copy)
    holds = np.zeros((len(names), len(starts)), np.bool_)
    for row, pair in enumerate(by_copy.values()):
        # Every interval of a copy lies inside one segment: segments hold the union of all copies.
        holds[row, np.searchsorted(starts, pair[0], side="right") - 1] = True
    # Few patterns of copies occur; their tuples are made once and shared.
    patterns, which = np.unique(holds, axis=1, return_inverse=True)
    tuples = [
        tuple(name for name, held in zip(names, pattern, strict=True) if held)
        for pattern in patterns.T.tolist()
    ]
    return tuple(
        Segment(start, end, held, tuples[k])
        for start, end, held, k in zip(
            starts.tolist(), ends.tolist(), recorded.tolist(), which.ravel().tolist(), strict=True
        )
    )


def _copies(
    by_copy: dict[str, Pair], every_gap: tuple[Gap, ...], gap_floor_ns: int
) -> tuple[CopyCoverage, ...]:
    whole = {name: iv.joined(pair, gap_floor_ns) for name, pair in by_copy.items()}
    gaps = {name: iv.holes(pair) for name, pair in whole.items()}
    everything = iv.total(iv.union_of(by_copy.values()))
    found = []
    for name, pair in by_copy.items():
        others = [other for other in by_copy if other != name]
        missing = iv.union_of(gaps[other] for other in others)
        found.append(
            CopyCoverage(
                name=name,
                first_start=int(pair[0][0]),
                last_end=int(pair[1][-1]),
                recorded_ns=iv.total(pair),
                only_here_ns=everything - iv.total(iv.union_of(by_copy[o] for o in others)),
                held=whole[name],
                gaps=_gaps(gaps[name]) if others else every_gap,
                filled=iv.intervals(iv.intersection(whole[name], missing)),
            )
        )
    return tuple(found)


def recorded_within(coverage: Coverage, interval: Interval) -> int:
    """Recorded time inside ``interval``, in nanoseconds; 0 for an empty interval."""
    return iv.total(iv.clip((coverage.union_starts, coverage.union_ends), interval))


def clock_hours(
    coverage: Coverage, axis: Axis, usable: Pair | None, clean: Pair | None = None
) -> tuple[HourFacts, ...]:
    """The civil clock hours of the span, clipped to it, in time order.

    A row runs from one whole civil hour to the next; a change of the clock ends a row too. So the
    hour that daylight saving repeats gives two rows and the one that it skips none, and a change
    by half an hour gives the shortened row that the clock showed. ``usable`` and ``clean`` are
    plain pairs, or ``None`` where the signal was not scanned.
    """
    rows = list(_hour_rows(coverage, axis))
    return tuple(starmap(HourFacts, _held_in(coverage, rows, usable, clean)))


def nights(
    coverage: Coverage,
    axis: Axis,
    usable: Pair | None,
    night_start_s: int,
    night_end_s: int,
    clean: Pair | None = None,
) -> tuple[NightFacts, ...]:
    """The nights of the span, clipped to it, from ``night_start_s`` to ``night_end_s``.

    Both are seconds of the civil day, 0 to 86,399; a night that ends at or before its start ends
    on the next day. ``usable`` and ``clean`` are plain pairs, or ``None`` where the signal was not
    scanned.

    Raises ``ValueError`` where a time of day lies outside the day.
    """
    if not (0 <= night_start_s < 86_400 and 0 <= night_end_s < 86_400):
        raise ValueError("the night's start and end must be seconds of a day, 0 to 86399")
    length = (night_end_s - night_start_s) % 86_400 or 86_400
    rows = []
    for midnight in _civil_days(coverage, axis):
        civil = midnight + night_start_s * NS
        # Of a repeated civil time the night takes the first as its start, the last as its end.
        night = Interval(axis.readings(civil)[0], axis.readings(civil + length * NS)[-1])
        part = night.clip(coverage.span)
        if part is not None:
            rows.append((part.start, part.end))
    listed = coverage.span_ns <= _ALL_ROWS_UP_TO
    facts = starmap(NightFacts, _held_in(coverage, rows, usable, clean))
    return tuple(night for night in facts if night.recorded_ns or listed)


def _civil_days(coverage: Coverage, axis: Axis) -> Iterator[int]:
    """Civil midnights from the day before the span to its last day, or of each run; each once."""
    runs = [(coverage.first_start, coverage.last_end)]
    if coverage.span_ns > _ALL_ROWS_UP_TO:
        runs = list(zip(coverage.union_starts.tolist(), coverage.union_ends.tolist(), strict=True))
    seen = axis.civil(coverage.first_start) // DAY - 2
    for start, end in runs:
        first = max(axis.civil(start) // DAY - 1, seen + 1)
        seen = max(seen, axis.civil(end - 1) // DAY)
        yield from (day * DAY for day in range(first, seen + 1))


def _hour_rows(coverage: Coverage, axis: Axis) -> Iterator[tuple[int, int]]:
    skip = coverage.span_ns > _ALL_ROWS_UP_TO
    at = coverage.first_start
    while at < coverage.last_end:
        if skip:
            held = _next_held(coverage, at)
            at = max(at, held - axis.civil(held) % HOUR)
        end = min(_row_end(axis, at), coverage.last_end)
        yield at, end
        at = end


def _next_held(coverage: Coverage, at: int) -> int:
    """The first instant from ``at`` on that is recorded; ``at`` lies before the last end."""
    index = int(np.searchsorted(coverage.union_ends, at, side="right"))
    return max(at, int(coverage.union_starts[index]))


def _row_end(axis: Axis, at: int) -> int:
    """The next instant after ``at`` at which a civil hour begins or the clock is changed."""
    offset = axis.offset(at)
    end = at + HOUR - (at + offset) % HOUR
    if axis.offset(end - 1) == offset:
        return end
    low, high = at, end - 1
    while high - low > 1:
        middle = (low + high) // 2
        if axis.offset(middle) == offset:
            low = middle
        else:
            high = middle
    return high


def _held_in(
    coverage: Coverage, rows: Sequence[tuple[int, int]], *pairs: Pair | None
) -> Iterator[tuple[int, ...]]:
    """Each row's start, end, recorded time, and recorded time that each of ``pairs`` holds."""
    starts, ends = np.array(rows, np.int64).reshape(len(rows), 2).T
    union = coverage.union_starts, coverage.union_ends
    columns: list[list[Any]] = [starts.tolist(), ends.tolist()]
    for held in (union, *(pair and iv.intersection(pair, union) for pair in pairs)):
        if held is None:
            columns.append([None] * len(rows))
        else:
            columns.append((iv.held_before(held, ends) - iv.held_before(held, starts)).tolist())
    return zip(*columns, strict=True)


# ---------------------------------------------------------------- shortfall


def ordered_window(coverage: Coverage, hookup: int | None, order: Order | None) -> Interval | None:
    """From the hook-up, else the first record, as long as ordered; ``None`` without an order."""
    if order is None:
        return None
    start = coverage.first_start if hookup is None else hookup
    return Interval(start, start + order.ordered_ns)


def measure_shortfall(coverage: Coverage, window: Interval) -> Shortfall:
    """Split ``window`` (planned start to planned end) into what was recorded and what was not.

    Whatever of it lies before the first record is a late start, whatever lies after the last record
    an early stop, and the rest is recorded or a hole: so late start + gaps + dropouts + early stop
    = ordered - recorded inside the window, exactly.
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
