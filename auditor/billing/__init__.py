"""Which billing-time thresholds the recorded time meets. Never a claim."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.billing.findings import billing_findings, day_notes
from auditor.billing.interpretations import interpretations, period_start_words, split_words
from auditor.billing.limits import (
    margins,
    measure_minimum,
    period_margins,
    split_total,
    total_limits,
    unit_length,
)
from auditor.billing.periods import billing_periods, dates_of, restarts
from auditor.billing.setup import (
    SetupChannels,
    setup_channels,
    setup_code,
    shorter_code,
    sleep_seen,
)
from auditor.billing.support import BillingFacts
from auditor.billing.units import Day, Outcome, read
from auditor.core import intervals as iv
from auditor.core.durations import in_words
from auditor.model import Billing, Finding, Period, Source, Technical, Unit
from auditor.policy.billing import BillingSettings

__all__ = [
    "BillingFacts", "SetupChannels", "billing_periods", "measure_billing", "restarts",
    "setup_channels", "sleep_seen",
]  # fmt: skip


def measure_billing(
    facts: BillingFacts, settings: BillingSettings
) -> tuple[Billing, tuple[Finding, ...]]:
    """The thresholds that recorded time meets, with every interpretation that changes a code."""
    outcome = read(facts, settings, facts.recorded)
    readable = None
    if facts.usable is not None:
        usable = iv.intersection(iv.union(*facts.usable), facts.recorded)
        readable = read(facts, settings, usable)
    recorded_ns, order, tolerance = outcome.recorded_ns, facts.order, settings.gaps.tolerance_ns
    counted = f", gaps shorter than {in_words(tolerance)} counted" if tolerance else ""
    billing = Billing(
        basis=f"recorded{counted}",
        periods=_periods(outcome, readable, facts, settings),
        technical_totals=outcome.totals,
        total=_total(outcome, settings),
        professional=outcome.professional,
        interpretations=interpretations(facts, settings, outcome),
        setup=setup_code(recorded_ns, facts.channels, facts.with_signal, settings),
        shorter=shorter_code(recorded_ns, facts.sleep_seen, settings),
        cautions=(_how(settings), *settings.cautions),
        usable_totals=readable.totals if readable else None,
        usable_professional=readable.professional if readable else None,
        minimum=None if order is None else measure_minimum(
            order.ordered_ns, recorded_ns, settings, so_far=order.still_recording
        ),
        not_billable_ns=outcome.not_billable_ns,
        dates=dates_of(facts.recorded, facts.coverage.span, facts.axis),
        sources=tuple(
            Source(key, source.name, source.secondary) for key, source in settings.sources.items()
        ),
    )  # fmt: skip
    return billing, billing_findings(billing, outcome, readable, facts, settings)


def _how(settings: BillingSettings) -> str:
    how = split_words(settings.split.default, settings)
    if settings.period_start_ns is not None:
        how = period_start_words(settings.period_start_ns)
    return (
        f"Total units: {how}. Units of a period are those of that period by itself. Periods last "
        f"{in_words(settings.period.ns)}; where the two differ, the other interpretation is "
        "listed."
    )


def _periods(
    outcome: Outcome, readable: Outcome | None, facts: BillingFacts, settings: BillingSettings
) -> tuple[Period, ...]:
    filmed = facts.filmed.periods if facts.filmed and facts.ordered_video else ()
    meets = {p.index: p.meets for p in filmed}
    return tuple(
        Period(
            index=day.part.window.index,
            start=day.part.window.start,
            end=day.part.window.end,
            recorded_ns=day.part.recorded_ns,
            technical=_technical(day, outcome.days, settings),
            notes=day_notes(day, outcome.days, facts, settings),
            usable_ns=readable.days[i].part.recorded_ns if readable else None,
            dates=day.dates,
            monitoring=day.level if facts.ordered_level and day.part.recorded_ns else None,
            video=meets.get(day.part.window.index - day.part.joins),
        )
        for i, day in enumerate(outcome.days)
    )


def _technical(day: Day, days: Sequence[Day], settings: BillingSettings) -> Technical:
    """A period's unit and margins.

    Only the last period can still grow beyond its end: a little left over joins it, more is a unit
    of the next period. Any other period that reached the longest band has no higher limit.
    """
    units: tuple[Unit, ...] = ()
    if day.band is not None:
        units = (Unit(day.band.codes.of(day.level, day.video), 1, day.band.name),)
    part, joins = day.part, settings.leftover_joins
    measured = part.recorded_ns if part.joins else part.counted_ns
    last = day is days[-1]
    found = period_margins(measured, settings, joins if last and not part.window.first else None)
    grown = settings.period.ns + joins.ns
    if last and found.to_next_ns is None and measured <= grown:
        return Technical(units, grown - measured, found.above_ns, joins.included)
    return Technical(units, found.to_next_ns, found.above_ns, found.exceed)


def _total(outcome: Outcome, settings: BillingSettings) -> Technical:
    """All units, with the margins of the total recorded time under the split of the total."""
    total = outcome.recorded_ns
    length = unit_length(settings, longest_first=settings.split.default == "longest_first")
    found = margins(
        total, lambda ns: split_total(ns, settings, length), total_limits(total, settings, length)
    )
    return Technical(outcome.totals, found.to_next_ns, found.above_ns, found.exceed)
