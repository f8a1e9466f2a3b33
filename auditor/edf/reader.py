"""One file to one ``Recording``: the composition of this room."""

from __future__ import annotations

from collections import Counter
from pathlib import Path

import numpy as np

from auditor.edf.annotations import FAULTS
from auditor.edf.duration import settle_duration
from auditor.edf.header import Header, read_header
from auditor.edf.notes import Notes, some
from auditor.edf.records import UNKNOWN, Scan, scan_records
from auditor.edf.source import ByteSource, LocalFile, read_exactly
from auditor.edf.start import start_civil_ns
from auditor.edf.tail import Tail, measure_tail, note_tail
from auditor.edf.timing import Timeline, by_position, check_order, settle
from auditor.errors import RecordingError
from auditor.model import Annotation, Int64, Recording, UnknownStart
from auditor.units import NS

RECOMMENDED_RECORD_BYTES = 61_440
"""Source: EDF specification, on the size of a data record."""
MAX_RECORDS = 20_000_000
"""Records of one file that are read: 23 days of tenths of a second; bounds the memory."""
_BLANK_CHECKS = 2000


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
            "Copy the file again from the recorder's card; the disk or card may be failing.",
            code="cannot_be_read",
            offset=0,
        ) from error
    claim = header.claim
    whole = _whole_records(header, source.size, notes)
    start = start_civil_ns(claim, notes)
    scan = scan_records(
        source,
        header.annotation_channels,
        data_offset=header.data_offset,
        record_bytes=header.record_bytes,
        sample_bytes=header.sample_bytes,
        count=whole,
    )
    record_ns = settle_duration(header, scan.onsets_ns, notes)
    stated = np.flatnonzero(scan.onsets_ns != UNKNOWN)
    tail = measure_tail(
        source,
        data_offset=header.data_offset,
        record_bytes=header.record_bytes,
        claimed=claim.record_count,
        whole=whole,
        without_time=whole - 1 - int(stated[-1]) if len(stated) else None,
    )
    if not tail.counted:
        raise _nothing(notes, f"its {whole} data records hold only zeros or only bytes 255")
    note_tail(tail, claim.record_count, header.record_bytes, notes)
    timeline = _timeline(header, scan, tail, record_ns, notes, has_times=bool(len(stated)))
    _note_scan(source, header, scan, tail, notes)
    _note_changed(source, notes)
    annotations = tuple(a for a in scan.annotations if a.record < tail.counted)
    _note_elsewhere(annotations, timeline.offsets_ns, record_ns, notes)
    return Recording(
        name=notes.name,
        path=path,
        size_bytes=source.size,
        format=header.format,
        header=claim,
        start_civil_ns=start,
        record_ns=record_ns,
        offsets_ns=timeline.offsets_ns,
        data_offset=header.data_offset,
        record_bytes=header.record_bytes,
        sample_bytes=header.sample_bytes,
        closed=claim.record_count != -1,
        channels=header.channels,
        annotations=annotations,
        annotations_total=scan.total - (len(scan.annotations) - len(annotations)),
        unknown_starts=timeline.unknown_starts,
        findings=notes.findings(),
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
            "info",
            f"One data record takes {header.record_bytes} bytes, more than the format recommends. "
            "It is read all the same.",
            at="header",
            expected=f"at most {RECOMMENDED_RECORD_BYTES} bytes",
            observed=f"{header.record_bytes} bytes",
            action="Nothing to do.",
        )
    whole = left // header.record_bytes
    if whole > MAX_RECORDS:
        raise RecordingError(
            notes.name,
            f"would hold {whole} data records of {header.record_bytes} bytes; no more than "
            f"{MAX_RECORDS} are read",
            "Check the samples per record in the header (EDF field 'samples per record').",
            code="too_many_records",
            field="samples per record",
            offset=256 + 216 * header.claim.signals,
        )
    return whole


