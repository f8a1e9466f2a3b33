"""The starts that records state, taken from the same reads as the samples.

The record scan, a pass of its own over the annotation bytes, decides where records lie. Reading
their starts again beside the samples costs next to nothing and shows whether the file is still the
one that was measured.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from auditor.model import Int64, Recording

STAMP_BYTES = 16
"""Enough for a sign, 6 digits (11 days), a point, 6 decimals and the two closing bytes."""
UNSTATED = np.int64(np.iinfo(np.int64).min)
_MARK = 0x14
_DECIMALS = 9
_MOVED_PPM = 10_000
_MOVED_LEAST = 10
Bytes = NDArray[np.uint8]


def stamp_place(recording: Recording) -> slice | None:
    """Where, inside a record, the bytes begin that state its start (EDF+ specification 2.2.4).

    ``None`` for formats without time-keeping and where the record scan settled every start by
    position, which leaves nothing to compare.
    """
    first = next((c for c in recording.channels if c.is_annotation), None)
    if first is None or not recording.format.endswith(("+C", "+D")):
        return None
    width = min(STAMP_BYTES, first.samples_per_record * recording.sample_bytes)
    return slice(first.offset, first.offset + width)


def stated_starts(stamps: Bytes) -> Int64:
    """Starts in nanoseconds that ``stamps``, shape (records, bytes), state; shape (records,).

    ``UNSTATED`` where the bytes are not a sign, digits with at most one point, and the two closing
    bytes of an empty annotation: such records are left to the full parser.
    """
    records, width = stamps.shape
    found = np.full(records, UNSTATED, np.int64)
    if width < 4:
        return found
    ends = np.argmax(stamps == _MARK, axis=1)
    signed = (stamps[:, 0] == ord("+")) | (stamps[:, 0] == ord("-"))
    after = np.minimum(ends + 1, width - 1)
    good = signed & (ends >= 2) & (ends + 1 < width)
    good &= stamps[np.arange(records), after] == _MARK
    value = np.zeros(records, np.int64)
    decimals = np.full(records, -1, np.int64)
    digits = np.zeros(records, np.int64)
    for column in range(1, int(ends[good].max(initial=0))):
        byte, inside = stamps[:, column], column < ends
        point = inside & (byte == ord("."))
        digit = inside & (byte >= ord("0")) & (byte <= ord("9"))
        good &= ~inside | digit | (point & (decimals < 0))
        value = np.where(digit, value * 10 + (byte - np.int64(ord("0"))), value)
        digits += digit
        decimals += digit & (decimals >= 0)
        decimals[point & (decimals < 0)] = 0
    decimals = np.maximum(decimals, 0)
    # 18 digits fit in 64 bits; finer than nanoseconds is left to the full parser.
    good &= (digits >= 1) & (digits - decimals <= _DECIMALS) & (decimals <= _DECIMALS)
    scale = np.power(np.int64(10), np.maximum(_DECIMALS - decimals, 0))
    sign = np.where(stamps[:, 0] == ord("-"), np.int64(-1), np.int64(1))
    found[good] = (sign * value * scale)[good]
    return found


def moved(recording: Recording, stamps: Bytes, read: NDArray[np.bool_]) -> int:
    """How many of the ``read`` records now state another start than they were counted at.

    0 for a handful: the record scan sets single damaged stamps right by their neighbours.
    """
    now = stated_starts(stamps)
    differ = int(np.count_nonzero((now != recording.offsets_ns) & (now != UNSTATED) & read))
    usual = max(_MOVED_LEAST, len(now) * _MOVED_PPM // 1_000_000)
    return differ if differ > usual else 0
