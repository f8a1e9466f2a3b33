"""How long one data record is: the header's word, or the records' own starts where it has none.

Sources: EDF specification (record duration); EDF+ specification, section 2.1 (duration 0 of files
without ordinary signals).
"""

from __future__ import annotations

import numpy as np

from auditor.core.durations import exact_seconds
from auditor.core.errors import RecordingError
from auditor.core.text import Own, printable
from auditor.core.units import DAY, HOUR, NS
from auditor.edf.header import Header
from auditor.edf.notes import Notes
from auditor.edf.records import UNKNOWN
from auditor.model import Int64

MAX_RECORDED_NS = 400 * DAY
"""No file records longer; a header that claims it would make a row for each hour of decades."""
_AT = "field 'record duration' (byte 244)"


def settle_duration(header: Header, onsets_ns: Int64, notes: Notes) -> int:
    """The record duration in nanoseconds; 0 for a file without ordinary signals.

    ``onsets_ns`` has shape (whole records,). Raises ``RecordingError`` where neither the header nor
    the onsets give a duration, or where the whole would last longer than ``MAX_RECORDED_NS``.
    """
    stated = header.record_ns
    if not header.has_signals:
        notes.add(
            "annotation_only_file",
            at="" if stated == 0 else _AT,
            form="" if stated == 0 else "duration",
            severity=None if stated == 0 else "caution",
            stated=Own("no number" if stated is None else f"{stated / NS} s"),
        )
        return 0
    if stated == 0 and header.has_points:
        notes.add("point_samples", at=_AT)
        return 0
    record_ns = stated or _from_onsets(header, onsets_ns, notes)
    if record_ns * len(onsets_ns) > MAX_RECORDED_NS:
        raise _error(
            header,
            notes,
            f"makes {len(onsets_ns)} records longer than {MAX_RECORDED_NS // DAY} days",
            "the seconds of one record",
        )
    if record_ns > HOUR and not (onsets_ns != UNKNOWN).any():
        notes.add(
            "record_duration_unusual",
            at=_AT,
            duration=exact_seconds(record_ns),
            count=len(onsets_ns),
        )
    return record_ns


def _from_onsets(header: Header, onsets_ns: Int64, notes: Notes) -> int:
    known = (onsets_ns[:-1] != UNKNOWN) & (onsets_ns[1:] != UNKNOWN)
    steps = np.diff(onsets_ns)[known]
    steps = steps[steps > 0]
    values, counts = np.unique(steps, return_counts=True)
    if not len(steps) or counts.max() * 2 <= len(steps):
        raise _error(
            header,
            notes,
            "holds no duration, and the records' own starts do not give one",
            "a number of seconds with a decimal point",
        )
    record_ns = int(values[counts.argmax()])
    notes.add(
        "record_duration_unreadable",
        at=_AT,
        record_ns=exact_seconds(record_ns),
        record_duration=printable(header.claim.record_duration),
    )
    return record_ns


def _error(header: Header, notes: Notes, problem: str, expected: str) -> RecordingError:
    return RecordingError(
        notes.name,
        f"header field 'record duration' (byte 244) {problem}: "
        f"'{printable(header.claim.record_duration)}', expected {expected}",
        "Copy the file again from the recorder's card; if it is the same there, the header is "
        "damaged.",
        code="header_field_unreadable",
        field="record duration",
        offset=244,
    )
