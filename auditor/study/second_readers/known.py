"""What mne and pyedflib are known to do with files of certain kinds, and how to tell such files.

Each behaviour was measured on files of known truth (mne 1.13.2, pyedflib 0.1.42); a difference
counts as explained only where our own facts of the file say that it is of that kind *and* the
library reports exactly what the behaviour predicts. What a later version does right simply agrees.
"""

from __future__ import annotations

import re
from collections.abc import Callable
from dataclasses import dataclass
from datetime import date, datetime, time
from decimal import Decimal

import numpy as np

from auditor.core.clock import civil_datetime, civil_ns
from auditor.core.durations import exact_seconds
from auditor.core.intervals import total, union
from auditor.core.units import NS
from auditor.model import Recording

_STIM = ("status", "trigger")
_SECONDS = re.compile(r"\d{1,8}(\.\d*)?", re.ASCII)


@dataclass(frozen=True, slots=True)
class Ours:
    """Our figures for one file on its own clock, in nanoseconds.

    ``recorded_ns`` is the union of its records' intervals, ``summed_ns`` the sum of their
    durations, ``start_civil_ns`` the first record's start, ``end_civil_ns`` the last end.
    ``sample_ns`` is the sampling period of its fastest channel, rounded up.
    """

    recorded_ns: int
    summed_ns: int
    records: int
    start_civil_ns: int
    end_civil_ns: int
    sample_ns: int
    whole_records: int
    """Whole records in the file's bytes, padding included."""


