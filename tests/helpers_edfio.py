"""edfio as a third reader, for the comparison table: what it says and what it is known to do.

Behaviour measured on files of known truth with edfio 0.4.18.
"""

from __future__ import annotations

import warnings
from datetime import datetime
from importlib.metadata import version
from pathlib import Path

from auditor.core.clock import civil_datetime, civil_ns
from auditor.core.units import NS
from auditor.model import Recording
from auditor.study.second_readers import known, refusals
from auditor.study.second_readers.known import Behaviour, Ours
from auditor.study.second_readers.process import Answer
from auditor.study.second_readers.refusals import Fact

EDFIO = f"edfio {version('edfio')}"


def ask_edfio(path: Path, bdf: bool) -> Answer:
    """What edfio reads of a file of ours (in this process: only for files that we trust)."""
    import edfio

    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        try:
            edf = (edfio.read_bdf if bdf else edfio.read_edf)(str(path))
            recorded, records = round(edf.duration * NS), edf.num_data_records
            _ = edf.is_continuous  # reads every record's time-keeping
        except Exception as error:  # whatever it raises is its answer
            return Answer(refused=f"{type(error).__name__}: {error}"[:200])
        try:
            start = civil_ns(datetime.combine(edf.startdate, edf.starttime))
        except (ValueError, IndexError):  # its own AnonymizedDateError is a ValueError
            start = None
    return Answer(recorded_ns=recorded, start_civil_ns=start, records=records)


def edfio_behaviour(recording: Recording, ours: Ours) -> Behaviour:
    """edfio: whole records in the bytes, laid end to end; it does read the sub-second."""
    why = []
    if ours.whole_records != ours.records and (reason := known.beyond_the_end(recording, ours)):
        why.append(reason)
    if ours.summed_ns != ours.recorded_ns:
        why.append(known.overlap(ours))
    start: int | None = ours.start_civil_ns
    why_start = []
    words = recording.header.recording.split(" ")
    if words[0] == "Startdate" and words[1:2] == ["X"]:
        start = None
        why_start.append("it takes an X in the recording field for a date that is not to be told")
    elif known.short_date(recording) is None:
        start = None
        why_start.append("the two-digit date field holds no date; ours comes from the other field")
    elif recording.offsets_ns.size and recording.offsets_ns[0] != recording.offsets_ns.min():
        start = recording.start_civil_ns + int(recording.offsets_ns[0])
        why_start.append("it takes the first record in the file for the earliest")
    whole = ours.whole_records
    stated = recording.header.header_bytes
    if stated is not None and stated != recording.data_offset:
        whole = (recording.size_bytes - stated) // recording.record_bytes
        why.append("it believes the length that the header states of itself, which is wrong")
    return Behaviour(whole * recording.record_ns, whole, tuple(why), start, tuple(why_start))


_REFUSALS: tuple[tuple[str, tuple[Fact, ...]], ...] = (
    (
        r"No valid annotations found",
        (refusals.untimed, refusals.untimed_tail, refusals.header_size),
    ),
    (r"IndexError", (refusals.header_size,)),
    (r"UnicodeDecodeError", (refusals.annotation_bytes,)),
    (r"invalid literal for int", (refusals.never_closed, refusals.scale, refusals.signal_count)),
    (r"could not convert string to float", (refusals.duration_form, refusals.scale)),
    (r"sampling_frequency|ZeroDivisionError|division by zero", (refusals.duration_form,)),
)

known.BEHAVIOUR["edfio"] = edfio_behaviour
refusals.REFUSALS["edfio"] = _REFUSALS


def civil_text(ns: int | None) -> str:
    """A start for the table."""
    return "" if ns is None else civil_datetime(ns).isoformat()
