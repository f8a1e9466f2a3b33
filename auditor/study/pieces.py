"""Holes between a recorder's regular pieces: a clock put forward, or a file that was not copied."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from itertools import pairwise

from auditor.core.clock import Axis
from auditor.core.durations import hms, in_words
from auditor.core.text import quantity
from auditor.core.units import HOUR, NS
from auditor.model import Finding, Interval, StudyFile
from auditor.policy.study import StudySettings
from auditor.study.placing import end_of, in_order, recorded_ns, start_of

VOCABULARY = {
    "hour_step": "A hole of exactly an hour in a study without a time zone",
    "clock_may_have_stepped": "A hole where one regular piece should join the next",
    "piece_may_be_missing": "A hole just as long as one or more of the recorder's regular pieces",
}

_EXACT = 2 * NS
"""Start stamps are whole seconds, so that two of them are off by less than this."""


def stepped_findings(
    files: Sequence[StudyFile], counted: Sequence[StudyFile], axis: Axis, settings: StudySettings
) -> Iterator[Finding]:
    """Holes that a clock put forward would explain: an exact hour, or between regular pieces."""
    timed = [f for f in in_order(files) if f.interval]
    recorded = recorded_ns(counted)
    pairs = list(pairwise(timed))
    if axis.zone is None:
        for before, after in pairs:
            hole = start_of(after) - end_of(before)
            if abs(hole - HOUR) <= _EXACT:
                yield Finding(
                    "hour_step",
                    "caution",
                    after.recording.name,
                    "Just one hour lies between two files. It may be a real gap, or the clock "
                    "was put forward to summer time while the recording went on: then there is no "
                    f"gap. {hms(recorded)} was recorded either way.",
                    observed=f"{before.recording.name} ends {axis.iso(end_of(before))}, "
                    f"{after.recording.name} starts {axis.iso(start_of(after))}",
                    action="Name the time zone in the order; then the audit can tell.",
                    file=after.recording.name,
                    span=Interval(end_of(before), start_of(after)),
                    other_recorded_ns=recorded,
                )
    yield from _between_pieces(timed, counted, axis, settings)


def _between_pieces(
    timed: Sequence[StudyFile],
    counted: Sequence[StudyFile],
    axis: Axis,
    settings: StudySettings,
) -> Iterator[Finding]:
    """Holes after full pieces of a recorder that starts a new file every so often.

    A hole that another copy fills is told by that copy, and needs no guess.
    """
    length = _regular_length(timed)
    if length is None:
        return
    full = [(a, b) for a, b in pairwise(timed) if _length(a) == length and a.recording.closed]
    odd = [
        (a, b)
        for a, b in full
        if start_of(b) - end_of(a) > settings.join_tolerance_ns
        and not any(
            start_of(f) < start_of(b) and end_of(f) > end_of(a)
            for f in counted
            if f is not a and f is not b
        )
    ]
    if not odd or len(odd) * 2 >= len(full):
        return
    recorded = recorded_ns(counted)
    missing = [(a, b) for a, b in odd if (start_of(b) - end_of(a) + _EXACT) % length <= 2 * _EXACT]
    for before, after in missing[:5]:
        hole = start_of(after) - end_of(before)
        pieces = round(hole / length)
        yield Finding(
            "piece_may_be_missing",
            "problem",
            after.recording.name,
            f"The recorder starts a new file every {in_words(length)}, and the hole before this "
            f"file is just as long as {quantity(pieces, 'such piece')}: {quantity(pieces, 'file')} "
            f"may not have been copied from the card. {hms(recorded)} was recorded as it stands; "
            f"with what seems to be missing it would be {hms(recorded + hole)}.",
            expected=f"a file that starts {axis.iso(end_of(before))}",
            observed=f"the next is {after.recording.name}, {axis.iso(start_of(after))}",
            action="Look for the file on the card and copy it.",
            file=after.recording.name,
            span=Interval(end_of(before), start_of(after)),
            other_recorded_ns=recorded + hole,
        )
    stepped = [pair for pair in odd if pair not in missing]
    if stepped:
        before, after = stepped[0]
        yield Finding(
            "clock_may_have_stepped",
            "caution",
            after.recording.name,
            f"The recorder starts a new file every {in_words(length)}, and the other full files "
            f"join each other; after {quantity(len(stepped), 'full file')} a hole follows. The "
            "recording may have stopped there, or the clock was put forward and nothing is "
            f"missing. {hms(recorded)} was recorded either way.",
            expected=f"{after.recording.name} to start near {axis.iso(end_of(before))}",
            observed=f"it starts {in_words(start_of(after) - end_of(before))} later",
            action="Check with the diary and the clock's setting.",
            file=after.recording.name,
            span=Interval(end_of(before), start_of(after)),
            other_recorded_ns=recorded,
        )


def _length(file: StudyFile) -> int:
    return end_of(file) - start_of(file)


def _regular_length(timed: Sequence[StudyFile]) -> int | None:
    """The length that most files but the last have, where at least three share it."""
    lengths = [_length(f) for f in timed[:-1]]
    if len(lengths) < 3:
        return None
    common = max(set(lengths), key=lambda n: (lengths.count(n), n))
    return common if lengths.count(common) >= max(3, len(lengths) * 2 // 3) else None
