"""Numbers for the pictures of the study, one row for each civil day, and of its channels by hours.

Positions (``x``) and widths (``w``) are integers in hundredths of a percent of the row's full
width, so that a picture of any size can be drawn from them. They round outward and small things
are widened to be seen: a position is never read back as a time. Durations stay in the ``Audit``.

Each channel is a strip of one unit for each clock hour and ``HEIGHT`` units high. The share of the
hour's recorded time in which the channel carried signal fills it from below, the part of that with
mains artifact or implausibly large signal hatched; the share in which it was saturated fills it
from above; what stays open was flat. An hour without recording has no strip.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from itertools import groupby
from typing import NamedTuple

import numpy as np
from msgspec import Struct

from auditor.core.clock import Axis
from auditor.core.intervals import Pair, distinct, empty, intervals, joined, pair_of, subtract
from auditor.core.units import DAY, HOUR
from auditor.model import Audit, ChannelFacts, HourFacts, Int64

FULL = 10_000
"""A row's full width: 100 % in hundredths of a percent."""
MAX_ROWS = 45
"""More days than this are not drawn; the lists hold them all."""
LISTED = 500
"""Rows of a long list on the page; the files beside it hold them all."""
_HAIR = 12
"""The least width of a gap on paper and screen: about one pixel of a wide screen."""
_MAX_BARS = 4000
_MAX_LINKS = 120
HEIGHT = 60
MAX_HOURS = 1080
_MAX_CELLS = 20_000
_TABLE_CELLS = 12_000


class Bar(Struct, frozen=True):
    """A piece of a lane."""

    x: int
    w: int


class Tick(Struct, frozen=True):
    """A place with a short text."""

    x: int
    text: str


class GapLink(Struct, frozen=True):
    """A place to click: gaps ``first .. last`` (0-based, inclusive) that lie close together."""

    x: int
    w: int
    first: int
    last: int
    key: str


class Row(Struct, frozen=True):
    """One civil day. ``length`` is its width where days of 23, 24 and 25 hours stand together."""

    start: int
    end: int
    length: int
    lanes: dict[str, tuple[Bar, ...]]
    """The bars of each lane of ``_lanes``."""
    links: tuple[GapLink, ...]
    events: tuple[int, ...]
    checks: tuple[int, ...]
    periods: tuple[Tick, ...]
    flags: tuple[Tick, ...]
    """Ends of the order and of the recording: 'first', 'last', 'hookup', 'planned_end'."""
    hours: tuple[Tick, ...]
    """The day's own hour marks where the clock was changed on it, else empty."""


class Skipped(Struct, frozen=True):
    """Days between two rows on which nothing was recorded or ordered."""

    start: int
    end: int
    days: int


class Picture(Struct, frozen=True):
    """The study day by day. ``cut`` tells that later days are not drawn."""

    rows: tuple[Row | Skipped, ...]
    hours: tuple[Tick, ...]
    cut: bool
    link_of_gap: dict[int, str]
    """For each of the first ``LISTED`` gaps that is drawn, the key of the first link to it."""


