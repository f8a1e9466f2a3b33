"""Where the recording ends in the file: whole records, padding, surplus and cut bytes.

The file's size decides; the header's count is compared. Source of the size rule: EDF
specification (header length plus count times record length).
"""

from __future__ import annotations

from msgspec import Struct

from auditor.core.text import Own, quantity
from auditor.edf.header import Header
from auditor.edf.notes import Notes
from auditor.edf.source import read_exactly
from auditor.model import ByteSource, FindingCode

_FIRST, _MOST = 1 << 14, 1 << 20
"""Bytes of the first and the largest read; each is eight times the one before."""


class Tail(Struct, frozen=True):
    """Whole records, those counted, and what follows them.

    ``blank`` of the counted ones, at the end, hold one byte value only; ``padding`` records do too
    and are not counted; ``surplus`` records are something else; ``left_bytes`` are less than one
    record.
    """

    whole: int
    counted: int
    blank: int
    padding: int
    surplus: int
    left_bytes: int


def blank_records(source: ByteSource, data_offset: int, record_bytes: int, count: int) -> int:
    """How many of the last records hold only bytes 0, or only bytes 255 (unwritten memory).

    Reads backwards and stops at the first other byte. Bytes that cannot be read end the search.
    """
    end = data_offset + count * record_bytes
    last = _bytes_or_nothing(source, end - 1, 1) if count else b""
    if last not in (b"\0", b"\xff"):
        return 0
    at, length = end, _FIRST
    while at > data_offset:
        begin = max(data_offset, at - length)
        length = min(8 * length, _MOST)
        block = _bytes_or_nothing(source, begin, at - begin)
        kept = len(block.rstrip(last)) if len(block) == at - begin else at - begin
        if kept:
            at = begin + kept
            break
        at = begin
    return (end - at) // record_bytes


def _bytes_or_nothing(source: ByteSource, at: int, length: int) -> bytes:
    try:
        return read_exactly(source, at, length)
    except OSError:
        return b""


def measure_tail(source: ByteSource, header: Header, whole: int, without_time: int | None) -> Tail:
    """Which of the ``whole`` records count.

    ``without_time`` is how many of the last records state no onset, or ``None`` where no record of
    the file does (then position alone tells). A blank record counts only where the position alone
    tells and the header claims it. A last record without an onset that is not blank counts only
    where the header claims it.
    """
    left = source.size - header.data_offset - whole * header.record_bytes
    within = max(0, header.claim.record_count or 0)
    blank = 0
    if without_time is None or without_time:
        blank = blank_records(source, header.data_offset, header.record_bytes, whole)
    if without_time is None:
        padding = max(0, min(blank, whole - within))
        return Tail(whole, whole - padding, blank - padding, padding, 0, left)
    padding = min(blank, without_time)
    surplus = max(0, min(without_time - padding, whole - padding - within))
    return Tail(whole, whole - padding - surplus, 0, padding, surplus, left)


def note_tail(tail: Tail, header: Header, notes: Notes, *, state_starts: bool) -> None:
    """Report the header's count against the bytes, and everything after the last record."""
    claimed, record_bytes = header.claim.record_count, header.record_bytes
    _note_count(tail, claimed, notes, state_starts=state_starts)
    if tail.padding:
        within = claimed is not None and claimed > tail.counted + tail.surplus
        notes.add(
            "padding_at_end",
            at=f"records {tail.counted + tail.surplus} to {tail.whole - 1}",
            severity="problem" if within else "caution",
            records=quantity(tail.padding, "record", "holds", "hold"),
            size=tail.padding * record_bytes,
        )
    if tail.surplus:
        notes.add(
            "surplus_records",
            at=f"records {tail.counted} to {tail.counted + tail.surplus - 1}",
            records=quantity(tail.surplus, "record", "states", "state"),
            size=tail.surplus * record_bytes,
        )
    if tail.blank:
        notes.add(
            "blank_records_counted",
            at=f"records {tail.counted - tail.blank} to {tail.counted - 1}",
            blank=quantity(tail.blank, "record", "holds", "hold"),
            records=quantity(tail.counted, "record"),
            first=tail.counted - tail.blank,
        )
    if tail.left_bytes:
        cut = claimed is None or claimed == -1 or claimed > tail.whole
        notes.add(
            "partial_last_record" if cut else "trailing_bytes",
            at=f"after record {tail.whole - 1}",
            rest=quantity(tail.left_bytes, "byte"),
            record_bytes=record_bytes,
        )


def _note_count(tail: Tail, claimed: int | None, notes: Notes, *, state_starts: bool) -> None:
    code: FindingCode
    if claimed == -1:
        code = "never_closed"
    elif claimed is None or claimed < 0:
        code = "record_count_unreadable"
    elif claimed > tail.whole:
        if claimed - tail.whole == 1 and tail.left_bytes:
            return  # cut in its last record, and told as that: no more than that record is lost
        code = "records_missing"
    elif claimed < tail.counted:
        code = "more_records_than_claimed"
    else:
        return
    held = tail.whole if code == "records_missing" else tail.counted
    notes.add(
        code,
        at="field 'record count' (byte 236)",
        severity="problem" if code.startswith("more") and not state_starts else None,
        claimed=Own("no number") if claimed is None else quantity(claimed, "record"),
        held=quantity(held, "record"),
        missing=quantity((claimed or 0) - tail.whole, "record", "is", "are"),
    )
