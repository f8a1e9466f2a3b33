"""How a recorder cuts its recording into files, and where a file of its series is missing."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from auditor.core.clock import Axis, hour_apart
from auditor.core.durations import hms, in_words
from auditor.core.text import Own, number_step, quantity
from auditor.core.units import NS
from auditor.model import Finding, Interval, MissingPiece, Pieces, StudyFile, finding
from auditor.model.codes.study import StudyCode
from auditor.study.placing import SHOWN, in_order, recorded_ns

_FEWEST = 3
"""Files below which no rhythm can be told."""
_TOLERANCE = 10 * NS
"""A recorder that starts a file every two hours is a few seconds off (common practice, no source).
"""
_MOST_NUMBERS = 100
"""Numbers that skip more are times or dates, not a count of files."""


def pieces_of(
    counted: Sequence[StudyFile], aside: Sequence[str], unreadable: Sequence[str]
) -> tuple[Pieces, ...]:
    """The pieces of every copy among the ``counted`` files.

    ``aside`` and ``unreadable`` are names of files that are there and do not count.
    """
    timed = in_order(f for f in counted if f.interval)
    found = []
    for copy in sorted({f.copy or "" for f in timed}):
        own = [f for f in timed if f.copy == copy]
        period = _period(own)
        length = sorted(map(_length, own))[len(own) // 2] if period else 0
        counts = _numbers_count(own)
        missing = []
        for before, after in pairwise(own):
            hole = after.start - before.end
            if hole < NS or _filled(before, after, timed):
                continue
            skipped = _skipped(before, after) if counts else 0
            passed = _passed_over(before, after, period, length)
            if skipped or passed:
                missing.append(
                    MissingPiece(
                        copy=copy,
                        before=before.name,
                        after=after.name,
                        start=before.end,
                        end=after.start,
                        files=skipped or passed,
                        schedule=bool(passed),
                        numbers=bool(skipped),
                        unreadable=_between(unreadable, before, after),
                        set_aside=_between(aside, before, after),
                    )
                )
        regular = tuple(
            b.name
            for a, b in pairwise(own)
            if period and abs(b.start - a.start - period) <= _TOLERANCE
        )
        found.append(Pieces(copy, len(own), period, length, regular, tuple(missing)))
    return tuple(found)


def _length(file: StudyFile) -> int:
    return file.end - file.start


def _period(own: Sequence[StudyFile]) -> int:
    """The step from start to start that three of four files keep, or a multiple of it; else 0."""
    if len(own) < _FEWEST:
        return 0
    steps = sorted(b.start - a.start for a, b in pairwise(own))
    period = steps[len(steps) // 2]
    if period <= 10 * _TOLERANCE:
        return 0
    regular = sum(s >= period - _TOLERANCE and _multiple(s, period) > 0 for s in steps)
    return period if 4 * regular >= 3 * len(steps) else 0


def _multiple(step: int, period: int) -> int:
    """How many periods ``step`` is, each a few seconds off at most; 0 where it is none."""
    count = (step + period // 2) // period
    return count if abs(step - count * period) <= count * _TOLERANCE else 0


def _passed_over(before: StudyFile, after: StudyFile, period: int, length: int) -> int:
    """How many starts were passed over after a whole file that was closed."""
    whole = period > 0 and _length(before) >= length - _TOLERANCE and before.recording.closed
    count = _multiple(after.start - before.start, period) if whole else 0
    return max(0, count - 1)


def _filled(before: StudyFile, after: StudyFile, timed: Sequence[StudyFile]) -> bool:
    """Whether a file of another copy holds time in the hole: that copy tells of it."""
    return any(f.start < after.start and f.end > before.end for f in timed if f.copy != before.copy)


def _numbers_count(own: Sequence[StudyFile]) -> bool:
    """Whether the names number the files: most of those that are alike follow by one."""
    steps = [number_step(a.name, b.name) for a, b in pairwise(own)]
    return steps.count(1) > 0 and 2 * steps.count(1) >= sum(s != 0 for s in steps)


def _skipped(before: StudyFile, after: StudyFile) -> int:
    skipped = number_step(before.name, after.name) - 1
    return skipped if 0 < skipped < _MOST_NUMBERS else 0


def _between(names: Sequence[str], before: StudyFile, after: StudyFile) -> str:
    """The first of ``names`` whose number lies between those of two files."""
    first, last = before.name, after.name
    return next((n for n in names if 0 < number_step(first, n) < number_step(first, last)), "")


# ---------------------------------------------------------------- findings


def piece_findings(
    pieces: Sequence[Pieces], counted: Sequence[StudyFile], axis: Axis
) -> Iterator[Finding]:
    """Files that are missing, and holes that a clock put forward would explain as well."""
    absent = [m for p in pieces for m in p.missing if not m.unreadable and not m.set_aside]
    recorded = recorded_ns(counted)
    if absent:
        yield _missing(absent, recorded, axis)
    known = {m.after for p in pieces for m in p.missing}
    for copy in pieces:
        own = [f for f in in_order(counted) if f.copy == copy.copy and f.interval]
        apart = [(a, b) for a, b in pairwise(own) if b.start - a.end > _TOLERANCE]
        holes = [(a, b) for a, b in apart if not _filled(a, b, counted)]
        hours = [p for p in holes if axis.zone is None and hour_apart(p[1].start - p[0].end)]
        after_full = [
            (a, b)
            for a, b in holes
            if (a, b) not in hours
            and b.name not in known
            and copy.period_ns
            and abs(_length(a) - copy.length_ns) <= _TOLERANCE
            and a.recording.closed
        ]
        joined = sum(abs(b.start - a.end) <= _TOLERANCE for a, b in pairwise(own))
        stepped = after_full if joined > len(after_full) else []
        codes: tuple[StudyCode, ...] = ("hour_step", "clock_may_have_stepped")
        for code, found in zip(codes, (hours, stepped), strict=True):
            for before, after in found[:1]:
                yield finding(
                    code,
                    after.name,
                    file=after.name,
                    span=Interval(before.end, after.start),
                    other_recorded_ns=recorded,
                    holes=quantity(len(found), "hole"),
                    size=in_words(after.start - before.end, up=True),
                    before=before.name,
                    after=after.name,
                    ended=Own(axis.said(before.end)),
                    started=Own(axis.said(after.start)),
                    recorded=hms(recorded),
                )


def _missing(absent: Sequence[MissingPiece], recorded: int, axis: Axis) -> Finding:
    first, holes = absent[0], sum(m.duration for m in absent)
    files = sum(m.files for m in absent)
    return finding(
        "piece_missing",
        first.after if len(absent) == 1 else "",
        file=first.after if len(absent) == 1 else None,
        span=Interval(first.start, first.end),
        other_recorded_ns=recorded + holes,
        before=first.before,
        after=first.after,
        hole=hms(first.duration, up=True),
        missing=Own("a file is" if first.files == 1 else f"{first.files} files are"),
        elsewhere=Own(f", and at {quantity(len(absent) - 1, 'more place')}" if absent[1:] else ""),
        files=quantity(files, "file"),
        start=Own(axis.said(first.start)),
        places=tuple(f"{m.before} to {m.after}" for m in absent[:SHOWN]),
        recorded=hms(recorded),
        with_them=hms(recorded + holes),
    )
