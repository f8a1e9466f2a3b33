"""A copy's files put on the reference's time line, from the places where both hold one signal."""

from __future__ import annotations

from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from auditor.model import StudyFile, TimeMap
from auditor.policy.study import StudySettings
from auditor.study.anchors import anchors, first_anchor
from auditor.study.correlation import Estimate, estimates, line
from auditor.study.matching import Anchor, Reference
from auditor.study.placing import in_order, own_runs, place, place_by_runs

_PPB = 1_000_000_000
_MOST_PPB = 500_000
"""No crystal is off by more (500 ppm; common practice, no source)."""


@dataclass(frozen=True, slots=True)
class Alignment:
    """A copy on the reference's line.

    ``offset_ns`` is the copy's clock less the reference's at the first common place and
    ``last_offset_ns`` at the last; ``over_ns`` lies between the two. ``residual_ns`` is the largest
    disagreement of a compared place with the line it was put on, ``sample_ns`` the reference's
    sample period. ``coefficient`` is the least correlation, or ``None`` for identical samples.
    """

    files: list[StudyFile]
    places: int
    offset_ns: int
    last_offset_ns: int
    over_ns: int
    residual_ns: int
    sample_ns: int
    unplaced: tuple[str, ...]
    coefficient: float | None = None

    @property
    def drift_ppb(self) -> int | None:
        """How much faster the copy's clock runs, in parts per 10^9.

        ``None`` from one place, and for a change that no crystal makes: then the clock was set.
        """
        if self.over_ns <= 0:
            return None
        drift = round(Fraction((self.last_offset_ns - self.offset_ns) * _PPB, self.over_ns))
        return drift if abs(drift) <= _MOST_PPB else None


def align(
    own: Sequence[StudyFile],
    reference: Sequence[StudyFile],
    copy: str,
    settings: StudySettings,
    *,
    anywhere: bool = False,
) -> Alignment | None:
    """``own`` (placed by its stamps) on the line of ``reference``, or ``None`` if nothing matches.

    ``anywhere`` looks for the first common place in the whole of the reference, for clocks that
    are wrong by days. Raises ``OSError`` where a file cannot be read.
    """
    timed = [f for f in own if f.interval]
    target = Reference([f for f in reference if f.interval])
    if not timed or not target.files:
        return None
    reaches: list[int | None] = [None] if anywhere else [*settings.copy_search_ns]
    first = first_anchor(timed, target, reaches)
    if first is not None:
        found = anchors(timed, target, first, settings.copy_points, settings.copy_search_ns[:2])
        return _by_samples(own, timed, found, copy)
    if anywhere:
        return None
    if _twins(timed, target.files):
        return _as_they_stand(own, copy, target.files[0])
    least = settings.copy_correlation_ppm / 1_000_000
    guesses = estimates(timed, target, settings.copy_points, settings.copy_search_ns, least)
    return _by_correlation(own, timed, guesses, copy)


def _twins(own: Sequence[StudyFile], others: Sequence[StudyFile]) -> bool:
    """Whether every file is, byte for byte, one of the ``others``, whatever its signals show."""
    sums = {f.recording.likeness for f in others} - {None}
    return all(f.recording.likeness in sums for f in own)


def _as_they_stand(own: Sequence[StudyFile], copy: str, like: StudyFile) -> Alignment:
    return Alignment(
        files=[place(f.recording, f.map, copy) for f in own],
        places=len(own),
        offset_ns=0,
        last_offset_ns=0,
        over_ns=0,
        residual_ns=0,
        sample_ns=like.recording.record_ns,
        unplaced=(),
    )


# ---------------------------------------------------------------- identical samples


def _by_samples(
    own: Sequence[StudyFile],
    timed: Sequence[StudyFile],
    found: dict[int, list[Anchor]],
    copy: str,
) -> Alignment:
    ratio = next(iter(found.values()))[0].ratio
    fits = {timed[i].recording.name: fit(timed[i], hits) for i, hits in found.items()}
    known = _Offsets(p for f in fits.values() for p in f.points)
    placed, unplaced = [], []
    for file in own:
        rec = file.recording
        fitted = fits.get(rec.name)
        if fitted is None:
            placed.append(_by_neighbours(file, known, copy, ratio))
            if file.interval:
                unplaced.append(rec.name)
        elif fitted.by_run:
            starts = _run_starts(file, fitted, known)
            placed.append(place_by_runs(rec, fitted.map, copy, starts, fitted.ratio))
        else:
            placed.append(place(rec, fitted.map, copy, ratio=fitted.ratio))
    return Alignment(
        files=in_order(placed),
        places=sum(map(len, found.values())),
        offset_ns=known.first,
        last_offset_ns=known.last,
        over_ns=known.over,
        residual_ns=max(f.misfit_ns for f in fits.values()),
        sample_ns=max(a.sample_ns for hits in found.values() for a in hits),
        unplaced=tuple(unplaced),
    )


