"""The doubts that clocks leave.

A stamp is civil time at the patient. Where it can be read in two ways both figures are given; no
stamp is ever changed silently.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator, Sequence
from itertools import pairwise

from auditor.core.clock import Axis, hour_apart, iso
from auditor.core.durations import hms, in_words
from auditor.core.text import Own, quantity
from auditor.core.units import DAY, HOUR, MINUTE
from auditor.model import Finding, Interval, Order, StudyFile, TimeMap, finding
from auditor.model.codes.study import StudyCode
from auditor.policy.sections import StudySettings
from auditor.study.belonging import at_default_date
from auditor.study.placing import about_files, in_order, moved, recorded_ns

_JOINED = 2 * MINUTE
"""Files this close to each other follow one another without an interruption of note (common
practice, no source)."""
_LONGEST = 4000 * DAY
"""Spans longer than this come of one wrong date, and are not searched for changes of the clocks."""


def doubt_findings(
    files: Sequence[StudyFile], counted: Sequence[StudyFile], axis: Axis, where: str
) -> Iterator[Finding]:
    """One finding for the stamps in the repeated hour, one for those in the skipped hour.

    ``files`` are those of the reference copy: the files of other copies lie where their samples put
    them, whatever their stamps.
    """
    recorded = recorded_ns(counted)
    doubts: dict[StudyCode, dict[str, StudyFile]] = {"repeated_hour": {}, "skipped_hour": {}}
    for file in (f for f in files if f.recording.start_known):
        start, taken = file.recording.start_civil_ns, file.map.anchor
        others = [r for r in axis.readings(start) if r != taken]
        if others:
            doubts["repeated_hour"][file.name] = moved(file, TimeMap(others[0]))
        elif not axis.exists(start):
            # The reading taken goes by the offset before the change; the other by the one after.
            other_map = TimeMap(start - axis.offset(taken))
            doubts["skipped_hour"][file.name] = moved(file, other_map)
    for code, swapped in doubts.items():
        if not swapped:
            continue
        found = [f for f in files if f.name in swapped]
        other = recorded_ns(swapped.get(f.name, f) for f in counted)
        joins = all(_joins(f, counted) for f in found)
        doubted = other != recorded and not joins
        quiet = code == "repeated_hour" and joins
        yield about_files(
            code,
            found,
            where,
            severity="problem" if doubted else "info" if quiet else "caution",
            other_recorded_ns=other,
            files=quantity(len(found), "file", "starts", "start"),
            zone=Own(axis.zone or ""),
            stamps=Own(", ".join(iso(f.recording.start_civil_ns) for f in found[:4])),
            recorded=hms(recorded),
            with_them=hms(other),
        )


def _joins(file: StudyFile, counted: Sequence[StudyFile]) -> bool:
    """Whether the file follows another of its copy, or is followed by one, without a break."""
    return any(
        min(abs(file.start - f.end), abs(f.start - file.end)) <= _JOINED
        for f in counted
        if f is not file and f.copy == file.copy
    )


def transitions(axis: Axis, span: Interval) -> list[tuple[int, int]]:
    """(instant, change of civil time in ns) of each change of the zone's clocks inside ``span``."""
    if axis.zone is None or span.duration > _LONGEST:
        return []
    found = []
    for low in range(span.start, span.end, 12 * HOUR):
        instants = range(low, min(low + 12 * HOUR, span.end) + 1)
        before, after = axis.offset(low), axis.offset(instants[-1])
        if before != after:
            at = bisect_left(instants, True, key=lambda t: axis.offset(t) != before)
            found.append((instants[at], after - before))
    return found


def change_findings(
    files: Sequence[StudyFile], counted: Sequence[StudyFile], axis: Axis
) -> tuple[list[Finding], list[frozenset[str]]]:
    """What daylight-saving changes in the span of the reference ``files`` did to the stamps.

    Beside the findings, for each change that the recorder's clock seems not to have followed the
    names of the files stamped after it.
    """
    timed = [f for f in in_order(files) if f.interval]
    if not timed:
        return [], []
    span = Interval(timed[0].start, max(f.end for f in timed))
    findings: list[Finding] = []
    steps: list[frozenset[str]] = []
    wide = Interval(span.start - 2 * HOUR, span.end + 2 * HOUR)
    for at, shift in transitions(axis, wide):
        size = in_words(abs(shift))
        step = _unfollowed(timed, at, shift)
        if step is not None:
            before, later = step
            after, names = later[0].name, frozenset(f.name for f in later)
            steps.append(names)
            shifted = [
                moved(f, TimeMap(f.map.anchor + shift)) if f.name in names else f for f in counted
            ]
            recorded, other = recorded_ns(counted), recorded_ns(shifted)
            findings.append(
                finding(
                    "daylight_saving_not_followed",
                    after,
                    file=after,
                    other_recorded_ns=other,
                    zone=Own(axis.zone or ""),
                    size=size,
                    kind=Own("an overlap" if shift > 0 else "an interruption"),
                    when=Own("before" if shift > 0 else "after"),
                    before=before.name,
                    after=after,
                    at=Own(axis.said(at)),
                    ended=Own(axis.said(before.end)),
                    recorded=hms(recorded),
                    with_them=hms(other),
                )
            )
        elif span.start < at < span.end:
            ended = max((f.end for f in timed if f.start < at), default=at)
            joined = any(abs(f.start - ended) <= _JOINED for f in timed if f.start >= at)
            doubt = "" if joined else " Nothing shows that the recorder's clock followed."
            findings.append(
                finding(
                    "daylight_saving_change",
                    axis.zone or "",
                    span=Interval(at, at),
                    zone=Own(axis.zone or ""),
                    size=size,
                    at=Own(axis.said(at)),
                    doubt=Own(doubt),
                )
            )
    return findings, steps


