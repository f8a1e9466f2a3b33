"""Bands, their limits, and how far a time lies from where a code changes.

Everything is exact integer arithmetic on nanoseconds; every limit comes from the policy.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Hashable, Iterable, Sequence
from typing import TypeVar

from msgspec import Struct

from auditor.core.durations import clock, hms, in_words
from auditor.core.text import Own
from auditor.core.units import DAY, HOUR, MINUTE
from auditor.model import Minimum
from auditor.policy.billing import Band, BillingSettings, Limit, ShorterBand, TechnicalBand

_B = TypeVar("_B", bound=Band)
_NUMBERS = ("one", "two", "three", "four", "five", "six", "seven")


def band_of(bands: Sequence[_B], recorded_ns: int) -> _B | None:
    """The one of ``bands`` that holds ``recorded_ns``, or ``None``."""
    return next((band for band in bands if band.holds(recorded_ns)), None)


def within(limit: Limit, ns: int) -> bool:
    """Whether ``ns`` does not pass ``limit``."""
    return ns < limit.ns or (limit.included and ns == limit.ns)


def band_of_period(bands: Sequence[_B], recorded_ns: int) -> _B | None:
    """The band of one period by itself: the longest where a long civil day passes its end."""
    upper = bands[-1].upper if bands else None
    beyond = upper is not None and not within(upper, recorded_ns)
    return bands[-1] if beyond else band_of(bands, recorded_ns)


def unit_length(settings: BillingSettings, *, longest_first: bool) -> int:
    """The recorded time that one whole unit of the longest band stands for in a split."""
    upper = settings.technical[-1].upper
    return upper.ns if longest_first and upper is not None else settings.period.ns


def split_total(
    recorded_ns: int, settings: BillingSettings, length_ns: int | None = None
) -> tuple[TechnicalBand, ...]:
    """The band of each unit of a total of recorded time, in the order in which it was recorded.

    Time that one band holds is one unit of it. More than the longest band holds is
    n = floor(T / length) units of the longest band and a remainder: up to ``leftover_joins`` it
    joins the last of them, else it is one unit of the band that holds it. ``length_ns`` is the
    period by default, and the longest band's end where that is filled first.
    """
    longest = settings.technical[-1]
    if longest.upper is None or within(longest.upper, recorded_ns):
        band = band_of(settings.technical, recorded_ns)
        return () if band is None else (band,)
    whole, rest = divmod(recorded_ns, length_ns or settings.period.ns)
    last = None if within(settings.leftover_joins, rest) else band_of(settings.technical, rest)
    return (longest,) * whole + (() if last is None else (last,))


def shorter_band(recorded_ns: int, settings: BillingSettings) -> ShorterBand | None:
    """The band below the long-term minimum, by whole minutes rounded down."""
    if recorded_ns >= settings.minimum_ns:
        return None
    minutes = recorded_ns // MINUTE
    bands = settings.shorter
    return next((b for b in bands if b.from_minutes <= minutes <= b.to_minutes), None)


class Margins(Struct, frozen=True):
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
    points = sorted(limits)
    to_next, exceed = next(
        (
            (point - ns, passed)
            for point in points
            if point >= ns
            for passed in (False, True)
            if result(point + passed) != now
        ),
        (None, False),
    )
    met = (
        ns - point
        for point in reversed(points)
        if point <= ns and (result(point - 1) != now or result(point) != now)
    )
    return Margins(to_next, exceed, next(met, 0))


def changes_a_code(one_ns: int, other_ns: int, settings: BillingSettings) -> bool:
    """Whether two totals of recorded time give other units, or another code of the whole study."""
    return _reached(one_ns, settings) != _reached(other_ns, settings)


def band_limits(bands: Sequence[Band]) -> set[int]:
    """Every limit of ``bands`` in nanoseconds."""
    ends = {band.upper.ns for band in bands if band.upper is not None}
    return ends | {band.lower.ns for band in bands}


def total_limits(recorded_ns: int, settings: BillingSettings, length_ns: int) -> set[int]:
    """Where ``split_total`` may change near ``recorded_ns``."""
    once = band_limits(settings.technical)
    rests = once | {0, settings.leftover_joins.ns}
    near = recorded_ns // length_ns
    return once | {k * length_ns + rest for k in range(near - 1, near + 2) for rest in rests}


def period_margins(
    recorded_ns: int, settings: BillingSettings, joins: Limit | None = None
) -> Margins:
    """Margins of one period by itself; with ``joins``, time within it makes no unit.

    More time in a period of the longest band makes no further unit: what lies beyond begins the
    next one.
    """

    def result(ns: int) -> Hashable:
        band = band_of_period(settings.technical, ns)
        return None if band is None or (joins and within(joins, ns)) else band.name

    limits = band_limits(settings.technical) | ({joins.ns} if joins else set())
    return margins(recorded_ns, result, limits)


# --- the minimum of the order -------------------------------------------------


def measure_minimum(
    ordered_ns: int, recorded_ns: int, settings: BillingSettings, *, so_far: bool = False
) -> Minimum:
    """The band of ``ordered_ns`` (units and whole-study band alike) against ``recorded_ns``.

    The limit is the least total that gives what the ordered time would give: its units under the
    split of totals and its whole-study band; under 2 h the band of whole minutes. ``short_ns`` is
    what is missing to it, at least 1 exactly on a limit that must be passed. With ``so_far`` the
    study goes on, and what is missing is still to come.
    """
    wanted, got = _reached(ordered_ns, settings), _reached(recorded_ns, settings)
    if not wanted:
        text = f"no code covers the ordered {hms(ordered_ns)}: there is no minimum"
        return Minimum(None, _words(got), True, 0, 0, Own(text))
    limit = ordered_ns - _minimum_margins(ordered_ns, settings).above_ns
    named = limit_words(limit, settings)
    on_limit_is_met = _reached(limit, settings) == wanted
    if recorded_ns > limit or (recorded_ns == limit and on_limit_is_met):
        above = recorded_ns - limit
        text = f"{clock(above)} above {named}" if above else f"exactly on {named}"
        more = _minimum_margins(recorded_ns, settings).to_next_ns
        if more is not None:
            text += f", {clock(more, up=True)} below" if more else ", exactly on"
            text += f" {limit_words(recorded_ns + more, settings)}"
        return Minimum(_words(wanted), _words(got), True, 0, above, Own(text))
    short = max(limit - recorded_ns, 1)
    if so_far:
        text = f"{clock(short, up=True)} still to come to {named}"
    elif recorded_ns == limit:
        text = f"exactly on {named}, which must be passed"
    else:
        text = f"{clock(short, up=True)} under {named}"
    return Minimum(_words(wanted), _words(got), False, short, 0, Own(text))


def limit_words(limit_ns: int, settings: BillingSettings) -> Own:
    """A limit as a coder names it: 'the 2-hour minimum', 'the 12:00:00 limit'."""
    if limit_ns == settings.minimum_ns and not limit_ns % HOUR:
        return Own(f"the {limit_ns // HOUR}-hour minimum")
    if limit_ns < settings.minimum_ns and not limit_ns % MINUTE:
        return Own(f"the {limit_ns // MINUTE}-minute minimum")
    days, rest = divmod(limit_ns, DAY)
    if not days:
        return Own(f"the {hms(limit_ns)} limit")
    number = _NUMBERS[days - 1] if days <= len(_NUMBERS) else str(days)
    told = f"{number} {'day' if days == 1 else 'days'}" + (f" and {in_words(rest)}" if rest else "")
    return Own(f"the {hms(limit_ns)} limit ({told})")


def bands_words(bands: Sequence[TechnicalBand]) -> Own:
    """'2 x 12-26 h + 2-12 h', or 'no unit'."""
    counts = Counter(band.name for band in bands)
    shown = (f"{n} x {name}" if n > 1 else name for name, n in counts.items())
    return Own(" + ".join(shown) or "no unit")


def _reached(ns: int, settings: BillingSettings) -> tuple[str, ...]:
    """What a total of time reaches: the units' bands, and the whole-study band."""
    bands = split_total(ns, settings)
    shorter = shorter_band(ns, settings)
    whole = band_of(settings.professional_whole, ns)
    parts = [bands_words(bands)] if bands else [] if shorter is None else [shorter.name]
    return (*parts, f"whole study {whole.name}") if whole else tuple(parts)


def _words(reached: Sequence[str]) -> str | None:
    return ", ".join(reached) or None


def _minimum_margins(ns: int, settings: BillingSettings) -> Margins:
    limits = total_limits(ns, settings, settings.period.ns)
    limits |= band_limits(settings.professional_whole)
    for band in settings.shorter:
        limits |= {band.from_minutes * MINUTE, (band.to_minutes + 1) * MINUTE}
    return margins(ns, lambda at: _reached(at, settings), limits)
