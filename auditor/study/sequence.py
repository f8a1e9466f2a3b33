"""One device's start stamps to instants, in sequence.

A stamp is civil time at the patient (EDF+ specification, additional specifications, item 8). The
hour that exists twice is resolved by what joins best; the doubt is kept for the findings.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from auditor.core.clock import Axis
from auditor.core.units import HOUR
from auditor.model import Recording, StudyFile, TimeMap
from auditor.study.placing import end_of, in_order, place, start_of


@dataclass(frozen=True, slots=True)
class Doubt:
    """A file whose stamp has another reading: where it would lie then."""

    name: str
    other: TimeMap


def in_sequence(
    recordings: Sequence[Recording],
    axis: Axis,
    hookup: int | None,
    others: Sequence[Recording] = (),
) -> tuple[list[StudyFile], list[Doubt]]:
    """One device's files on the axis, in time order, with the doubts that the stamps leave.

    A stamp in the hour that exists twice takes the reading that joins best to the file before it;
    where none is before, to one of ``others`` (recordings of any folder); else the one that joins
    best to what follows, then the one nearest the hook-up.
    """
    sure: list[StudyFile] = []
    twice: list[Recording] = []
    for recording in recordings:
        readings = axis.readings(recording.start_civil_ns)
        if len(readings) > 1:
            twice.append(recording)
        else:
            sure.append(place(recording, TimeMap(readings[0])))
    doubts: list[Doubt] = []
    placed = list(sure)
    beside = [
        place(r, TimeMap(axis.readings(r.start_civil_ns)[0]))
        for r in (others if twice else ())
        if len(axis.readings(r.start_civil_ns)) == 1
    ]
    for group in _by_transition(twice, axis):
        for recording, instant, other in _resolve(group, axis, sure, beside, hookup):
            placed.append(place(recording, TimeMap(instant)))
            doubts.append(Doubt(recording.name, TimeMap(other)))
    for file in sure:
        start = file.recording.start_civil_ns
        if not axis.exists(start):
            # The reading taken goes by the offset before the change; the other by the one after.
            doubts.append(Doubt(file.recording.name, TimeMap(start - axis.offset(file.map.anchor))))
    return in_order(placed), doubts


def _by_transition(recordings: Sequence[Recording], axis: Axis) -> list[list[Recording]]:
    groups: list[list[Recording]] = []
    for recording in sorted(recordings, key=lambda r: (r.start_civil_ns, r.name)):
        last = groups[-1][-1] if groups else None
        if last is not None and recording.start_civil_ns - last.start_civil_ns < 6 * HOUR:
            groups[-1].append(recording)
        else:
            groups.append([recording])
    return groups


_Choice = tuple[Recording, int, int]


def _resolve(
    group: list[Recording],
    axis: Axis,
    sure: Sequence[StudyFile],
    beside: Sequence[StudyFile],
    hookup: int | None,
) -> list[_Choice]:
    first = min(axis.readings(r.start_civil_ns)[0] for r in group)
    last = max(axis.readings(r.start_civil_ns)[1] for r in group)
    before = [end_of(f) for f in sure if start_of(f) < first]
    before = before or [end_of(f) for f in beside if start_of(f) < first]
    after = [start_of(f) for f in sure if start_of(f) > last]
    following = min(after, default=None)
    if before:
        return _chain(group, axis, max(before))[0]
    best: tuple[tuple[int, int], list[_Choice]] | None = None
    for lead in group if len(group) <= 8 else group[:1]:
        for reading in axis.readings(lead.start_civil_ns):
            chain, cost, end = _chain(group, axis, reading + _first_offset(lead), lead)
            cost += abs(following - end) if following is not None else 0
            aim = abs(chain[0][1] - hookup) if hookup is not None else 0
            if best is None or (cost, aim) < best[0]:
                best = (cost, aim), chain
    assert best is not None
    return best[1]


def _chain(
    group: list[Recording], axis: Axis, end: int, lead: Recording | None = None
) -> tuple[list[_Choice], int, int]:
    """Files one after another, each time the (file, reading) that starts nearest the last end."""
    left, chain, cost = list(group), [], 0
    while left:
        options = [
            (abs(reading + _first_offset(r) - end), reading, r.name, r)
            for r in ([lead] if lead is not None else left)
            for reading in axis.readings(r.start_civil_ns)
        ]
        away, instant, _, recording = min(options, key=lambda o: o[:3])
        first, second = axis.readings(recording.start_civil_ns)
        chain.append((recording, instant, second if instant == first else first))
        cost += away
        end = instant + _last_offset(recording)
        left.remove(recording)
        lead = None
    return chain, cost, end


def _first_offset(recording: Recording) -> int:
    return int(recording.offsets_ns[0]) if recording.records else 0


def _last_offset(recording: Recording) -> int:
    return int(recording.offsets_ns[-1]) + recording.record_ns if recording.records else 0
