"""The units and professional codes that one interpretation of the rules gives.

An *interpretation* is the policy with another answer to one question that the sources leave open.
The policy's own and every other go through the same function, so they differ in nothing else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct

from auditor.billing.limits import (
    band_limits,
    band_of,
    band_of_period,
    margins,
    split_total,
    unit_length,
)
from auditor.billing.periods import Portion, Window, billing_periods, dates_of, portions
from auditor.billing.support import LEVELS, BillingFacts, levels, videos
from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.core.intervals import Pair
from auditor.model import DayCode, Interval, MonitoringLevel, Professional, Unit
from auditor.policy.billing import BillingSettings, ReaderBand, TechnicalBand


class Day(Struct, frozen=True):
    """One period with its codes.

    ``band`` is ``None`` where it makes no unit; ``spare`` is then the band of which another period
    has the study's only unit.
    """

    part: Portion
    band: TechnicalBand | None
    spare: TechnicalBand | None
    level: MonitoringLevel
    video: bool
    dates: tuple[str, ...]


class Placed(Struct, frozen=True):
    """One unit: its band, the wall time in which its time was recorded, and how much that is."""

    band: TechnicalBand
    extent: Interval
    held_ns: int


class Outcome(Struct, frozen=True):
    """What one interpretation gives.

    ``not_billable_ns`` is recorded time in no unit. ``worth`` says in numbers how much every part
    of the codes is worth (units by band, by level, with video; professional bands), so that two
    outcomes can be compared part by part.
    """

    recorded_ns: int
    days: tuple[Day, ...]
    totals: tuple[Unit, ...]
    professional: Professional
    not_billable_ns: int
    worth: tuple[int, ...]

    @property
    def codes(self) -> tuple[object, ...]:
        """Everything that is a code, to tell whether two interpretations differ."""
        whole = self.professional.whole_study
        return (
            tuple((u.code, u.count) for u in self.totals),
            tuple(d.code for d in self.professional.each_day if d.code),
            (whole.code, whole.also),
        )

    def lower_than(self, other: Outcome) -> bool:
        """Whether any part of the codes is worth less than in ``other``."""
        return any(mine < theirs for mine, theirs in zip(self.worth, other.worth, strict=True))


def read(
    facts: BillingFacts, settings: BillingSettings, time: Pair, *, once: bool = False
) -> Outcome:
    """The units and professional codes of ``time``, recorded or usable.

    ``once``: one report on a time without a whole-study code carries the day codes.
    """
    pair = iv.joined(time, settings.gaps.tolerance_ns)
    recorded = iv.total(pair)
    windows = billing_periods(facts.coverage, facts.axis, settings, facts.restarts)
    days = _days(facts, settings, portions(pair, windows, settings))
    placed = [Placed(d.band, d.part.extent, d.part.counted_ns) for d in days if d.band is not None]
    if settings.split.default != "windows" and settings.period_start_ns is None:
        by_total = _by_total(windows, settings, pair)
        kept = _kept([p.band for p in by_total], [p.held_ns for p in by_total])
        by_total = [p for i, p in enumerate(by_total) if i in kept]
        # Where both give the same units of all the time, the periods say when each was recorded;
        # so the totals agree with the table of periods.
        same = Counter(p.band.name for p in by_total) == Counter(p.band.name for p in placed)
        if not same or sum(p.held_ns for p in placed) != recorded:
            placed = by_total
    extents = [p.extent for p in placed]
    supported, filmed = levels(facts, settings, extents), videos(facts, settings, extents)
    units = Counter(
        (p.band.codes.of(level, video), p.band.name)
        for p, level, video in zip(placed, supported, filmed, strict=True)
    )
    # The day codes follow the periods whatever the split, since each report is on one 24-hour
    # period (American Academy of Neurology, questions on coding).
    found = [band_of_period(settings.professional_day, d.part.counted_ns) for d in days]
    kept = _kept(found, [d.part.counted_ns for d in days])
    by_day = [band if i in kept else None for i, band in enumerate(found)]
    (whole_video,) = videos(facts, settings, [facts.coverage.span])
    whole = _whole_code(recorded, whole_video, settings, once=once)
    reached = margins(
        recorded,
        lambda ns: band.name if (band := band_of(settings.professional_whole, ns)) else None,
        band_limits(settings.professional_whole),
    )
    technical = [settings.technical.index(p.band) for p in placed]
    reports = [settings.professional_day.index(band) for band in by_day if band]
    return Outcome(
        recorded_ns=recorded,
        days=days,
        totals=tuple(Unit(code, n, band) for (code, band), n in sorted(units.items())),
        professional=Professional(
            tuple(_day_code(d, band, settings) for d, band in zip(days, by_day, strict=True)),
            whole,
            reached.to_next_ns,
            reached.above_ns,
            reached.exceed,
        ),
        not_billable_ns=recorded - sum(p.held_ns for p in placed),
        worth=(
            *(sum(b >= i for b in technical) for i in range(len(settings.technical))),
            *(sum(LEVELS.index(level) >= i for level in supported) for i in (1, 2)),
            sum(filmed),
            *(sum(b >= i for b in reports) for i in range(len(settings.professional_day))),
            sum(recorded > b.lower.ns for b in settings.professional_whole),
            int(whole_video),
        ),
    )


def _days(
    facts: BillingFacts, settings: BillingSettings, parts: Sequence[Portion]
) -> tuple[Day, ...]:
    """Every period with its band, level and video; what joined has those of the one before."""
    extents = [part.extent for part in parts]
    supported, filmed = levels(facts, settings, extents), videos(facts, settings, extents)
    bands = [band_of_period(settings.technical, part.counted_ns) for part in parts]
    kept = _kept(bands, [part.counted_ns for part in parts])
    return tuple(
        Day(
            part,
            bands[i] if i in kept else None,
            None if i in kept else bands[i],
            supported[i - part.joins],
            filmed[i - part.joins],
            dates_of(facts.recorded, part.window, facts.axis),
        )
        for i, part in enumerate(parts)
    )


def _kept(bands: Sequence[TechnicalBand | ReaderBand | None], held: Sequence[int]) -> set[int]:
    """Positions that keep their band: all, but of a band that counts once only the longest."""
    kept, names = set(), set()
    for i in sorted(range(len(bands)), key=lambda i: -held[i]):
        band = bands[i]
        if band is not None and not (band.once is not None and band.name in names):
            kept.add(i)
            names.add(band.name)
    return kept


def _by_total(windows: Sequence[Window], settings: BillingSettings, pair: Pair) -> list[Placed]:
    """Each unit with the wall time in which its recorded time was recorded, clock by clock."""
    length = unit_length(settings, longest_first=settings.split.default == "longest_first")
    bounds = [*(w.start for w in windows if w.first), windows[-1].end]
    bands: list[TechnicalBand] = []
    held: list[tuple[int, int]] = []
    for begin, end in pairwise(iv.held_before(pair, np.array(bounds)).tolist()):
        found = split_total(end - begin, settings, length)
        bands += found
        held += pairwise([*(begin + k * length for k in range(len(found))), end])
    return [
        Placed(band, wall, end - begin)
        for band, wall, (begin, end) in zip(bands, _wall(pair, held), held, strict=True)
    ]


def _wall(pair: Pair, held: Sequence[tuple[int, int]]) -> list[Interval]:
    """The wall times between two amounts each of the time that ``pair`` holds."""
    if not held:
        return []
    starts, ends = pair
    before = np.cumsum(ends - starts) - (ends - starts)
    low, high = np.array(held).T
    first = np.searchsorted(before, low, side="right") - 1
    last = np.searchsorted(before, high) - 1
    begins = starts[first] + low - before[first]
    stops = starts[last] + high - before[last]
    return list(map(Interval, begins.tolist(), stops.tolist()))


def _day_code(day: Day, band: ReaderBand | None, settings: BillingSettings) -> DayCode:
    if band is not None:
        return DayCode(band.codes.of(day.video), band.name, dates=day.dates)
    once = band_of(settings.professional_day, day.part.counted_ns)
    if day.part.joins:
        told = f"up to {in_words(settings.leftover_joins.ns)} left over: joins the day before"
    elif once is not None:
        told = f"{once.name}, once in a study, and another day has it: no code"
    elif not day.part.recorded_ns:
        told = "nothing recorded"
    else:
        told = f"less than {in_words(settings.minimum_ns)}"
    return DayCode(None, told, dates=day.dates)


def _whole_code(total_ns: int, video: bool, settings: BillingSettings, *, once: bool) -> DayCode:
    bands = settings.professional_whole
    band = band_of(bands, total_ns)
    if band is not None:
        return DayCode(band.codes.of(video), band.name)
    uncovered = band_of(settings.professional_once, total_ns)
    if uncovered is not None:
        codes = uncovered.of(video)
        named = " with ".join(codes)
        if once:
            return DayCode(codes[0], f"{uncovered.name} in one report: {named}", codes[1:])
        return DayCode(
            None,
            f"{uncovered.name}: no whole-study code; {named} for one report is not settled (mark: "
            f"{uncovered.mark}): ask the coder",
        )
    if not bands or total_ns < settings.minimum_ns:
        return DayCode(None, "no long-term code")
    return DayCode(
        None,
        f"up to {in_words(bands[0].lower.ns)}: no whole-study code; one report on this time has "
        "the day's code",
    )
