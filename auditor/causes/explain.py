"""Why the recording stopped, and why each gap is there: the first rank of rules that speaks.

The rules are one table, the same words for the end and for an interruption. Each is a pure function
of an ``Event`` that gives one sentence of evidence, or ``None``. A fact decides nothing.
Everything is a judgement of common practice, no source, where none is named. A recorder that runs
out of power may close its files in order, so an orderly end is no evidence of a planned stop.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence
from functools import partial
from typing import Literal

from auditor.causes import fitting, shown
from auditor.causes.evidence import Event, Known
from auditor.core.text import quantity
from auditor.model import (
    Cause,
    CauseCode,
    Finding,
    Order,
    Rank,
    Stop,
    finding,
)
from auditor.model.coverage import StopKind

_Says = Callable[[Event], str | None]

RULES: tuple[tuple[Rank | Literal["against"], CauseCode, _Says], ...] = (
    ("witness", "file_cut_short", shown.cut_short),
    ("witness", "card_full", partial(shown.said, "card_full")),
    ("witness", "file_size_limit", shown.size_limit),
    ("witness", "power_exhausted", partial(shown.said, "power_low")),
    ("witness", "power_exhausted", shown.power_warned),
    ("witness", "supply_unplugged", partial(shown.said, "supply_unplugged")),
    ("witness", "power_change", partial(shown.said, "power_change")),
    ("witness", "electrodes_lost", partial(shown.said, "electrode")),
    ("witness", "stopped_by_patient", partial(shown.said, "patient")),
    ("witness", "stopped_by_technologist", partial(shown.said, "technologist")),
    ("witness", "stopped_by_person", partial(shown.said, "person")),
    ("witness", "recorder_interrupted", partial(shown.said, "fault")),
    ("witness", "clock_change", partial(shown.said, "clock")),
    ("pattern", "ordered_time_over", shown.at_plan),
    ("pattern", "clock_change", shown.clock_found),
    ("pattern", "clock_change", shown.clock_other),
    ("pattern", "clock_change", shown.clock_span),
    ("pattern", "unreadable_file", shown.unreadable),
    ("pattern", "file_set_aside", shown.aside),
    ("pattern", "missing_file", shown.missing_between),
    ("pattern", "electrodes_lost", shown.all_electrodes),
    ("pattern", "electrodes_lost", shown.lost_at_end),
    ("pattern", "recorder_interrupted", shown.never_closed),
    ("pattern", "recorder_interrupted", shown.jumped),
    ("pattern", "missing_file", shown.missing_after),
    ("pattern", "new_file_by_schedule", shown.scheduled),
    ("coincidence", "power_exhausted", fitting.plan_fits),
    ("coincidence", "clock_change", fitting.one_hour),
    ("coincidence", "card_full", fitting.card_filled),
    ("coincidence", "power_change", fitting.change_fits),
    ("against", "power_exhausted", fitting.power_left),
    ("against", "power_change", fitting.kept_open),
    ("against", "electrodes_lost", fitting.went_on),
    ("against", "missing_file", fitting.part_of_schedule),
)
"""Strength, cause and evidence. A witness says it, a pattern of the files shows it, a coincidence
only fits it; 'against' speaks against its cause. Causes of equal strength stand in this order."""

FACTS: tuple[_Says, ...] = (
    fitting.no_words,
    fitting.noted_too,
    fitting.never_closed_at_plan,
    fitting.orderly,
    fitting.no_plan,
    fitting.signal_at_end,
    fitting.other_side,
)
"""What was looked at besides, in the order in which it is told."""


def explain(known: Known) -> tuple[Stop, tuple[Cause, ...]]:
    """How and why the recording ended, and the cause of each of its gaps in their order.

    Without a planned end the kind is 'unknown', and while the study goes on 'so_far', which has no
    cause.
    """
    return _stop(known), _gaps(known)


def _stop(known: Known) -> Stop:
    end = known.coverage.last_end
    if known.order is not None and known.order.still_recording:
        return Stop("so_far", Cause(evidence=("The study goes on: this is no end yet.",)))
    kind = _kind(end, known.planned_end, known.tolerance_ns)
    return Stop(kind, judge(Event(known, end, end, None, kind, known.files.last(), None)))


MOST_INSIDE = 5_000
"""Where a study has more gaps, those inside its files are not looked at one by one."""
_NOT_LOOKED_AT = Cause()


def _gaps(known: Known) -> tuple[Cause, ...]:
    files, gaps = known.files, known.coverage.gaps
    causes = []
    for gap in gaps:
        before, after = files.ending.get(gap.start), files.starting.get(gap.end)
        if len(gaps) > MOST_INSIDE and before is None and after is None:
            causes.append(_NOT_LOOKED_AT)
        else:
            causes.append(judge(Event(known, gap.start, gap.end, gap, None, before, after)))
    return tuple(causes)


def not_looked_at(causes: Sequence[Cause]) -> tuple[Finding, ...]:
    """What ``explain`` left alone among the causes that it gave."""
    left = sum(cause is _NOT_LOOKED_AT for cause in causes)
    if not left:
        return ()
    total = quantity(len(causes), "interruption")
    return (
        finding("interruptions_not_looked_at", "study", total=total, left=left,
                most=MOST_INSIDE),
    )  # fmt: skip


def _kind(last_end: int, planned_end: int | None, tolerance: int) -> StopKind:
    if planned_end is None:
        return "unknown"
    if abs(last_end - planned_end) <= tolerance:
        return "as_ordered"
    return "early" if last_end < planned_end else "late"


_FITTING: dict[CauseCode, frozenset[CauseCode]] = {
    "stopped_by_technologist": frozenset(("ordered_time_over",)),
    "stopped_by_patient": frozenset(("ordered_time_over",)),
    "stopped_by_person": frozenset(("ordered_time_over",)),
    "power_exhausted": frozenset(("power_change", "recorder_interrupted")),
    "power_change": frozenset(("power_exhausted",)),
    "supply_unplugged": frozenset(("power_exhausted", "recorder_interrupted")),
}
"""What shows one of these causes fits the cause that was found as well."""


def judge(event: Event) -> Cause:
    """The cause that the first rank that speaks gives; all causes of that rank are stated."""
    said: dict[str, list[tuple[CauseCode, str]]] = defaultdict(list)
    for strength, cause, says in RULES:
        if (text := says(event)) is not None:
            said[strength].append((cause, text))
    facts = [text for says in FACTS if (text := says(event)) is not None]
    ranks: tuple[Rank, ...] = ("witness", "pattern", "coincidence")
    rank = next((r for r in ranks if said[r]), None)
    if rank is None:
        return Cause(evidence=_once(facts + [text for _, text in said["against"]]))
    causes = list(dict.fromkeys(cause for cause, _ in said[rank]))
    first = causes[0]
    lower = [clue for r in ranks[1:] if r != rank for clue in said[r]]
    return Cause(
        likely_cause=first,
        rank=rank,
        evidence=_once([t for c, t in said[rank] if c == first]
                       + [t for c, t in said[rank] if c != first] + facts),
        supporting=_once(t for c, t in lower if _fits(c, causes)),
        against=_once([t for c, t in said["against"] if c in causes]
                      + [f"Would fit {c.replace('_', ' ')}: {t}" for c, t in lower
                         if not _fits(c, causes)]),
        also=tuple(causes[1:]),
        also_evidence=tuple(next(t for c, t in said[rank] if c == also) for also in causes[1:]),
    )  # fmt: skip


def _fits(cause: CauseCode, causes: Sequence[CauseCode]) -> bool:
    return cause in causes or any(cause in _FITTING.get(found, ()) for found in causes)


def _once(texts: Iterable[str]) -> tuple[str, ...]:
    """One thing seen may speak for two causes; it is told once."""
    return tuple(dict.fromkeys(texts))


def stop_tolerance(policy_ns: int, order: Order | None) -> int:
    """How close to the planned end is as ordered: the policy's tolerance, and for a short order no
    more than 1 % of it."""
    return policy_ns if order is None else min(policy_ns, order.ordered_ns // 100)
