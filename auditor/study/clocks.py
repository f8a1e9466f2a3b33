"""The doubts that clocks leave.

A stamp is civil time at the patient. Where it can be read in two ways both figures are given; no
stamp is ever changed silently.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise

from auditor.core.clock import Axis, iso
from auditor.core.durations import hms, in_words
from auditor.core.text import quantity
from auditor.core.units import DAY, HOUR, MINUTE
from auditor.inputs.folder import some_of
from auditor.model import Finding, Interval, Order, StudyFile, TimeMap
from auditor.policy.study import StudySettings
from auditor.study.leftovers import at_default_date
from auditor.study.placing import end_of, in_order, moved, names, recorded_ns, start_of
from auditor.study.sequence import Doubt

VOCABULARY = {
    "repeated_hour": "A start stamp in the hour that the clocks show twice in autumn",
    "skipped_hour": "A start stamp that no clock in the time zone ever shows",
    "daylight_saving_change": "The clocks of the time zone changed during the study",
    "daylight_saving_not_followed": "The recorder's clock did not follow a daylight-saving change",
    "clock_never_set": "All files are stamped with a date at which clocks start",
    "start_disagrees_with_hookup": "The first record lies far from the hook-up of the order",
}


def doubt_findings(
    doubts: Sequence[Doubt],
    files: Sequence[StudyFile],
    counted: Sequence[StudyFile],
    axis: Axis,
    settings: StudySettings,
    where: str,
) -> Iterator[Finding]:
    """One finding for the stamps in the repeated hour, one for those in the skipped hour.

    ``files`` are those of the reference copy: the files of other copies lie where their samples
    put them, whatever their stamps.
    """
    others = {d.name: d.other for d in doubts}
    doubtful = [f for f in files if f.recording.name in others]
    recorded = recorded_ns(counted)
    for code in ("repeated_hour", "skipped_hour"):
        files = [
            f
            for f in doubtful
            if axis.exists(f.recording.start_civil_ns) == (code == "repeated_hour")
        ]
        if not files:
            continue
        swapped = {f.recording.name: moved(f, others[f.recording.name]) for f in files}
        other = recorded_ns([swapped.get(f.recording.name, f) for f in counted])
        joins = all(_joins(f, counted, settings) for f in files)
        stamps = ", ".join(iso(f.recording.start_civil_ns) for f in files[:4])
        if code == "repeated_hour":
            text = (
                f"{quantity(len(files), 'file', 'starts', 'start')} in the hour that the "
                f"clocks in {axis.zone} show twice. Each was read as the time that joins best to "
                f"the file before it. {_other_way(other, recorded)}"
            )
            severity = "info" if joins else "caution" if other == recorded else "problem"
        else:
            text = (
                f"{quantity(len(files), 'file', 'starts', 'start')} at a time that no clock "
                f"in {axis.zone} ever shows, for the clocks skip it in spring. That was read as "
                "if the recorder's clock had not been put forward yet. "
                f"{_other_way(other, recorded)}"
            )
            severity = "caution" if other == recorded or joins else "problem"
        yield Finding(
            code,
            severity,  # type: ignore[arg-type]
            files[0].recording.name if len(files) == 1 else where,
            text,
            expected="a start that exists once",
            observed=f"{some_of(names(files))}: {stamps}",
            action="Check with the diary when the recording was going on.",
            file=files[0].recording.name if len(files) == 1 else None,
            other_recorded_ns=other,
        )


def _other_way(other: int, recorded: int) -> str:
    """What would be recorded if stamps were read in the other of two ways."""
    if other == recorded:
        return f"Read the other way, it would be the same {hms(recorded)}."
    return f"Read the other way, {hms(other)} would be recorded instead of {hms(recorded)}."


def _as_stamped(recorded: int, other: int) -> str:
    if other == recorded:
        return f"How long was recorded is the same either way, {hms(recorded)}."
    return f"As stamped, {hms(recorded)} was recorded; if the clock did not follow, {hms(other)}."


def _joins(file: StudyFile, counted: Sequence[StudyFile], settings: StudySettings) -> bool:
    """Whether the file follows another of its copy, or is followed by one, without a break."""
    return any(
        min(abs(start_of(file) - end_of(f)), abs(start_of(f) - end_of(file)))
        <= settings.join_tolerance_ns
        for f in counted
        if f is not file and f.copy == file.copy
    )


def transitions(axis: Axis, span: Interval) -> list[tuple[int, int]]:
    """(instant, change of civil time in ns) of each change of the zone's clocks inside ``span``."""
    if axis.zone is None:
        return []
    found, step = [], 12 * HOUR
    low, offset = span.start, axis.offset(span.start)
    if span.duration > 4000 * DAY:
        return []
    while low < span.end:
        high = min(low + step, span.end)
        then = axis.offset(high)
        if then != offset:
            a, b = low, high
            while b - a > 10**9:
                mid = (a + b) // 2 // 10**9 * 10**9
                mid = mid if mid > a else b
                if mid == b:
                    break
                a, b = (mid, b) if axis.offset(mid) == offset else (a, mid)
            at = b // 10**9 * 10**9
            found.append((at, then - offset))
            offset = then
        low = high
    return found


