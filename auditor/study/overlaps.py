"""Time that one copy holds twice: a duplicated export, or a clock put back.

One device cannot record twice at once, so the time counts once, and the other figure is given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import islice
from typing import Any

from msgspec import Struct

from auditor.core import intervals
from auditor.core.durations import hms, in_words
from auditor.core.text import quantity
from auditor.core.units import NS
from auditor.model import Finding, Interval, StudyFile, finding
from auditor.model.codes.study import StudyCode
from auditor.study.clocks import likely_step
from auditor.study.copies.samples import same_bytes, same_samples
from auditor.study.placing import SHOWN, about_files, in_order, recorded_ns

_MAX_PAIRS = 2000
"""Pairs that are looked at; where more files overlap, all of them are doubtful."""
_MAX_COMPARED = 300
"""Pairs whose samples are compared."""


class Overlap(Struct, frozen=True):
    """Two files of one copy and the time that both hold."""

    first: StudyFile
    second: StudyFile
    shared: Interval
    shared_ns: int


def overlaps(files: Sequence[StudyFile]) -> Iterator[Overlap]:
    """Every pair of one copy's files that hold the same time."""
    active: list[StudyFile] = []
    for file in in_order(f for f in files if f.interval):
        start = file.start
        active = [f for f in active if f.end > start]
        for other in active:
            both = intervals.intersection(other.held, file.held)
            if len(both[0]):
                shared = Interval(int(both[0][0]), int(both[1][-1]))
                yield Overlap(other, file, shared, intervals.total(both))
        active.append(file)


def overlap_findings(
    copies: Sequence[Sequence[StudyFile]], explained: Callable[[str, str], bool], where: str
) -> Iterator[Finding]:
    """Findings on the overlaps inside each of ``copies``.

    ``explained`` tells of two file names whether another finding explains their overlap.
    """
    recorded = recorded_ns(f for files in copies for f in files)
    for number, files in enumerate(copies):
        same: list[Overlap] = []
        different: list[Overlap] = []
        small: list[Overlap] = []  # start stamps are whole seconds (EDF specification)
        pairs = list(islice(overlaps(files), _MAX_PAIRS))
        for count, overlap in enumerate(pairs):
            if explained(overlap.first.name, overlap.second.name):
                continue
            if overlap.shared_ns <= NS:
                small.append(overlap)
            elif count < _MAX_COMPARED and _same(overlap):
                same.append(overlap)
            else:
                different.append(overlap)
        if same:
            length = hms(sum(o.shared_ns for o in same))
            yield _about("duplicate_export", same, where, length=length)
        if different:
            excess = sum(f.records_ns for f in files) - recorded_ns(files)
            all_seen = len(pairs) < _MAX_PAIRS
            twice = min(sum(o.shared_ns for o in different), excess) if all_seen else excess
            yield _about(
                "overlapping_recordings",
                different,
                where,
                other_recorded_ns=recorded + twice,
                length=hms(twice),
                recorded=hms(recorded),
                with_them=hms(recorded + twice),
                cause=likely_step(different[0].first.end - different[0].second.start),
            )
        if small and number == 0:  # other copies lie where their samples put them
            files_start = quantity(len(small), "file", "starts", "start")
            longest = in_words(max(o.shared_ns for o in small), up=True)
            yield _about("small_overlap", small, where, files=files_start, longest=longest)
        yield from _inside(files, recorded)


def _same(overlap: Overlap) -> bool:
    try:
        alike = same_bytes(overlap.first.recording, overlap.second.recording)
        return alike or same_samples(overlap.first, overlap.second, overlap.shared)
    except OSError:
        return False


def _about(code: StudyCode, found: Sequence[Overlap], where: str, **given: Any) -> Finding:
    """The finding ``code`` about overlaps, at the later file where there is only one."""
    only = found[0].second.name if len(found) == 1 else None
    return finding(
        code,
        only or where,
        file=only,
        span=found[0].shared,
        pairs=quantity(len(found), "pair"),
        names=tuple(f"{o.first.name} and {o.second.name}" for o in found[:SHOWN]),
        **given,
    )


def _inside(files: Sequence[StudyFile], recorded: int) -> Iterator[Finding]:
    twice = [(f, ns) for f in files if (ns := f.records_ns - f.recorded_ns) > NS]
    if twice:
        total = sum(ns for _, ns in twice)
        yield about_files(
            "overlap_inside_file",
            [f for f, _ in twice],
            other_recorded_ns=recorded + total,
            length=hms(total),
            recorded=hms(recorded),
            with_them=hms(recorded + total),
        )