@dataclass(frozen=True, slots=True)
class Fit:
    """A file's map through its anchors, and the largest distance of an anchor from it.

    ``points`` are (stamp, clock offset) where the file's own clock was read: at the start of a run
    that counts samples from there. With ``by_run`` each run has its own place, in ``starts`` by
    the run's index, and ``map`` is only the line nearest to them.
    """

    map: TimeMap
    misfit_ns: int
    ratio: Fraction
    points: list[tuple[int, int]]
    by_run: bool = False
    starts: dict[int, int] = field(default_factory=dict)


def fit(file: StudyFile, hits: Sequence[Anchor]) -> Fit:
    """The place of ``file`` (placed by its stamps) by its anchors, in order of their offset.

    Where the count of samples alone explains the anchors, it is the rate: exact over any length.
    Where every onset was stamped by another clock, the rate is that of the clock, through the first
    and the last anchor. Where neither does, each uninterrupted run is placed by itself.
    """
    first, last = hits[0], hits[-1]
    ratio = first.ratio
    starts, _ = own_runs(file.recording)
    by_count = _through(first, ratio.numerator, ratio.denominator)
    misfit = _misfit(by_count, hits)
    if misfit * 2 <= first.sample_ns or last.offset_ns == first.offset_ns:
        points = [_read_at(file, by_count, int(starts[0]))]
        if ratio != 1:
            points.append(_read_at(file, by_count, last.offset_ns))
        return Fit(by_count, misfit, ratio, points)
    by_clock = _through(first, last.instant - first.instant, last.offset_ns - first.offset_ns)
    clock_misfit = _misfit(by_clock, hits) if by_clock.rate_num > 0 else misfit
    if clock_misfit * 2 <= first.sample_ns:
        ends = [_read_at(file, by_clock, first.offset_ns), _read_at(file, by_clock, last.offset_ns)]
        return Fit(by_clock, clock_misfit, ratio, ends)
    return _fit_by_run(file, hits, by_clock if clock_misfit < misfit else by_count)


def _fit_by_run(file: StudyFile, hits: Sequence[Anchor], nearest: TimeMap) -> Fit:
    starts, _ = own_runs(file.recording)
    ratio = hits[0].ratio
    misfit = 0
    placed: dict[int, int] = {}
    points = []
    for hit in hits:
        run = int(np.searchsorted(np.sort(starts), hit.offset_ns, side="right")) - 1
        run = int(np.argsort(starts, kind="stable")[max(run, 0)])
        start = hit.instant - round((hit.offset_ns - int(starts[run])) * ratio)
        if run in placed:
            misfit = max(misfit, abs(start - placed[run]))
        else:
            placed[run] = start
            stamped = file.map.instant(int(starts[run]))
            points.append((stamped, stamped - start))
    return Fit(nearest, misfit, ratio, points, by_run=True, starts=placed)


def _run_starts(file: StudyFile, fitted: Fit, known: _Offsets) -> list[int]:
    """Where each run begins: measured, or by the offset known around it."""
    stamps = [file.map.instant(int(o)) for o in own_runs(file.recording)[0]]
    return [fitted.starts.get(i, stamp - known.at(stamp)) for i, stamp in enumerate(stamps)]


def _read_at(file: StudyFile, time_map: TimeMap, offset_ns: int) -> tuple[int, int]:
    """(stamp, clock offset) ``offset_ns`` after the header's start."""
    stamped = file.map.instant(offset_ns)
    return stamped, stamped - time_map.instant(offset_ns)


def _through(anchor: Anchor, numerator: int, denominator: int) -> TimeMap:
    rate = Fraction(numerator, denominator)
    zero = TimeMap(0, rate.numerator, rate.denominator)
    return TimeMap(
        anchor.instant - zero.instant(anchor.offset_ns), rate.numerator, rate.denominator
    )


def _misfit(time_map: TimeMap, hits: Iterable[Anchor]) -> int:
    return max(abs(time_map.instant(a.offset_ns) - a.instant) for a in hits)


