"""The record scan: each data record's own onset, all annotations, and what is wrong with them.

Touches the annotation bytes of each record only, never the signals. Records whose first annotation
signal holds the time-keeping list and nothing else (nearly all of them) are read as arrays; the
others one by one. Sources of the byte layout: EDF+ specification, sections 2.2.2 and 2.2.4.
"""

from __future__ import annotations

import re
from collections import Counter
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from auditor.core.text import Own, quantity
from auditor.core.units import NS
from auditor.edf.annotations import FAULTS, MAX_ONSET_NS, Parsed, parse_annotations
from auditor.edf.header import Header
from auditor.edf.notes import Notes
from auditor.edf.source import read_exactly, read_strided
from auditor.model import Annotation, ByteSource, Int64

CHUNK_BYTES = 2 << 20
"""Annotation bytes held at a time."""
MAX_WIDTH = 1 << 20
"""Annotation bytes read of one signal in one record (whole records have 61,440 as a rule)."""
MAX_KEPT = 300_000
"""Annotations kept of one file; those beyond are counted."""
MAX_KEPT_TEXT = 50_000_000
"""Characters of annotation text kept of one file."""
MAX_FAULTS = 200_000
"""Faults kept of one file, to say how many and where the first is."""
MAX_READ_ERRORS = 50
"""A failing disk may take seconds for each error: after so many the rest is left unread."""

UNKNOWN = int(np.iinfo(np.int64).min)
"""Stands for the onset of a record that states none."""

_HEAD = 24
"""Room for a sign, 9 digits, a point, 9 digits, both separators and the closing zero. Nine digits
are 30 years of seconds, which nanoseconds in 64 bits hold."""
_TEXT_END = re.compile(rb"[^\x14\0]\x14")
_LIST = re.compile(rb"[^\0]+")


@dataclass
class Scan:
    """What the annotation bytes hold. ``onsets_ns`` has shape (records,), ``UNKNOWN`` for none.

    ``total`` counts every annotation, ``annotations`` holds those kept. ``faults`` are (record,
    word of ``annotations.FAULTS``), at most ``MAX_FAULTS``. ``unread`` has shape (records,): whose
    annotation bytes could not be read; ``None`` where all could.
    """

    onsets_ns: Int64
    annotations: list[Annotation] = field(default_factory=list)
    total: int = 0
    faults: list[tuple[int, str]] = field(default_factory=list)
    unread: NDArray[np.bool_] | None = None
    read_errors: int = 0
    read_error: str = ""
    kept_text: int = 0

    @property
    def full(self) -> bool:
        """Whether no further annotation is kept."""
        return len(self.annotations) >= MAX_KEPT or self.kept_text >= MAX_KEPT_TEXT

    def take(self, parsed: Parsed, record: int, *, keeps_time: bool) -> None:
        """Add one record's annotations."""
        if keeps_time and parsed.time_keeping_ns is not None:
            self.onsets_ns[record] = parsed.time_keeping_ns
        if len(self.faults) < MAX_FAULTS:
            self.faults += [(record, word) for word in dict.fromkeys(parsed.faults)]
        for found in parsed.lists:
            for text in found.texts:
                if text:
                    self.total += 1
                    if not self.full:
                        self.kept_text += len(text)
                        self.annotations.append(
                            Annotation(found.onset_ns, found.duration_ns, text, record)
                        )

    def could_not_read(self, record: int, reason: str) -> None:
        """Note a record whose annotation bytes could not be read."""
        if self.unread is None:
            self.unread = np.zeros(len(self.onsets_ns), dtype=np.bool_)
        self.unread[record] = True
        self.read_errors += 1
        self.read_error = self.read_error or reason


