"""What the files themselves tell of a stop or a gap: sizes, closing, numbers, regular starts."""

from __future__ import annotations

import re
from bisect import bisect_right
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from itertools import pairwise
from pathlib import PurePath

from auditor.core.text import printable
from auditor.model import Study, StudyFile
from auditor.policy.stop import FileLimit, StopSettings

_FEWEST_PIECES = 3


@dataclass(frozen=True, slots=True)
class Piece:
    """One counted file that holds time, with its place on the axis."""

    file: StudyFile
    start: int
    end: int

    @property
    def name(self) -> str:
        """The file's name, safe to show."""
        return printable(self.file.recording.name)


@dataclass(frozen=True, slots=True)
class Schedule:
    """Files of one copy that start every ``period_ns``; ``length_ns`` is what one usually holds."""

    period_ns: int
    length_ns: int
    files: int


class Files:
    """The counted files of a study, looked up by where they start and end."""

    def __init__(self, study: Study, settings: StopSettings) -> None:
        self.tolerance_ns = settings.piece_ns
        """How far a start or length may lie from its schedule."""
        pieces = [
            Piece(f, f.interval.start, f.interval.end)
            for f in study.counted
            if f.interval is not None
        ]
        self.pieces = sorted(pieces, key=lambda p: (p.start, p.end))
        self._starts = [p.start for p in self.pieces]
        self.ending: dict[int, Piece] = {p.end: p for p in self.pieces}
        self.starting: dict[int, Piece] = {p.start: p for p in self.pieces}
        by_copy: dict[str | None, list[Piece]] = {}
        for piece in self.pieces:
            by_copy.setdefault(piece.file.copy, []).append(piece)
        self._schedules = {c: _schedule(own, settings.piece_ns) for c, own in by_copy.items()}
        self._unreadable = [u.name for u in study.unreadable]
        self._aside = [f.recording.name for f in study.set_aside]

    def last(self) -> Piece:
        """The file that reaches the end of the recording."""
        return max(self.pieces, key=lambda p: (p.end, p.start))

    def around(self, at: int) -> Piece | None:
        """A file that begins before ``at`` and ends after it; a few candidates are looked at."""
        index = bisect_right(self._starts, at)
        for piece in reversed(self.pieces[max(0, index - 8) : index]):
            if piece.start < at < piece.end:
                return piece
        return None

    def schedule(self, piece: Piece) -> Schedule | None:
        """The schedule of the piece's copy, where its files start regularly."""
        return self._schedules.get(piece.file.copy)

    def unreadable_between(self, before: Piece, after: Piece | None) -> str | None:
        """An unreadable file whose number lies between two files' (or follows the last one's)."""
        return _numbered_between(self._unreadable, before, after)

    def aside_between(self, before: Piece, after: Piece | None) -> str | None:
        """The same for files that were set aside."""
        return _numbered_between(self._aside, before, after)


def size_limit(piece: Piece, settings: StopSettings) -> FileLimit | None:
    """The limit under which a file has no room for a further record, if any."""
    recording = piece.file.recording
    for limit in settings.file_limits:
        room = limit.bytes - recording.size_bytes
        if 0 <= room < recording.record_bytes + settings.file_slack_bytes:
            return limit
    return None


def filled_card(total_bytes: int, settings: StopSettings) -> int | None:
    """The card's size in bytes that ``total_bytes`` would have filled, if any."""
    for card in settings.card_bytes:
        if (
            card * (1_000_000 - settings.card_slack_ppm)
            <= total_bytes * 1_000_000
            <= card * 1_000_000
        ):
            return card
    return None


def device_bytes(study: Study, piece: Piece) -> int:
    """Bytes of all recordings that came from the device that wrote ``piece``.

    With one copy that is everything; with several, what lies in that copy's folder.
    """
    sizes = {f.recording.name: f.recording.size_bytes for f in study.files}
    sizes |= {u.name: u.size_bytes or 0 for u in study.unreadable}
    if len(study.copies) <= 1:
        return sum(sizes.values())
    copy = next((c for c in study.copies if c.name == piece.file.copy), None)
    folder = "" if copy is None or not copy.folder else copy.folder.rstrip("/") + "/"
    mine = set(copy.files) if copy is not None else {piece.file.recording.name}
    return sum(b for n, b in sizes.items() if n in mine or (folder and n.startswith(folder)))


def claimed_missing(piece: Piece) -> int:
    """Records that the file's header counts and its bytes do not hold; 0 where none."""
    recording = piece.file.recording
    claimed = recording.header.record_count
    return max(0, claimed - recording.records) if claimed is not None else 0


def records(count: int) -> str:
    """A count of data records in words."""
    return f"{count} record{'' if count == 1 else 's'}"


def numbered(name: str) -> tuple[str, int, str] | None:
    """A file name's last number, with what stands before and after it; ``None`` without one."""
    path = PurePath(name)
    match = re.search(r"(\d{1,9})(\D*)$", path.stem)
    if match is None:
        return None
    before = str(path.parent / path.stem[: match.start()])
    return before, int(match.group(1)), match.group(2)


def numbers_skipped(before: Piece, after: Piece) -> int:
    """How many numbers the names of two files skip; 0 where they follow or are not alike."""
    first, second = numbered(before.file.recording.name), numbered(after.file.recording.name)
    if first is None or second is None or (first[0], first[2]) != (second[0], second[2]):
        return 0
    skipped = second[1] - first[1] - 1
    # A number that jumps far is a time or a date, not a count of files.
    return skipped if 0 < skipped < 100 else 0


def _numbered_between(names: Iterable[str], before: Piece, after: Piece | None) -> str | None:
    first = numbered(before.file.recording.name)
    if first is None:
        return None
    second = None if after is None else numbered(after.file.recording.name)
    if after is not None and (second is None or (first[0], first[2]) != (second[0], second[2])):
        return None
    top = first[1] + 2 if second is None else second[1]
    for name in names:
        found = numbered(name)
        if found and (found[0], found[2]) == (first[0], first[2]) and first[1] < found[1] < top:
            return printable(name)
    return None


def _schedule(pieces: Sequence[Piece], tolerance: int) -> Schedule | None:
    """Three of four starts lie a whole number of periods apart: of those, most lie one apart.

    The period is the middle one of all steps, so no step below it is a multiple of it.
    """
    if len(pieces) < _FEWEST_PIECES:
        return None
    steps = sorted(b.start - a.start for a, b in pairwise(pieces))
    period = steps[len(steps) // 2]
    if period <= 10 * tolerance:
        return None
    regular = sum(s >= period - tolerance and _off(s, period) <= tolerance for s in steps)
    if 4 * regular < 3 * len(steps):
        return None
    lengths = sorted(p.end - p.start for p in pieces)
    return Schedule(period, lengths[len(lengths) // 2], len(pieces))


def _off(step: int, period: int) -> int:
    return min(step % period, -step % period)
