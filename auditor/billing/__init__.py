"""Which billing-time thresholds the recorded time meets. Never a claim."""

from __future__ import annotations

from collections.abc import Hashable, Sequence

from msgspec.structs import replace

from auditor.billing.findings import billing_findings, day_notes
from auditor.billing.interpretations import interpretations, period_start_words, split_words
from auditor.billing.limits import (
    band_limits,
    band_margins,
    band_of,
    margins,
    measure_minimum,
    total_margins,
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
from auditor.billing.support import Choices, Facts
from auditor.billing.units import Day, Outcome, read
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
    Source,
    Technical,
    Unit,
    Video,
)
from auditor.policy.billing import BillingSettings

__all__ = [
    "SetupChannels", "billing_periods", "measure_billing", "restarts",
    "setup_channels", "sleep_seen",
]  # fmt: skip


def measure_billing(
    coverage: Coverage,
    axis: Axis,
    order: Order | None,
    settings: BillingSettings,
    *,
    channels: SetupChannels | None = None,
    with_signal: int | None = None,
    usable: Pair | None = None,
    monitoring: Monitoring | None = None,
    video: Video | None = None,
    video_log_taken: bool = True,
    restarts: tuple[int, ...] = (),
    sleep_seen: bool | None = None,
) -> tuple[Billing, tuple[Finding, ...]]:
    """The thresholds that the recorded time meets, with every interpretation that changes a code.

    ``channels`` are those of the set-up and ``with_signal`` how many of them ever had a signal,
    ``None`` where that is not known. ``usable`` is a plain pair of usable time, or ``None`` where
    the signal was not scanned. ``restarts`` are instants at which the recording was started anew;
    those that do not follow a gap are left out. ``monitoring`` and ``video`` are ``None`` where no
    log was given: then, as with an empty log, what the order names is not documented, and the
    policy says which codes that leaves (by default those without, since each check is to be
    documented). ``video_log_taken`` is false for a log that could not be taken as it is.
    """
    facts = Facts(
        coverage=coverage,
        axis=axis,
        pair=(coverage.union_starts, coverage.union_ends),
        ordered_video=order.video if order else None,
        ordered_level=order.monitoring if order else None,
        monitoring=monitoring,
        video=video if video is not None and video.stretches else None,
        video_log_taken=video_log_taken,
        restarts=tuple(sorted(set(restarts) & {gap.end for gap in coverage.gaps})),
    )
    choices = Choices.of(settings)
    outcome = read(facts, choices, settings)
    readable = None
    if usable is not None:
        good = replace(facts, pair=iv.intersection(iv.union(*usable), facts.pair))
        readable = read(good, choices, settings)
    billing = Billing(
        basis=_basis(settings),
        periods=_periods(outcome, readable, facts, settings),
        technical_totals=outcome.totals,
        total=_total(outcome, settings),
        professional=_with_margins(outcome, settings),
        interpretations=interpretations(facts, choices, outcome, settings),
        setup=setup_code(outcome.recorded_ns, channels, with_signal, settings),
        shorter=shorter_code(outcome.recorded_ns, sleep_seen, settings),
        cautions=_cautions(settings),
        usable_totals=readable.totals if readable else None,
        usable_professional=_with_margins(readable, settings) if readable else None,
        minimum=None
        if order is None
        else measure_minimum(
            order.ordered_ns, outcome.recorded_ns, settings, so_far=order.still_recording
        ),
        not_billable_ns=outcome.not_billable_ns,
        dates=dates_of(facts.recorded, coverage.span, axis),
        sources=tuple(
            Source(key, source.name, source.secondary) for key, source in settings.sources.items()
        ),
    )
    found = billing_findings(
        billing, outcome, readable, facts, order, settings, channels, with_signal
    )
    return billing, found


def _basis(settings: BillingSettings) -> str:
    if not settings.gaps.tolerance_ns:
        return "recorded"
    return f"recorded, gaps shorter than {in_words(settings.gaps.tolerance_ns)} counted"


def _cautions(settings: BillingSettings) -> tuple[str, ...]:
    how = split_words(settings.split.default, settings)
    start = settings.period_start_ns
    if start is not None:
        how = period_start_words(start)
    return (
        f"Total units: {how}. Units of a period are those of that period by itself. Periods last "
        f"{in_words(settings.period.ns)}; where the two differ, the other interpretation is "
        "listed.",
        *settings.cautions,
    )


def _periods(
    outcome: Outcome, readable: Outcome | None, facts: Facts, settings: BillingSettings
) -> tuple[Period, ...]:
    by_index = {p.index: p.meets for p in facts.video.periods} if facts.video else {}
    periods: list[Period] = []
    for i, day in enumerate(outcome.days):
        good = readable.days[i] if readable else None
        index = day.window.index
        video = None
        if facts.ordered_video and by_index:
            video = by_index.get(index - 1 if day.joins else index)
        periods.append(
            Period(
                index=index,
                start=day.window.start,
                end=day.window.end,
                recorded_ns=day.recorded_ns,
                technical=_day_technical(day, outcome.days, settings),
                notes=day_notes(day, outcome.days, facts, settings),
                usable_ns=good.recorded_ns if good else None,
                usable_technical=_day_technical(good, readable.days, settings)
                if good and readable
                else None,
                dates=day.dates,
                monitoring=day.level if facts.ordered_level and day.recorded_ns else None,
                video=video,
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
    length = unit_length(settings, longest_first=settings.split.default == "longest_first")
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