def our_figures(recording: Recording) -> Ours:
    """Our figures for ``recording``, from its records' starts."""
    starts = recording.offsets_ns
    ends = starts + recording.record_ns
    fastest = max(
        (c.samples_per_record for c in recording.channels if not c.is_annotation), default=0
    )
    data = recording.size_bytes - recording.data_offset
    return Ours(
        recorded_ns=int(total(union(starts, ends))),
        summed_ns=len(starts) * recording.record_ns,
        records=len(starts),
        start_civil_ns=recording.start_civil_ns + (int(starts.min()) if len(starts) else 0),
        end_civil_ns=recording.start_civil_ns + (int(ends.max()) if len(starts) else 0),
        sample_ns=-(-recording.record_ns // fastest) if fastest else NS // 1000,
        whole_records=data // recording.record_bytes if recording.record_bytes else 0,
    )


@dataclass(frozen=True, slots=True)
class Behaviour:
    """What a library is expected to report, and why that is not what we measure."""

    recorded_ns: int
    records: int
    why: tuple[str, ...]
    start_civil_ns: int | None
    why_start: tuple[str, ...]


def stated_record_ns(recording: Recording) -> int:
    """The record duration that the header states, in nanoseconds; ours where it is no number."""
    text = recording.header.record_duration
    if _SECONDS.fullmatch(text):
        return int(Decimal(text) * NS)
    return recording.record_ns


def _other_duration(recording: Recording, record_ns: int) -> list[str]:
    """Why records last ``record_ns`` for a library and not what we measure, where we know."""
    if record_ns == recording.record_ns:
        return []
    said = f"it counts {exact_seconds(record_ns)} s for each record"
    if recording.record_ns == 0 and all(c.is_annotation for c in recording.channels):
        return [f"{said} of a file that holds annotations and no signal, which records no time"]
    if any(f.code == "record_duration_unreadable" for f in recording.findings):
        return [f"{said}; the records' own starts lie {exact_seconds(recording.record_ns)} s apart"]
    return []


def mne_behaviour(recording: Recording, ours: Ours) -> Behaviour:
    """mne: whole records in the bytes, laid end to end from the header's whole second."""
    why = []
    if ours.whole_records != ours.records and (reason := beyond_the_end(recording, ours)):
        why.append(reason)
    record_ns = stated_record_ns(recording)
    if record_ns == 0:
        record_ns = NS
        if recording.record_ns != NS:
            why.append("it takes the header's record duration of 0 for 1 s")
    why += _other_duration(recording, record_ns)
    recorded = ours.whole_records * record_ns
    counts = [c.samples_per_record for c in recording.channels if not c.is_annotation]
    signals = [
        c.samples_per_record
        for c in recording.channels
        if not c.is_annotation and c.label.lower() not in _STIM
    ]
    if counts and signals and max(counts) != max(signals):
        recorded = recorded * max(counts) // max(signals)
        why.append(
            "it counts the samples of the faster status channel but divides by the sampling rate "
            "of the others"
        )
    if ours.summed_ns != ours.recorded_ns:
        why.append(overlap(ours))
    start, why_start = _mne_start(recording, ours)
    return Behaviour(recorded, ours.whole_records, tuple(why), start, tuple(why_start))


def _mne_start(recording: Recording, ours: Ours) -> tuple[int | None, list[str]]:
    stamp = civil_datetime(recording.start_civil_ns)
    day = _mne_day(recording)
    if day is None:
        return None, [
            "the two-digit date field holds no date, and it takes the recording field's only where "
            "that has five words"
        ]
    why = []
    clock = stamp.time()
    if not re.fullmatch(r" *\d+ *\. *\d+ *\. *\d+ *", recording.header.start_time):
        if clock != time(0):
            why.append("it takes the start time, which is not written as hh.mm.ss, for midnight")
        clock = time(0)
    if day != stamp.date():
        why.append("it takes the other of the two start dates that the header gives")
    late = ours.start_civil_ns - recording.start_civil_ns
    if late:
        why.append(
            f"it leaves out that the first record starts {exact_seconds(late)} s after the "
            "header's start, as the file's own time-keeping says"
        )
    return civil_ns(datetime.combine(day, clock)), why


def _mne_day(recording: Recording) -> date | None:
    """The date that mne takes: from a recording field of five words, else from the date field."""
    words = recording.header.recording.split(" ")
    if len(words) == 5:
        try:
            return datetime.strptime(words[1], "%d-%b-%Y").date()
        except ValueError:
            pass
    return short_date(recording)


def short_date(recording: Recording) -> date | None:
    """The two-digit date field's date, where it is written with dots."""
    try:
        day, month, year = (int(x) for x in recording.header.start_date.split("."))
        return date(year + (1900 if year >= 85 else 2000), month, day)
    except ValueError:
        return None


def pyedflib_behaviour(recording: Recording, ours: Ours) -> Behaviour:
    """pyedflib: as many records as the header claims, laid end to end."""
    why = []
    claimed = recording.header.record_count or 0
    if claimed > ours.records and (reason := beyond_the_end(recording, ours)):
        why.append(reason)
    if claimed < ours.records:
        why.append(
            f"it stops at the {claimed} records that the header claims; the file's bytes hold "
            f"{ours.records}"
        )
    record_ns = stated_record_ns(recording)
    why += _other_duration(recording, record_ns)
    if ours.summed_ns != ours.recorded_ns:
        why.append(overlap(ours))
    why_start = []
    stamp = recording.start_civil_ns
    day = short_date(recording)
    if day is not None and day != civil_datetime(stamp).date():
        stamp = civil_ns(datetime.combine(day, civil_datetime(stamp).time()))
        why_start.append("it takes the other of the two start dates that the header gives")
    late = ours.start_civil_ns - recording.start_civil_ns
    if "+" not in recording.format:
        late_read = 0
        if late:
            why_start.append(
                "it reads no time-keeping in a file that is not marked as EDF+ or BDF+"
            )
    else:
        late_read = late // 10
        if 0 < late < NS:
            why_start.append(
                f"it reads the fraction of a second by which the first record starts late "
                f"({exact_seconds(late)} s) ten times too small"
            )
    return Behaviour(claimed * record_ns, claimed, tuple(why), stamp + late_read, tuple(why_start))


def beyond_the_end(recording: Recording, ours: Ours) -> str:
    """Why a library that goes by the file's size counts more records, where we found padding."""
    if not any(f.code in ("padding_at_end", "surplus_records") for f in recording.findings):
        return ""
    return (
        f"it counts the {ours.whole_records - ours.records} record(s) of padding or surplus bytes "
        "after the last data record, which are no recording"
    )


def overlap(ours: Ours) -> str:
    """Why records that overlap are longer end to end than what they cover."""
    return (
        "it lays the records end to end, where the file's own time-keeping says that they cover "
        f"{exact_seconds(ours.summed_ns - ours.recorded_ns)} s twice, which count once"
    )


BEHAVIOUR: dict[str, Callable[[Recording, Ours], Behaviour]] = {
    "mne": mne_behaviour,
    "pyedflib": pyedflib_behaviour,
}
"""By library; another one is added here and in ``refusals.REFUSALS``."""


def laid_end_to_end(recording: Recording, ours: Ours) -> str:
    """What a library that shows no gap leaves out, or nothing for an uninterrupted file."""
    if recording.record_ns == 0 or len(recording.offsets_ns) < 2:
        return ""
    steps = np.diff(recording.offsets_ns) - recording.record_ns
    jumps = int((np.abs(steps) > ours.sample_ns).sum())
    if not jumps:
        return ""
    span = ours.end_civil_ns - ours.start_civil_ns
    return (
        f"It lays the records end to end and shows none of the {jumps} jump(s) in time between "
        f"them; by the file's own time-keeping they span {exact_seconds(span)} s."
    )