@dataclass(frozen=True, slots=True)
class Step:
    """A daylight-saving change that the recorder's clock seems not to have followed."""

    at: int
    shift: int
    before: str
    after: str
    later: frozenset[str]
    """The names of ``after`` and of every file stamped later."""

    def explains(self, one: str, other: str) -> bool:
        """Whether an overlap of two files comes from this step: one before it, one after."""
        return (one in self.later) != (other in self.later)


def change_findings(
    files: Sequence[StudyFile],
    counted: Sequence[StudyFile],
    axis: Axis,
    settings: StudySettings,
) -> tuple[list[Finding], list[Step]]:
    """What daylight-saving changes in the span of the reference ``files`` did to the stamps."""
    timed = [f for f in in_order(files) if f.interval]
    if not timed:
        return [], []
    span = Interval(start_of(timed[0]), max(end_of(f) for f in timed))
    findings, steps = [], []
    wide = Interval(span.start - 2 * HOUR, span.end + 2 * HOUR)
    for at, shift in transitions(axis, wide):
        step = _unfollowed(timed, at, shift, settings)
        if step is not None:
            shifted = [
                moved(f, TimeMap(f.map.anchor + shift)) if f.recording.name in step.later else f
                for f in counted
            ]
            other, recorded = recorded_ns(shifted), recorded_ns(counted)
            kind = "overlap" if shift > 0 else "gap"
            steps.append(step)
            findings.append(
                Finding(
                    "daylight_saving_not_followed",
                    "problem",
                    step.after,
                    f"The clocks in {axis.zone} changed by {in_words(abs(shift))}, and just that "
                    f"long a{'n' if kind == 'overlap' else ''} {kind} lies between two files that "
                    "would otherwise follow each other: the recorder's clock seems not to have "
                    f"followed the change. {_as_stamped(recorded, other)}",
                    expected=f"a start near {axis.iso(_end_before(timed, step))}",
                    observed=f"{step.after} starts {in_words(abs(shift))} "
                    f"{'before' if shift > 0 else 'after'} the end of {step.before}",
                    action="Check with the diary, and set the clock at the next hook-up.",
                    file=step.after,
                    other_recorded_ns=other,
                )
            )
        elif span.start < at < span.end:
            findings.append(
                Finding(
                    "daylight_saving_change",
                    "info",
                    axis.zone or "",
                    f"The clocks in {axis.zone} changed by {in_words(abs(shift))} during the "
                    f"study, at {axis.iso(at)}. Recorded time is elapsed time and is not changed "
                    f"by it. {_agreement(timed, at, settings)}",
                    span=Interval(at, at),
                )
            )
    return findings, steps


def _agreement(timed: Sequence[StudyFile], at: int, settings: StudySettings) -> str:
    """What the stamps show of whether the recorder's clock followed the change."""
    after = [f for f in timed if start_of(f) >= at]
    if not after:
        return "No file starts after the change, so none shows whether the clock followed it."
    ends = [end_of(f) for f in timed if start_of(f) < at]
    if ends and abs(start_of(after[0]) - max(ends)) <= settings.join_tolerance_ns:
        return "The next file's stamp shows that the recorder's clock followed it."
    return (
        "The next file's stamp was read as if the recorder's clock had followed it; a gap lies "
        "before it, so that nothing shows that it did."
    )


def _end_before(timed: Sequence[StudyFile], step: Step) -> int:
    return next(end_of(f) for f in timed if f.recording.name == step.before)