def draw(audit: Audit) -> Picture:
    """The picture of ``audit``."""
    axis = audit.study.axis
    days, cut = _days(audit)
    bounds = [(axis.instant(day * DAY), axis.instant((day + 1) * DAY)) for day in days]
    scale = max(end - start for start, end in bounds)
    lanes = _lanes(audit, len(bounds))
    gaps = lanes["gaps"].pair
    spread = _link_spread(gaps, bounds, scale)
    checks = () if audit.monitoring is None else audit.monitoring.checks
    annotated, checked = (
        np.array([one.at for one in some], dtype=np.int64) for some in (audit.annotations, checks)
    )
    rows: list[Row | Skipped] = []
    link_of_gap: dict[int, str] = {}
    for number, (start, end) in enumerate(bounds):
        if number and days[number] > days[number - 1] + 1:
            rows.append(Skipped(bounds[number - 1][1], start, days[number] - days[number - 1] - 1))
        row = _row(audit, lanes, _Scale(start, end, scale), spread, annotated, checked)
        for link in row.links:
            for gap in range(link.first, min(link.last + 1, LISTED)):
                link_of_gap.setdefault(gap, link.key)
        rows.append(row)
    hours = tuple(Tick(h * HOUR * FULL // scale, f"{h:02d}:00") for h in range(0, 25, 3))
    return Picture(tuple(rows), hours, cut, link_of_gap)


def shares(parts: Sequence[int], *, least: int = 40) -> tuple[int, ...]:
    """Widths of ``parts`` (nanoseconds) that sum to ``FULL`` exactly.

    A part above zero is at least ``least`` wide; the widest parts give what that takes.
    """
    whole = sum(parts)
    if whole <= 0:
        return tuple(0 for _ in parts)
    widths = [max(least, p * FULL // whole) if p > 0 else 0 for p in parts]
    while (over := sum(widths) - FULL) != 0:
        widest = max(range(len(widths)), key=widths.__getitem__)
        widths[widest] -= min(over, widths[widest] - 1)
    return tuple(widths)


class _Scale(Struct, frozen=True):
    start: int
    end: int
    full: int

    def x(self, instant: int) -> int:
        return (instant - self.start) * FULL // self.full

    def holds(self, instant: int) -> bool:
        return self.start <= instant < self.end

    def bars(self, lane: _Lane) -> tuple[Bar, ...]:
        """The lane's stretches inside the row."""
        (starts, ends), join, least = lane
        low, high = np.maximum(starts, self.start), np.minimum(ends, self.end)
        inside = low < high
        left = (low[inside] - self.start) * FULL // self.full
        right = -((self.start - high[inside]) * FULL // self.full)
        right = np.maximum(right, left + least)
        return tuple(Bar(int(a), int(b) - int(a)) for a, b, _, _ in _joined(left, right, join))

    def points(self, instants: Int64, *, step: int = 20) -> tuple[int, ...]:
        """Places of the instants inside the row, one for each ``step`` at most."""
        inside = instants[(instants >= self.start) & (instants < self.end)]
        places = (inside - self.start) * FULL // self.full
        return tuple(int(p) for p in distinct(places // step * step))


def _joined(left: Int64, right: Int64, join: int) -> list[tuple[int, int, int, int]]:
    """(left, right, first, last) of runs of bars that stand closer than ``join``; sorted input."""
    if not len(left):
        return []
    reach = np.maximum.accumulate(right)
    new = np.flatnonzero(np.concatenate(([True], left[1:] - reach[:-1] >= join)))
    last = np.concatenate((new[1:], [len(left)])) - 1
    return [(int(left[a]), int(reach[b]), int(a), int(b)) for a, b in zip(new, last, strict=True)]


def _days(audit: Audit) -> tuple[list[int], bool]:
    """Civil days (since 1970-01-01) with recorded or ordered time, at most ``MAX_ROWS``."""
    axis = audit.study.axis
    union = audit.coverage.union_starts, audit.coverage.union_ends
    stretches = list(intervals(joined(union, HOUR)))  # no day lies in a hole of an hour
    if audit.shortfall is not None:
        stretches.append(audit.shortfall.window)
    days: set[int] = set()
    for stretch in sorted(stretches):
        first = axis.civil(stretch.start) // DAY
        last = max(first, (axis.civil(stretch.end) - 1) // DAY)
        days.update(range(first, min(last, first + MAX_ROWS) + 1))
        if len(days) > MAX_ROWS and first > min(days) + MAX_ROWS:
            break
    if not days:
        days.add(axis.civil(audit.coverage.first_start) // DAY)
    ordered = sorted(days)
    return ordered[:MAX_ROWS], len(ordered) > MAX_ROWS


class _Lane(NamedTuple):
    """Stretches of time; closer than ``join`` they are drawn as one, ``least`` wide at least."""

    pair: Pair
    join: int = 5
    least: int = 1


def _lanes(audit: Audit, rows: int) -> dict[str, _Lane]:
    """What is drawn in ``rows`` rows, made once: a study may have 300,000 gaps."""
    coverage, signal = audit.coverage, audit.signal
    budget = max(30, FULL * rows // _MAX_BARS)
    window = pair_of(() if audit.shortfall is None else (audit.shortfall.window,))
    usable, clean = signal.usable or empty(), signal.clean or empty()
    lanes = {
        "nights": _Lane(pair_of(audit.nights)),
        "ordered": _Lane(window),
        "recorded": _Lane((coverage.union_starts, coverage.union_ends), max(5, budget // 3)),
        # Ordered time before the first record or after the last one.
        "unfilled": _Lane(subtract(window, pair_of([coverage.span])), least=_HAIR),
        "gaps": _Lane(pair_of(coverage.gaps), max(6, budget // 3), _HAIR),
        "usable": _Lane(usable, budget),
        "artifact": _Lane(subtract(usable, clean), budget, _HAIR),
        "video": _Lane(pair_of(audit.video.stretches if audit.video else ()), budget),
        "lapses": _Lane(pair_of(audit.monitoring.lapses if audit.monitoring else ())),
    }
    for copy in coverage.copies if len(coverage.copies) > 1 else ():
        lanes[f"held by {copy.name}"] = _Lane(copy.held, budget // 2)
        lanes[f"filled by {copy.name}"] = _Lane(pair_of(copy.filled), budget, _HAIR)
    return lanes


def _link_spread(gaps: Pair, bounds: Sequence[tuple[int, int]], full: int) -> int:
    """How far apart gaps may stand and still share a link, so that links stay few."""
    spread = 30
    while spread < FULL:
        count = sum(len(_links(gaps, _Scale(s, e, full), spread)) for s, e in bounds)
        if count <= _MAX_LINKS:
            break
        spread *= 2
    return spread


def _links(gaps: Pair, scale: _Scale, spread: int) -> list[GapLink]:
    """Gaps of the row; those that begin in the same ``spread`` share a link unless one is wide."""
    starts, ends = gaps
    inside = np.flatnonzero((starts < scale.end) & (ends > scale.start))
    if not len(inside):
        return []
    low = np.maximum(starts[inside], scale.start)
    high = np.minimum(ends[inside], scale.end)
    left = (low - scale.start) * FULL // scale.full
    right = np.maximum(-((scale.start - high) * FULL // scale.full), left + _HAIR)
    wide = right - left > 4 * spread
    bucket = np.where(wide, -1 - np.arange(len(left)), left // spread)
    first = np.flatnonzero(np.concatenate(([True], bucket[1:] != bucket[:-1])))
    last = np.concatenate((first[1:], [len(left)])) - 1
    links = []
    for a, b in zip(first.tolist(), last.tolist(), strict=True):
        gap, x = int(inside[a]), int(left[a])
        later = int(starts[gap]) < scale.start
        key = f"{gap + 1}-from-{scale.start}" if later else f"{gap + 1}"
        links.append(GapLink(x, int(right[a : b + 1].max()) - x, gap, int(inside[b]), key))
    return links


def _row(
    audit: Audit,
    lanes: Mapping[str, _Lane],
    scale: _Scale,
    spread: int,
    annotated: Int64,
    checked: Int64,
) -> Row:
    return Row(
        start=scale.start,
        end=scale.end,
        length=(scale.end - scale.start) * FULL // scale.full,
        lanes={name: scale.bars(lane) for name, lane in lanes.items()},
        links=tuple(_links(lanes["gaps"].pair, scale, spread)),
        # No closer than half the distance that stretches of usable time are drawn apart.
        events=scale.points(annotated, step=max(20, lanes["usable"].join // 2)),
        checks=scale.points(checked),
        periods=tuple(
            Tick(scale.x(p.start), str(p.index))
            for p in (() if audit.billing is None else audit.billing.periods)
            if scale.holds(p.start)
        ),
        flags=_flags(audit, scale),
        hours=_own_hours(audit.study.axis, scale),
    )


def _flags(audit: Audit, scale: _Scale) -> tuple[Tick, ...]:
    flags = {
        "first": audit.coverage.first_start,
        "last": audit.coverage.last_end,
        "hookup": audit.hookup,
        "planned_end": audit.planned_end,
    }
    return tuple(
        Tick(scale.x(at), name)
        for name, at in flags.items()
        if at is not None
        and (scale.holds(at) or (at == scale.end and name in ("last", "planned_end")))
    )


def _own_hours(axis: Axis, scale: _Scale) -> tuple[Tick, ...]:
    """Hour marks of a day on which the clock was changed; empty for any other day."""
    if scale.end - scale.start == DAY:
        return ()
    count = (scale.end - scale.start) // HOUR
    marks: list[Tick] = []
    for hour in range(count + 1):
        at = scale.x(scale.start + hour * HOUR)
        civil = axis.civil(scale.start + hour * HOUR) // HOUR % 24
        if civil % 3 == 0 and (not marks or at - marks[-1].x > 900):
            marks.append(Tick(at, f"{civil:02d}:00"))
    return tuple(marks)


class Strip(Struct, frozen=True):
    """One channel: path data of its parts in units of hours by ``HEIGHT``.

    ``artifact`` lies over ``signal``, from below. The two kinds of artifact may hold together, so
    it is at most their sum.
    """

    channel: ChannelFacts
    signal: str
    artifact: str
    saturated: str


class ChannelPicture(Struct, frozen=True):
    """Strips of the channels. ``days`` are (hour index, instant) of each midnight."""

    hours: int
    strips: tuple[Strip, ...]
    total: int
    unrecorded: str
    days: tuple[tuple[int, int], ...]
    table_hours: int
    """How many hours the table of minutes with signal holds."""


def draw_channels(audit: Audit) -> ChannelPicture | None:
    """The picture, or ``None`` where the signal was not scanned or has no hours."""
    channels = audit.signal.channels
    hours = audit.hours[:MAX_HOURS]
    if not audit.signal.scanned or not channels or not hours or not channels[0].hourly:
        return None
    most = max(8, min(len(channels), _MAX_CELLS // len(hours)))
    drawn = sorted(channels, key=lambda c: not c.is_eeg)[:most]
    axis = audit.study.axis
    return ChannelPicture(
        hours=len(hours),
        strips=tuple(
            Strip(
                c,
                _path(_heights(c, hours, lambda s: s[0]), below=True),
                _path(_heights(c, hours, lambda s: min(s[0], s[3] + s[4])), below=True),
                _path(_heights(c, hours, lambda s: s[2])),
            )
            for c in drawn
        ),
        total=len(channels),
        unrecorded=_path([0 if h.recorded_ns else HEIGHT for h in hours]),
        days=tuple(
            (i, h.start) for i, h in enumerate(hours) if axis.civil(h.start) // HOUR % 24 == 0
        ),
        table_hours=min(len(hours), max(24, _TABLE_CELLS // len(drawn))),
    )


def _heights(
    channel: ChannelFacts, hours: Sequence[HourFacts], part: Callable[[tuple[int, ...]], int]
) -> list[int]:
    """Height of each hour's part; any part at all is at least one unit high."""
    return [
        0 if not h.recorded_ns or not part(state) else max(1, part(state) * HEIGHT // h.recorded_ns)
        for h, state in zip(hours, channel.hourly, strict=False)
    ]


def _path(heights: Sequence[int], *, below: bool = False) -> str:
    """Rectangles of the heights, hours of one height joined, as SVG path data."""
    parts, start = [], 0
    for height, hours in groupby(heights):
        width = len(tuple(hours))
        if height:
            top = HEIGHT - height if below else 0
            parts.append(f"M{start} {top}h{width}v{height}h{-width}z")
        start += width
    return "".join(parts)
