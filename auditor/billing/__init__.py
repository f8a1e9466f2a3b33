"""Which billing-time thresholds the recorded time meets. Never a claim."""

from __future__ import annotations

from collections.abc import Hashable, Sequence
from dataclasses import replace

from auditor.billing.findings import VOCABULARY, billing_findings
from auditor.billing.minimum import measure_minimum
from auditor.billing.periods import billing_periods
from auditor.billing.readings import alternatives, split_words
from auditor.billing.setup import setup_code, shorter_code, sleep_seen
from auditor.billing.split import band_limits, band_margins, band_of, margins, total_margins
from auditor.billing.support import Choices, Facts
from auditor.billing.units import Day, Outcome, read
from auditor.billing.words import day_notes
from auditor.core import intervals as iv
from auditor.core.clock import Axis
from auditor.core.durations import in_words
from auditor.core.intervals import Pair
from auditor.model import (
    Billing,
    Coverage,
    Finding,
    Monitoring,
    Order,
    Period,
    Professional,
    Technical,
    Unit,
    Video,
)
from auditor.policy.billing import BillingSettings

__all__ = ["VOCABULARY", "billing_periods", "measure_billing", "sleep_seen"]


def measure_billing(
    coverage: Coverage,
    axis: Axis,
    order: Order | None,
    settings: BillingSettings,
    *,
    eeg_channels: int | None = None,
    live_channels: int | None = None,
    usable: Pair | None = None,
    monitoring: Monitoring | None = None,
    video: Video | None = None,
    restarts: tuple[int, ...] = (),
    sleep_seen: bool | None = None,
) -> tuple[Billing, tuple[Finding, ...]]:
    """The thresholds that the recorded time meets, with every other reading that changes a code.

    ``usable`` is a plain pair of usable time, or ``None`` where the signal was not scanned.
    ``restarts`` are instants at which the recording was started anew; those that do not follow a
    gap are left out. ``monitoring`` and ``video`` are ``None`` where no log was given: then, as
    with an empty log, what the order names is not documented, and the policy says which codes that
    leaves (by default those without, since each check is to be documented).

    Periods and their units follow the periods of the policy; ``technical_totals`` follows the
    policy's default reading, and ``alternatives`` names every other that changes a code.
    """
    after_gaps = {gap.end for gap in coverage.gaps}
    facts = Facts(
        coverage=coverage,
        axis=axis,
        pair=(coverage.union_starts, coverage.union_ends),
        ordered_video=order.video if order else None,
        ordered_level=order.monitoring if order else None,
        monitoring=monitoring,
        video=video if video is not None and video.stretches else None,
        restarts=tuple(sorted(set(restarts) & after_gaps)),
    )
    choices = Choices.of(settings)
    outcome = read(facts, choices, settings)
    readable = None
    if usable is not None:
        good = replace(facts, pair=iv.intersection(iv.union(*usable), facts.pair))
        readable = read(good, choices, settings)
    billing = Billing(
        basis=_basis(settings),
        periods=_periods(outcome, readable, facts, choices, settings),
        technical_totals=outcome.totals,
        total=_total(outcome, settings),
        professional=_with_margins(outcome, settings),
        alternatives=alternatives(facts, choices, outcome, settings),
        setup=setup_code(outcome.recorded_ns, eeg_channels, live_channels, settings),
        shorter=shorter_code(outcome.recorded_ns, sleep_seen, settings),
        cautions=_cautions(settings),
        usable_totals=readable.totals if readable else None,
        usable_professional=_with_margins(readable, settings) if readable else None,
        minimum=None
        if order is None
        else measure_minimum(
            order.ordered_ns, outcome.recorded_ns, settings, so_far=order.still_recording
        ),
    )
    found = billing_findings(
        billing, outcome, readable, facts, order, settings, eeg_channels, live_channels
    )
    return billing, found


def _basis(settings: BillingSettings) -> str:
    if not settings.gaps.tolerance_ns:
        return "recorded"
    return f"recorded, gaps shorter than {in_words(settings.gaps.tolerance_ns)} counted"


def _cautions(settings: BillingSettings) -> tuple[str, ...]:
    how = split_words(settings.readings.default, settings)
    length = in_words(settings.period.ns)
    return (
        f"Total units: {how}. Units of a period are those of that period by itself. Periods last "
        f"{length}; where the two differ, the other reading is listed.",
        *settings.cautions,
    )


def _periods(
    outcome: Outcome,
    readable: Outcome | None,
    facts: Facts,
    choices: Choices,
    settings: BillingSettings,
) -> tuple[Period, ...]:
    periods = []
    for i, day in enumerate(outcome.days):
        good: Day | None = readable.days[i] if readable else None
        periods.append(
            Period(
                index=day.window.index,
                start=day.window.start,
                end=day.window.end,
                recorded_ns=day.recorded_ns,
                technical=_day_technical(day, outcome.days, settings),
                notes=day_notes(day, facts, choices, settings),
                usable_ns=good.recorded_ns if good else None,
                usable_technical=_day_technical(good, readable.days, settings)
                if good and readable
                else None,
            )
        )
    return tuple(periods)


def _day_technical(day: Day, days: Sequence[Day], settings: BillingSettings) -> Technical:
    """A period's unit and margins.

    Only the last period can still grow beyond its end: a little left over joins it, more is a unit
    of the next period. Any other period that reached the longest band has no higher limit.
    """
    units: tuple[Unit, ...] = ()
    if day.band is not None:
        units = (Unit(day.band.codes.of(day.level, day.video), 1, day.band.name),)
    last = day is days[-1]
    joins = settings.leftover_joins
    measured = day.recorded_ns if day.joins else day.counted_ns
    alone = day.window.first or not last
    found = band_margins(measured, settings.technical, None if alone else joins)
    grown = settings.period.ns + joins.ns
    if last and found.to_next_ns is None and measured <= grown:
        return Technical(units, grown - measured, found.above_ns, joins.included)
    return Technical(units, found.to_next_ns, found.above_ns, found.exceed)


def _total(outcome: Outcome, settings: BillingSettings) -> Technical:
    """All units, with the margins of the total recorded time under the split of the total."""
    upper = settings.technical[-1].upper
    longest_first = settings.readings.default == "longest_first" and upper is not None
    length = upper.ns if longest_first and upper else None
    found = total_margins(outcome.recorded_ns, settings, length)
    return Technical(outcome.totals, found.to_next_ns, found.above_ns, found.exceed)


def _with_margins(outcome: Outcome, settings: BillingSettings) -> Professional:
    bands = settings.professional_whole

    def result(ns: int) -> Hashable:
        band = band_of(bands, ns)
        return band.name if band else None

    found = margins(outcome.recorded_ns, result, band_limits(bands))
    return replace(
        outcome.professional,
        whole_to_next_ns=found.to_next_ns,
        whole_above_ns=found.above_ns,
        whole_exceed_next=found.exceed,
    )
