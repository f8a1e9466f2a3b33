"""Other interpretations of the rules, told wherever they change a code.

Each is the policy with another answer to one question that the sources leave open; the policy says
which are told, and for which a person must look.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise

import numpy as np
from msgspec.structs import replace

from auditor.billing.limits import band_of, split_total, total_limits, unit_length
from auditor.billing.support import BillingFacts
from auditor.billing.units import Outcome, read
from auditor.core import intervals as iv
from auditor.core.durations import hms, in_words
from auditor.core.units import HOUR, MINUTE
from auditor.model import Interpretation, Interval
from auditor.policy.billing import BillingSettings, Open, SplitRule, period_start
from auditor.policy.sourced import Sourced

_SPLITS: tuple[SplitRule, ...] = ("total", "windows", "longest_first")


def interpretations(
    facts: BillingFacts, settings: BillingSettings, outcome: Outcome
) -> tuple[Interpretation, ...]:
    """Every other interpretation whose codes differ from ``outcome``, one question at a time."""
    time, recorded_ns = facts.recorded, outcome.recorded_ns
    found: list[tuple[str, Sourced, bool, Outcome]] = [
        (words, rule, rule.other == "ask", read(facts, answered, time))
        for words, rule, answered in _answers(facts, settings, recorded_ns)
        if rule.other != "hide"
    ]
    band = band_of(settings.professional_once, recorded_ns)
    if band is not None and band.other != "hide":
        words = "this time is read and reported once and the day codes are used together"
        found.append((words, band, band.other == "ask", read(facts, settings, time, once=True)))
    if settings.other_period_start:
        start = period_start(settings.other_period_start)
        answered = _with(settings, period_start_ns=start)
        rule = settings.fixed_start
        found.append((period_start_words(start), rule, True, read(facts, answered, time)))
    return tuple(
        Interpretation(
            words,
            other.totals,
            other.professional,
            other.not_billable_ns,
            f"{rule.source} ({rule.mark})",
            asked,
            other.lower_than(outcome),
        )
        for words, rule, asked, other in found
        if other.codes != outcome.codes
    )


def _with(settings: BillingSettings, **answers: object) -> BillingSettings:
    """``settings`` with other values, or with other keys of the tables that are given as a dict."""
    update = {
        name: replace(getattr(settings, name), **value) if isinstance(value, dict) else value
        for name, value in answers.items()
    }
    return replace(settings, **update)


def _answers(
    facts: BillingFacts, own: BillingSettings, recorded_ns: int
) -> Iterator[tuple[str, Open, BillingSettings]]:
    """Each other answer: the end of a sentence 'if …', its rule, and the policy that gives it."""
    split = own.split
    for way in _SPLITS:
        if way != split.default:
            words = split_words(way, own)
            if "longest_first" in (way, split.default):
                words += _ask_words(recorded_ns, own)
            yield words, split.rule(way), _with(own, split={"default": way})
    tolerance = own.gaps.other_tolerance_ns
    if tolerance != own.gaps.tolerance_ns:
        yield gap_words(tolerance), own.gaps, _with(own, gaps={"tolerance_ns": tolerance})
    checked, filmed = facts.monitoring is not None, facts.filmed is not None
    video, here = bool(facts.ordered_video), len(facts.restarts)
    # Where it is asked, which key of which table, and the words of each of its two answers.
    questions: tuple[tuple[bool, str, str, dict[object, str]], ...] = (
        (bool(here), "restart", "moves_clock", {
            True: f"each restart after a gap ({here} here) starts the clock of the periods anew",
            False: "one clock runs from the first record, whatever restarts there were",
        }),
        (checked, "lapse", "lowers", {
            "study": "a lapse in the checks lowers the level of the whole study",
            "period": "a lapse in the checks lowers only the period that holds it",
        }),
        (checked, "ends", "needed", {
            True: "the first and last check must be as near to the recording's ends as checks to "
            "another",
            False: "only the time from check to check counts, not that to the recording's ends",
        }),
        (facts.ordered_level is not None, "undocumented", "monitoring", {
            "as_ordered": f"{facts.ordered_level} monitoring is documented elsewhere for the whole "
            "recording",
            "unmonitored": "monitoring counts only where the log shows it",
        }),
        (video and not filmed, "undocumented", "video", {
            "as_ordered": "video of enough of the recording is documented elsewhere",
            "without_video": "video counts only where a log shows it",
        }),
        (video and filmed, "video_share", "by", {
            "study": "the share of video is taken over the study",
            "period": "the share of video is taken period by period",
        }),
    )  # fmt: skip
    for asked, table, key, answers in questions:
        rule: Open = getattr(own, table)
        for answer, words in answers.items():
            if asked and answer != getattr(rule, key):
                yield words, rule, _with(own, **{table: {key: answer}})


def period_start_words(start_ns: int | None) -> str:
    """Where periods start, as the end of a sentence 'if …'."""
    if start_ns is None:
        return "periods start with the first record and not at a fixed hour"
    shown = f"{start_ns // HOUR:02d}:{start_ns // MINUTE % 60:02d}"
    return f"periods start at {shown} each day and not with the first record"


def gap_words(tolerance_ns: int) -> str:
    """Which gaps count, as the end of a sentence 'if …'."""
    if not tolerance_ns:
        return "no gap counts as recorded, however short"
    return f"gaps shorter than {in_words(tolerance_ns)} count as recorded"


def split_words(split: SplitRule, settings: BillingSettings) -> str:
    """A way to split recorded time, as the end of a sentence 'if …'."""
    longest = in_words(unit_length(settings, longest_first=True))
    return {
        "total": "the total recorded time is split, wherever in the periods it was recorded",
        "windows": f"the recorded time inside each {in_words(settings.period.ns)} period is banded "
        "by itself",
        "longest_first": f"each unit is filled up to {longest} before the next begins",
    }[split]


def differing_windows(settings: BillingSettings, up_to_ns: int) -> tuple[Interval, ...]:
    """Totals (more than, up to) in which filling the longest band first gives other units.

    Found from the limits themselves, so exact for any policy; totals above ``up_to_ns`` are left
    out.
    """
    longest = unit_length(settings, longest_first=True)
    points = {
        min(limit, up_to_ns)
        for length in (settings.period.ns, longest)
        for count in range(up_to_ns // length)
        for limit in total_limits(count * length, settings, length)
    }
    apart = [
        (low, high)
        for low, high in pairwise(sorted(points))
        if split_total(low + 1, settings) != split_total(low + 1, settings, longest)
    ]
    lows, highs = np.array(apart).reshape(len(apart), 2).T
    return iv.intervals(iv.union(lows, highs))


def _ask_words(total_ns: int, settings: BillingSettings) -> str:
    """The window of totals around ``total_ns`` in which the two splits differ, as a clause."""
    return next(
        (
            f" (the two differ for every total of more than {hms(w.start)} and up to {hms(w.end)})"
            for w in differing_windows(settings, total_ns + 2 * settings.period.ns)
            if w.start < total_ns <= w.end
        ),
        "",
    )
