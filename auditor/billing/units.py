"""The units and professional codes that one reading of the rules gives.

A *reading* is one answer to each question that the sources leave open (``Choices``). The default
reading and every alternative go through the same function, so they differ in nothing else.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from auditor import intervals as iv
from auditor.billing.periods import Window, period_windows, recorded_in
from auditor.billing.split import band_of, split_total, within
from auditor.civil import Axis
from auditor.durations import in_words
from auditor.intervals import Pair
from auditor.model import (
    Coverage,
    DayCode,
    Int64,
    Interval,
    Monitoring,
    MonitoringLevel,
    Professional,
    Unit,
    Video,
)
from auditor.policy.billing import BillingSettings, SplitReading, TechnicalBand

LEVELS: tuple[MonitoringLevel, ...] = ("unmonitored", "intermittent", "continuous")
"""Levels of monitoring, lowest first."""


@dataclass(frozen=True, slots=True)
class Choices:
    """One answer to each open question. The policy's answers are the default reading."""

    split: SplitReading
    gap_tolerance_ns: int
    restart_moves_clock: bool
    lapse_lowers: Literal["period", "study"]
    video_by: Literal["study", "period"]
    monitoring_as_ordered: bool
    video_as_ordered: bool
    once: bool = False
    """Whether one report over a time without whole-study code carries the day codes."""

    @classmethod
    def of(cls, settings: BillingSettings) -> Choices:
        """The policy's answers."""
        return cls(
            split=settings.readings.default,
            gap_tolerance_ns=settings.gaps.tolerance_ns,
            restart_moves_clock=settings.restart.moves_clock,
            lapse_lowers=settings.lapse.lowers,
            video_by=settings.video_share.by,
            monitoring_as_ordered=settings.undocumented.monitoring == "as_ordered",
            video_as_ordered=settings.undocumented.video == "as_ordered",
        )


@dataclass(frozen=True, slots=True)
class Facts:
    """What is known of the study. ``pair`` is the time that counts: recorded, or usable."""

    coverage: Coverage
    axis: Axis
    pair: Pair
    ordered_video: bool | None
    ordered_level: MonitoringLevel | None
    monitoring: Monitoring | None
    video: Video | None
    restarts: tuple[int, ...]

    def counted(self, choices: Choices) -> Pair:
        """The time that counts, with gaps below the tolerance closed."""
        if not choices.gap_tolerance_ns:
            return self.pair
        return iv.joined(self.pair, choices.gap_tolerance_ns)

    def clock_starts(self, choices: Choices) -> tuple[int, ...]:
        """Restarts that begin a new clock."""
        return self.restarts if choices.restart_moves_clock else ()


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
    recorded = iv.total(pair)
    windows = period_windows(
        facts.coverage,
        facts.axis,
        settings,
        fixed_hour=choices.split == "fixed_hour",
        clock_starts=facts.clock_starts(choices),
    )
    days = _days(facts, choices, settings, pair, windows)
    placed = [(d.band, d.extent) for d in days if d.band is not None]
    if choices.split in ("total", "longest_first"):
        by_total = list(_by_total(facts, choices, settings, pair))
        # Where both give the same units, the periods say when each was recorded; so the totals
        # agree with the table of periods.
        if Counter(b.name for b, _ in by_total) != Counter(b.name for b, _ in placed):
            placed = by_total
    units: Counter[tuple[str, str]] = Counter()
    for band, extent in placed:
        level = level_in(facts, choices, pair, extent)
        code = band.codes.of(level, video_in(facts, choices, pair, extent))
        units[code, band.name] += 1
    return Outcome(
        recorded_ns=recorded,
        days=days,
        totals=tuple(Unit(code, n, band) for (code, band), n in sorted(units.items())),
        professional=_professional(facts, choices, settings, pair, days),
    )


def _days(
    facts: Facts,
    choices: Choices,
    settings: BillingSettings,
    pair: Pair,
    windows: Sequence[Window],
) -> tuple[Day, ...]:
    recorded = recorded_in(pair, windows)
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
    days = []
    for i, window in enumerate(windows):
        extent = Interval(window.start, windows[i + 1].end) if i in took else window.interval
        band = band_of(settings.technical, counted[i])
        if band is None and counted[i] > settings.minimum_ns:
            band = settings.technical[-1]
        days.append(
            Day(
                window=window,
                extent=extent,
                recorded_ns=recorded[i],
                counted_ns=counted[i],
                joins=i in joined,
                took_ns=took.get(i, 0),
                band=band,
                level=level_in(facts, choices, pair, extent),
                video=video_in(facts, choices, pair, extent),
            )
        )
    return tuple(days)


