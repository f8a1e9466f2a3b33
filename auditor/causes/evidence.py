"""What may tell why a recording stopped or has a gap: its files, its annotations, and the plan."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Mapping, Sequence
from functools import cached_property, lru_cache
from typing import Literal, get_args

from msgspec import Struct

from auditor.core.clock import Axis
from auditor.core.text import LOOKED_AT, number_step, printable
from auditor.model import (
    Coverage,
    Gap,
    MissingPiece,
    Order,
    Pieces,
    PlacedAnnotation,
    PowerPlan,
    SignalFacts,
    Study,
    StudyFile,
)
from auditor.model.coverage import StopKind
from auditor.policy.sections import StopSettings

_CANDIDATES = 8

Kind = Literal[
    "power_low",
    "supply_unplugged",
    "power_change",
    "card_full",
    "electrode",
    "patient",
    "technologist",
    "person",
    "clock",
    "fault",
    "orderly_end",
    "restart",
]
KINDS: tuple[Kind, ...] = get_args(Kind)
"""What an annotation tells. It counts for the first kind whose patterns it matches."""


class Piece(Struct, frozen=True):
    """One counted file that holds time, with its place on the axis."""

    file: StudyFile
    start: int
    end: int

    @property
    def name(self) -> str:
        """The file's name, safe to show."""
        return printable(self.file.recording.name)

    @property
    def claimed_missing(self) -> int:
        """Records that the file's header counts and its bytes do not hold; 0 where none."""
        claimed = self.file.recording.header.record_count
        return max(0, claimed - self.file.recording.records) if claimed is not None else 0


class Files:
    """The counted files of a study, looked up by where they start and end."""

    def __init__(self, study: Study) -> None:
        self._study = study
        pieces = [
            Piece(f, f.interval.start, f.interval.end)
            for f in study.counted
            if f.interval is not None
        ]
        self.pieces = sorted(pieces, key=lambda p: (p.start, p.end))
        self._starts = [p.start for p in self.pieces]
        self.ending: dict[int, Piece] = {p.end: p for p in self.pieces}
        self.starting: dict[int, Piece] = {p.start: p for p in self.pieces}
        self._pieces = {p.copy: p for p in study.pieces if p.period_ns}
        self._missing = {(m.start, m.end): m for m in study.missing}

    def last(self) -> Piece:
        """The file that reaches the end of the recording."""
        return max(self.pieces, key=lambda p: (p.end, p.start))

    def around(self, at: int) -> Piece | None:
        """A file that begins before ``at`` and ends after it; a few candidates are looked at."""
        index = bisect_right(self._starts, at)
        for piece in reversed(self.pieces[max(0, index - _CANDIDATES) : index]):
            if piece.start < at < piece.end:
                return piece
        return None

    def schedule(self, piece: Piece) -> Pieces | None:
        """How the recorder of the piece's copy cuts it, where it does so regularly."""
        return self._pieces.get(piece.file.copy or "")

    def missing(self, gap: Gap) -> MissingPiece | None:
        """The file that should lie in ``gap``, if one should."""
        return self._missing.get((gap.start, gap.end))

    def uncounted(self, names: Iterable[str], before: Piece, after: Piece | None) -> str | None:
        """The first of ``names`` whose number lies between two files' (or follows the last's)."""
        first = before.file.recording.name
        top = 2 if after is None else number_step(first, after.file.recording.name)
        found = (n for n in names if 0 < number_step(first, n) < top)
        return next(map(printable, found), None)

    def device_bytes(self, piece: Piece) -> int:
        """Bytes of all recordings that came from the device that wrote ``piece``.

        With one copy that is everything; with several, what lies in that copy's folder.
        """
        study = self._study
        sizes = {f.recording.name: f.recording.size_bytes for f in study.files}
        sizes |= {u.name: u.size_bytes or 0 for u in study.unreadable}
        copy = next((c for c in study.copies if c.name == piece.file.copy), None)
        if copy is None or len(study.copies) == 1:
            return sum(sizes.values())
        names = [n for n in sizes if copy.folder and n.startswith(f"{copy.folder}/")]
        return sum(sizes[name] for name in {*names, *copy.files})


