"""What was recorded, what is missing, and how that compares with the order."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from auditor.core.fields import Instant, Ours
from auditor.core.intervals import Instants, Int64, Interval, Times
from auditor.model.codes.causes import CauseCode, Rank


class Track(Struct, frozen=True):
    """One counted file's runs on the study axis, input of the coverage arithmetic.

    ``starts`` and ``ends`` have shape (runs,), any order, ``starts <= ends``; ``records_ns`` is the
    sum of the durations of all its data records.
    """

    copy: str
    starts: Int64
    ends: Int64
    records_ns: int


class Segment(Interval, frozen=True):
    """A stretch between gaps (dropouts may lie inside). ``recorded_ns`` leaves the dropouts out."""

    recorded_ns: int
    copies: tuple[Ours, ...]


class Gap(Interval, frozen=True):
    """A hole of at least the gap floor inside the span. Why it is there: ``Audit.gap_causes``."""


class CopyCoverage(Struct, frozen=True):
    """What one copy holds. ``only_here_ns`` is time that no other copy holds."""

    name: Ours
    first_start: Instant
    last_end: Instant
    recorded_ns: int
    only_here_ns: int
    held: Times
    """Its recorded stretches joined over dropouts (holes below the gap floor), a plain pair."""
    gaps: tuple[Gap, ...]
    """Holes of at least the gap floor inside this copy's own span."""
    filled: tuple[Interval, ...]
    """Parts of the gaps of other copies that this copy holds."""


class Coverage(Struct, frozen=True):
    """The union of all counted records. ``recorded + gaps + dropouts = span`` to the nanosecond.

    ``union_starts`` and ``union_ends`` have shape (n,), sorted, disjoint, never touching.
    ``overlap_ns`` is the sum of record durations less ``recorded_ns``.
    """

    first_start: Instant
    last_end: Instant
    recorded_ns: int
    longest_run_ns: int
    overlap_ns: int
    dropouts_count: int
    dropouts_ns: int
    gaps_ns: int
    segments: tuple[Segment, ...]
    gaps: tuple[Gap, ...]
    copies: tuple[CopyCoverage, ...]
    union_starts: Instants
    union_ends: Instants

    @property
    def span_ns(self) -> int:
        """First record's start to last record's end, in nanoseconds."""
        return self.last_end - self.first_start

    @property
    def span(self) -> Interval:
        """The span as an interval."""
        return Interval(self.first_start, self.last_end)


class Shortfall(Struct, frozen=True):
    """The ordered window, split so that the parts sum exactly.

    ``late_start + gaps + dropouts + early_stop = ordered - recorded_inside`` (nanoseconds).
    """

    window: Interval
    ordered_ns: int
    recorded_inside_ns: int
    late_start_ns: int
    gaps_ns: int
    dropouts_ns: int
    early_stop_ns: int
    outside_window_ns: int
    short_ns: int


StopKind = Literal["as_ordered", "early", "late", "so_far", "unknown"]


class Cause(Struct, frozen=True):
    """Why the recording stopped or has a gap, as far as the files tell. A judgement, no fact.

    ``rank`` is how strongly it is shown, and so the confidence; ``None`` where nothing speaks.
    ``evidence`` holds what decided, then what else was looked at; ``supporting`` what is of a lower
    rank and fits too; ``against`` what does not fit. ``also`` names other causes shown at the same
    rank; their sentences stand in ``evidence``.
    """

    likely_cause: CauseCode = "not_known"
    rank: Rank | None = None
    evidence: tuple[str, ...] = ()
    supporting: tuple[str, ...] = ()
    against: tuple[str, ...] = ()
    also: tuple[CauseCode, ...] = ()
    also_evidence: tuple[str, ...] = ()
    """The first sentence of each of ``also``, in their order."""

    def shows(self, code: CauseCode) -> str:
        """What a witness or a pattern shows of ``code``; '' where it is none of the causes."""
        if self.rank in (None, "coincidence") or not self.evidence:
            return ""
        told = dict(zip((self.likely_cause, *self.also), (*self.evidence[:1], *self.also_evidence),
                        strict=True))  # fmt: skip
        return told.get(code, "")


class Stop(Struct, frozen=True):
    """How the recording ended against its planned end, and why."""

    kind: StopKind
    cause: Cause = Cause()
