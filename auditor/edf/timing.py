"""How long a record is, and each one's start: stated, told by its neighbours, or within bounds.

Sources: EDF specification (record duration); EDF+ specification, sections 2.1 (continuous and
interrupted files, duration 0 of files without ordinary signals) and 2.2.4 (time-keeping). Onsets
are facts of the file and are taken as stated, whatever the header calls the file; what cannot be
true is reported with its numbers.
"""

from __future__ import annotations

import numpy as np

from auditor.core import intervals
from auditor.core.durations import exact_seconds
from auditor.core.text import Own, printable, quantity
from auditor.core.units import DAY, HOUR, NS
from auditor.edf.header import MAIN, Header
from auditor.edf.notes import Notes
from auditor.edf.records import UNKNOWN
from auditor.model import Int64, UnknownStart

STEP_TOLERANCE_NS = 1_000_000
"""Rounding of written onsets that is no accusation: 1 ms a record (own choice)."""
MAX_UNKNOWN = 100_000
"""Stretches without a known start that are listed one by one; the findings count all."""
MAX_RECORDED_NS = 400 * DAY
"""No file records longer; a header that claims it would make a row for each hour of decades."""
_AT = "field 'record duration' (byte 244)"


Timeline = tuple[Int64, tuple[UnknownStart, ...]]
"""Offsets (records,) after the header's start in ns, and the records without a known one."""


