"""Where the recording ends in the file: whole records, padding, surplus and cut bytes.

The file's size decides; the header's count is compared. Source of the size rule: EDF
specification (header length plus count times record length).
"""

from __future__ import annotations

from dataclasses import dataclass

from auditor.edf.notes import Notes, some
from auditor.edf.source import read_exactly
from auditor.model import ByteSource

_FIRST, _MOST = 1 << 14, 1 << 20
"""Bytes of the first and the largest read; each is eight times the one before."""


@dataclass(frozen=True, slots=True)
class Tail:
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


def measure_tail(
    source: ByteSource,
    *,
    data_offset: int,
    record_bytes: int,
    claimed: int | None,
    whole: int,
    without_time: int | None,
) -> Tail:
    """Which of the ``whole`` records count.

    ``without_time`` is how many of the last records state no onset, or ``None`` where no record of
    the file does (then position alone tells). A blank record counts only where the position alone
    tells and the header claims it. A last record without an onset that is not blank counts only
    where the header claims it.
    """
    left = source.size - data_offset - whole * record_bytes
    within = claimed if claimed is not None and claimed > 0 else 0
    blank = 0
    if without_time is None or without_time:
        blank = blank_records(source, data_offset, record_bytes, whole)
    if without_time is None:
        padding = max(0, min(blank, whole - within))
        return Tail(whole, whole - padding, blank - padding, padding, 0, left)
    padding = min(blank, without_time)
    surplus = max(0, min(without_time - padding, whole - padding - within))
    return Tail(whole, whole - padding - surplus, 0, padding, surplus, left)


def note_tail(
    tail: Tail, claimed: int | None, record_bytes: int, notes: Notes, *, state_starts: bool
) -> None:
    """Report the header's count against the bytes, and everything after the last record."""
    _note_count(tail, claimed, notes, state_starts=state_starts)
    if tail.padding:
        within = claimed is not None and claimed > tail.counted + tail.surplus
        notes.add(
            "padding_at_end",
            "problem" if within else "caution",
            f"{some(tail.padding, 'record')} at the end "
            f"{'holds' if tail.padding == 1 else 'hold'} nothing but zeros or bytes 255, as memory "
            "that was never written. This is not counted as recorded time"
            + (", although the header's count claims it." if within else "."),
            at=f"records {tail.counted + tail.surplus} to {tail.whole - 1}",
            expected="written data records",
            observed=f"{tail.padding * record_bytes} blank bytes",
            action="Copy the file again from the recorder's card."
            if within
            else "Nothing to do where the recorder reserves its files in advance.",
        )
    if tail.surplus:
        notes.add(
            "surplus_records",
            "caution",
            f"{some(tail.surplus, 'record states', 'records state')} no start, after the last one "
            "with time-keeping and beyond the header's record count. This is not counted as "
            "recorded time.",
            at=f"records {tail.counted} to {tail.counted + tail.surplus - 1}",
            expected="data records that state their start",
            observed=f"{tail.surplus * record_bytes} bytes of another kind",
            action="Compare the file's size with the one on the recorder's card.",
        )
    if tail.blank:
        notes.add(
            "blank_records_counted",
            "caution",
            f"{tail.blank} of {some(tail.counted, 'record')}, at the end, "
            f"{'holds' if tail.blank == 1 else 'hold'} one byte value only (0 or 255), as memory "
            "that was never written. The header's count claims this part, "
            f"and it is counted: {some(tail.counted, 'record')} with it, "
            f"{tail.counted - tail.blank} without.",
            at=f"records {tail.counted - tail.blank} to {tail.counted - 1}",
            expected="written data records",
            observed=some(tail.blank, "blank record"),
            action="Look at the end of the signals: if nothing was recorded there, the recording "
            "is shorter by these records.",
        )
    if tail.left_bytes:
        cut = claimed is None or claimed == -1 or claimed > tail.whole
        notes.add(
            "partial_last_record" if cut else "trailing_bytes",
            "caution",
            f"After the last whole record the file holds {some(tail.left_bytes, 'byte')} of a "
            f"further record of {record_bytes}. Less than one record of time is not counted."
            if cut
            else f"{some(tail.left_bytes, 'byte follows', 'bytes follow')} the last whole record; "
            "no time is counted there.",
            at=f"after record {tail.whole - 1}",
            expected="a file that ends with a whole record",
            observed=f"{some(tail.left_bytes, 'byte')} more",
            action="Compare the file's size with the one on the recorder's card: the copy may "
            "have been cut short.",
        )


def _note_count(tail: Tail, claimed: int | None, notes: Notes, *, state_starts: bool) -> None:
    at = "field 'record count' (byte 236)"
    if claimed == -1:
        notes.add(
            "never_closed",
            "caution",
            "The header was never brought up to date: its record count is still -1, as while "
            f"recording. The records were counted from the file's bytes: {tail.counted}.",
            at=at,
            expected=str(tail.counted),
            observed="-1",
            action="Nothing to do for the time; find out why the recorder did not close the file.",
        )
    elif claimed is None or claimed < 0:
        notes.add(
            "record_count_unreadable",
            "caution",
            "The header's record count is no number of records. The records were counted from the "
            f"file's bytes: {tail.counted}.",
            at=at,
            expected=str(tail.counted),
            observed="no number" if claimed is None else str(claimed),
            action="Copy the file again from the recorder's card and compare.",
        )
    elif claimed > tail.whole:
        notes.add(
            "records_missing",
            "problem",
            f"The header claims {some(claimed, 'record')}; the file holds {tail.whole} whole. "
            f"{some(claimed - tail.whole, 'record is', 'records are')} missing from this copy and "
            "not counted.",
            at=at,
            expected=some(claimed, "record"),
            observed=some(tail.whole, "record"),
            action="Copy the file again from the recorder's card: the missing part may still be "
            "there.",
        )
    elif claimed < tail.counted:
        notes.add(
            "more_records_than_claimed",
            "caution" if state_starts else "problem",
            f"The header claims {some(claimed, 'record')}; the file holds {tail.counted}. All "
            "are counted."
            + (
                ""
                if state_starts
                else " Only their place in the file shows that the further ones are records: they "
                "state no start of their own."
            ),
            at=at,
            expected=some(claimed, "record"),
            observed=some(tail.counted, "record"),
            action="Software that trusts the header shows only the first part of this file.",
        )