def _nothing(notes: Notes, why: str) -> RecordingError:
    return RecordingError(
        notes.name,
        f"holds no recorded data: {why}",
        "Compare the file's size with the one on the recorder's card and copy it again.",
        code="nothing_recorded",
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
                "plain_file_with_times",
                "info",
                f"The header calls the file plain {header.format}, yet its records state their own "
                "starts and annotations. These are taken.",
                at="field 'reserved' (byte 192)",
                expected="blank, without annotation signals",
                observed=some(len(header.annotation_channels), "annotation signal"),
                action="Nothing to do.",
            )
        timeline = settle(scan.onsets_ns[: tail.counted], record_ns, notes, continuous=continuous)
        check_order(
            timeline.offsets_ns,
            record_ns,
            continuous=continuous,
            rounding_ns=header.rounding_ns,
            notes=notes,
        )
        return timeline
    offsets = by_position(tail.counted, record_ns)
    if not plus or not record_ns:
        return Timeline(offsets, ())
    missing = (
        "no record states its start"
        if header.annotation_channels
        else "the file has no annotation signal, in which records state their starts"
    )
    notes.add(
        "time_keeping_absent" if header.annotation_channels else "annotation_signal_missing",
        "caution" if continuous and not header.annotation_channels else "problem",
        f"The header calls the file {header.format}, but {missing}. The records are placed one "
        "right after another"
        + ("." if continuous else ": gaps that the file may have inside cannot be seen."),
        at="annotation signals",
        expected="a start in each record",
        observed=f"none in {some(tail.counted, 'record')}",
        action="Compare the recorded time with the recorder's log."
        if continuous
        else "The recorded hours are those of the records, but when each was recorded is not "
        "known. Copy the file again from the recorder's card.",
    )
    if continuous or tail.counted < 2:
        return Timeline(offsets, ())
    return Timeline(offsets, (UnknownStart(1, tail.counted - 1, record_ns, None),))


def _note_scan(source: ByteSource, header: Header, scan: Scan, tail: Tail, notes: Notes) -> None:
    _note_annotations([f for f in scan.faults if f[0] < tail.counted], notes)
    if scan.unread is not None:
        unread = np.flatnonzero(scan.unread)
        at = header.data_offset + int(unread[0]) * header.record_bytes
        notes.add(
            "bytes_unreadable",
            "problem",
            f"{len(unread)} of {some(tail.whole, 'record')} could not be read "
            f"({scan.read_error}). That part is counted where the header claims it or later "
            "records are readable; its annotations are lost.",
            at=f"first in record {unread[0]} (byte {at})",
            expected="readable bytes",
            observed=f"{some(len(unread), 'record')} unreadable",
            action="The disk or card may be failing. Copy the file again from the recorder's card "
            "at once.",
        )
    without = scan.onsets_ns[: tail.counted] == UNKNOWN
    if scan.unread is not None:
        without &= ~scan.unread[: tail.counted]
    missing = np.flatnonzero(without)
    if len(missing) < tail.counted:
        _note_blank_inside(source, header, missing[:_BLANK_CHECKS].tolist(), notes)


def _note_annotations(faults: list[tuple[int, str]], notes: Notes) -> None:
    undecoded = [record for record, word in faults if word == "text"]
    if undecoded:
        notes.add(
            "annotation_not_utf8",
            "caution",
            f"{some(len(undecoded), 'record')} with annotation text that is not UTF-8. The bytes "
            "that are no text are shown as \\x and two digits.",
            at=f"annotation signals, first in record {undecoded[0]}",
            expected="UTF-8",
            observed=some(len(undecoded), "record"),
            action="Read the event in the recorder's own software where its words matter.",
        )
    broken = [f for f in faults if f[1] != "text"]
    if broken:
        counts = Counter(word for _, word in broken)
        records = len({record for record, _ in broken})
        notes.add(
            "annotations_malformed",
            "caution",
            f"{some(records, 'record')} with annotation bytes that break the format's rules. What "
            "can be read of them is kept, the rest is lost; an event may be missing.",
            at=f"annotation signals, first in record {min(broken)[0]}",
            expected="signed onset, texts ended by byte 20, lists ended by byte 0",
            observed="; ".join(
                f"{FAULTS[word]} ({some(n, 'record')})" for word, n in counts.items()
            ),
            action="If an event is missing, look for it in the recorder's own software.",
        )


def _note_elsewhere(
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
            "info",
            f"{len(elsewhere)} of {some(len(annotations), 'annotation')} with a time outside the "
            "record that holds the text. The stated time is taken; no duration changes.",
            at=f"annotation signals, first in record {first.record}",
            expected="a time inside the record",
            observed=f"{first.onset_ns / NS:.3f} s in the record that starts at "
            f"{int(offsets_ns[first.record]) / NS:.3f} s",
            action="Nothing to do.",
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
            "problem",
            f"{some(len(blank), 'record')} inside the recording with nothing but zeros or bytes "
            "255: the data are lost. The time is counted, since the records around leave the room "
            "for it.",
            at=f"first in record {blank[0]}",
            expected="written data records",
            observed=some(len(blank), "blank record"),
            action="Copy the file again from the recorder's card; if it is blank there too, take "
            f"{some(len(blank), 'record')} off the recorded time.",
        )


def _note_changed(source: ByteSource, notes: Notes) -> None:
    changed = source.changed() if isinstance(source, LocalFile) else None
    if changed is None:
        return
    before, now = changed
    notes.add(
        "changed_while_read",
        "problem",
        "The file changed while it was read. What is reported is what its bytes were at first.",
        expected=f"{before} bytes, unchanged",
        observed=f"{now} bytes" if now != before else "the same size, written again",
        action="Wait until copying has ended, then audit the study again.",
    )
