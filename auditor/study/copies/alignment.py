"""A copy's files put on the reference's time line, from the places where both hold one signal.

Between two such places the copy's clock is known; outside them nothing was measured: the nearest
offset is kept, and no drift is drawn out. Every place is checked before anything is computed from
it.
"""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from fractions import Fraction

import numpy as np
from msgspec import Struct

from auditor.model import StudyFile, TimeMap
from auditor.study.copies.anchors import MOST_DRIFT, REACHES, anchors, first_anchor, twin_anchors
from auditor.study.copies.windows import Anchor, Reference
from auditor.study.placing import in_order, in_range, in_years, own_runs, place, place_by_runs

_PPB = 1_000_000_000


class Alignment(Struct, frozen=True):
    """A copy on the reference's line.

    ``offset_ns`` is the copy's clock less the reference's at the first common place and
    ``last_offset_ns`` at the last; ``over_ns`` lies between the two. ``residual_ns`` is the largest
    disagreement of a compared place with the line it was put on, ``sample_ns`` the reference's
    sample period. ``open`` holds files that share no place with the reference as they would lie
    under the other reading of the clock; ``outside`` those that could be given no place at all.
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
    clock = Offsets(tuple(sorted(p for f in fits.values() for p in f.points)))
    (first_stamp, offset), (last_stamp, last_offset) = clock.points[0], clock.points[-1]
    placed, unsure, outside = [], [], []
    for file in own:
        fitted = fits.get(file.name)
        put = _put(file, fitted, clock, copy, ratio)
        if put is None:
            outside.append(file)
            continue
        placed.append(put)
        other = (
            _put(file, fitted, Offsets(clock.points, True), copy, ratio) if fitted is None else None
        )
        if other is not None and file.interval:
            unsure.append(other)
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
        open=tuple(f for f in unsure if f is not None),
        outside=tuple(outside),
    )


def _put(
    file: StudyFile, fitted: Fit | None, clock: Offsets, copy: str, ratio: Fraction
) -> StudyFile | None:
    """``file`` by its own anchors, else by the clock's nearest; ``None`` out of all range."""
    rec = file.recording
    if fitted is None:
        time_map = _by_clock(file, clock, ratio)
        return place(rec, time_map, copy, ratio=ratio) if in_range(rec, time_map) else None
    if not in_range(rec, fitted.map):
        return None
    if not fitted.starts:
        return place(rec, fitted.map, copy, ratio=fitted.ratio)
    stamps = [file.map.instant(int(o)) for o in own_runs(rec)[0]]
    starts = [fitted.starts.get(i, stamp - clock.at(stamp)) for i, stamp in enumerate(stamps)]
    return place_by_runs(rec, fitted.map, copy, starts, fitted.ratio) if in_years(starts) else None


def _by_clock(file: StudyFile, clock: Offsets, ratio: Fraction) -> TimeMap:
    """The map of a file that shares no place with the reference."""
    rec = file.recording
    if not rec.records:
        return TimeMap(file.map.anchor - clock.at(file.map.anchor))
    first, last = int(rec.offsets_ns[0]), int(rec.offsets_ns[-1])
    start, end = (file.map.instant(o) - clock.at(file.map.instant(o)) for o in (first, last))
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
    ratio = first.ratio
    starts, _ = own_runs(file.recording)
    by_count = _through(first, ratio)
    misfit = _misfit(by_count, hits)
    if misfit * 2 <= first.sample_ns or last.offset_ns == first.offset_ns:
        points = [_read_at(file, by_count, int(starts[0]))]
        if ratio != 1:
            points.append(_read_at(file, by_count, last.offset_ns))
        return Fit(by_count, misfit, ratio, tuple(points))
    over = last.offset_ns - first.offset_ns
    drift = _drift(last.instant - first.instant - over, over)
    if drift is not None:
        by_clock = _through(first, 1 + drift)
        clock_misfit = _misfit(by_clock, hits)
        if clock_misfit * 2 <= first.sample_ns:
            ends = tuple(_read_at(file, by_clock, a.offset_ns) for a in (first, last))
            return Fit(by_clock, clock_misfit, ratio, ends)
        if clock_misfit < misfit:
            return _fit_by_run(file, hits, by_clock)
    return _fit_by_run(file, hits, by_count)


def _fit_by_run(file: StudyFile, hits: Sequence[Anchor], nearest: TimeMap) -> Fit:
    starts, _ = own_runs(file.recording)
    order = np.argsort(starts, kind="stable")
    ratio = hits[0].ratio
    misfit = 0
    placed: dict[int, int] = {}
    points = []
    for hit in hits:
        at = int(np.searchsorted(starts[order], hit.offset_ns, side="right")) - 1
        run = int(order[max(at, 0)])
        start = hit.instant - round((hit.offset_ns - int(starts[run])) * ratio)
        if run in placed:
            misfit = max(misfit, abs(start - placed[run]))
        else:
            placed[run] = start
            stamped = file.map.instant(int(starts[run]))
            points.append((stamped, stamped - start))
    return Fit(nearest, misfit, ratio, tuple(points), placed)


def _read_at(file: StudyFile, time_map: TimeMap, offset_ns: int) -> tuple[int, int]:
    """(stamp, clock offset) ``offset_ns`` after the header's start."""
    stamped = file.map.instant(offset_ns)
    return stamped, stamped - time_map.instant(offset_ns)


def _through(anchor: Anchor, rate: Fraction) -> TimeMap:
    zero = TimeMap(0, rate.numerator, rate.denominator)
    start = anchor.instant - zero.instant(anchor.offset_ns)
    return TimeMap(start, rate.numerator, rate.denominator)


def _misfit(time_map: TimeMap, hits: Iterable[Anchor]) -> int:
    return max(abs(time_map.instant(a.offset_ns) - a.instant) for a in hits)


class Offsets(Struct, frozen=True):
    """Measured (stamp, clock offset) in time order, and what is taken between and beyond them.

    With ``drawn_out`` it is the other reading: drift goes on beyond the ends, and a step was made
    at the far neighbour.
    """

    points: tuple[tuple[int, int], ...]
    drawn_out: bool = False

    def at(self, stamped: int) -> int:
        """The offset where the copy's clock shows ``stamped``.

        Between two points whose offsets a crystal's drift explains, on the line through them;
        else that of the nearest point.
        """
        index = bisect_right(self.points, stamped, key=lambda p: p[0])
        if 0 < index < len(self.points):
            low, high = self.points[index - 1 : index + 1]
            slope = _drift(high[1] - low[1], high[0] - low[0])
            if slope is not None:
                return low[1] + round(slope * (stamped - low[0]))
            nearer = low if stamped - low[0] <= high[0] - stamped else high
            farther = high if nearer is low else low
            return (farther if self.drawn_out else nearer)[1]
        end, far = (0, -1) if index == 0 else (-1, 0)
        if not self.drawn_out:
            return self.points[end][1]
        low, high = self.points[0], self.points[-1]
        slope = _drift(high[1] - low[1], high[0] - low[0])
        if slope is None:  # a step: the clock may have been set back as well
            return self.points[far][1]
        return self.points[end][1] + round(slope * (stamped - self.points[end][0]))
