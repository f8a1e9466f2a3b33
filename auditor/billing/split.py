"""How recorded time is split into units, and how far it lies from where the split changes.

Everything is exact integer arithmetic on nanoseconds; every limit comes from the policy.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Iterable, Sequence
from dataclasses import dataclass
from typing import TypeVar

from auditor.policy.billing import Band, BillingSettings, Limit, TechnicalBand

_B = TypeVar("_B", bound=Band)


def band_of(bands: Sequence[_B], recorded_ns: int) -> _B | None:
    """The one of ``bands`` that holds ``recorded_ns``, or ``None``."""
    return next((band for band in bands if band.holds(recorded_ns)), None)


def within(limit: Limit, ns: int) -> bool:
    """Whether ``ns`` does not pass ``limit``."""
    return ns < limit.ns or (limit.included and ns == limit.ns)


@dataclass(frozen=True, slots=True)
class Split:
    """``whole`` units of the longest band, then at most one unit of ``last``.

    Each whole unit stands for ``length_ns`` of recorded time; the last unit, or the last whole one
    where the remainder joined it, takes what is left.
    """

    whole: int
    last: TechnicalBand | None
    length_ns: int

    def bands(self, longest: TechnicalBand) -> list[TechnicalBand]:
        """The bands of all units in the order of recorded time."""
        return [longest] * self.whole + ([self.last] if self.last else [])

    def counts(self, longest: TechnicalBand) -> dict[str, int]:
        """Band name to number of units."""
        counts: dict[str, int] = {}
        for name, count in ((longest.name, self.whole), (self.last and self.last.name, 1)):
            if name and count:
                counts[name] = counts.get(name, 0) + count
        return counts


def split_total(recorded_ns: int, settings: BillingSettings, length_ns: int | None = None) -> Split:
    """Split a total of recorded time into units.

    Time that one band holds is one unit of it. More than the longest band holds is
    n = floor(T / length) units of the longest band and a remainder: up to ``leftover_joins`` it
    joins the last of them, else it is one unit of the band that holds it. ``length_ns`` is the
    period by default, and the longest band's end in the reading that fills that first.
    """
    length = settings.period.ns if length_ns is None else length_ns
    if within_longest(recorded_ns, settings):
        return Split(0, band_of(settings.technical, recorded_ns), length)
    whole, rest = divmod(recorded_ns, length)
    last = None if within(settings.leftover_joins, rest) else band_of(settings.technical, rest)
    return Split(whole, last, length)


def within_longest(recorded_ns: int, settings: BillingSettings) -> bool:
    """Whether ``recorded_ns`` does not pass the end of the longest band."""
    upper = settings.technical[-1].upper
    return upper is None or within(upper, recorded_ns)


@dataclass(frozen=True, slots=True)
class Margins:
    """How far a time lies from where its result changes.

    ``to_next_ns`` more reaches the next limit, which must be passed by at least a nanosecond where
    ``exceed`` is true; ``None`` where nothing lies above. ``above_ns`` is how far the time lies
    above the limit that it last met, 0 where it met none.
    """

    to_next_ns: int | None
    exceed: bool
    above_ns: int


def margins(ns: int, result: Callable[[int], Hashable], limits: Iterable[int]) -> Margins:
    """Margins of ``ns`` under ``result``, which changes only at (or just after) ``limits``."""
    now = result(ns)
    points = sorted(set(limits))
    to_next, exceed = None, False
    for point in points:
        if point > ns and result(point) != now:
            to_next, exceed = point - ns, False
            break
        if point >= ns and result(point + 1) != now:
            to_next, exceed = point - ns, True
            break
    above = 0
    for point in reversed(points):
        if point <= ns and (result(point - 1) != now or result(point) != now):
            above = ns - point
            break
    return Margins(to_next, exceed, above)


def band_limits(bands: Sequence[Band]) -> set[int]:
    """Every limit of ``bands`` in nanoseconds."""
    ends = {band.upper.ns for band in bands if band.upper is not None}
    return ends | {band.lower.ns for band in bands}


def total_limits(recorded_ns: int, settings: BillingSettings, length_ns: int) -> set[int]:
    """Where ``split_total`` may change near ``recorded_ns``."""
    once = band_limits(settings.technical)
    rests = once | {0, settings.leftover_joins.ns}
    near = recorded_ns // length_ns
    return once | {
        k * length_ns + rest for k in range(max(near - 2, 0), near + 3) for rest in rests
    }


def total_margins(
    recorded_ns: int, settings: BillingSettings, length_ns: int | None = None
) -> Margins:
    """Margins of a total under ``split_total``."""
    longest = settings.technical[-1]
    length = settings.period.ns if length_ns is None else length_ns

    def result(ns: int) -> Hashable:
        return tuple(sorted(split_total(ns, settings, length).counts(longest).items()))

    return margins(recorded_ns, result, total_limits(recorded_ns, settings, length))


def band_margins(recorded_ns: int, bands: Sequence[Band], joins: Limit | None = None) -> Margins:
    """Margins of one period banded by itself; with ``joins``, time within it makes no unit."""

    def result(ns: int) -> Hashable:
        if joins is not None and within(joins, ns):
            return None
        band = band_of(bands, ns)
        return band.name if band else None

    limits = band_limits(bands)
    found = margins(recorded_ns, result, limits | ({joins.ns} if joins else set()))
    if band_of(bands, recorded_ns) is bands[-1]:
        # More time in this period makes no further unit: what lies beyond begins the next one.
        return Margins(None, False, found.above_ns)
    return found
