"""A recording's place on the study axis: its time map and its runs."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from fractions import Fraction
from typing import Any

import numpy as np
from msgspec.structs import replace

from auditor.core import intervals
from auditor.core.clock import FIRST_START, LAST_START
from auditor.core.text import quantity, some_of
from auditor.core.units import NS
from auditor.model import (
    Finding,
    FindingCode,
    Int64,
    Recording,
    SetAsideCode,
    StudyFile,
    TimeMap,
    finding,
)
from auditor.model.codes import SET_ASIDE

SEAMLESS = 2 * NS
"""Start stamps are whole seconds (EDF specification), so two of them are off by less than this."""


def place(
    recording: Recording,
    time_map: TimeMap,
    copy: str | None = "A",
    *,
    ratio: Fraction = Fraction(1),
    starts: Sequence[int] = (),
) -> StudyFile:
    """``recording`` as a counted file of ``copy`` with its records put on the axis.

    ``ratio`` is how much of the axis one nanosecond of the file's sample count takes; it is 1 but
    for a copy whose sample clock was measured against the reference. ``starts`` are the instants
    at which the runs of ``own_runs`` begin, where each was measured by itself; then ``time_map``
    is only the line that lies nearest to them, for the annotations.
    """
    if starts:
        lengths = [round(int(b - a) * ratio) for a, b in zip(*own_runs(recording), strict=True)]
        first, records_ns = np.array(starts, np.int64), sum(lengths)
        last = first + np.array(lengths, np.int64)
    else:
        first, last, records_ns = _runs(recording, time_map, ratio)
    return StudyFile(
        recording=recording,
        role="counted",
        reason="",
        copy=copy,
        map=time_map,
        run_starts=first,
        run_ends=last,
        records_ns=records_ns,
    )


def set_aside(file: StudyFile, code: SetAsideCode) -> StudyFile:
    """The same file, not counted, with the reason as a code and in words."""
    return replace(file, role="set_aside", reason=SET_ASIDE[code], reason_code=code, copy=None)


def in_range(recording: Recording, time_map: TimeMap) -> bool:
    """Whether every record would lie in the years 1985 to 2084, by exact arithmetic.

    These are the years that a start date can state (EDF+ specification, item 2). No array is made
    of instants that were not checked: they need not fit 64 bits.
    """
    offsets = recording.offsets_ns
    ends = [int(offsets.min()), int(offsets.max()) + recording.record_ns] if len(offsets) else [0]
    return in_years(time_map.instant(o) for o in ends)


def in_years(instants: Iterable[int]) -> bool:
    """Whether all ``instants`` lie in the years 1985 to 2084."""
    return all(FIRST_START <= i <= LAST_START for i in instants)


def moved(file: StudyFile, time_map: TimeMap) -> StudyFile:
    """The same file with an unchanged rate at another anchor."""
    return place(file.recording, time_map, file.copy)


def own_runs(recording: Recording) -> tuple[Int64, Int64]:
    """The records' intervals after the header's start, joined where they touch exactly.

    Both arrays have shape (runs,), in file order, in nanoseconds; empty where the file holds no
    time (annotations only).
    """
    offsets = recording.offsets_ns
    if not len(offsets) or recording.record_ns <= 0:
        return intervals.empty()
    return _joined(offsets, offsets + np.int64(recording.record_ns), 0)


def _joined(starts: Int64, ends: Int64, slack_ns: int) -> tuple[Int64, Int64]:
    breaks = np.flatnonzero(np.abs(starts[1:] - ends[:-1]) > slack_ns)
    first = np.concatenate((np.zeros(1, np.int64), breaks + 1))
    last = np.concatenate((breaks, np.full(1, len(ends) - 1)))
    return starts[first], ends[last]


def _runs(recording: Recording, time_map: TimeMap, ratio: Fraction) -> tuple[Int64, Int64, int]:
    """Run starts, run ends (shape (runs,)) and the records' summed duration on the axis."""
    starts, ends = own_runs(recording)
    if not len(starts):
        return starts, ends, 0
    if time_map.rate == ratio == 1:
        return (
            time_map.instants(starts),
            time_map.instants(ends),
            recording.records * recording.record_ns,
        )
    # The clock that stamped the records is not the one that took the samples: a record lasts what
    # its samples last, and records whose stamps part by less than half a sample still touch.
    length = round(recording.record_ns * ratio)
    per = max((c.samples_per_record for c in recording.channels if not c.is_annotation), default=1)
    first = time_map.instants(recording.offsets_ns)
    first, last = _joined(first, first + np.int64(length), length // (2 * max(per, 1)))
    last = np.maximum(last, first)
    held = intervals.total(intervals.union(first, last))
    return first, last, max(recording.records * length, held)


def held(files: Iterable[StudyFile]) -> intervals.Pair:
    """The union of the files' records as a plain pair."""
    return intervals.union_of((f.run_starts, f.run_ends) for f in files)


def recorded_ns(files: Iterable[StudyFile]) -> int:
    """The length of the union of the files' records: what would be recorded with these files."""
    return intervals.total(held(files))


def in_order(files: Iterable[StudyFile]) -> list[StudyFile]:
    """Files by time, then by name; those that hold no time by their start stamp."""
    return sorted(files, key=lambda f: (f.start, f.name))


SHOWN = 8
"""Names given in a finding; the rest is counted, and the list of files holds them all."""


def about_files(
    code: FindingCode, files: Sequence[StudyFile], where: str = "", /, **given: Any
) -> Finding:
    """The finding ``code`` about ``files``: how many, and the names of the first.

    It stands at the only one of them, else at ``where``. ``given`` are further arguments of
    ``finding``, and go before those made here.
    """
    only = files[0].name if len(files) == 1 else None
    names = tuple(f.name for f in files)
    said = {"file": only, "files": quantity(len(files), "file"), "names": names[:SHOWN]} | given
    return finding(code, only or where or some_of(names, 3), **said)
