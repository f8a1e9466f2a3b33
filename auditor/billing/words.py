"""Sentences about periods, for a billing clerk."""

from __future__ import annotations

from auditor.billing.support import Choices, Facts
from auditor.billing.units import Day
from auditor.core.durations import in_words
from auditor.core.units import NS
from auditor.policy.billing import BillingSettings


def day_notes(
    day: Day, facts: Facts, choices: Choices, settings: BillingSettings
) -> tuple[str, ...]:
    """What a clerk must know of one period: time missing, time joined, level and video lowered."""
    notes = []
    missing = day.window.end - day.window.start - day.recorded_ns
    if missing >= NS:
        notes.append(
            f"{in_words(missing, up=True)} of this period was not recorded and does not count."
        )
    if day.joins:
        notes.append(
            f"{in_words(day.recorded_ns)} left over, no more than "
            f"{in_words(settings.leftover_joins.ns)}: it joins the period before and makes no unit "
            "of its own."
        )
    if day.took_ns:
        notes.append(f"{in_words(day.took_ns)} left over after this period counts with it.")
    notes += _level_notes(day, facts, choices)
    if facts.ordered_video and facts.video is not None and not day.video and day.recorded_ns:
        notes.append("Video covers too little: the codes are those without video.")
    return tuple(notes)


def _level_notes(day: Day, facts: Facts, choices: Choices) -> list[str]:
    monitoring = facts.monitoring
    ordered = facts.ordered_level
    if ordered is None or monitoring is None or monitoring.supported is None:
        return []
    if not day.recorded_ns or day.level == ordered:
        return []
    here = [lapse for lapse in monitoring.lapses if day.window.index in lapse.periods]
    codes = ""
    if day.band is not None:
        before = day.band.codes.of(ordered, day.video)
        after = day.band.codes.of(day.level, day.video)
        codes = f": {after} in place of {before}" if before != after else ""
    if not here:
        if choices.lapse_lowers == "study" and monitoring.lapses:
            return [f"A lapse in another period lowers this one to {day.level}{codes}."]
        return [f"The log does not show {ordered} monitoring here: {day.level}{codes}."]
    notes = []
    for lapse in here:
        start, end = facts.axis.iso(lapse.start), facts.axis.iso(lapse.end)
        passed = lapse.duration if lapse.recorded_ns is None else lapse.recorded_ns
        notes.append(
            f"No documented check for {in_words(passed, up=True)} of recording ({start} to {end}): "
            f"this period counts as {day.level}{codes}."
        )
    return notes
