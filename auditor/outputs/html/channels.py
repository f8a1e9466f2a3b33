"""Numbers for the picture of channels by the hour.

Each channel is a strip of one unit for each clock hour and ``HEIGHT`` units high. The share of the
hour's recorded time in which the channel carried signal fills it from below, the part of that with
mains artifact or implausibly large signal hatched; the share in which it was saturated fills it
from above; what stays open was flat. An hour without recording has no strip.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from itertools import groupby

from msgspec import Struct

from auditor.core.units import HOUR
from auditor.model import Audit, ChannelFacts, HourFacts

HEIGHT = 60
MAX_HOURS = 1080
_MAX_CELLS = 20_000
_TABLE_CELLS = 12_000


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
