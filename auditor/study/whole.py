"""Whether what was counted is one study: silences, other electrodes, far more than ordered."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence

from auditor.core.clock import Axis
from auditor.core.durations import hms
from auditor.core.text import Own
from auditor.model import Finding, Order, StudyFile, finding
from auditor.policy.study import StudySettings
from auditor.study.belonging import clusters
from auditor.study.placing import end_of, recorded_ns, start_of

_PPM = 1_000_000


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
    groups = clusters(timed, settings.silence_ns)
    if len(groups) > 1:
        ends = [max(map(end_of, g)) for g in groups]
        silence = max(start_of(g[0]) - e for g, e in zip(groups[1:], ends, strict=False))
        yield finding(
            "two_studies_likely",
            where,
            other_recorded_ns=max(map(recorded_ns, groups)),
            groups=Own(_totals(groups, axis)),
            silence=hms(silence),
            recorded=hms(recorded),
        )
    yield from _channel_sets(timed, axis, where)
    if order is not None:
        over = recorded - order.ordered_ns
        if over >= settings.extra_ns and over * _PPM >= order.ordered_ns * settings.extra_ppm:
            yield finding(
                "more_than_ordered",
                where,
                recorded=hms(recorded),
                ordered=hms(order.ordered_ns),
                over=hms(over),
            )


def _totals(groups: Sequence[Sequence[StudyFile]], axis: Axis) -> str:
    """'18:00:00 from 2027-03-02T09:30:00, then 24:00:00 from …'."""
    told = [
        f"{hms(recorded_ns(g))} from {axis.iso(min(map(start_of, g)))} to "
        f"{axis.iso(max(map(end_of, g)))}"
        for g in groups
    ]
    return ", then ".join(told)


def _channel_sets(timed: Sequence[StudyFile], axis: Axis, where: str) -> Iterator[Finding]:
    """EEG channels that differ between the files of one copy."""
    for copy in sorted({f.copy or "" for f in timed}):
        sets: dict[frozenset[str], list[StudyFile]] = defaultdict(list)
        for file in timed:
            electrodes = frozenset(c.electrode or "" for c in file.recording.eeg_channels)
            if file.copy == copy and electrodes:
                sets[electrodes].append(file)
        if len(sets) > 1:
            groups = sorted(sets.values(), key=lambda g: start_of(g[0]))
            yield finding(
                "channel_sets_change",
                where,
                other_recorded_ns=max(map(recorded_ns, groups)),
                groups=Own(_totals(groups, axis)),
                recorded=hms(recorded_ns(timed)),
            )
