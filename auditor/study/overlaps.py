"""Time that one copy holds twice: a duplicated export, or a clock put back.

One device cannot record twice at once, so the time counts once, and the other figure is given.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import islice

from auditor.core import intervals
from auditor.core.durations import hms, in_words
from auditor.core.text import quantity
from auditor.inputs.folder import some_of
from auditor.model import Finding, Interval, StudyFile
from auditor.policy.study import StudySettings
from auditor.study.clocks import likely_step
from auditor.study.comparing import same_samples
from auditor.study.placing import end_of, in_order, recorded_ns, start_of

VOCABULARY = {
    "duplicate_export": "Files of one copy that hold the same samples; the time counts once",
    "overlapping_recordings": "Files of one copy that hold different samples for the same time",
    "overlap_inside_file": "Records of one file that hold the same time twice",
    "small_overlap": "Overlaps no longer than the resolution of the start stamps",
}

_MAX_PAIRS = 2000
"""Pairs that are looked at; where more files overlap, all of them are doubtful."""
_MAX_COMPARED = 300
"""Pairs whose samples are compared."""


@dataclass(frozen=True, slots=True)
class Overlap:
    """Two files of one copy and the time that both hold."""

    first: StudyFile
    second: StudyFile
    shared: Interval
    shared_ns: int


def overlaps(files: Sequence[StudyFile]) -> Iterator[Overlap]:
    """Every pair of one copy's files that hold the same time."""
    active: list[StudyFile] = []
    for file in in_order(f for f in files if f.interval):
        start = start_of(file)
        active = [f for f in active if end_of(f) > start]
        for other in active:
            both = intervals.intersection(_held(other), _held(file))
            if len(both[0]):
                shared = Interval(int(both[0][0]), int(both[1][-1]))
                yield Overlap(other, file, shared, intervals.total(both))
        active.append(file)


def _held(file: StudyFile) -> intervals.Pair:
    return intervals.union(file.run_starts, file.run_ends)


def overlap_findings(
    copies: Sequence[Sequence[StudyFile]],
    explained: Callable[[str, str], bool],
    settings: StudySettings,
    where: str,
) -> list[Finding]:
    """Findings on the overlaps inside each of ``copies``.

    ``explained`` tells of two file names whether another finding explains their overlap.
    """
    recorded = recorded_ns(f for files in copies for f in files)
    findings: list[Finding] = []
    for number, files in enumerate(copies):
        same: list[Overlap] = []
        different: list[Overlap] = []
        small: list[Overlap] = []
        pairs = list(islice(overlaps(files), _MAX_PAIRS))
        for count, overlap in enumerate(pairs):
            if explained(overlap.first.recording.name, overlap.second.recording.name):
                continue
            if overlap.shared_ns <= settings.small_overlap_ns:
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
            twice = min(_total(different), excess) if all_seen else excess
            findings.append(_different(different, twice, recorded, where))
        if small and number == 0:  # other copies lie where their samples put them
            findings.append(_small(small, where))
        findings += _inside(files, recorded, settings)
    return findings


def _same(overlap: Overlap) -> bool:
    a, b = overlap.first.recording, overlap.second.recording
    if a.likeness is not None and a.likeness == b.likeness:
        return True
    try:
        return same_samples(overlap.first, overlap.second, overlap.shared) is True
    except OSError:
        return False


def _pairs_of_files(found: Sequence[Overlap], whose: str = "") -> str:
    """'2 pairs of files hold'."""
    return (
        f"{quantity(len(found), 'pair')} of files{whose} {'holds' if len(found) == 1 else 'hold'}"
    )


def _pairs(found: Sequence[Overlap]) -> str:
    return some_of([f"{o.first.recording.name} and {o.second.recording.name}" for o in found])


def _total(found: Sequence[Overlap]) -> int:
    return sum(o.shared_ns for o in found)


def _duplicates(found: Sequence[Overlap], where: str) -> Finding:
    return Finding(
        "duplicate_export",
        "info",
        found[0].second.recording.name if len(found) == 1 else where,
        f"{_pairs_of_files(found)} the same samples for the same time "
        f"({hms(_total(found))} in all), as when a study is exported twice. The time counts once.",
        observed=_pairs(found),
        file=found[0].second.recording.name if len(found) == 1 else None,
        span=found[0].shared if len(found) == 1 else None,
    )


def _different(found: Sequence[Overlap], twice: int, recorded: int, where: str) -> Finding:
    one = found[0]
    cause = likely_step(end_of(one.first) - start_of(one.second))
    return Finding(
        "overlapping_recordings",
        "problem",
        one.second.recording.name if len(found) == 1 else where,
        f"{_pairs_of_files(found, ' of one recorder')} different samples for the "
        f"same time ({hms(twice)} in all). One recorder cannot record twice at once: the "
        f"clock was put back, or a file does not belong. The time counts once, which "
        f"makes {hms(recorded)} recorded; if the clock was put back, {hms(recorded + twice)} were."
        + (f" {cause}" if cause else ""),
        expected="each file to start when the one before it has ended",
        observed=_pairs(found),
        action="Look at the recordings and the diary to decide which reading is right.",
        file=one.second.recording.name if len(found) == 1 else None,
        span=one.shared,
        other_recorded_ns=recorded + twice,
    )


def _small(found: Sequence[Overlap], where: str) -> Finding:
    longest = max(o.shared_ns for o in found)
    return Finding(
        "small_overlap",
        "info",
        where,
        f"{quantity(len(found), 'file', 'starts', 'start')} up to {in_words(longest, up=True)} "
        "before the one before has ended, which is what start stamps in whole seconds "
        "leave. The time counts once.",
        observed=_pairs(found),
    )


def _inside(
    files: Sequence[StudyFile], recorded: int, settings: StudySettings
) -> Iterator[Finding]:
    for file in files:
        twice = file.records_ns - intervals.total(_held(file))
        if twice > settings.small_overlap_ns:
            name = file.recording.name
            yield Finding(
                "overlap_inside_file",
                "problem",
                name,
                f"Records of this file hold the same time twice ({hms(twice)} in all): their "
                "starts run backwards, as when a clock is put back. The time counts once, which "
                f"makes {hms(recorded)} recorded; if the clock was put back, "
                f"{hms(recorded + twice)} were recorded.",
                expected="each record to start when the one before it has ended",
                observed=f"{hms(twice)} held twice",
                action="Look at the recording and the diary to decide which reading is right.",
                file=name,
                other_recorded_ns=recorded + twice,
            )
