"""One file to one ``Recording``: the composition of this room, and when the recording started.

Sources of the start stamp: EDF specification (fields); EDF+ additional specifications 2 (years),
4 (recording field) and 8 (local time).
"""

from __future__ import annotations

import re
from collections.abc import Callable
from contextlib import suppress
from datetime import date, datetime, time
from pathlib import Path
from typing import TypeVar

import numpy as np

from auditor.core.clock import FIRST_START, STUDY_YEARS, civil_ns, full_year
from auditor.core.errors import RecordingError
from auditor.core.text import Own
from auditor.core.units import NS
from auditor.edf.header import MAIN, Header, read_header, subfield_date
from auditor.edf.notes import Notes
from auditor.edf.records import UNKNOWN, Scan, note_elsewhere, note_scan, scan_records
from auditor.edf.source import LocalFile
from auditor.edf.tail import Tail, measure_tail, note_tail
from auditor.edf.timing import Timeline, by_position, check_order, settle, settle_duration
from auditor.model import (
    ByteSource,
    FindingCode,
    HeaderClaim,
    Int64,
    Recording,
    UnknownStart,
)

RECOMMENDED_RECORD_BYTES = 61_440
"""Source: EDF specification, on the size of a data record."""
MAX_RECORDS = 20_000_000
"""Records of one file that are read: 23 days of tenths of a second; bounds the memory."""
MAX_JUMPS = 300_000
"""Jumps of a second or more that are read in one file: each costs memory in every table. 72 hours
of 1 s records of which every other one is missing have 130,000."""
_PARTS = re.compile(r"(\d{1,2})([.:/-])(\d{1,2})\2(\d{1,2})")
_YEAR_ELSEWHERE = re.compile(r"\d{1,2}([.:/-])\d{1,2}\1yy")
"""Past 2084 the date stands in the recording field alone."""
_T = TypeVar("_T")


def read_recording(path: Path, name: str, source: ByteSource | None = None) -> Recording:
    """Read one recording: header, every record's start, all annotations; never the signals.

    ``name`` is the path relative to the study's folder. ``source`` stands in for the file's bytes
    (a remote range reader); without it ``path`` is opened read-only.

    Raises ``RecordingError`` where the file is no readable recording.
    """
    notes = Notes(name)
    if source is not None:
        return _read(path, source, notes)
    with LocalFile(path, name) as file:
        return _read(path, file, notes)


def _read(path: Path, source: ByteSource, notes: Notes) -> Recording:
    try:
        header = read_header(source, notes)
    except OSError as error:
        raise RecordingError(
            notes.name,
            f"its header cannot be read ({error.strerror or type(error).__name__})",
            code="cannot_be_read",
        ) from error
    claim = header.claim
    whole = _whole_records(header, source.size, notes)
    start = start_civil_ns(claim, notes)
    scan = scan_records(source, header, whole)
    record_ns = settle_duration(header, scan.onsets_ns, notes)
    stated = np.flatnonzero(scan.onsets_ns != UNKNOWN)
    has_times = len(stated) > 0
    tail = measure_tail(source, header, whole, whole - 1 - int(stated[-1]) if has_times else None)
    if not tail.counted:
        raise _nothing(notes, f"its {whole} data records hold only zeros or only bytes 255")
    note_tail(tail, header, notes, state_starts=has_times)
    offsets, unknown = _timeline(header, scan, tail, record_ns, notes, has_times=has_times)
    note_scan(source, header, scan, tail.counted, notes)
    annotations = tuple(a for a in scan.annotations if a.record < tail.counted)
    note_elsewhere(annotations, offsets, record_ns, notes)
    return Recording(
        name=notes.name,
        path=path,
        size_bytes=source.size,
        format=header.format,
        header=claim,
        start_civil_ns=FIRST_START if start is None else start,
        start_known=start is not None,
        record_ns=record_ns,
        offsets_ns=offsets,
        data_offset=header.data_offset,
        record_bytes=header.record_bytes,
        sample_bytes=header.sample_bytes,
        closed=claim.record_count != -1,
        channels=header.channels,
        annotations=annotations,
        annotations_total=scan.total - (len(scan.annotations) - len(annotations)),
        unknown_starts=unknown,
        findings=notes.findings(),
        state=source.opened if isinstance(source, LocalFile) else None,
    )


