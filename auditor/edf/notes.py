"""Findings of one file: collected while it is read, and what is said of its records after.

Header faults are summed by kind.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np
from msgspec.structs import replace

from auditor.core.text import Own, printable, quantity
from auditor.core.units import NS
from auditor.edf.annotations import FAULTS
from auditor.edf.records import UNKNOWN, Scan
from auditor.edf.source import read_exactly
from auditor.model import Annotation, ByteSource, Finding, FindingCode, Int64, Severity, finding
from auditor.model.codes import Value

if TYPE_CHECKING:
    from auditor.edf.header import Header
    from auditor.edf.tail import Tail

SHOWN = 5
"""Examples given in one finding; the rest is counted."""


@dataclass
class Notes:
    """Collects findings for the file ``name`` (untrusted text)."""

    name: str
    _findings: list[Finding] = field(default_factory=list)
    _fields: dict[FindingCode, list[str]] = field(default_factory=dict)

    def add(
        self,
        code: FindingCode,
        *,
        at: str = "",
        form: str = "",
        severity: Severity | None = None,
        **values: Value,
    ) -> None:
        """Add one finding; ``at`` says where in the file (field, byte, record)."""
        shown: dict[str, Any] = {
            name: printable(v) if isinstance(v, str) and not isinstance(v, Own) else v
            for name, v in values.items()
        }
        made = finding(code, self._where(at), form=form, severity=severity, file=self.name, **shown)
        problem = made.severity == "problem"
        self._findings.append(replace(made, question="files") if problem else made)

    def field(self, code: FindingCode, field_name: str, offset: int, observed: str) -> None:
        """Add one header field to the finding ``code``, which counts them all."""
        self._fields.setdefault(code, []).append(
            f"{field_name} (byte {offset}): {printable(observed, 40)!r}"
        )

    def take(self, other: Notes) -> None:
        """Take over what ``other`` collected."""
        self._findings += other._findings
        for code, places in other._fields.items():
            self._fields.setdefault(code, []).extend(places)

    def findings(self) -> tuple[Finding, ...]:
        """Everything collected, header faults first."""
        summed = (
            finding(
                code,
                self._where("header"),
                file=self.name,
                fields=quantity(
                    len(places), "header field", "has", "have", plural_noun="header fields"
                ),
                places=tuple(places[:SHOWN]),
                more=Own(f" and {len(places) - SHOWN} more" if len(places) > SHOWN else ""),
            )
            for code, places in self._fields.items()
        )
        return (*summed, *self._findings)

    def _where(self, at: str) -> str:
        return f"{printable(self.name)}, {at}" if at else printable(self.name)


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
            at=f"first in record {unread[0]} (byte {at})",
            unread=len(unread),
            records=quantity(tail.whole, "record"),
            read_error=scan.read_error,
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
