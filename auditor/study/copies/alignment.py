"""A copy's files put on the reference's time line, from the places where both hold one signal.

Between two such places the copy's clock is known; outside them nothing was measured: the nearest
offset is kept, and no drift is drawn out. Every place is checked before anything is computed from
it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Callable, Iterable, Sequence
from fractions import Fraction

import numpy as np
from msgspec import Struct

from auditor.model import StudyFile, TimeMap
from auditor.study.copies.anchors import MOST_DRIFT, REACHES, anchors, first_anchor, twin_anchors
from auditor.study.copies.samples import Anchor, Reference
from auditor.study.placing import in_order, in_range, in_years, own_runs, place

_PPB = 1_000_000_000


class Alignment(Struct, frozen=True):
    """A copy on the reference's line.

    ``offset_ns`` is the copy's clock less the reference's at the first common place and
    ``last_offset_ns`` at the last; ``over_ns`` lies between the two. ``residual_ns`` is the largest
    disagreement of a compared place with the line it was put on, ``sample_ns`` the reference's
    sample period. ``open`` holds files that share no place with the reference as they would lie
    under the other reading of the clock, where that is elsewhere; ``outside`` those that could be
    given no place at all.
    """

    files: tuple[StudyFile, ...]
    places: int
    offset_ns: int
    last_offset_ns: int
    over_ns: int
    residual_ns: int
    sample_ns: int
    open: tuple[StudyFile, ...] = ()
    outside: tuple[StudyFile, ...] = ()

    @property
    def drift_ppb(self) -> int | None:
        """How much faster the copy's clock runs, in parts per 10^9.

        ``None`` from one place, and for a change that no crystal makes: then the clock was set.
        """
        drift = _drift(self.last_offset_ns - self.offset_ns, self.over_ns)
        return None if drift is None else round(drift * _PPB)

    @property
    def moves(self) -> bool:
        """Whether the copy's clock ever differs from the reference's."""
        return bool(self.offset_ns or self.last_offset_ns or self.residual_ns)


def align(
    own: Sequence[StudyFile], reference: Sequence[StudyFile], copy: str, *, anywhere: bool = False
) -> Alignment | None:
    """``own`` (placed by its stamps) on the line of ``reference``, or ``None`` if nothing matches.

    ``anywhere`` looks for the first common place in the whole of the reference, for clocks that
    are wrong by days. Raises ``OSError`` where a file cannot be read.
    """
    timed = [f for f in own if f.interval]
    target = Reference([f for f in reference if f.interval])
    if not timed or not target.files:
        return None
    known = twin_anchors(timed, target)
    if not known:
        every = [*timed, *target.files]
        whole = max(f.end for f in every) - min(f.start for f in every)
        first = first_anchor(timed, target, [whole] if anywhere else REACHES)
        if first is None:
            return None
        known = {first[0]: [first[1]]}
    found = anchors(timed, target, known)
    ratio = next(iter(found.values()))[0].ratio
    fits = {timed[i].name: fit(timed[i], hits) for i, hits in found.items()}
    points = sorted(p for f in fits.values() for p in f.points)
    (first_stamp, offset), (last_stamp, last_offset) = points[0], points[-1]
    placed, unsure, outside = [], [], []
    for file in own:
        fitted = fits.get(file.name)
        put = _put(file, fitted, lambda stamp: offsets_at(points, stamp)[0], copy, ratio)
        if put is None:
            outside.append(file)
            continue
        placed.append(put)
        if fitted is None and file.interval:
            other = _put(file, None, lambda stamp: offsets_at(points, stamp)[1], copy, ratio)
            unsure += [other] if other is not None and other.start != put.start else []
    if not any(f.interval for f in placed):
        return None
    return Alignment(
        files=tuple(in_order(placed)),
        places=sum(map(len, found.values())),
        offset_ns=offset,
        last_offset_ns=last_offset,
        over_ns=(last_stamp - last_offset) - (first_stamp - offset),
        residual_ns=max(f.misfit_ns for f in fits.values()),
        sample_ns=max(a.sample_ns for hits in found.values() for a in hits),
        open=tuple(unsure),
        outside=tuple(outside),
    )


def _put(
    file: StudyFile,
    fitted: Fit | None,
    offset: Callable[[int], int],
    copy: str,
    ratio: Fraction,
) -> StudyFile | None:
    """``file`` by its own anchors, else by the clock's ``offset``; ``None`` out of all range."""
    rec = file.recording
    line = _by_clock(file, offset, ratio) if fitted is None else fitted.map
    starts = []
    if fitted is not None and fitted.starts:
        stamps = [file.map.instant(int(o)) for o in own_runs(rec)[0]]
        starts = [fitted.starts.get(i, stamp - offset(stamp)) for i, stamp in enumerate(stamps)]
    if not in_range(rec, line) or not in_years(starts):
        return None
    return place(rec, line, copy, ratio=fitted.ratio if fitted else ratio, starts=starts)


