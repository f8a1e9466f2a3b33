"""Other interpretations of the rules, told wherever they change a code.

Each is one other answer to one question that the sources leave open; the policy says which are
told, and for which a person must look.
"""

from __future__ import annotations

from collections.abc import Iterator

from msgspec import Struct
from msgspec.structs import replace

from auditor.billing.limits import split_total, total_limits, unit_length, within_longest
from auditor.billing.support import LEVELS, Choices, Facts
from auditor.billing.units import Outcome, read
from auditor.core.durations import hms, in_words
from auditor.core.units import HOUR, MINUTE
from auditor.model import Interpretation
from auditor.policy.billing import BillingSettings, Open, SplitRule, period_start
from auditor.policy.sourced import Sourced

SPLITS: tuple[SplitRule, ...] = ("total", "windows", "longest_first")


class _Option(Struct, frozen=True):
    """One other answer to one open question, as the end of a sentence 'if …'."""

    words: str
    choices: Choices
    rule: Sourced
    asked: bool


def interpretations(
    facts: Facts, own: Choices, outcome: Outcome, settings: BillingSettings
) -> tuple[Interpretation, ...]:
    """Every other interpretation whose codes differ from ``outcome``, one question at a time."""
    found = []
    for option in _options(facts, own, outcome, settings):
        other = read(facts, option.choices, settings)
        if other.codes != outcome.codes:
            found.append(
                Interpretation(
                    option.words,
                    other.totals,
                    other.professional,
                    other.not_billable_ns,
                    f"{option.rule.source} ({option.rule.mark})",
                    option.asked,
                    other.lower_than(outcome),
                )
            )
    return tuple(found)


def _options(
    facts: Facts, own: Choices, outcome: Outcome, settings: BillingSettings
) -> Iterator[_Option]:
    for words, choices, rule in _open_questions(facts, own, outcome, settings):
        if rule.other != "hide":
            yield _Option(words, choices, rule, rule.other == "ask")
    if settings.other_period_start:
        start = period_start(settings.other_period_start)
        if start != own.period_start_ns:
            other = replace(own, period_start_ns=start)
            yield _Option(period_start_words(start), other, settings.fixed_start, True)


def _open_questions(
    facts: Facts, own: Choices, outcome: Outcome, settings: BillingSettings
) -> Iterator[tuple[str, Choices, Open]]:
    if own.period_start_ns is None:
        for split in SPLITS:
            if split != own.split:
                words = split_words(split, settings)
                if "longest_first" in (split, own.split):
                    words += _ask_words(outcome.recorded_ns, settings)
                yield words, replace(own, split=split), settings.split.rule(split)
    tolerance = settings.gaps.other_tolerance_ns
    if tolerance != own.gap_tolerance_ns:
        words = f"gaps shorter than {in_words(tolerance)} count as recorded"
        if not tolerance:
            words = "no gap counts as recorded, however short"
        yield words, replace(own, gap_tolerance_ns=tolerance), settings.gaps
    if facts.restarts:
        moved = not own.restart_moves_clock
        words = "one clock runs from the first record, whatever restarts there were"
        if moved:
            words = (
                f"each restart after a gap ({len(facts.restarts)} here) starts the clock of the "
                "periods anew"
            )
        yield words, replace(own, restart_moves_clock=moved), settings.restart
    if facts.monitoring is not None:
        yield from _checks(own, settings)
    yield from _documentation(facts, own, settings)
    words = "this time is read and reported once and the day codes are used together"
    for band in settings.professional_once:
        if band.holds(outcome.recorded_ns):
            yield words, replace(own, once=True), band


def _checks(own: Choices, settings: BillingSettings) -> Iterator[tuple[str, Choices, Open]]:
    if own.lapse_lowers == "period":
        words = "a lapse in the checks lowers the level of the whole study"
        yield words, replace(own, lapse_lowers="study"), settings.lapse
    else:
        words = "a lapse in the checks lowers only the period that holds it"
        yield words, replace(own, lapse_lowers="period"), settings.lapse
    words = "the first and last check must be as near to the recording's ends as checks to another"
    if own.ends:
        words = "only the time from check to check counts, not that to the recording's ends"
    yield words, replace(own, ends=not own.ends), settings.ends


def _documentation(
    facts: Facts, own: Choices, settings: BillingSettings
) -> Iterator[tuple[str, Choices, Open]]:
    rule = settings.undocumented
    level = facts.ordered_level
    if level is not None and level != LEVELS[0]:
        words = "monitoring counts only where the log shows it"
        if not own.monitoring_as_ordered:
            words = f"{level} monitoring is documented elsewhere for the whole recording"
        yield words, replace(own, monitoring_as_ordered=not own.monitoring_as_ordered), rule
    if facts.ordered_video and facts.video is None:
        words = "video counts only where a log shows it"
        if not own.video_as_ordered:
            words = "video of enough of the recording is documented elsewhere"
        yield words, replace(own, video_as_ordered=not own.video_as_ordered), rule
    if facts.ordered_video and facts.video is not None:
        period = own.video_by == "study"
        words = f"the share of video is taken {'period by period' if period else 'over the study'}"
        yield words, replace(own, video_by="period" if period else "study"), settings.video_share


def period_start_words(start_ns: int | None) -> str:
    """Where periods start, as the end of a sentence 'if …'."""
    if start_ns is None:
        return "periods start with the first record and not at a fixed hour"
    shown = f"{start_ns // HOUR:02d}:{start_ns // MINUTE % 60:02d}"
    return f"periods start at {shown} each day and not with the first record"


def split_words(split: SplitRule, settings: BillingSettings) -> str:
    """A way to split recorded time, as the end of a sentence 'if …'."""
    longest = in_words(unit_length(settings, longest_first=True))
    return {
        "total": "the total recorded time is split, wherever in the periods it was recorded",
        "windows": f"the recorded time inside each {in_words(settings.period.ns)} period is banded "
        "by itself",
        "longest_first": f"each unit is filled up to {longest} before the next begins",
    }[split]


def differing_windows(settings: BillingSettings, up_to_ns: int) -> tuple[tuple[int, int], ...]:
    """Totals ``(more than, up to)`` in which filling the longest band first gives other units.

    Found from the limits themselves, so exact for any policy; totals above ``up_to_ns`` are left
    out.
    """
    lengths = settings.period.ns, unit_length(settings, longest_first=True)
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
    if within_longest(total_ns, settings):
        return False
    longest = unit_length(settings, longest_first=True)
    return split_total(total_ns, settings) != split_total(total_ns, settings, longest)


def _ask_words(total_ns: int, settings: BillingSettings) -> str:
    """The window of totals around ``total_ns`` in which the two splits differ, as a clause."""
    for low, high in differing_windows(settings, total_ns + 2 * settings.period.ns):
        if low < total_ns <= high:
            return (
                f" (the two differ for every total of more than {hms(low)} and up to {hms(high)})"
            )
    return ""
