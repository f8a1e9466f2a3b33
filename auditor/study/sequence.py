"""Start stamps to instants, in sequence.

A stamp is civil time at the patient (EDF+ specification, additional specifications, item 8). The
hour that exists twice is resolved by what joins best.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence

from auditor.core.clock import Axis
from auditor.core.units import HOUR
from auditor.model import Recording, StudyFile, TimeMap
from auditor.study.placing import SEAMLESS, in_order, place


def in_sequence(
    recordings: Sequence[Recording],
    axis: Axis,
    hookups: Sequence[int],
    one_copy: Callable[[Recording, Recording], bool],
) -> list[StudyFile]:
    """``recordings`` on the axis, in time order.

    A stamp in the hour that exists twice takes the reading that joins best to the file before it
    by its stamp, in whichever folder that is, and never one that overlaps where the other does not
    a file that the same device wrote (``one_copy``). Where no file is before, it takes the one that
    joins best to what follows, then the one nearest to one of the ``hookups``.
    """
    sure: list[StudyFile] = []
    twice: list[Recording] = []
    for recording in recordings:
        readings = axis.readings(recording.start_civil_ns)
        if len(readings) > 1:
            twice.append(recording)
        else:
            sure.append(place(recording, TimeMap(readings[0])))
    groups = _by_transition(twice)
    read = [f for group in groups for f in _resolve(group, axis, sure, hookups, one_copy)]
    return in_order([*sure, *read])


def _by_transition(recordings: Sequence[Recording]) -> list[list[Recording]]:
    groups: list[list[Recording]] = []
    for recording in sorted(recordings, key=lambda r: (r.start_civil_ns, r.name)):
        last = groups[-1][-1] if groups else None
        if last is not None and recording.start_civil_ns - last.start_civil_ns < 6 * HOUR:
            groups[-1].append(recording)
        else:
            groups.append([recording])
    return groups


_Cost = tuple[int, int]
"""How much time of one device would overlap, and how far the files lie from joining."""


def _resolve(
    group: Sequence[Recording],
    axis: Axis,
    sure: Sequence[StudyFile],
    hookups: Sequence[int],
    one_copy: Callable[[Recording, Recording], bool],
) -> list[StudyFile]:
    first = group[0].start_civil_ns
    last = max(axis.readings(r.start_civil_ns)[1] for r in group)
    near = [f for f in sure if f.interval and f.end > last - 6 * HOUR]
    before = [f for f in sure if f.interval and f.recording.start_civil_ns < first]
    if before:
        latest = max(f.end for f in before)
        return _chain(group, axis, [f for f in before if f.end >= latest - 6 * HOUR],
                      near, one_copy)[0]  # fmt: skip
    following = min((f.start for f in near if f.start > last), default=None)
    best: tuple[tuple[int, int, int], list[StudyFile]] | None = None
    for lead in group if len(group) <= 8 else group[:1]:
        for reading in axis.readings(lead.start_civil_ns):
            rest = [r for r in group if r is not lead]
            begun = place(lead, TimeMap(reading))
            chain, (over, apart) = _chain(rest, axis, [begun], near, one_copy)
            over += _over(begun, near, one_copy)
            if following is not None:
                apart += abs(following - max(f.end for f in (begun, *chain)))
            aim = min((abs(begun.start - h) for h in hookups), default=0)
            if best is None or (over, apart, aim) < best[0]:
                best = (over, apart, aim), [begun, *chain]
    assert best is not None
    return best[1]


def _chain(
    group: Sequence[Recording],
    axis: Axis,
    before: Sequence[StudyFile],
    near: Sequence[StudyFile],
    one_copy: Callable[[Recording, Recording], bool],
) -> tuple[list[StudyFile], _Cost]:
    """File after file, each time the (file, reading) that best joins the end of one placed before.

    One that overlaps a file of its own device comes after all that do not.
    """
    left, chain = list(group), list[StudyFile]()
    total = 0, 0
    while left:
        options = []
        for recording in left:
            for reading in axis.readings(recording.start_civil_ns):
                file = place(recording, TimeMap(reading))
                over = _over(file, [*near, *before, *chain], one_copy)
                apart = min(abs(file.start - p.end) for p in (*before, *chain))
                options.append((over, apart, reading, recording.name, file))
        over, apart, _, _, file = min(options, key=lambda o: o[:4])
        chain.append(file)
        total = total[0] + over, total[1] + apart
        left = [r for r in left if r is not file.recording]
    return chain, total


def _over(
    file: StudyFile, others: Sequence[StudyFile], one_copy: Callable[[Recording, Recording], bool]
) -> int:
    """Time that ``file`` would hold twice with others of its device; none below a few seconds."""
    mine = {id(f): f for f in others if one_copy(f.recording, file.recording)}
    shared = sum(max(0, min(f.end, file.end) - max(f.start, file.start)) for f in mine.values())
    return shared if shared > SEAMLESS else 0