def settle_duration(header: Header, onsets_ns: Int64, notes: Notes) -> int:
    """The record duration in nanoseconds; 0 for a file without ordinary signals.

    ``onsets_ns`` has shape (whole records,). Raises ``RecordingError`` where neither the header nor
    the onsets give a duration, or where the whole would last longer than ``MAX_RECORDED_NS``.
    """
    stated = header.record_ns
    if not header.has_signals:
        notes.add(
            "annotation_only_file",
            at=_AT,
            severity=None if stated == 0 else "caution",
            stated=Own("no number" if stated is None else f"{stated / NS} s"),
        )
        return 0
    if stated == 0 and header.has_points:
        notes.add("point_samples", at=_AT)
        return 0
    record_ns = stated or _from_onsets(header, onsets_ns, notes)
    if record_ns * len(onsets_ns) > MAX_RECORDED_NS:
        raise notes.error(
            *_field(header),
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


def _field(header: Header) -> tuple[str, int, str]:
    return "record duration", MAIN["record duration"][0], header.claim.record_duration


def _from_onsets(header: Header, onsets_ns: Int64, notes: Notes) -> int:
    known = (onsets_ns[:-1] != UNKNOWN) & (onsets_ns[1:] != UNKNOWN)
    steps = np.diff(onsets_ns)[known]
    steps = steps[steps > 0]
    values, counts = np.unique(steps, return_counts=True)
    if not len(steps) or counts.max() * 2 <= len(steps):
        raise notes.error(
            *_field(header),
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


def by_position(count: int, record_ns: int) -> Int64:
    """Starts of an uninterrupted recording."""
    return np.arange(count, dtype=np.int64) * np.int64(record_ns)


def settle(onsets_ns: Int64, record_ns: int, notes: Notes, *, continuous: bool) -> Timeline:
    """Give every record of ``onsets_ns`` (``UNKNOWN`` for none, at least one known) its start.

    A file that is ``continuous`` by its header may tell its first start by the second; one with
    interruptions may not: a short one may hide there.
    """
    offsets = onsets_ns.copy()
    if _in_line(offsets, record_ns):
        return offsets, ()
    _correct_lone_outliers(offsets, record_ns, notes)
    known = offsets != UNKNOWN
    restored = lost = places = 0
    unknown: list[UnknownStart] = []
    edges = np.flatnonzero(np.diff(np.concatenate(([True], known, [True])).astype(np.int8)))
    for first, after in edges.reshape(-1, 2).tolist():
        length = after - first
        before = int(offsets[first - 1]) if first else None
        following = int(offsets[after]) if after < len(offsets) else None
        latest = None if following is None else following - length * record_ns
        if before is not None:
            earliest = before + record_ns
        else:  # the file's first record starts within a second of the header's start (2.2.4)
            assert latest is not None
            told = continuous and 0 <= latest < NS
            earliest = latest if told else min(0, latest)
        offsets[first:after] = earliest + by_position(length, record_ns)
        if latest is not None and abs(latest - earliest) <= STEP_TOLERANCE_NS * (length + 1):
            restored += length
        else:
            lost += length
            places += 1
            if len(unknown) < MAX_UNKNOWN:
                bound = None if latest is None else max(earliest, latest)
                unknown.append(UnknownStart(first, after - 1, earliest, bound))
    if record_ns:
        _note_missing(restored, lost, places, unknown, notes)
        return offsets, tuple(unknown)
    return offsets, ()


def _in_line(offsets: Int64, record_ns: int) -> bool:
    """Whether every record states a start and none overlaps the one before: nothing to settle."""
    if int(offsets.min()) == UNKNOWN or not record_ns:
        return False
    steps = np.diff(offsets)
    return not len(steps) or int(steps.min()) >= record_ns - 2 * STEP_TOLERANCE_NS


def _correct_lone_outliers(offsets: Int64, record_ns: int, notes: Notes) -> None:
    """Take a stated onset back where the records on both sides touch each other's place.

    Such an onset overlaps one of them whatever it is, which no recording can do: one damaged digit
    would otherwise show a gap of hours.
    """
    if len(offsets) < 3 or not record_ns:
        return
    left, mine, right = offsets[:-2], offsets[1:-1], offsets[2:]
    stated = (left != UNKNOWN) & (mine != UNKNOWN) & (right != UNKNOWN)
    joined = np.abs(right - left - 2 * record_ns) <= 2 * STEP_TOLERANCE_NS
    off = np.abs(mine - left - record_ns) > 2 * STEP_TOLERANCE_NS
    wrong = np.flatnonzero(stated & joined & off) + 1
    # Of two neighbours in a row each would be judged by the other.
    wrong = wrong[~np.isin(wrong - 1, wrong) & ~np.isin(wrong + 1, wrong)]
    if not len(wrong):
        return
    first = int(wrong[0])
    observed, as_stated = int(offsets[first]), _recorded(offsets, record_ns)
    offsets[wrong] = offsets[wrong - 1] + np.int64(record_ns)
    notes.add(
        "onset_out_of_line",
        at=f"first in record {first}",
        records=quantity(len(wrong), "record", "states", "state"),
        between=Own(f"{int(offsets[first]) / NS:.3f}"),
        stated=Own(f"{observed / NS:.3f}"),
        as_stated=exact_seconds(as_stated),
        in_line=exact_seconds(_recorded(offsets, record_ns)),
    )


def _recorded(offsets: Int64, record_ns: int) -> int:
    """Recorded time of the records whose start is known."""
    known = offsets[offsets != UNKNOWN]
    return intervals.total(intervals.union(known, known + np.int64(record_ns)))


def _note_missing(
    restored: int, lost: int, places: int, unknown: list[UnknownStart], notes: Notes
) -> None:
    if restored:
        notes.add(
            "time_keeping_restored",
            at="time-keeping annotations",
            records=quantity(restored, "record", "does", "do"),
        )
    if unknown:
        first = unknown[0]
        latest = (
            "nothing tells the latest"
            if first.latest_ns is None
            else f"at {first.latest_ns / NS:.3f} s at the latest"
        )
        notes.add(
            "record_start_unknown",
            at=f"first in records {first.first} to {first.last}",
            records=quantity(lost, "record", "does", "do"),
            places=quantity(places, "place"),
            earliest=Own(f"{first.earliest_ns / NS:.3f}"),
            latest=latest,
        )


def check_order(
    offsets_ns: Int64, record_ns: int, *, continuous: bool, rounding_ns: float, notes: Notes
) -> None:
    """Report what the sequence of starts says: jumps, overlaps, drift, a doubtful duration.

    ``rounding_ns`` is by how much the record duration may be rounded in its 8 characters: a file of
    thirds of a second written 0.333333 drifts by 1/3 us a record, which is nobody's fault.
    """
    if not len(offsets_ns) or not record_ns:
        return
    _check_first(int(offsets_ns[0]), notes)
    holes = np.diff(offsets_ns) - np.int64(record_ns)
    tolerance = _tolerance(offsets_ns, record_ns) + int(rounding_ns)
    jumps = np.flatnonzero(holes > tolerance)
    back = np.flatnonzero(holes < -tolerance)
    doubtful = _check_duration(holes, tolerance, record_ns, notes)
    if continuous and len(jumps) and not doubtful:
        total = sum(holes[jumps].tolist())
        first = int(jumps[0])
        notes.add(
            "continuous_file_jumps",
            at=f"first jump between records {first} and {first + 1}",
            times=quantity(len(jumps), "time"),
            total=Own(f"{total / NS:.3f}"),
            largest=Own(f"{int(holes[jumps].max()) / NS:.3f}"),
        )
    if len(back) and not doubtful:
        _note_back(offsets_ns, holes, back, notes)
    small = holes[np.abs(holes) <= tolerance]
    drift = int(small.sum())
    allowed = len(small) * rounding_ns + tolerance + 10 * STEP_TOLERANCE_NS
    if continuous and abs(drift) > allowed:
        notes.add(
            "onsets_drift",
            at="time-keeping annotations",
            drift=Own(f"{drift / NS:.3f}"),
            each=Own(f"{tolerance / 1000000.0:.0f}"),
            step=exact_seconds(record_ns),
            exact=Own(f"{drift / NS:.6f}"),
            small=len(small),
        )


def _tolerance(offsets_ns: Int64, record_ns: int) -> int:
    """How far a step may be off the record duration by rounding alone.

    Starts written with few decimals cannot say where the records of a third of a second begin: a
    step is then off by up to the last decimal's unit.
    """
    for unit in (NS, NS // 10, NS // 100):
        if record_ns % unit and not (offsets_ns % unit).any():
            return unit
    return STEP_TOLERANCE_NS


def _check_first(first: int, notes: Notes) -> None:
    if 0 <= first < NS:
        return
    notes.add(
        "first_onset_off",
        at="record 0",
        severity="caution" if abs(first) <= 60 * NS else "problem",
        late=Own(f"{first / NS:.3f}"),
        exact=Own(f"{first / NS:.9f}"),
    )


def _check_duration(holes: Int64, tolerance: int, record_ns: int, notes: Notes) -> bool:
    """Whether nearly every step differs from the record duration by one and the same amount."""
    if len(holes) < 10 or np.count_nonzero(np.abs(holes) > tolerance) < 0.9 * len(holes):
        return False
    usual = int(np.median(holes))
    if abs(usual) <= tolerance or (np.abs(holes - usual) <= tolerance).mean() < 0.9:
        return False
    notes.add(
        "record_duration_doubtful",
        at="field 'record duration' (byte 244)",
        duration=exact_seconds(record_ns),
        apart=exact_seconds(record_ns + usual),
        count=len(holes) + 1,
        total=Own(f"{(len(holes) + 1) * record_ns / NS:.3f}"),
        by_starts=Own(f"{(len(holes) + 1) * (record_ns + usual) / NS:.3f}"),
    )
    return True


def _note_back(offsets: Int64, holes: Int64, back: Int64, notes: Notes) -> None:
    first = int(back[0])
    backwards = int((np.diff(offsets) < 0).sum())
    notes.add(
        "onsets_run_backwards",
        at=f"first at record {first + 1}",
        records=quantity(len(back), "record", "starts", "start"),
        backwards=backwards,
        first=first,
        start=Own(f"{int(offsets[first]) / NS:.3f}"),
        next=first + 1,
        next_start=Own(f"{int(offsets[first + 1]) / NS:.3f}"),
        overlap=Own(f"{-int(holes[back].min()) / NS:.3f}"),
    )
