"""Whether the recorded time reaches the band of the ordered time, and by how much."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass

from auditor.billing.split import (
    Margins,
    band_limits,
    band_of,
    margins,
    split_total,
    total_limits,
)
from auditor.core.durations import clock, hms, in_words
from auditor.core.text import Own
from auditor.core.units import DAY, HOUR, MINUTE
from auditor.model import Minimum
from auditor.policy.billing import BillingSettings

_WORDS = ("", "one", "two", "three", "four", "five", "six", "seven")


@dataclass(frozen=True, slots=True)
class _Bands:
    """What a total of time reaches: the units' bands in words, and the whole-study band."""

    units: str
    whole: str

    @property
    def words(self) -> str | None:
        """Both, or ``None`` where nothing is reached."""
        return ", ".join(filter(None, (self.units, self.whole))) or None


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
    if wanted.words is None:
        text = f"no code covers the ordered {hms(ordered_ns)}: there is no minimum"
        return Minimum(None, got.words, True, 0, 0, Own(text))
    at_order = _margins(ordered_ns, settings)
    limit = ordered_ns - at_order.above_ns
    passed = _reached(limit, settings) != wanted  # the limit itself lies below the band
    met = recorded_ns > limit or (recorded_ns == limit and not passed)
    named = limit_words(limit, settings)
    if met:
        above = recorded_ns - limit
        text = f"{clock(above)} above {named}" if above else f"exactly on {named}"
        beyond = _margins(recorded_ns, settings)
        if beyond.to_next_ns is not None:
            more = beyond.to_next_ns
            following = limit_words(recorded_ns + more, settings)
            text += f", {clock(more, up=True)} below" if more else ", exactly on"
            text += f" {following}"
        return Minimum(wanted.words, got.words, True, 0, above, Own(text))
    short = max(limit - recorded_ns, 1)
    if so_far:
        text = f"{clock(short, up=True)} still to come to {named}"
    elif recorded_ns == limit:
        text = f"exactly on {named}, which must be passed"
    else:
        text = f"{clock(short, up=True)} under {named}"
    return Minimum(wanted.words, got.words, False, short, 0, Own(text))


def limit_words(limit_ns: int, settings: BillingSettings) -> Own:
    """A limit as a coder names it: 'the 2-hour minimum', 'the 12:00:00 limit'."""
    if limit_ns == settings.minimum_ns and not limit_ns % HOUR:
        return Own(f"the {limit_ns // HOUR}-hour minimum")
    if limit_ns < settings.minimum_ns and not limit_ns % MINUTE:
        return Own(f"the {limit_ns // MINUTE}-minute minimum")
    days, rest = divmod(limit_ns, DAY)
    if not days:
        return Own(f"the {hms(limit_ns)} limit")
    word = _WORDS[days] if days < len(_WORDS) else str(days)
    told = f"{word} {'day' if days == 1 else 'days'}" + (f" and {in_words(rest)}" if rest else "")
    return Own(f"the {hms(limit_ns)} limit ({told})")


def _reached(ns: int, settings: BillingSettings) -> _Bands:
    counts = split_total(ns, settings).counts(settings.technical[-1])
    units = " + ".join(f"{n} x {name}" if n > 1 else name for name, n in counts.items())
    if not units:
        minutes = ns // MINUTE
        bands = [b for b in settings.shorter if b.from_minutes <= minutes <= b.to_minutes]
        units = bands[0].name if bands and ns < settings.minimum_ns else ""
    whole = band_of(settings.professional_whole, ns)
    return _Bands(units, f"whole study {whole.name}" if whole else "")


def _margins(ns: int, settings: BillingSettings) -> Margins:
    limits = total_limits(ns, settings, settings.period.ns)
    limits |= band_limits(settings.professional_whole)
    for band in settings.shorter:
        limits |= {band.from_minutes * MINUTE, (band.to_minutes + 1) * MINUTE}

    def result(at: int) -> Hashable:
        return _reached(at, settings)

    return margins(ns, result, limits)