def scan_records(source: ByteSource, header: Header, count: int) -> Scan:
    """Read the annotation signals (the first keeps time) of ``count`` records.

    Bytes that cannot be read mark their records in ``Scan.unread``; nothing is raised for them.
    """
    scan = Scan(np.full(count, UNKNOWN, dtype=np.int64))
    channels = header.annotation_channels
    for order, channel in enumerate(channels):
        width = channel.samples_per_record * header.sample_bytes
        if not width or not count:
            continue
        if width > MAX_WIDTH:
            scan.faults.append((0, "long"))
            width = MAX_WIDTH
        step = max(1, CHUNK_BYTES // width)
        for first in range(0, count, step):
            here = min(step, count - first)
            at = header.data_offset + channel.offset + first * header.record_bytes
            data = _read_rows(source, at, width, header.record_bytes, here, scan, first)
            rows = np.frombuffer(data, np.uint8).reshape(here, width)
            _take_rows(scan, rows, first, keeps_time=order == 0)
    if len(channels) > 1:
        scan.annotations.sort(key=lambda a: a.record)
    return scan


def _read_rows(
    source: ByteSource, at: int, width: int, stride: int, count: int, scan: Scan, first: int
) -> bytes:
    """``count`` rows of ``width`` bytes; rows that cannot be read are zero and noted."""
    if scan.read_errors < MAX_READ_ERRORS:
        # The attempt as a whole; where it fails, each row by itself shows which are unreadable.
        with suppress(OSError):
            data = read_strided(source, at, width, stride, count)
            if len(data) == width * count:
                return data
    rows = []
    for i in range(count):
        row, reason = b"", "given up after many errors"
        if scan.read_errors < MAX_READ_ERRORS:
            try:
                row = read_exactly(source, at + i * stride, width)
                reason = "the file ended early"
            except OSError as error:
                reason = error.strerror or type(error).__name__
        if len(row) < width:
            scan.could_not_read(first + i, reason)
            row = b""
        rows.append(row.ljust(width, b"\0"))
    return b"".join(rows)


def _take_rows(scan: Scan, rows: NDArray[np.uint8], first: int, *, keeps_time: bool) -> None:
    count = len(rows)
    if keeps_time:
        onsets = read_time_keeping(rows)
        scan.onsets_ns[first : first + count] = onsets
        odd = np.flatnonzero(onsets == UNKNOWN)
    else:
        odd = np.flatnonzero(rows.max(axis=1))
    for i in odd.tolist():
        data = rows[i].tobytes()
        if scan.full:  # only count what would be annotations; read only the first list
            scan.total += max(0, len(_TEXT_END.findall(data)) - len(_LIST.findall(data)))
            start = _LIST.search(data)
            data = data[: start.end() + 1] if start else b""
            parsed = parse_annotations(data)
            if keeps_time and parsed.time_keeping_ns is not None:
                scan.onsets_ns[first + i] = parsed.time_keeping_ns
            continue
        scan.take(parse_annotations(data), first + i, keeps_time=keeps_time)


def read_time_keeping(rows: NDArray[np.uint8]) -> Int64:
    """Onsets in nanoseconds of rows that hold one time-keeping list and nothing else.

    ``rows`` has shape (n, width), one record's annotation bytes each; the result has shape (n,),
    ``UNKNOWN`` for every other row. Rows are taken together by the places of point and separator.
    """
    first = rows[0, :_HEAD].tobytes()
    last, dot = first.find(0x14), max(first.find(b"."), 0)
    if _has_layout(last, dot, rows.shape[1]):
        # Most often all rows have as many digits as the first one: then no row is looked at alone.
        values, good = _read_layout(rows, last, dot)
        if good.all() and np.count_nonzero(rows) == (last + 2) * len(rows):
            return values
    onsets = np.full(len(rows), UNKNOWN, dtype=np.int64)
    head = np.ascontiguousarray(rows[:, :_HEAD])
    end = (head == 0x14).argmax(axis=1)
    point = (head == ord(".")).argmax(axis=1)
    group = end * _HEAD + point
    for key in np.flatnonzero(np.bincount(group, minlength=1)).tolist():
        last, dot = divmod(key, _HEAD)
        if _has_layout(last, dot, head.shape[1]):
            mine = np.flatnonzero(group == key)
            values, good = _read_layout(head[mine], last, dot)
            onsets[mine[good]] = values[good]
    # So far each good row has bytes other than 0 up to both separators; there must be no more. All
    # rows are counted at once, which is much faster, and by themselves where the sum is not right.
    if (onsets != UNKNOWN).all() and np.count_nonzero(rows) == int(end.sum()) + 2 * len(rows):
        return onsets
    alone = np.count_nonzero(rows, axis=1) == end + 2
    return np.where(alone, onsets, UNKNOWN)


def _has_layout(last: int, dot: int, width: int) -> bool:
    """Whether an onset can end before byte ``last`` with its point at ``dot`` (0: none)."""
    whole, fraction = (last - 1, 0) if not dot else (dot - 1, last - dot - 1)
    return 1 <= whole <= 9 and 0 <= fraction <= 9 and last + 2 < width


def _read_layout(part: NDArray[np.uint8], last: int, dot: int) -> tuple[Int64, NDArray[np.bool_]]:
    """Onsets of rows whose separators stand at ``last`` and their point at ``dot`` (0: none).

    ``part`` has shape (n, width). Returns nanoseconds and, for each row, whether it is so written.
    """
    # Column by column, each of them in a row in memory: a third faster than rows of digits.
    columns = np.ascontiguousarray(part[:, : last + 2].T)
    values, highest = np.zeros(len(part), np.int64), np.zeros(len(part), np.uint8)
    for place in range(1, last):
        if place != dot:
            digits = columns[place] - np.uint8(ord("0"))
            np.maximum(highest, digits, out=highest)
            values *= 10
            values += digits
    values *= 10 ** (9 - (last - dot - 1)) if dot else NS
    minus = columns[0] == ord("-")
    good = (minus | (columns[0] == ord("+"))) & (highest <= 9) & (values <= MAX_ONSET_NS)
    good &= (columns[last] == 0x14) & (columns[last + 1] == 0x14)
    if dot:
        good &= columns[dot] == ord(".")
    return np.where(minus, -values, values), good


# ---------------------------------------------------------------- what is said of the records


_BLANK_CHECKS = 2000
"""Records without a start that are looked at whole: one by one they cost a read each."""


def note_scan(source: ByteSource, header: Header, scan: Scan, counted: int, notes: Notes) -> None:
    """Broken annotation bytes, bytes that could not be read, and blank records inside.

    ``counted`` is how many of the scanned records count.
    """
    _note_annotations([f for f in scan.faults if f[0] < counted], notes)
    if scan.unread is not None:
        unread = np.flatnonzero(scan.unread)
        at = header.data_offset + int(unread[0]) * header.record_bytes
        notes.add(
            "bytes_unreadable",
            at=f"first in record {unread[0]} (byte {at})",
            unread=len(unread),
            records=quantity(len(scan.onsets_ns), "record"),
            read_error=scan.read_error,
        )
    without = scan.onsets_ns[:counted] == UNKNOWN
    if scan.unread is not None:
        without &= ~scan.unread[:counted]
    missing = np.flatnonzero(without)
    if len(missing) < counted:
        _note_blank_inside(source, header, missing[:_BLANK_CHECKS].tolist(), notes)


def _note_annotations(faults: list[tuple[int, str]], notes: Notes) -> None:
    undecoded = [record for record, word in faults if word == "text"]
    if undecoded:
        notes.add(
            "annotation_not_utf8",
            at=f"annotation signals, first in record {undecoded[0]}",
            records=quantity(len(undecoded), "record", "has", "have"),
        )
    broken = [f for f in faults if f[1] != "text"]
    if broken:
        counts = Counter(word for _, word in broken)
        records = len({record for record, _ in broken})
        notes.add(
            "annotations_malformed",
            at=f"annotation signals, first in record {min(broken)[0]}",
            records=quantity(records, "record", "has", "have"),
            kinds=Own(
                "; ".join(f"{FAULTS[w]} ({quantity(n, 'record')})" for w, n in counts.items())
            ),
        )


def note_elsewhere(
    annotations: tuple[Annotation, ...], offsets_ns: Int64, record_ns: int, notes: Notes
) -> None:
    """Annotations whose time is not that of the record that holds them: allowed, but said."""
    if not annotations or not record_ns:
        return
    onsets = np.array([a.onset_ns for a in annotations], dtype=np.int64)
    starts = offsets_ns[np.array([a.record for a in annotations])]
    elsewhere = np.flatnonzero((onsets < starts) | (onsets >= starts + record_ns))
    if len(elsewhere):
        first = annotations[int(elsewhere[0])]
        notes.add(
            "annotations_elsewhere",
            at=f"annotation signals, first in record {first.record}",
            elsewhere=len(elsewhere),
            annotations=quantity(len(annotations), "annotation"),
            has=Own("has" if len(elsewhere) == 1 else "have"),
            onset=Own(f"{first.onset_ns / NS:.3f}"),
            start=Own(f"{int(offsets_ns[first.record]) / NS:.3f}"),
        )


def _note_blank_inside(
    source: ByteSource, header: Header, records: list[int], notes: Notes
) -> None:
    """Records inside the file that hold one byte value only: their data are lost."""
    blank = []
    for record in records:
        at = header.data_offset + record * header.record_bytes
        try:
            head = read_exactly(source, at, min(header.record_bytes, 4096))
            if head.strip(head[:1] or b"\0") or head[:1] not in (b"\0", b"\xff"):
                continue
            data = read_exactly(source, at, min(header.record_bytes, 1 << 20))
        except OSError:
            continue
        if not data.strip(head[:1]):
            blank.append(record)
    if blank:
        notes.add(
            "blank_records_inside",
            at=f"first in record {blank[0]}",
            records=quantity(len(blank), "record", "holds", "hold"),
            lost=quantity(len(blank), "record"),
        )