def _whole_records(header: Header, size: int, notes: Notes) -> int:
    if not header.record_bytes:
        raise _nothing(notes, "its header gives no signal any samples")
    left = size - header.data_offset
    if left < header.record_bytes:
        raise _nothing(
            notes,
            f"one data record takes {header.record_bytes} bytes by its header, and {max(0, left)} "
            f"bytes follow the header (from byte {header.data_offset} on)",
        )
    if header.record_bytes > RECOMMENDED_RECORD_BYTES:
        notes.add(
            "record_large",
            at="header",
            record_bytes=header.record_bytes,
            RECOMMENDED_RECORD_BYTES=RECOMMENDED_RECORD_BYTES,
        )
    whole = left // header.record_bytes
    if whole > MAX_RECORDS:
        raise RecordingError(
            notes.name,
            f"would hold {whole} data records of {header.record_bytes} bytes; no more than "
            f"{MAX_RECORDS} are read",
            "Check the samples per record in the header (EDF field 'samples per record').",
            code="too_many_records",
        )
    return whole


def _nothing(notes: Notes, why: str) -> RecordingError:
    return RecordingError(notes.name, f"holds no recorded data: {why}", code="nothing_recorded")


def _limit_jumps(offsets_ns: Int64, record_ns: int, notes: Notes) -> None:
    jumps = int((np.abs(np.diff(offsets_ns) - record_ns) >= NS).sum())
    if record_ns and jumps > MAX_JUMPS:
        raise RecordingError(
            notes.name,
            f"has {jumps} places at which its records' own starts jump; no more than {MAX_JUMPS} "
            "are read",
            code="too_many_jumps",
        )


def _timeline(
    header: Header, scan: Scan, tail: Tail, record_ns: int, notes: Notes, *, has_times: bool
) -> Timeline:
    """Starts by the records' own word where they have one, else by position."""
    plus = "+" in header.format
    continuous = not header.format.endswith("D")
    if has_times:
        if not plus:
            notes.add(
                "plain_file_with_times", at="field 'reserved' (byte 192)", format=header.format
            )
        offsets, unknown = settle(
            scan.onsets_ns[: tail.counted], record_ns, notes, continuous=continuous
        )
        _limit_jumps(offsets, record_ns, notes)
        check_order(
            offsets,
            record_ns,
            continuous=continuous,
            rounding_ns=header.rounding_ns,
            notes=notes,
        )
        return offsets, unknown
    offsets = by_position(tail.counted, record_ns)
    if not plus or not record_ns:
        return offsets, ()
    notes.add(
        "time_keeping_absent",
        at="annotation signals",
        severity="caution" if continuous and not header.annotation_channels else "problem",
        format=Own(header.format),
    )
    if continuous or tail.counted < 2:
        return offsets, ()
    return offsets, (UnknownStart(1, tail.counted - 1, record_ns, None),)


def start_civil_ns(claim: HeaderClaim, notes: Notes) -> int | None:
    """The header's start stamp as civil nanoseconds; ``None`` where no field holds a date.

    The date in the recording field beats the two-digit date field. Without a date the file has its
    length and no place in time.
    """
    stated, short = _recording_date(claim, notes), None
    if not _YEAR_ELSEWHERE.fullmatch(claim.start_date):
        short = _numbers(
            notes,
            "start date",
            claim.start_date,
            "start_date_unreadable",
            lambda day, month, year: date(full_year(year), month, day),
        )
    day = stated or short
    if day is None:
        return None
    if stated and short and stated != short:
        notes.add(
            "start_date_conflict",
            at="fields 'recording' (byte 88) and 'start date' (byte 168)",
            stated=stated.isoformat(),
            short=short.isoformat(),
        )
    clock = _numbers(notes, "start time", claim.start_time, "start_time_unreadable", time)
    return civil_ns(datetime.combine(day, clock or time(0)))


def _recording_date(claim: HeaderClaim, notes: Notes) -> date | None:
    text = claim.recording_field.start_date
    if text is None:
        return None
    day = subfield_date(text)
    if day is None or day.year not in STUDY_YEARS:
        notes.add(
            "recording_date_unreadable",
            at="field 'recording' (byte 88)",
            text=text[:11] if text[:1].isdigit() else Own("no date"),
        )
        return None
    return day


def _numbers(
    notes: Notes, field: str, text: str, code: FindingCode, of: Callable[[int, int, int], _T]
) -> _T | None:
    """What a field of three numbers says; ``None``, and told, where that is nothing."""
    byte, match, found = MAIN[field][0], _PARTS.fullmatch(text), None
    if match is not None:
        with suppress(ValueError):
            found = of(*map(int, match.group(1, 3, 4)))
    if found is None:
        notes.add(code, at=f"field '{field}' (byte {byte})", stated=text)
    elif len(text) != 8 or text[2] != ".":
        notes.field("header_form", field, byte, text)
    return found
