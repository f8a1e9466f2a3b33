"""Where two copies are compared, and the anchors that come of it."""

from __future__ import annotations

from collections.abc import Sequence
from fractions import Fraction

import numpy as np

from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import Int64, StudyFile
from auditor.study.copies.samples import (
    Anchor,
    Reference,
    Window,
    same_bytes,
    signal_channels,
    spread,
    window_at,
    window_length,
)

POINTS = 8
"""Places at which a file is compared: its ends and some between, which show whether its clock ran
evenly (our choice)."""
REACHES = (MINUTE, 125 * MINUTE, 28 * HOUR)
"""How far apart two copies' clocks are looked for, step by step: seconds off, the wrong zone or
summer time, the wrong day (our choice)."""
MOST_DRIFT = Fraction(1, 2000)
"""No crystal is off by more than this (500 ppm; common practice, no source)."""
_MAX_RUNS = 64
"""Files in more runs than this are compared at places spread over them, not in each run."""
_MAX_PIECES = 400
"""Places compared in a copy of many files, over all of them."""
_WIDE = 12
"""Searches far from where the clock's known offset says, before that is given up."""
_FAR = 3 * HOUR
_FAR_PLACES = 4
"""Places looked for farther away than ``_FAR``: each such search may read a whole channel."""
Place = tuple[int, int]
"""Index of a file, record in it."""


def first_anchor(
    own: Sequence[StudyFile], reference: Reference, reaches: Sequence[int]
) -> tuple[int, Anchor] | None:
    """The first place that both hold: (index into ``own``, anchor).

    ``own`` are files placed by their own stamps. Windows of each are looked for in the other, for
    the one may hold only a small part of the other's time. Each of ``reaches`` is tried for a few
    places before the next. Raises ``OSError`` where a file cannot be read.
    """
    backward = Reference(own)
    sides = [
        (files, target, _windows(files, _places(files, target), target.keys()))
        for files, target in ((own, reference), (reference.files, backward))
    ]
    for reach in reaches:
        for files, target, windows in sides:
            for index, window in windows[: None if reach <= _FAR else _FAR_PLACES]:
                file = files[index]
                at = file.map.instant(int(file.recording.offsets_ns[window.record]))
                anchor = target.find(window, file.recording, at, reach)
                if anchor is not None:
                    return (index, anchor) if files is own else _turned(anchor, file, own)
    return None


def twin_anchors(own: Sequence[StudyFile], reference: Reference) -> dict[int, list[Anchor]]:
    """Anchors of files of ``own`` that are byte for byte one of the reference's, by index.

    They are the same whatever their signals show.
    """
    found = {}
    for index, file in enumerate(own):
        rec = file.recording
        alike = (f for f in reference.files if f.recording.size_bytes == rec.size_bytes)
        twin = next((f for f in alike if same_bytes(rec, f.recording)), None)
        if twin is not None:
            offsets = sorted({int(rec.offsets_ns[0]), int(rec.offsets_ns[-1])})
            found[index] = [
                Anchor(o, twin.map.instant(o), twin.map.rate, max(rec.record_ns, 1))
                for o in offsets
            ]
    return found


def _windows(
    files: Sequence[StudyFile], places: Sequence[Place], keys: set[str]
) -> list[tuple[int, Window]]:
    found = ((i, window_at(files[i].recording, keys, record)) for i, record in places)
    return [(i, window) for i, window in found if window is not None]


def _turned(
    anchor: Anchor, found: StudyFile, own: Sequence[StudyFile]
) -> tuple[int, Anchor] | None:
    """An anchor of a reference's file in the own files as the own file's in the reference."""
    for index, file in enumerate(own):
        offset = anchor.instant - file.map.anchor
        starts = file.recording.offsets_ns
        if bool(((starts <= offset) & (offset < starts + file.recording.record_ns)).any()):
            period = round(anchor.sample_ns / anchor.ratio)
            turned = Anchor(offset, found.map.instant(anchor.offset_ns), 1 / anchor.ratio, period)
            return index, turned
    return None