def _unfollowed(
    timed: Sequence[StudyFile], at: int, shift: int
) -> tuple[StudyFile, list[StudyFile]] | None:
    """A file, and those stamped later, between which lies just the change, if any after it."""
    size = abs(shift)
    # By stamps that lag behind, a later file may seem to start before an earlier one has ended.
    by_stamp = sorted(timed, key=lambda f: (f.recording.start_civil_ns, f.name))
    for index, (before, after) in enumerate(pairwise(by_stamp), 1):
        if before.start > at + size or before.end < at - size:
            continue
        hole = after.start - before.end
        if abs(hole + shift) <= min(_JOINED, size // 4) and after.end > at:
            return before, by_stamp[index:]
    return None


def placed_by_length(files: Sequence[StudyFile], hookup: int | None) -> list[StudyFile]:
    """Files without a usable start date drawn from the hook-up on, where there is one.

    They come here only where no file has a start: their length counts, and stands nowhere.
    """
    undated = [f for f in files if not f.recording.start_known and f.interval]
    if hookup is None or not undated:
        return list(files)
    shift = hookup - min(f.start for f in undated)
    return [
        f if f.recording.start_known else moved(f, TimeMap(f.map.anchor + shift)) for f in files
    ]


def undated_findings(counted: Sequence[StudyFile], where: str) -> Iterator[Finding]:
    """A study that is counted by its length, for no file says when it began."""
    if counted and not any(f.recording.start_known for f in counted):
        yield about_files(
            "start_not_known",
            counted,
            where,
            form="counted",
            length=hms(recorded_ns(counted)),
            when=Own("not known"),
        )


def never_set_findings(
    counted: Sequence[StudyFile], order: Order | None, settings: StudySettings, where: str
) -> Iterator[Finding]:
    """A study stamped with a default date as a whole."""
    dated = [f for f in counted if f.recording.start_known and at_default_date(f, settings)]
    hooked = None if order is None else order.hookup_civil_ns
    if hooked is not None:
        # A study that was truly recorded at such a date has a hook-up to match.
        dated = [
            f for f in dated if abs(f.recording.start_civil_ns - hooked) > settings.far_apart_ns
        ]
    if not dated:
        return
    window = ", so what is missing at the start and at the end is not known either"
    yield about_files(
        "clock_never_set",
        dated,
        where,
        files=quantity(len(dated), "file", "is", "are"),
        window=Own(window if hooked is not None else ""),
        names=(dated[0].name,),
        start=Own(iso(dated[0].recording.start_civil_ns)),
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
    if hookup is None or order is None or not timed or not timed[0].recording.start_known:
        return
    start, end = timed[0].start, max(f.end for f in timed)
    away = start - hookup
    if abs(away) <= settings.hookup_tolerance_ns:
        return
    all_before = end <= hookup
    outside = all_before or start >= hookup + order.ordered_ns
    yield finding(
        "start_disagrees_with_hookup",
        timed[0].name,
        form="all_before" if all_before else "",
        severity="problem" if outside else None,
        file=timed[0].name,
        size=in_words(abs(away)),
        side=Own("after" if away > 0 else "before"),
        missing=Own(" and that time is missing" if away > 0 else ""),
        hookup=Own(axis.said(hookup)),
        start=Own(axis.said(start)),
        end=Own(axis.said(end)),
        moved_end=Own(axis.said(end - away)),
        recorded=hms(recorded_ns(counted)),
        cause=likely_step(away),
    )


def likely_step(ns: int) -> Own:
    """What a clock's error of this size usually is, after a space; empty where nothing is known.

    Common practice, no source.
    """
    size = abs(ns)
    days, of_day = divmod(size + 5 * MINUTE, DAY)
    hours, of_hour = divmod(size + 5 * MINUTE, HOUR)
    words = ""
    if days and of_day <= 10 * MINUTE:
        words = " It is a whole number of days: the clock's date may be wrong."
    elif abs(size - 12 * HOUR) <= 5 * MINUTE:
        words = " It is 12 hours: morning and afternoon may have been mistaken."
    elif 0 < hours < 15 and of_hour <= 10 * MINUTE:
        count = "one hour" if hour_apart(size) else "a whole number of hours"
        words = f" It is {count}: the time zone or summer time may be wrong."
    return Own(words)