def _by_clock(file: StudyFile, offset: Callable[[int], int], ratio: Fraction) -> TimeMap:
    """The map of a file that shares no place with the reference."""
    rec = file.recording
    if not rec.records:
        return TimeMap(file.map.anchor - offset(file.map.anchor))
    first, last = int(rec.offsets_ns[0]), int(rec.offsets_ns[-1])
    start, end = (stamp - offset(stamp) for stamp in map(file.map.instant, (first, last)))
    stamped = len(own_runs(rec)[0]) > 1
    drift = _drift((end - start) - (last - first), last - first) if stamped else None
    return _through(Anchor(first, start, ratio, 1), ratio if drift is None else 1 + drift)


def _drift(change: int, over: int) -> Fraction | None:
    """``change`` of a clock's offset for each of ``over`` time of it; ``None`` from one place.

    And ``None`` where no crystal drifts so: then the clock was set in between.
    """
    drift = Fraction(change, over) if over > 0 else None
    return drift if drift is not None and abs(drift) <= MOST_DRIFT else None


class Fit(Struct, frozen=True):
    """A file's map through its anchors, and the largest distance of an anchor from it.

    ``points`` are (stamp, clock offset) where the file's own clock was read: at the start of a run
    that counts samples from there. Where each run has its own place, it is in ``starts`` by the
    run's index, and ``map`` is only the line nearest to them.
    """

    map: TimeMap
    misfit_ns: int
    ratio: Fraction
    points: tuple[tuple[int, int], ...]
    starts: dict[int, int] = {}


def fit(file: StudyFile, hits: Sequence[Anchor]) -> Fit:
    """The place of ``file`` (placed by its stamps) by its anchors, in order of their offset.

    Where the count of samples alone explains the anchors, it is the rate: exact over any length.
    Where every onset was stamped by another clock, the rate is that of the clock, through the first
    and the last anchor. Where neither does, each uninterrupted run is placed by itself: a clock
    that was set is a step, no drift.
    """
    first, last = hits[0], hits[-1]
    ratio, over = first.ratio, last.offset_ns - first.offset_ns
    runs, _ = own_runs(file.recording)
    # Each line with where the file's own clock was read.
    lines = [(_through(first, ratio), [int(runs[0])] + [last.offset_ns] * (ratio != 1))]
    drift = _drift(last.instant - first.instant - over, over)
    if drift is not None:
        lines.append((_through(first, 1 + drift), [first.offset_ns, last.offset_ns]))
    for line, read in lines:
        misfit = _misfit(line, hits)
        if not over or misfit * 2 <= first.sample_ns:
            stamps = [(file.map.instant(o), line.instant(o)) for o in read]
            return Fit(line, misfit, ratio, tuple((s, s - at) for s, at in stamps))
    order = np.argsort(runs, kind="stable")
    misfit = 0
    placed: dict[int, int] = {}
    for hit in hits:
        at = int(np.searchsorted(runs[order], hit.offset_ns, side="right")) - 1
        run = int(order[max(at, 0)])
        start = hit.instant - round((hit.offset_ns - int(runs[run])) * ratio)
        misfit = max(misfit, abs(start - placed.setdefault(run, start)))
    stamps = [(file.map.instant(int(runs[run])), start) for run, start in placed.items()]
    nearest = min((line for line, _ in lines), key=lambda line: _misfit(line, hits))
    return Fit(nearest, misfit, ratio, tuple((s, s - at) for s, at in stamps), placed)


def _through(anchor: Anchor, rate: Fraction) -> TimeMap:
    zero = TimeMap(0, rate.numerator, rate.denominator)
    start = anchor.instant - zero.instant(anchor.offset_ns)
    return TimeMap(start, rate.numerator, rate.denominator)


def _misfit(time_map: TimeMap, hits: Iterable[Anchor]) -> int:
    return max(abs(time_map.instant(a.offset_ns) - a.instant) for a in hits)


def offsets_at(points: Sequence[tuple[int, int]], stamped: int) -> tuple[int, int]:
    """The offset where the copy's clock shows ``stamped``: what is taken, and the other reading.

    ``points`` are measured (stamp, offset) in time order. Between two whose offsets a crystal's
    drift explains, it lies on the line through them; else it is that of the nearest point. By the
    other reading drift goes on beyond the ends, and a step was made at the far neighbour.
    """
    index = bisect_right(points, stamped, key=lambda p: p[0])
    between = 0 < index < len(points)
    low, high = points[index - 1 : index + 1] if between else (points[0], points[-1])
    before = stamped - low[0] <= high[0] - stamped if between else index == 0
    near, far = (low, high) if before else (high, low)
    slope = _drift(high[1] - low[1], high[0] - low[0])
    if slope is None:
        return near[1], far[1]
    end = low if between else near
    drawn = end[1] + round(slope * (stamped - end[0]))
    return drawn if between else near[1], drawn