class Words:
    """The annotations that match any of the policy's patterns, in time order."""

    def __init__(
        self, annotations: Sequence[PlacedAnnotation], settings: StopSettings, axis: Axis
    ) -> None:
        self._axis = axis
        self._found: dict[Kind, list[PlacedAnnotation]] = {}
        known: dict[str, Kind | None] = {}
        for annotation in sorted(annotations, key=lambda a: a.at):
            text = annotation.text[:LOOKED_AT]
            if text not in known:
                known[text] = kind_of(text, settings)
            kind = known[text]
            if kind is not None:
                self._found.setdefault(kind, []).append(annotation)
        self._times = {kind: [a.at for a in found] for kind, found in self._found.items()}

    def last(self, kind: Kind, start: int, end: int) -> PlacedAnnotation | None:
        """The last annotation of ``kind`` in ``[start, end]``."""
        times = self._times.get(kind, ())
        index = bisect_right(times, end) - 1
        return self._found[kind][index] if index >= 0 and times[index] >= start else None

    def between(self, start: int, end: int) -> dict[Kind, PlacedAnnotation]:
        """Kind -> its last annotation in ``[start, end]``, in the order of ``KINDS``."""
        found = ((kind, self.last(kind, start, end)) for kind in KINDS if kind in self._found)
        return {kind: annotation for kind, annotation in found if annotation is not None}

    def quoted(self, annotation: PlacedAnnotation) -> str:
        """The annotation as it is told in evidence."""
        text = printable(annotation.text, 120)
        return f"the annotation '{text}' at {self._axis.said(annotation.at)}"


class Known(Struct, frozen=True, dict=True):
    """What is known of the whole study.

    An end within ``tolerance_ns`` of ``planned_end`` is as ordered. ``signal`` may be ``None`` or
    not scanned.
    """

    study: Study
    coverage: Coverage
    annotations: Sequence[PlacedAnnotation]
    order: Order | None
    planned_end: int | None
    plan: PowerPlan | None
    settings: StopSettings
    tolerance_ns: int
    signal: SignalFacts | None

    @cached_property
    def files(self) -> Files:
        """The counted files by where they start and end."""
        return Files(self.study)

    @cached_property
    def words(self) -> Words:
        """The annotations that tell of a stop."""
        return Words(self.annotations, self.settings, self.study.axis)

    @cached_property
    def begun(self) -> int:
        """When power was first drawn: at the hook-up, else at the first record."""
        first, order = self.coverage.first_start, self.order
        if order is None or order.hookup_civil_ns is None:
            return first
        return self.study.axis.instant(order.hookup_civil_ns, near=first)


class Event(Struct, frozen=True, dict=True):
    """One gap, or the end of the recording, with what lies beside it.

    ``gap`` is ``None`` for the end; ``kind`` is how the recording ended, ``None`` for a gap.
    ``before`` is the file that ends there (for the end, the last one), ``after`` the one that
    begins after the gap.
    """

    known: Known
    start: int
    end: int
    gap: Gap | None
    kind: StopKind | None
    before: Piece | None
    after: Piece | None

    @property
    def where(self) -> str:
        """The event in a sentence."""
        return "the end" if self.gap is None else "the interruption"

    @property
    def between(self) -> bool:
        """A gap at which one file ends and the next begins."""
        return self.before is not None and self.after is not None

    @property
    def inside(self) -> Piece | None:
        """The file that goes on after a gap at which none ends or begins."""
        alone = self.before is None and self.after is None
        return self.known.files.around(self.start) if alone else None

    @property
    def length(self) -> int:
        """Nanoseconds between the last record before and the first after; 0 for the end."""
        return self.end - self.start

    @property
    def reached_plan(self) -> bool:
        """The recording ran to its planned end: what else is seen need not explain its end."""
        return self.kind in ("as_ordered", "late")

    @cached_property
    def said(self) -> Mapping[Kind, PlacedAnnotation]:
        """What annotations near the event tell, the last of each kind."""
        near = self.known.settings.annotation_ns
        return self.known.words.between(self.start - near, self.end + near)

    @cached_property
    def warned(self) -> PlacedAnnotation | None:
        """The last warning of low power before an end, or a gap at which a file ended.

        A recorder that keeps its file open over a gap had power.
        """
        if self.before is None:
            return None
        earliest = self.start - self.known.settings.power_warning_ns
        return self.known.words.last("power_low", earliest, self.start)


def kind_of(text: str, settings: StopSettings) -> Kind | None:
    """The kind of an annotation's text, or ``None`` where it tells nothing of a stop."""
    for kind in KINDS:
        pattern = _compiled(getattr(settings.patterns, kind))
        if pattern is not None and pattern.search(text):
            return kind
    return None


@lru_cache(maxsize=64)
def _compiled(patterns: tuple[str, ...]) -> re.Pattern[str] | None:
    if not patterns:
        return None
    return re.compile("|".join(f"(?:{p})" for p in patterns), re.IGNORECASE)