def _unfollowed(
    timed: Sequence[StudyFile], at: int, shift: int, settings: StudySettings
) -> Step | None:
    """The first pair of files after the change whose stamps part by just the change."""
    size = abs(shift)
    # By stamps that lag behind, a later file may seem to start before an earlier one has ended.
    by_stamp = sorted(timed, key=lambda f: (f.recording.start_civil_ns, f.recording.name))
    for index, (before, after) in enumerate(pairwise(by_stamp), 1):
        if start_of(before) > at + size or end_of(before) < at - size:
            continue
        hole = start_of(after) - end_of(before)
        if abs(hole + shift) <= min(settings.join_tolerance_ns, size // 4) and (end_of(after) > at):
            later = by_stamp[index:]
            return Step(
                at, shift, before.recording.name, after.recording.name, frozenset(names(later))
            )
    return None


def never_set_findings(
    counted: Sequence[StudyFile], order: Order | None, settings: StudySettings, where: str
) -> Iterator[Finding]:
    """A study stamped with a default date as a whole."""
    dated = [f for f in counted if at_default_date(f, settings)]
    hooked = None if order is None else order.hookup_civil_ns
    if hooked is not None:
        # A study that was truly recorded at such a date has a hook-up to match.
        dated = [
            f for f in dated if abs(f.recording.start_civil_ns - hooked) > settings.far_apart_ns
        ]
    if not dated:
        return
    window = order is not None and order.hookup_civil_ns is not None
    yield Finding(
        "clock_never_set",
        "problem" if window else "caution",
        where,
        f"{quantity(len(dated), 'file', 'is', 'are')} stamped with a date at which a clock "
        "starts after it lost power. How long was recorded is not in doubt, but when is not known"
        + (
            ", so what is missing at the start and at the end is not known either."
            if window
            else "."
        ),
        expected="the date of the study",
        observed=f"{dated[0].recording.name} starts {iso(dated[0].recording.start_civil_ns)}",
        action="Set the clock at the next hook-up.",
    )


def hookup_findings(
    counted: Sequence[StudyFile],
    order: Order | None,
    hookup: int | None,
    axis: Axis,
    settings: StudySettings,
) -> Iterator[Finding]:
    """A first record far from the hook-up, with both readings of it."""
    timed = [f for f in in_order(counted) if f.interval]
    if hookup is None or order is None or not timed:
        return
    start, end = start_of(timed[0]), max(end_of(f) for f in timed)
    away = start - hookup
    if abs(away) <= settings.hookup_tolerance_ns:
        return
    outside = end <= hookup or start >= hookup + order.ordered_ns
    size = in_words(abs(away))
    cause = likely_step(away)
    as_stamped = (
        f"recording began {size} after the hook-up and that time is missing"
        if away > 0
        else f"recording began {size} before the hook-up"
    )
    yield Finding(
        "start_disagrees_with_hookup",
        "problem" if outside else "caution",
        timed[0].recording.name,
        f"The first record lies {size} {'after' if away > 0 else 'before'} the hook-up of the "
        f"order. If the recorder's clock is right, {as_stamped}; if the clock is wrong by that "
        f"much, recording began at the hook-up and ended {axis.iso(end - away)} instead of "
        f"{axis.iso(end)}. How long was recorded is the same either way."
        + (f" {cause}" if cause else ""),
        expected=f"a first record near {axis.iso(hookup)}",
        observed=axis.iso(start),
        action="Check the hook-up in the order, and set the clock at the next hook-up.",
        file=timed[0].recording.name,
    )


def likely_step(ns: int) -> str:
    """A sentence on what a clock's error of this size usually is; empty where it is nothing known.

    Common practice, no source.
    """
    size = abs(ns)
    days, rest = divmod(size + 5 * MINUTE, DAY)
    if rest <= 10 * MINUTE and days:
        return "It is a whole number of days: the clock's date may be wrong."
    if abs(size - 12 * HOUR) <= 5 * MINUTE:
        return "It is 12 hours: morning and afternoon may have been mistaken."
    hours, rest = divmod(size + 5 * MINUTE, HOUR)
    if rest <= 10 * MINUTE and 0 < hours < 15:
        return "It is a whole number of hours: the time zone or summer time may be wrong."
    return ""