def _parts(windows: Sequence[Window]) -> Iterator[range]:
    """Runs of windows under one clock, as ranges of positions."""
    begins = [i for i, w in enumerate(windows) if w.first or i == 0]
    for begin, end in zip(begins, [*begins[1:], len(windows)], strict=True):
        yield range(begin, end)


def _by_total(
    facts: Facts, choices: Choices, settings: BillingSettings, pair: Pair
) -> Iterator[tuple[TechnicalBand, Interval]]:
    """Each unit with the wall time in which its recorded time was recorded."""
    longest = settings.technical[-1]
    length = settings.period.ns
    if choices.split == "longest_first" and longest.upper is not None:
        length = longest.upper.ns
    coverage = facts.coverage
    begins = sorted({coverage.first_start, *facts.clock_starts(choices)})
    for begin, end in zip(begins, [*begins[1:], coverage.last_end], strict=True):
        part = iv.clip(pair, Interval(begin, end))
        total = iv.total(part)
        bands = split_total(total, settings, length).bands(longest)
        for k, band in enumerate(bands):
            stop = total if k == len(bands) - 1 else min((k + 1) * length, total)
            yield band, _wall(part, k * length, stop)


def _wall(pair: Pair, from_ns: int, to_ns: int) -> Interval:
    """The wall time from ``from_ns`` to ``to_ns`` of the time that ``pair`` holds."""
    starts, ends = pair
    before: Int64 = np.cumsum(ends - starts) - (ends - starts)
    first = int(np.searchsorted(before, from_ns, side="right")) - 1
    last = int(np.searchsorted(before, to_ns, side="left")) - 1
    return Interval(
        int(starts[first]) + from_ns - int(before[first]),
        int(starts[last]) + to_ns - int(before[last]),
    )


def level_in(facts: Facts, choices: Choices, pair: Pair, extent: Interval) -> MonitoringLevel:
    """The level of monitoring that order and log support inside ``extent``."""
    ordered = facts.ordered_level or "unmonitored"
    if ordered == "unmonitored":
        return ordered
    monitoring = facts.monitoring
    if monitoring is None or monitoring.supported is None:
        return ordered if choices.monitoring_as_ordered else "unmonitored"
    if choices.lapse_lowers == "study":
        extent = facts.coverage.span
    not_shown = dict(monitoring.not_shown)
    shown: MonitoringLevel = "unmonitored"
    for level in LEVELS[1 : LEVELS.index(ordered) + 1]:
        if level not in not_shown:  # no log of checks can show it
            if choices.monitoring_as_ordered and shown == LEVELS[LEVELS.index(level) - 1]:
                shown = level
        elif not _held(pair, not_shown[level], extent):
            shown = level
    return shown


def _held(pair: Pair, intervals: Sequence[Interval], extent: Interval) -> bool:
    inside = iv.clip(pair, extent)
    return any(iv.total(iv.clip(inside, interval)) for interval in intervals)


def video_in(facts: Facts, choices: Choices, pair: Pair, extent: Interval) -> bool:
    """Whether the codes with video are supported inside ``extent``."""
    if not facts.ordered_video:
        return False
    video = facts.video
    if video is None:
        return choices.video_as_ordered
    if choices.video_by == "study":
        return video.meets
    return covers(video, iv.clip(pair, extent))


def covers(video: Video, pair: Pair) -> bool:
    """Whether video covers its share of ``pair``; exactly the share is enough."""
    stretches = stretches_pair(video)
    shared = iv.total(iv.intersection(pair, stretches))
    return shared * 1_000_000 >= iv.total(pair) * video.threshold_ppm


def stretches_pair(video: Video) -> Pair:
    """The stretches of a video log as a plain pair."""
    return iv.union(
        np.array([s.start for s in video.stretches], np.int64),
        np.array([s.end for s in video.stretches], np.int64),
    )


def _professional(
    facts: Facts,
    choices: Choices,
    settings: BillingSettings,
    pair: Pair,
    days: Sequence[Day],
) -> Professional:
    """Both professional readings: a report on each period, and one report on the whole study.

    The day codes follow the periods whatever the technical reading, since each report is on one
    24-hour period (American Academy of Neurology, questions on coding).
    """
    whole_video = video_in(facts, replace(choices, video_by="study"), pair, facts.coverage.span)
    total = iv.total(pair)
    return Professional(
        each_day=tuple(_day_code(day, settings) for day in days),
        whole_study=_whole_code(total, whole_video, choices, settings),
    )


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
            f"{once.name}: no whole-study code; {named} for one report is {once.mark_words}: "
            "ask the coder",
        )
    if not bands or total_ns < settings.minimum_ns:
        return DayCode(None, "no long-term code")
    return DayCode(
        None,
        f"up to {in_words(bands[0].lower.ns)}: no whole-study code; one report on this time has "
        "the day's code",
    )
