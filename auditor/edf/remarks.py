"""What is said about the records of one file, once they have been read."""

from __future__ import annotations

from collections import Counter

import numpy as np

from auditor.core.units import NS
from auditor.edf.annotations import FAULTS
from auditor.edf.header import Header
from auditor.edf.notes import Notes, some
from auditor.edf.records import UNKNOWN, Scan
from auditor.edf.source import LocalFile, read_exactly
from auditor.edf.tail import Tail
from auditor.model import Annotation, ByteSource, Int64

_BLANK_CHECKS = 2000
"""Records without a start that are looked at whole: one by one they cost a read each."""


def note_scan(source: ByteSource, header: Header, scan: Scan, tail: Tail, notes: Notes) -> None:
    """Broken annotation bytes, bytes that could not be read, and blank records inside."""
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
            f"{some(len(undecoded), 'record has', 'records have')} annotation text that is not "
            "UTF-8. The bytes that are no text are shown as \\x and two digits.",
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
            f"{some(records, 'record has', 'records have')} annotation bytes that break the "
            "format's rules. What can be read of them is kept, the rest is lost; an event may be "
            "missing.",
            at=f"annotation signals, first in record {min(broken)[0]}",
            expected="signed onset, texts ended by byte 20, lists ended by byte 0",
            observed="; ".join(
                f"{FAULTS[word]} ({some(n, 'record')})" for word, n in counts.items()
            ),
            action="If an event is missing, look for it in the recorder's own software.",
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
            "info",
            f"{len(elsewhere)} of {some(len(annotations), 'annotation')} "
            f"{'has' if len(elsewhere) == 1 else 'have'} a time outside the record that holds the "
            "text. The stated time is taken; no duration changes.",
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
            f"{some(len(blank), 'record holds', 'records hold')} nothing but zeros or bytes 255 "
            "inside the recording: the data are lost. The time is counted, since the records "
            "around leave the room for it.",
            at=f"first in record {blank[0]}",
            expected="written data records",
            observed=some(len(blank), "blank record"),
            action="Copy the file again from the recorder's card; if it is blank there too, take "
            f"{some(len(blank), 'record')} off the recorded time.",
        )


def note_changed(source: ByteSource, notes: Notes) -> None:
    """A local file that is not what it was when it was opened."""
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
