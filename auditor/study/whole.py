"""Whether what was counted is one study: silences, other electrodes, far more than ordered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from itertools import pairwise

from msgspec import Struct

from auditor.core import intervals
from auditor.core.clock import Axis
from auditor.core.durations import hms
from auditor.core.text import Own
from auditor.core.units import PPM
from auditor.model import Finding, Order, StudyFile, finding
from auditor.policy.sections import StudySettings
from auditor.study.placing import SHOWN, held, recorded_ns


def whole_findings(
    counted: Sequence[StudyFile],
    order: Order | None,
    axis: Axis,
    settings: StudySettings,
    where: str,
) -> Iterator[Finding]:
    """Signs that the counted files are of two studies, with the totals of each group of files."""
    timed = [f for f in counted if f.interval]
    recorded = recorded_ns(timed)
    groups = _parts(timed, settings.silence_ns)
    if len(groups) > 1:
        yield finding(
            "two_studies_likely",
            where,
            other_recorded_ns=max(g.recorded for g in groups),
            groups=Own(_totals(groups, axis)),
            silence=hms(max(b.start - a.end for a, b in pairwise(groups))),
            recorded=hms(recorded),
        )
    yield from _channel_sets(timed, axis, where)
    if order is not None:
        over = recorded - order.ordered_ns
        if over >= settings.extra_ns and over * PPM >= order.ordered_ns * settings.extra_ppm:
            yield finding(
                "more_than_ordered",
                where,
                recorded=hms(recorded),
                ordered=hms(order.ordered_ns),
                over=hms(over),
            )


class _Part(Struct, frozen=True):
    recorded: int
    start: int
    end: int


def _parts(timed: Sequence[StudyFile], silence_ns: int) -> list[_Part]:
    """The recorded time of ``timed``, parted wherever nothing was recorded for so long."""
    pair = held(timed)
    starts, ends = intervals.joined(pair, silence_ns)
    recorded = intervals.held_before(pair, ends) - intervals.held_before(pair, starts)
    return list(map(_Part, recorded.tolist(), starts.tolist(), ends.tolist()))


def _totals(groups: Sequence[_Part], axis: Axis) -> str:
    """'18:00:00 from 2027-03-02T09:30:00 to …, then 24:00:00 from …'; long lists are cut."""
    told = [
        f"{hms(g.recorded)} from {axis.said(g.start)} to {axis.said(g.end)}" for g in groups[:SHOWN]
    ]
    more = [f"{len(groups) - SHOWN} more"] if len(groups) > SHOWN else []
    return ", then ".join([*told, *more])


def _channel_sets(timed: Sequence[StudyFile], axis: Axis, where: str) -> Iterator[Finding]:
    """EEG channels that differ between the files of one copy."""
    for copy in sorted({f.copy or "" for f in timed}):
        sets: dict[frozenset[str], list[StudyFile]] = defaultdict(list)
        for file in timed:
            electrodes = frozenset(c.electrode or "" for c in file.recording.eeg_channels)
            if file.copy == copy and electrodes:
                sets[electrodes].append(file)
        if len(sets) > 1:
            parts = [
                _Part(recorded_ns(g), min(f.start for f in g), max(f.end for f in g))
                for g in sets.values()
            ]
            groups = sorted(parts, key=lambda g: g.start)
            yield finding(
                "channel_sets_change",
                where,
                other_recorded_ns=max(g.recorded for g in groups),
                groups=Own(_totals(groups, axis)),
                recorded=hms(recorded_ns(timed)),
            )