class _Offsets:
    """Measured (stamp, clock offset) in time order, with what lies between and beyond them."""

    def __init__(self, pairs: Iterable[tuple[int, int]]) -> None:
        self._points = sorted(pairs)

    @property
    def first(self) -> int:
        return self._points[0][1]

    @property
    def last(self) -> int:
        return self._points[-1][1]

    @property
    def over(self) -> int:
        """Elapsed time on the reference's clock between the first and the last point."""
        (a, x), (b, y) = self._points[0], self._points[-1]
        return (b - y) - (a - x)

    def at(self, stamped: int) -> int:
        """The offset where the copy's clock shows ``stamped``: on the line through its neighbours.

        Beyond the ends, on the line through the first and the last point.
        """
        at = bisect_right(self._points, stamped, key=lambda p: p[0])
        inside = 0 < at < len(self._points)
        low, high = self._points[at - 1 : at + 1] if inside else (self._points[0], self._points[-1])
        if high[0] == low[0]:
            return low[1]
        near = low if at < len(self._points) else high
        slope = Fraction(high[1] - low[1], high[0] - low[0])
        return near[1] + round(slope * (stamped - near[0]))


def _by_neighbours(
    file: StudyFile, known: _Offsets, copy: str, ratio: Fraction = Fraction(1)
) -> StudyFile:
    """A file that shares no distinctive place with the reference: on the line of its neighbours."""
    rec = file.recording
    if not rec.records:
        return place(rec, TimeMap(file.map.anchor - known.at(file.map.anchor)), copy)
    first, last = int(rec.offsets_ns[0]), int(rec.offsets_ns[-1])
    stamped = file.map.instant(first)
    instant = stamped - known.at(stamped)
    runs = len(own_runs(rec)[0])
    if runs > 1 and last > first:
        until = file.map.instant(last)
        end = until - known.at(until)
        by_clock = _through(Anchor(first, instant, ratio, 1), end - instant, last - first)
        return place(rec, by_clock, copy, ratio=ratio)
    by_count = _through(Anchor(first, instant, ratio, 1), ratio.numerator, ratio.denominator)
    return place(rec, by_count, copy, ratio=ratio)


# ---------------------------------------------------------------- correlation


def _by_correlation(
    own: Sequence[StudyFile],
    timed: Sequence[StudyFile],
    guesses: dict[int, list[Estimate]],
    copy: str,
) -> Alignment | None:
    """The copy on one line through its estimates; ``None`` where they do not agree on one."""
    points = [(timed[i].map.instant(e.offset_ns), e) for i, found in guesses.items() for e in found]
    if len(points) < 3:
        return None
    step = max(e.step_ns for _, e in points)
    kept = _agreeing([(t, t - e.instant) for t, e in points], step)
    if len(kept) < 3 or len(kept) * 2 < len(points):
        return None
    x0, y0, x1, y1 = line(kept)
    known = _Offsets([(x0, y0), (x1, y1)])
    residual = max(abs(y - known.at(x)) for x, y in kept)
    placed = []
    for file in own:
        # Its samples were taken by its own clock: the whole file runs at the line's rate.
        start = file.map.anchor
        offset = known.at(start)
        rate = 1 - Fraction(y1 - y0, x1 - x0) if x1 > x0 else Fraction(1)
        time_map = TimeMap(start - offset, rate.numerator, rate.denominator)
        placed.append(place(file.recording, time_map, copy, ratio=rate))
    return Alignment(
        files=in_order(placed),
        places=len(kept),
        offset_ns=y0,
        last_offset_ns=y1,
        over_ns=(x1 - y1) - (x0 - y0),
        residual_ns=residual,
        sample_ns=step,
        unplaced=(),
        coefficient=min(e.coefficient for t, e in points if (t, t - e.instant) in set(kept)),
    )


def _agreeing(points: Sequence[tuple[int, int]], step: int) -> list[tuple[int, int]]:
    """The largest set of (stamp, offset) on one line to within two steps, by pairs of points."""
    ordered = sorted(set(points))
    best: list[tuple[int, int]] = []
    for i, (x0, y0) in enumerate(ordered):
        for x1, y1 in ordered[i + 1 :]:
            if x1 == x0 or abs(y1 - y0) * 2000 > x1 - x0 + 2000 * step:
                continue
            slope = Fraction(y1 - y0, x1 - x0)
            near = [(x, y) for x, y in ordered if abs(y0 + slope * (x - x0) - y) <= 2 * step]
            if len(near) > len(best):
                best = near
    return best
