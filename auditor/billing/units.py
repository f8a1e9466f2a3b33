"""The units and professional codes that one reading of the rules gives.

A *reading* is one answer to each question that the sources leave open (``Choices``). The default
reading and every alternative go through the same function, so they differ in nothing else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np

from auditor.billing.periods import Window, period_windows
from auditor.billing.split import band_of, split_total, within, within_longest
from auditor.billing.support import Choices, Facts, Support, held_in
from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.core.intervals import Pair
from auditor.model import DayCode, Interval, MonitoringLevel, Professional, Unit
from auditor.policy.billing import BillingSettings, TechnicalBand


@dataclass(frozen=True, slots=True)
class Day:
    """One period: what was recorded in it, and what counts in it once a remainder has joined."""

    window: Window
    extent: Interval
    """The window, with the one after where that joined it."""
    recorded_ns: int
    counted_ns: int
    joins: bool
    """Whether this period's time was joined to the one before."""
    took_ns: int
    """Time of the period after, joined to this one."""
    band: TechnicalBand | None
    level: MonitoringLevel
    video: bool


@dataclass(frozen=True, slots=True)
class Outcome:
    """What one reading gives."""

    recorded_ns: int
    days: tuple[Day, ...]
    totals: tuple[Unit, ...]
    professional: Professional

    @property
    def codes(self) -> tuple[object, ...]:
        """Everything that is a code, to tell whether two readings differ."""
        whole = self.professional.whole_study
        return (
            tuple((u.code, u.count) for u in self.totals),
            tuple(d.code for d in self.professional.each_day if d.code),
            (whole.code, whole.also),
        )


def read(facts: Facts, choices: Choices, settings: BillingSettings) -> Outcome:
    """The units and professional codes under ``choices``."""
    pair = facts.counted(choices)
    support = Support(facts, choices)
    windows = period_windows(
        facts.coverage,
        facts.axis,
        settings,
        fixed_hour=choices.split == "fixed_hour",
        clock_starts=facts.clock_starts(choices),
    )
    days = _days(support, settings, pair, windows)
    placed = [(d.band, d.extent) for d in days if d.band is not None]
    if choices.split in ("total", "longest_first"):
        by_total = _by_total(facts, choices, settings, pair)
        # Where both give the same units, the periods say when each was recorded; so the totals
        # agree with the table of periods.
        if Counter(b.name for b, _ in by_total) != Counter(b.name for b, _ in placed):
            placed = by_total
    extents = [extent for _, extent in placed]
    units = Counter(
        (band.codes.of(level, video), band.name)
        for (band, _), level, video in zip(
            placed, support.levels(extents), support.videos(extents), strict=True
        )
    )
    recorded = iv.total(pair)
    (whole_video,) = support.videos([facts.coverage.span], by_study=True)
    return Outcome(
        recorded_ns=recorded,
        days=days,
        totals=tuple(Unit(code, n, band) for (code, band), n in sorted(units.items())),
        # The day codes follow the periods whatever the technical reading, since each report is on
        # one 24-hour period (American Academy of Neurology, questions on coding).
        professional=Professional(
            each_day=tuple(_day_code(day, settings) for day in days),
            whole_study=_whole_code(recorded, whole_video, choices, settings),
        ),
    )


def _days(
    support: Support, settings: BillingSettings, pair: Pair, windows: Sequence[Window]
) -> tuple[Day, ...]:
    """Every period with what counts in it, once what is left over has joined the one before."""
    recorded = held_in(pair, [w.interval for w in windows]).tolist()
    counted = list(recorded)
    joined: dict[int, int] = {}
    for part in _parts(windows):
        held = [i for i in part if recorded[i]]
        # Only what is left over at the end of a clock joins the period before it.
        if held and held[-1] > part[0] and within(settings.leftover_joins, recorded[held[-1]]):
            last = held[-1]
            joined[last] = last - 1
            counted[last - 1] += counted[last]
            counted[last] = 0
    took = {before: recorded[last] for last, before in joined.items()}
    extents = [
        Interval(w.start, windows[i + 1].end) if i in took else w.interval
        for i, w in enumerate(windows)
    ]
    levels, videos = support.levels(extents), support.videos(extents)
    return tuple(
        Day(
            window=window,
            extent=extents[i],
            recorded_ns=recorded[i],
            counted_ns=counted[i],
            joins=i in joined,
            took_ns=took.get(i, 0),
            band=_band_of_period(counted[i], settings),
            level=levels[i],
            video=videos[i],
        )
        for i, window in enumerate(windows)
    )


def _band_of_period(counted_ns: int, settings: BillingSettings) -> TechnicalBand | None:
    """The band of one period; the longest where a long civil day passes its end."""
    band = band_of(settings.technical, counted_ns)
    beyond = counted_ns > settings.minimum_ns and not within_longest(counted_ns, settings)
    return settings.technical[-1] if band is None and beyond else band


def _parts(windows: Sequence[Window]) -> Iterator[range]:
    """Runs of windows under one clock, as ranges of positions."""
    begins = [i for i, w in enumerate(windows) if w.first or i == 0]
    for begin, end in zip(begins, [*begins[1:], len(windows)], strict=True):
        yield range(begin, end)


def _by_total(
    facts: Facts, choices: Choices, settings: BillingSettings, pair: Pair
) -> list[tuple[TechnicalBand, Interval]]:
    """Each unit with the wall time in which its recorded time was recorded, clock by clock."""
    longest = settings.technical[-1]
    length = settings.period.ns
    if choices.split == "longest_first" and longest.upper is not None:
        length = longest.upper.ns
    coverage = facts.coverage
    bounds = sorted({coverage.first_start, *facts.clock_starts(choices), coverage.last_end})
    before = iv.held_before(pair, np.array(bounds, np.int64)).tolist()
    bands: list[TechnicalBand] = []
    from_ns: list[int] = []
    to_ns: list[int] = []
    for begin, end in pairwise(before):
        found = split_total(end - begin, settings, length).bands(longest)
        bands += found
        from_ns += [begin + k * length for k in range(len(found))]
        to_ns += [begin + k * length for k in range(1, len(found))] + [end] * bool(found)
    return list(zip(bands, _wall(pair, from_ns, to_ns), strict=True))


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


def _day_code(day: Day, settings: BillingSettings) -> DayCode:
    if day.joins:
        limit = in_words(settings.leftover_joins.ns)
        return DayCode(None, f"up to {limit} left over: joins the day before")
    bands = settings.professional_day
    band = band_of(bands, day.counted_ns)
    if band is None and bands and bands[-1].upper and day.counted_ns > bands[-1].upper.ns:
        band = bands[-1]
    if band is not None:
        return DayCode(band.codes.of(day.video), band.name)
    if not day.recorded_ns:
        return DayCode(None, "nothing recorded")
    return DayCode(None, f"less than {in_words(settings.minimum_ns)}")


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
