"""Time that one copy holds twice: a duplicated export, or a clock put back.

One device cannot record twice at once, so the time counts once, and the other figure is given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from itertools import islice

from msgspec import Struct

from auditor.core import intervals
from auditor.core.durations import hms, in_words
from auditor.core.text import Own, quantity
from auditor.core.units import NS
from auditor.model import Finding, Interval, StudyFile, finding
from auditor.study.clocks import likely_step
from auditor.study.copies.samples import same_bytes, same_samples
from auditor.study.placing import SHOWN, in_order, recorded_ns

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
            both = intervals.intersection(_held(other), _held(file))
            if len(both[0]):
                shared = Interval(int(both[0][0]), int(both[1][-1]))
                yield Overlap(other, file, shared, intervals.total(both))
        active.append(file)


def _held(file: StudyFile) -> intervals.Pair:
    return intervals.union(file.run_starts, file.run_ends)


def overlap_findings(
    copies: Sequence[Sequence[StudyFile]], explained: Callable[[str, str], bool], where: str
) -> list[Finding]:
    """Findings on the overlaps inside each of ``copies``.

    ``explained`` tells of two file names whether another finding explains their overlap.
    """
    recorded = recorded_ns(f for files in copies for f in files)
    findings: list[Finding] = []
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
            findings.append(_duplicates(same, where))
        if different:
            excess = sum(f.records_ns for f in files) - recorded_ns(files)
            all_seen = len(pairs) < _MAX_PAIRS
            twice = min(sum(o.shared_ns for o in different), excess) if all_seen else excess
            findings.append(_different(different, twice, recorded, where))
        if small and number == 0:  # other copies lie where their samples put them
            findings.append(_small(small, where))
        findings += _inside(files, recorded)
    return findings


def _same(overlap: Overlap) -> bool:
    try:
        if same_bytes(overlap.first.recording, overlap.second.recording):
            return True
        return same_samples(overlap.first, overlap.second, overlap.shared) is True
    except OSError:
        return False


def _holding(found: Sequence[Overlap]) -> Own:
    """'2 pairs of files hold'."""
    verb = "holds" if len(found) == 1 else "hold"
    return Own(f"{quantity(len(found), 'pair')} of files {verb}")


def _names(found: Sequence[Overlap]) -> tuple[str, ...]:
    return tuple(f"{o.first.name} and {o.second.name}" for o in found[:SHOWN])


def _duplicates(found: Sequence[Overlap], where: str) -> Finding:
    only = found[0] if len(found) == 1 else None
    return finding(
        "duplicate_export",
        only.second.name if only else where,
        file=only.second.name if only else None,
        span=only.shared if only else None,
        length=hms(sum(o.shared_ns for o in found)),
        pairs=_holding(found),
        names=_names(found),
    )


def _different(found: Sequence[Overlap], twice: int, recorded: int, where: str) -> Finding:
    one = found[0]
    name = one.second.name
    cause = likely_step(one.first.end - one.second.start)
    return finding(
        "overlapping_recordings",
        name if len(found) == 1 else where,
        file=name if len(found) == 1 else None,
        span=one.shared,
        other_recorded_ns=recorded + twice,
        length=hms(twice),
        recorded=hms(recorded),
        with_them=hms(recorded + twice),
        cause=Own(f" {cause}" if cause else ""),
        pairs=_holding(found),
        names=_names(found),
    )


def _small(found: Sequence[Overlap], where: str) -> Finding:
    return finding(
        "small_overlap",
        where,
        files=quantity(len(found), "file", "starts", "start"),
        longest=in_words(max(o.shared_ns for o in found), up=True),
        names=_names(found),
    )


def _inside(files: Sequence[StudyFile], recorded: int) -> Iterator[Finding]:
    held = [(f, f.records_ns - intervals.total(_held(f))) for f in files]
    twice = [(f, ns) for f, ns in held if ns > NS]
    if twice:
        total = sum(ns for _, ns in twice)
        found = [f.name for f, _ in twice]
        yield finding(
            "overlap_inside_file",
            ", ".join(found[:SHOWN]),
            file=found[0] if len(found) == 1 else None,
            other_recorded_ns=recorded + total,
            files=quantity(len(found), "file"),
            names=tuple(found[:SHOWN]),
            length=hms(total),
            recorded=hms(recorded),
            with_them=hms(recorded + total),
        )
