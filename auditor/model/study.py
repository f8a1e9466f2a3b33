"""A returned study: which files belong to it, and where each lies on the study axis."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import Literal

import numpy as np
from msgspec import Struct
from msgspec.structs import replace

from auditor.core.clock import Axis
from auditor.core.fields import Instant, Named, Ours
from auditor.core.intervals import Instants, Int64, Interval, Pair, total, union
from auditor.model.codes import Finding, SetAsideCode
from auditor.model.recording import Recording, UnreadableFile

Role = Literal["counted", "set_aside", "unreadable"]


class TimeMap(Struct, frozen=True):
    """From nanoseconds after a file's header start to instants on the study axis.

    ``instant = anchor + offset * rate_num / rate_den``, rounded to the nearest nanosecond. The rate
    is 1/1 but for a copy whose clock was measured to run fast or slow against the reference copy.
    """

    anchor: Instant
    rate_num: int = 1
    rate_den: int = 1

    @property
    def rate(self) -> Fraction:
        """Time on the axis for time of the file, exact."""
        return Fraction(self.rate_num, self.rate_den)

    def instant(self, offset_ns: int) -> int:
        """The instant ``offset_ns`` after the header's start."""
        if self.rate_num == self.rate_den:
            return self.anchor + offset_ns
        return self.anchor + (2 * offset_ns * self.rate_num + self.rate_den) // (2 * self.rate_den)

    def instants(self, offsets_ns: Int64) -> Int64:
        """``instant`` for an array of shape (n,); exact, without overflow."""
        if self.rate_num == self.rate_den:
            return offsets_ns + np.int64(self.anchor)
        return np.array([self.instant(int(o)) for o in offsets_ns], dtype=np.int64)


class StudyFile(Struct, frozen=True):
    """One file in its place. ``runs`` are its records' intervals joined where they touch.

    ``run_starts`` and ``run_ends`` have shape (runs,), on the study axis, in file order; empty for
    files that hold no time. ``records_ns`` is the sum of its records' durations on the axis.
    """

    recording: Recording
    role: Role
    reason: str
    copy: Ours | None
    map: TimeMap
    run_starts: Instants
    run_ends: Instants
    records_ns: int
    reason_code: SetAsideCode | None = None
    """Why a file is set aside: a word of the catalogue, with ``reason`` in words."""

    @property
    def name(self) -> str:
        """The recording's name (untrusted)."""
        return self.recording.name

    @property
    def start(self) -> int:
        """First record's start, or the start stamp where the file holds no time."""
        return int(self.run_starts.min()) if len(self.run_starts) else self.map.anchor

    @property
    def end(self) -> int:
        """Last record's end, or the start stamp where the file holds no time."""
        return int(self.run_ends.max()) if len(self.run_ends) else self.map.anchor

    @property
    def held(self) -> Pair:
        """The union of its records' intervals as a plain pair."""
        return union(self.run_starts, self.run_ends)

    @property
    def recorded_ns(self) -> int:
        """Length of the union of its records' intervals, in nanoseconds."""
        return total(self.held)

    @property
    def interval(self) -> Interval | None:
        """Earliest start to latest end of its records, or ``None`` where it holds no time."""
        return Interval(self.start, self.end) if len(self.run_starts) else None

    @property
    def dated(self) -> Interval | None:
        """``interval`` where the file states a usable start date."""
        return self.interval if self.recording.start_known else None


class StudyCopy(Struct, frozen=True):
    """One recording device's output. ``name`` is a letter ('A', 'B', …); ``folder`` untrusted.

    ``clock_offset_ns`` is this copy's clock minus the reference copy's at the start, and
    ``drift_ppb`` how much faster it runs (parts per 10^9); both 0 for the reference copy, ``None``
    where nothing was measured. ``method`` says how they were matched.
    """

    name: Ours
    folder: Named
    reference: bool
    files: tuple[Named, ...]
    clock_offset_ns: int | None = None
    drift_ppb: int | None = None
    method: Ours = ""


class MissingPiece(Interval, frozen=True):
    """Where a file of one copy should lie between two of its files, by their rhythm or numbers.

    It is the hole between the files that ``before`` and ``after`` name (untrusted); ``files`` is
    how many would fill it. ``schedule`` and ``numbers`` say what shows it. ``unreadable`` or
    ``set_aside`` names a file that is there, lies in the hole by its number, and is not counted;
    then none needs to be looked for on the card.
    """

    copy: Ours
    before: Named
    after: Named
    files: int
    schedule: bool
    numbers: bool
    unreadable: Named = ""
    set_aside: Named = ""


class Pieces(Struct, frozen=True):
    """How the recorder of one copy cuts its recording into files.

    ``period_ns`` is the time from the start of one file to the start of the next and ``length_ns``
    what a file usually holds; both 0 where the files follow no schedule. ``regular`` lists the
    names of those files that began on schedule after the one before.
    """

    copy: Ours
    files: int
    period_ns: int
    length_ns: int
    regular: tuple[Named, ...] = ()
    missing: tuple[MissingPiece, ...] = ()


class Study(Struct, frozen=True):
    """The returned study: files in their places on the axis, copies, and what was found."""

    name: str
    root: Path
    axis: Axis
    files: tuple[StudyFile, ...]
    unreadable: tuple[UnreadableFile, ...]
    copies: tuple[StudyCopy, ...]
    other_files: tuple[Named, ...] = ()
    findings: tuple[Finding, ...] = ()
    pieces: tuple[Pieces, ...] = ()
    """One for each copy with counted files."""
    hookup: Instant | None = None
    """The order's hook-up on the study axis; an hour that exists twice is read once, here."""

    @property
    def counted(self) -> tuple[StudyFile, ...]:
        """Files whose time counts, in time order."""
        return tuple(f for f in self.files if f.role == "counted")

    @property
    def set_aside(self) -> tuple[StudyFile, ...]:
        """Readable recordings that do not belong to this study."""
        return tuple(f for f in self.files if f.role == "set_aside")

    @property
    def missing(self) -> tuple[MissingPiece, ...]:
        """Every place of every copy where a file should lie."""
        return tuple(m for p in self.pieces for m in p.missing)

    @property
    def start_known(self) -> bool:
        """Whether any counted file says when it began; if none does, only lengths are facts."""
        return not self.counted or any(f.recording.start_known for f in self.counted)

    @property
    def file_findings(self) -> tuple[Finding, ...]:
        """What was found in single files. What is odd inside a file that is not counted puts no
        number of this study in doubt."""
        counted = (f for file in self.counted for f in file.recording.findings)
        aside = (
            replace(f, severity="info", question=None)
            for file in self.set_aside
            for f in file.recording.findings
            if f.severity != "info"
        )
        return (*counted, *aside, *(u.finding for u in self.unreadable))

    @property
    def patient_code(self) -> str | None:
        """The patient code that all counted files with one carry; untrusted."""
        codes = {f.recording.header.patient_field.code for f in self.counted} - {None}
        return codes.pop() if len(codes) == 1 else None

    @property
    def recorder(self) -> str | None:
        """The equipment that the counted files' headers name; untrusted."""
        units = {f.recording.header.recording_field.equipment for f in self.counted}
        return ", ".join(sorted(u for u in units if u)) or None
