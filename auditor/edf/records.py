"""The record scan: each data record's own onset and all annotations.

Touches the annotation bytes of each record only, never the signals.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from auditor.edf.annotations import parse_annotations
from auditor.edf.header import Header
from auditor.edf.source import ByteSource, read_strided
from auditor.model import Annotation, Int64

CHUNK_BYTES = 4 << 20
MAX_KEPT = 1_000_000
UNKNOWN = np.int64(np.iinfo(np.int64).min)
"""Stands for the onset of a record that states none."""


@dataclass
class Scan:
    """Per-record onsets (``UNKNOWN`` where a record states none) and what else was met."""

    onsets: Int64
    annotations: list[Annotation] = field(default_factory=list)
    total: int = 0
    faults: dict[str, list[int]] = field(default_factory=dict)


def scan_records(source: ByteSource, header: Header, count: int) -> Scan:
    """Read the annotation bytes of the first ``count`` records. Raises ``OSError``."""
    scan = Scan(np.full(count, UNKNOWN, dtype=np.int64))
    for order, channel in enumerate(header.annotation_channels):
        width = channel.samples_per_record * header.sample_bytes
        if not width:
            continue
        step = max(1, CHUNK_BYTES // max(width, header.record_bytes))
        for first in range(0, count, step):
            here = min(step, count - first)
            data = read_strided(
                source,
                header.data_offset + channel.offset + first * header.record_bytes,
                width,
                header.record_bytes,
                here,
            )
            for i in range(len(data) // width):
                _take(scan, data[i * width : (i + 1) * width], first + i, order == 0)
    return scan


def _take(scan: Scan, data: bytes, record: int, keeps_time: bool) -> None:
    parsed = parse_annotations(data)
    if keeps_time and parsed.time_keeping_ns is not None:
        scan.onsets[record] = parsed.time_keeping_ns
    for fault in parsed.faults:
        scan.faults.setdefault(fault, []).append(record)
    for found in parsed.lists:
        for text in found.texts:
            if text:
                scan.total += 1
                if len(scan.annotations) < MAX_KEPT:
                    scan.annotations.append(
                        Annotation(found.onset_ns, found.duration_ns, text, record)
                    )
