"""Other readings of the rules, shown wherever they change a code."""

from __future__ import annotations

from collections.abc import Hashable, Iterator
from dataclasses import dataclass, replace

from auditor.billing.split import split_total, total_limits, within_longest
from auditor.billing.support import LEVELS, Choices, Facts
from auditor.billing.units import Outcome, read
from auditor.core.durations import hms, in_words
from auditor.core.units import HOUR, MINUTE
from auditor.model import Alternative
from auditor.policy.billing import BillingSettings, SplitReading
from auditor.policy.sourced import Sourced


@dataclass(frozen=True, slots=True)
class Option:
    """One other answer to one open question, in words."""

    words: str
    choices: Choices
    rule: Sourced


def alternatives(
    facts: Facts, default: Choices, outcome: Outcome, settings: BillingSettings
) -> tuple[Alternative, ...]:
    """Every other reading whose codes differ from ``outcome``, one open question at a time."""
    found = []
    for option in _options(facts, default, outcome, settings):
        other = read(facts, option.choices, settings)
        if other.codes != outcome.codes:
            source = f"{option.rule.source} ({option.rule.mark})"
            found.append(Alternative(option.words, other.totals, other.professional, source))
    return tuple(found)


def _options(
    facts: Facts, default: Choices, outcome: Outcome, settings: BillingSettings
) -> Iterator[Option]:
    for split in settings.readings.others:
        if split != default.split:
            words = split_words(split, settings)
            if "longest_first" in (split, default.split):
                words += ask_words(outcome.recorded_ns, settings)
            yield Option(words, replace(default, split=split), settings.readings.rule(split))
    tolerance = settings.gaps.other_tolerance_ns
    if tolerance != default.gap_tolerance_ns:
        words = f"gaps shorter than {in_words(tolerance)} count as recorded"
        if not tolerance:
            words = "no gap counts as recorded, however short"
        yield Option(words, replace(default, gap_tolerance_ns=tolerance), settings.gaps)
    if facts.restarts and settings.restart.show_other:
        moved = not default.restart_moves_clock
        words = (
            f"each restart after a gap ({len(facts.restarts)} here) starts the clock of the "
            "periods anew"
            if moved
            else "one clock runs from the first record, whatever restarts there were"
        )
        yield Option(words, replace(default, restart_moves_clock=moved), settings.restart)
    if facts.monitoring is not None:
        study = default.lapse_lowers == "period"
        words = (
            "a lapse in the checks lowers the level of the whole study"
            if study
            else "a lapse in the checks lowers only the period that holds it"
        )
        lowers = replace(default, lapse_lowers="study" if study else "period")
        yield Option(words, lowers, settings.lapse)
    yield from _documentation(facts, default, settings)
    words = "this time is read and reported once and the day codes are used together"
    yield Option(words, replace(default, once=True), _once_rule(settings))


def _documentation(facts: Facts, default: Choices, settings: BillingSettings) -> Iterator[Option]:
    rule = settings.undocumented
    level = facts.ordered_level
    if level is not None and level != LEVELS[0]:
        words = (
            f"{level} monitoring is documented elsewhere for the whole recording"
            if not default.monitoring_as_ordered
            else "monitoring counts only where the log shows it"
        )
        other = replace(default, monitoring_as_ordered=not default.monitoring_as_ordered)
        yield Option(words, other, rule)
    if facts.ordered_video and facts.video is None:
        words = (
            "video of enough of the recording is documented elsewhere"
            if not default.video_as_ordered
            else "video counts only where a log shows it"
        )
        yield Option(words, replace(default, video_as_ordered=not default.video_as_ordered), rule)
    if facts.ordered_video and facts.video is not None:
        period = default.video_by == "study"
        words = f"the share of video is taken {'period by period' if period else 'over the study'}"
        other = replace(default, video_by="period" if period else "study")
        yield Option(words, other, settings.video_share)


def _once_rule(settings: BillingSettings) -> Sourced:
    return settings.professional_once[0] if settings.professional_once else Sourced()


def split_words(split: SplitReading, settings: BillingSettings) -> str:
    """A way to split recorded time, as the end of 'if …'."""
    length = in_words(settings.period.ns)
    upper = settings.technical[-1].upper
    hour = settings.readings.fixed_hour_ns
    return {
        "total": "the total recorded time is split, wherever in the periods it was recorded",
        "windows": f"the recorded time inside each {length} period from the first record is "
        "banded by itself",
        "longest_first": f"each unit is filled up to {in_words(upper.ns) if upper else length} "
        "before the next begins",
        "fixed_hour": f"periods start at {hour // HOUR:02d}:{hour // MINUTE % 60:02d} each day "
        "and not with the first record",
    }[split]


def differing_windows(settings: BillingSettings, up_to_ns: int) -> tuple[tuple[int, int], ...]:
    """Totals ``(more than, up to)`` in which filling the longest band first gives other units.

    Found from the limits themselves, so exact for any policy; totals above ``up_to_ns`` are left
    out.
    """
    upper = settings.technical[-1].upper
    if upper is None:
        return ()
    lengths = settings.period.ns, upper.ns
    points = sorted(
        p
        for p in {
            limit
            for length in lengths
            for base in range(0, up_to_ns + length, length)
            for limit in total_limits(base, settings, length)
        }
        if 0 <= p <= up_to_ns
    )
    windows: list[tuple[int, int]] = []
    for low, high in zip(points, [*points[1:], up_to_ns], strict=True):
        if high <= low or not _differ(low + 1, settings):
            continue
        if windows and windows[-1][1] == low:
            windows[-1] = windows[-1][0], high
        else:
            windows.append((low, high))
    return tuple(windows)


def _differ(total_ns: int, settings: BillingSettings) -> bool:
    upper = settings.technical[-1].upper
    if upper is None or within_longest(total_ns, settings):
        return False
    return _units(total_ns, settings) != _units(total_ns, settings, upper.ns)


def _units(total_ns: int, settings: BillingSettings, length: int | None = None) -> Hashable:
    counts = split_total(total_ns, settings, length).counts(settings.technical[-1])
    return tuple(sorted(counts.items()))


def ask_words(total_ns: int, settings: BillingSettings) -> str:
    """The window of totals around ``total_ns`` in which the two readings differ, as a clause."""
    for low, high in differing_windows(settings, total_ns + 2 * settings.period.ns):
        if low < total_ns <= high:
            return (
                f". Ask the coder: the readings differ for every total of more than {hms(low)} and "
                f"up to {hms(high)}"
            )
    return ""
