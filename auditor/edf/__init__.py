"""One EDF, EDF+ or BDF file: its bytes to a ``Recording``."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from auditor.edf.header import looks_like_recording, read_header
from auditor.edf.notes import Notes
from auditor.edf.records import UNKNOWN, scan_records
from auditor.edf.source import ByteSource, LocalFile
from auditor.edf.start import start_civil_ns
from auditor.errors import RecordingError
from auditor.model import Recording

__all__ = ["ByteSource", "LocalFile", "looks_like_recording", "read_recording"]


def read_recording(path: Path, name: str, source: ByteSource | None = None) -> Recording:
    """Read one recording: header, every record's start, all annotations; never the signals.

    ``name`` is the path relative to the study's folder. ``source`` stands in for the file's bytes
    (a remote range reader); without it ``path`` is opened read-only.

    Raises ``RecordingError`` where the file is no readable recording.
    """
    if source is not None:
        return _read(path, name, source)
    with LocalFile(path, name) as file:
        return _read(path, name, file)


def _read(path: Path, name: str, source: ByteSource) -> Recording:
    notes = Notes(name)
    header = read_header(source, notes)
    claim = header.claim
    if not header.record_bytes or header.record_ns is None:
        raise RecordingError(name, "has no usable data records", code="nothing_recorded")
    count = (source.size - header.data_offset) // header.record_bytes
    start = start_civil_ns(claim, notes)
    scan = scan_records(source, header, count)
    offsets = scan.onsets
    if (offsets == UNKNOWN).any():
        offsets = np.arange(count, dtype=np.int64) * header.record_ns
    return Recording(
        name=name,
        path=path,
        size_bytes=source.size,
        format=header.format,
        header=claim,
        start_civil_ns=start,
        record_ns=header.record_ns,
        offsets_ns=offsets,
        data_offset=header.data_offset,
        record_bytes=header.record_bytes,
        sample_bytes=header.sample_bytes,
        closed=claim.record_count != -1,
        channels=header.channels,
        annotations=tuple(scan.annotations),
        annotations_total=scan.total,
        findings=notes.findings(),
    )