def _places(own: Sequence[StudyFile], reference: Reference) -> list[Place]:
    """Where to look first: in the time that both hold by their stamps, and in all of it, in turn.

    In each the middle comes first, then the ends, so that the first few are already far apart.
    """
    shared = [
        (i, record) for i, file in enumerate(own) for record in _shared(file, reference, 0, 5)
    ]
    counts = np.cumsum([f.recording.records for f in own])
    chosen: list[Place] = []
    for eighths in (4, 7, 1, 2, 6, 5):
        if shared:
            chosen.append(shared[(len(shared) - 1) * (eighths - 1) // 6])
        at = int(counts[-1]) * eighths // 8
        index = int(np.searchsorted(counts, at, side="right"))
        chosen.append((index, at - int(counts[index - 1] if index else 0)))
    return list(dict.fromkeys(chosen))


def _shared(file: StudyFile, reference: Reference, delta: int, count: int) -> list[int]:
    """``count`` records of ``file``, spread over those whose time the reference holds."""
    at: Int64 = file.map.instants(file.recording.offsets_ns) - np.int64(delta)
    inside = np.flatnonzero(reference.holds(at))
    if not len(inside):
        return []
    return [int(inside[i]) for i in spread(0, len(inside) - 1, count)]


def anchors(
    own: Sequence[StudyFile], reference: Reference, known: dict[int, list[Anchor]]
) -> dict[int, list[Anchor]]:
    """Anchors of every file of ``own`` where the reference holds the same time, by file index.

    ``known`` holds the first of them. Files are walked outwards from there, so that each search
    starts from the clock's offset at the nearest known place. Raises ``OSError`` where a file
    cannot be read.
    """
    keys = reference.keys()
    start = min(known)
    found = {index: list(hits) for index, hits in known.items()}
    each = max(3, min(POINTS, _MAX_PIECES // max(1, len(own))))
    wide_left = _WIDE
    for direction in (range(start, len(own)), range(start - 1, -1, -1)):
        delta, when = _offset_at(own[start], known[start][0])
        for index in direction:
            file, rec = own[index], own[index].recording
            hits: list[Anchor] = list(found.get(index, []))
            for record in _targets(file, reference, delta, each):
                window = window_at(rec, keys, record)
                if window is None:
                    continue
                guess = file.map.instant(int(rec.offsets_ns[window.record])) - delta
                near = 2 * NS + int(abs(guess - when) * MOST_DRIFT)
                for reach in (near, *(r for r in REACHES[:2] if r > near)):
                    if reach > near and wide_left <= 0:
                        break
                    wide_left -= reach > near
                    anchor = reference.find(window, rec, guess, reach)
                    if anchor is not None:
                        hits.append(anchor)
                        delta, when = _offset_at(file, anchor)
                        break
            if hits:
                unique = {a.offset_ns: a for a in hits}
                found[index] = [unique[k] for k in sorted(unique)]
    return found


def _targets(file: StudyFile, reference: Reference, delta: int, each: int) -> list[int]:
    """Records at which to compare, of those that the reference holds.

    They are spread over the file, and lie at the ends of each of its runs.
    """
    rec = file.recording
    tail = max(
        (-(-window_length(rec, c) // c.samples_per_record) for c in signal_channels(rec).values()),
        default=1,
    )
    found = set(spread(0, max(0, rec.records - 1 - tail), each))
    breaks = np.flatnonzero(np.diff(rec.offsets_ns) != rec.record_ns) + 1
    if len(breaks) < _MAX_RUNS:
        firsts = [0, *breaks.tolist()]
        lasts = [*breaks.tolist(), rec.records]
        for first, last in zip(firsts, lasts, strict=True):
            found |= {first, max(first, last - 1 - tail)}
    records = np.array(sorted(found), dtype=np.int64)
    at: Int64 = file.map.instants(rec.offsets_ns[records]) - np.int64(delta)
    found = set(records[reference.holds(at)].tolist())
    shared = _shared(file, reference, delta, each)
    found.update(max(0, r - tail) for r in shared)
    return sorted(found)


def _offset_at(file: StudyFile, anchor: Anchor) -> tuple[int, int]:
    """(clock offset, instant): the file's own stamp less the axis at the anchor."""
    return file.map.instant(anchor.offset_ns) - anchor.instant, anchor.instant
