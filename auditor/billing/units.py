"""The units and professional codes that one interpretation of the rules gives.

An *interpretation* is one answer to each question that the sources leave open (``Choices``). The
policy's own and every other go through the same function, so they differ in nothing else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from auditor.billing.limits import band_of, split_total, unit_length, within_longest
from auditor.billing.periods import Window, dates_of, joined, windows_of
from auditor.billing.support import LEVELS, Choices, Facts, Support, held_in
from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.core.intervals import Pair
from auditor.model import (
    DayCode,
    Interval,
    MonitoringLevel,
    Professional,
    Unit,
)
from auditor.policy.billing import BillingSettings, ReaderBand, TechnicalBand


class Day(Struct, frozen=True):
    """One period: what was recorded in it, and what counts in it once a remainder has joined.

    ``extent`` is the window, with the one after where that joined it; ``took_ns`` is that one's
    time. ``joins``: its own time was joined to the period before. ``band`` is ``None`` where it
    makes no unit; ``spare`` is then the band of which another period has the study's only unit.
    """

    window: Window
    extent: Interval
    recorded_ns: int
    counted_ns: int
    joins: bool
    took_ns: int
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


def read(facts: Facts, choices: Choices, settings: BillingSettings) -> Outcome:
    """The units and professional codes under ``choices``."""
    pair = facts.counted(choices)
    support = Support(facts, choices)
    days = _days(facts, support, choices, settings, pair)
    placed = [Placed(d.band, d.extent, d.counted_ns) for d in days if d.band is not None]
    recorded = iv.total(pair)
    if choices.split != "windows" and choices.period_start_ns is None:
        by_total = _once_a_study(_by_total(facts, choices, settings, pair))
        # Where both give the same units of all the time, the periods say when each was recorded;
        # so the totals agree with the table of periods.
        same = Counter(p.band.name for p in by_total) == Counter(p.band.name for p in placed)
        if not same or sum(p.held_ns for p in placed) != recorded:
            placed = by_total
    extents = [p.extent for p in placed]
    levels, videos = support.levels(extents), support.videos(extents)
    units = Counter(
        (p.band.codes.of(level, video), p.band.name)
        for p, level, video in zip(placed, levels, videos, strict=True)
    )
    (whole_video,) = support.videos([facts.coverage.span], by_study=True)
    # The day codes follow the periods whatever the split, since each report is on one 24-hour
    # period (American Academy of Neurology, questions on coding).
    day_bands = _day_bands(days, settings)
    professional = Professional(
        each_day=tuple(
            _day_code(day, band, settings) for day, band in zip(days, day_bands, strict=True)
        ),
        whole_study=_whole_code(recorded, whole_video, choices, settings),
    )
    bands = [settings.technical.index(p.band) for p in placed]
    by_day = [settings.professional_day.index(band) for band in day_bands if band]
    whole = professional.whole_study
    return Outcome(
        recorded_ns=recorded,
        days=days,
        totals=tuple(Unit(code, n, band) for (code, band), n in sorted(units.items())),
        professional=professional,
        not_billable_ns=recorded - sum(p.held_ns for p in placed),
        worth=(
            *(sum(b >= i for b in bands) for i in range(len(settings.technical))),
            *(sum(LEVELS.index(level) >= i for level in levels) for i in (1, 2)),
            sum(videos),
            *(sum(b >= i for b in by_day) for i in range(len(settings.professional_day))),
            sum(recorded > b.lower.ns for b in settings.professional_whole),
            len(whole.also) + (whole.code is not None),
            int(whole_video),
        ),
    )


def _days(
    facts: Facts, support: Support, choices: Choices, settings: BillingSettings, pair: Pair
) -> tuple[Day, ...]:
    """Every period with what counts in it, once what is left over has joined the one before."""
    starts = facts.clock_starts(choices)
    windows = windows_of(facts.coverage, facts.axis, settings, choices.period_start_ns, starts)
    recorded = held_in(pair, [w.interval for w in windows]).tolist()
    left_over = joined(windows, recorded, settings)
    took = [recorded[i + 1] if i + 1 in left_over else 0 for i in range(len(windows))]
    extents = [
        Interval(w.start, windows[i + 1].end if took[i] else w.end) for i, w in enumerate(windows)
    ]
    levels, videos = support.levels(extents), support.videos(extents)
    days = []
    for i, window in enumerate(windows):
        counted = 0 if i in left_over else recorded[i] + took[i]
        counts_with = i - 1 if i in left_over else i
        days.append(
            Day(
                window=window,
                extent=extents[i],
                recorded_ns=recorded[i],
                counted_ns=counted,
                joins=i in left_over,
                took_ns=took[i],
                band=_band_of_period(counted, settings),
                spare=None,
                level=levels[counts_with],
                video=videos[counts_with],
                dates=dates_of(facts.recorded, window.interval, facts.axis),
            )
        )
    kept = _longest_of_each([d.band for d in days], [d.counted_ns for d in days])
    return tuple(
        d if i in kept or d.band is None else replace(d, band=None, spare=d.band)
        for i, d in enumerate(days)
    )


def _band_of_period(counted_ns: int, settings: BillingSettings) -> TechnicalBand | None:
    """The band of one period; the longest where a long civil day passes its end."""
    band = band_of(settings.technical, counted_ns)
    beyond = counted_ns > settings.minimum_ns and not within_longest(counted_ns, settings)
    return settings.technical[-1] if band is None and beyond else band


# --- units --------------------------------------------------------------------


def _longest_of_each(
    bands: Sequence[TechnicalBand | ReaderBand | None], held: Sequence[int]
) -> frozenset[int]:
    """Positions that keep their band: all, but of a band that counts once only the longest."""
    best: dict[str, int] = {}
    for i, band in enumerate(bands):
        if band is not None and band.once is not None:
            before = best.get(band.name)
            best[band.name] = i if before is None or held[i] > held[before] else before
    return frozenset(
        i
        for i, band in enumerate(bands)
        if band is not None and (band.once is None or best[band.name] == i)
    )


def _once_a_study(placed: Sequence[Placed]) -> list[Placed]:
    kept = _longest_of_each([p.band for p in placed], [p.held_ns for p in placed])
    return [p for i, p in enumerate(placed) if i in kept]


def _by_total(
    facts: Facts, choices: Choices, settings: BillingSettings, pair: Pair
) -> list[Placed]:
    """Each unit with the wall time in which its recorded time was recorded, clock by clock."""
    length = unit_length(settings, longest_first=choices.split == "longest_first")
    coverage = facts.coverage
    bounds = sorted({coverage.first_start, *facts.clock_starts(choices), coverage.last_end})
    before = iv.held_before(pair, np.array(bounds, np.int64)).tolist()
    bands: list[TechnicalBand] = []
    from_ns: list[int] = []
    to_ns: list[int] = []
    for begin, end in pairwise(before):
        found = split_total(end - begin, settings, length)
        bands += found
        from_ns += [begin + k * length for k in range(len(found))]
        to_ns += [begin + k * length for k in range(1, len(found))] + [end] * bool(found)
    return [
        Placed(band, wall, to - start)
        for band, wall, start, to in zip(
            bands, _wall(pair, from_ns, to_ns), from_ns, to_ns, strict=True
        )
    ]


def _wall(pair: Pair, from_ns: Sequence[int], to_ns: Sequence[int]) -> list[Interval]:
    """The wall times between amounts of the time that ``pair`` holds, each shape (n,)."""
    if not len(pair[0]):
        return []
    starts, ends = pair
    before = np.cumsum(ends - starts) - (ends - starts)
    low, high = np.array(from_ns, np.int64), np.array(to_ns, np.int64)
    first = np.searchsorted(before, low, side="right") - 1
    last = np.searchsorted(before, high, side="left") - 1
    begins = starts[first] + low - before[first]
    stops = starts[last] + high - before[last]
    return list(map(Interval, begins.tolist(), stops.tolist()))


# --- professional codes -------------------------------------------------------


def _day_bands(days: Sequence[Day], settings: BillingSettings) -> list[ReaderBand | None]:
    """The professional band of each day, ``None`` for none or one that another day has."""
    bands = settings.professional_day
    found = []
    for day in days:
        band = band_of(bands, day.counted_ns)
        if band is None and bands and bands[-1].upper and day.counted_ns > bands[-1].upper.ns:
            band = bands[-1]
        found.append(band)
    kept = _longest_of_each(found, [d.counted_ns for d in days])
    return [band if i in kept else None for i, band in enumerate(found)]


def _day_code(day: Day, band: ReaderBand | None, settings: BillingSettings) -> DayCode:
    if band is not None:
        return DayCode(band.codes.of(day.video), band.name, dates=day.dates)
    once = band_of(settings.professional_day, day.counted_ns)
    if day.joins:
        told = f"up to {in_words(settings.leftover_joins.ns)} left over: joins the day before"
    elif once is not None:
        told = f"{once.name}, once in a study, and another day has it: no code"
    elif not day.recorded_ns:
        told = "nothing recorded"
    else:
        told = f"less than {in_words(settings.minimum_ns)}"
    return DayCode(None, told, dates=day.dates)


def _whole_code(total_ns: int, video: bool, choices: Choices, settings: BillingSettings) -> DayCode:
    bands = settings.professional_whole
    band = band_of(bands, total_ns)
    if band is not None:
        return DayCode(band.codes.of(video), band.name)
    once = band_of(settings.professional_once, total_ns)
    if once is not None:
        codes = once.of(video)
        named = " with ".join(codes)
        if choices.once:
            return DayCode(codes[0], f"{once.name} in one report: {named}", codes[1:])
        return DayCode(
            None,
            f"{once.name}: no whole-study code; {named} for one report is not settled (mark: "
            f"{once.mark}): ask the coder",
        )
    if not bands or total_ns < settings.minimum_ns:
        return DayCode(None, "no long-term code")
    return DayCode(
        None,
        f"up to {in_words(bands[0].lower.ns)}: no whole-study code; one report on this time has "
        "the day's code",
    )
