"""Why mne and pyedflib refuse files that can be audited: their words, and the fact behind them.

A refusal is explained only where a fact of the file, found by our own reader, is of the kind that
the library's words speak of. Words as of mne 1.13.2 and pyedflib 0.1.42.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterable
from datetime import date

import numpy as np

from auditor.edf.subfields import subfield_date
from auditor.model import Recording

Fact = Callable[[Recording], str]
"""What in the file a library objects to, as the end of a sentence; empty where it does not hold."""

_STAMP = re.compile(r"(\d\d)\.(\d\d)\.(\d\d)")
_NUMBER = re.compile(r"[+-]?\d+(\.\d*)?")


def _plus(recording: Recording) -> bool:
    return "+" in recording.format


def _has(recording: Recording, *codes: str) -> bool:
    return any(f.code in codes for f in recording.findings)


def _not_ascii(texts: Iterable[str]) -> bool:
    return any(not 32 <= ord(c) <= 126 for text in texts for c in text)


def discontinuous(recording: Recording) -> str:
    """The file is marked as one that may be interrupted."""
    if recording.format.endswith("D"):
        return f"the file is marked {recording.format}, and it reads uninterrupted recordings only"
    return ""


def never_closed(recording: Recording) -> str:
    """The header holds no count of records."""
    count = recording.header.record_count
    if count is None or count < 1:
        return (
            "the header's record count was never filled in; how many records there are follows "
            "from the file's size"
        )
    return ""


def shorter_than_claimed(recording: Recording) -> str:
    """The header claims more records than the bytes hold."""
    count = recording.header.record_count or 0
    data = recording.size_bytes - recording.data_offset
    if count * recording.record_bytes > data:
        return (
            f"the header claims {count} records and the file holds "
            f"{data // recording.record_bytes} whole ones; those are what was recorded"
        )
    return ""


def uneven(recording: Recording) -> str:
    """An uninterrupted file whose records do not start exactly where the last one ended."""
    if not recording.format.endswith("C") or len(recording.offsets_ns) < 2:
        return ""
    off = int((np.diff(recording.offsets_ns) != recording.record_ns).sum())
    if off:
        return (
            f"the file is marked as uninterrupted, yet {off} of its records do not start exactly "
            "where the one before ended; each record's own stated start is what is measured here"
        )
    return ""


def untimed(recording: Recording) -> str:
    """Records without a time-keeping annotation."""
    if _plus(recording) and (
        recording.unknown_starts
        or _has(recording, "time_keeping_absent", "time_keeping_restored", "record_start_unknown")
    ):
        return "records without a time-keeping annotation stand in it; they are named in a finding"
    return ""


def untimed_tail(recording: Recording) -> str:
    """Padding or surplus records after the last data record."""
    timed = any(c.is_annotation for c in recording.channels)
    if timed and _has(recording, "padding_at_end", "surplus_records"):
        return "padding or surplus bytes without time-keeping follow the last data record"
    return ""


def doubted_onset(recording: Recording) -> str:
    """A record whose stated start was not taken."""
    if _has(recording, "onset_out_of_line"):
        return "a record states a start at which the records beside it were running"
    return ""


def late_first_onset(recording: Recording) -> str:
    """A first onset that is not +0.X."""
    if _plus(recording) and len(recording.offsets_ns) and not 0 <= recording.offsets_ns[0] < 10**9:
        return "its first record does not start within the second that the header names"
    return ""


def header_text(recording: Recording) -> str:
    """Bytes beyond printable ASCII in the header, or fields that begin with a space."""
    header = recording.header
    if _not_ascii((header.patient, header.recording, header.reserved)) or _has(
        recording, "header_not_ascii"
    ):
        return "the header holds bytes other than printable ASCII characters"
    if _has(recording, "header_not_left_justified"):
        return "header fields do not begin at their first character"
    return ""


def signal_text(recording: Recording) -> str:
    """Bytes beyond printable ASCII in a signal's header."""
    texts = (
        text
        for c in recording.channels
        for text in (c.label, c.transducer, c.dimension, c.prefilter)
    )
    if _not_ascii(texts):
        return "a channel's header holds bytes other than printable ASCII characters"
    return ""


def annotation_signal_header(recording: Recording) -> str:
    """An annotation signal whose header holds something else than the format puts there."""
    lowest = -(1 << (8 * recording.sample_bytes - 1))
    if any(
        c.is_annotation and (c.digital_min, c.digital_max) != (lowest, -lowest - 1)
        for c in recording.channels
    ):
        return "an annotation signal's digital limits are not the whole range of its samples"
    if any(c.is_annotation and (c.transducer or c.prefilter) for c in recording.channels):
        return "header fields that stay blank for an annotation signal are not blank"
    return ""


def patient_form(recording: Recording) -> str:
    """A patient field of an EDF+ file without the four subfields that it must have."""
    if not _plus(recording):
        return ""
    words = recording.header.patient.split(" ")
    if len(words) < 4 or words[1] not in ("F", "M", "X") or not _birth(words[2]):
        return "the patient field does not have the four parts that EDF+ asks for"
    return ""


def _birth(word: str) -> bool:
    return word == "X" or subfield_date(word) is not None


def recording_form(recording: Recording) -> str:
    """A recording field of an EDF+ file that is not of the required form, or of another date."""
    if not _plus(recording):
        return ""
    words = recording.header.recording.split(" ")
    if len(words) < 5 or words[0] != "Startdate":
        return "the recording field does not have the parts that EDF+ asks for"
    stated, short = subfield_date(words[1]), _stamp_date(recording.header.start_date)
    if words[1] != "X" and stated is None:
        return "the start date in the recording field is no date"
    if stated is not None and stated != short:
        return "the header gives two different start dates"
    return ""


def _stamp_date(text: str) -> date | None:
    match = _STAMP.fullmatch(text)
    if match is None:
        return None
    day, month, year = (int(x) for x in match.groups())
    try:
        return date(year + (1900 if year >= 85 else 2000), month, day)
    except ValueError:
        return None


def date_form(recording: Recording) -> str:
    """A start date that is not dd.mm.yy."""
    if _stamp_date(recording.header.start_date) is None:
        return "the start date is not written as dd.mm.yy"
    return ""


def time_form(recording: Recording) -> str:
    """A start time that is not hh.mm.ss."""
    match = _STAMP.fullmatch(recording.header.start_time)
    if match is None or any(
        int(x) >= most for x, most in zip(match.groups(), (24, 60, 60), strict=True)
    ):
        return "the start time is not written as hh.mm.ss"
    return ""


def scale(recording: Recording) -> str:
    """Limits of a channel that cannot be scaled by."""
    for c in recording.channels:
        bad = math.isnan(c.physical_min) or math.isnan(c.physical_max)
        if bad or c.physical_min == c.physical_max or c.digital_max <= c.digital_min:
            return "a channel's limits cannot be scaled by; durations do not depend on them"
    if _has(recording, "channel_scale_unreadable", "channel_scale_wrong"):
        return "a channel's limits cannot be scaled by; durations do not depend on them"
    return ""


def duration_form(recording: Recording) -> str:
    """A record duration that is not a plain number above 0."""
    text = recording.header.record_duration
    if not _NUMBER.fullmatch(text):
        return "the record duration is not written as a plain number with a decimal point"
    if not text.strip("+-0."):
        return "the header states a record duration of 0"
    return ""


def header_size(recording: Recording) -> str:
    """A header length that is not 256 bytes and 256 for each signal."""
    header = recording.header
    if header.header_bytes != 256 * (header.signals + 1):
        return "the header misstates its own length; the number of signals gives it"
    return ""


def reserved_form(recording: Recording) -> str:
    """A reserved field that names no known kind of file."""
    known = {"EDF": "", "BDF": "24BIT"}.get(recording.format, recording.format)
    if recording.header.reserved != known:
        return "the header's reserved field does not hold what the format puts there"
    return ""


def annotation_label(recording: Recording) -> str:
    """An EDF+ or BDF+ file without an annotation signal of the name that the format gives it."""
    wanted = f"{recording.format[:3]} Annotations"
    if _plus(recording) and not any(c.label == wanted for c in recording.channels):
        return f"it is marked {recording.format}, and no signal in it is called '{wanted}'"
    return ""


def version_field(recording: Recording) -> str:
    """A damaged version field."""
    if _has(recording, "version_wrong", "format_contradiction"):
        return "the header's version field is damaged or contradicts the reserved field"
    return ""


def empty_channel(recording: Recording) -> str:
    """A channel of 0 samples per record."""
    if any(c.samples_per_record < 1 for c in recording.channels):
        return "a channel holds no samples"
    return ""


def signal_count(recording: Recording) -> str:
    """A number of signals that cannot be as stated, or that the library does not provide for."""
    if _has(recording, "signal_count_wrong"):
        return "the header misstates the number of signals; its length field gives it"
    if len(recording.channels) > 640:
        return f"it has {len(recording.channels)} signals"
    return ""


def other_name(recording: Recording) -> str:
    """A file not named after its format."""
    wanted = f".{recording.format[:3].lower()}"
    if recording.path.suffix.lower() != wanted:
        return f"it reads only files whose name ends in {wanted}"
    return ""


def annotation_bytes(recording: Recording) -> str:
    """Annotation bytes that are not UTF-8 or not of the required form."""
    if _has(recording, "annotations_malformed", "annotation_not_utf8"):
        return "the annotations hold bytes that break the format; they are named in a finding"
    return ""


def path_bytes(recording: Recording) -> str:
    """A path that is not text."""
    try:
        str(recording.path).encode("utf-8")
    except UnicodeEncodeError:
        return "the file's name is not UTF-8 text"
    return ""


_PYEDFLIB: tuple[tuple[str, tuple[Fact, ...]], ...] = (
    (r"discontinuous", (discontinuous,)),
    (r"Number of Datarecords", (never_closed, header_text)),
    (r"Filesize", (shorter_than_claimed,)),
    (r"startdate is incorrect", (date_form, header_text)),
    (r"starttime is incorrect", (time_form, header_text)),
    (r"EDF\+ Recordingfield", (recording_form, header_text)),
    (r"EDF\+ Patientname", (patient_form, header_text)),
    (r"label is incorrect", (signal_text, annotation_label, header_text)),
    (
        r"transducer is incorrect|Physical Dimension|Prefilter",
        (signal_text, annotation_signal_header, header_text),
    ),
    (r"(Physical|Digital) (Maximum|Minimum)", (scale, annotation_signal_header, header_text)),
    (r"Duration", (duration_form, header_text)),
    (r"Bytes Header", (header_size, signal_count, header_text)),
    (r"Reserved field", (reserved_form, header_text)),
    (r"Sample in Datarecord", (empty_channel, header_text)),
    (r"[Nn]umber of signals", (signal_count, header_text)),
    (r"annotation value could not be read", (annotation_bytes, untimed)),
    (
        r"contains format errors",
        (uneven, untimed, untimed_tail, doubted_onset, late_first_onset, annotation_bytes,
         patient_form, recording_form, header_text, reserved_form, duration_form, version_field),
    ),
    (r"UnicodeEncodeError", (path_bytes,)),
)  # fmt: skip
_MNE: tuple[tuple[str, tuple[Fact, ...]], ...] = (
    (r"Only (EDF|BDF) files are supported", (other_name,)),
    (r"invalid byte in at least one annotations channel", (annotation_bytes, untimed_tail)),
    (r"could not convert string to float", (duration_form, scale, signal_count, header_text)),
    (r"must be in 0\.\.", (time_form,)),
    (r"AssertionError|Bad (EDF|BDF) file", (header_size,)),
    (r"UnicodeDecodeError", (header_text, signal_text)),
    (r"invalid literal for int", (never_closed, scale, signal_count, header_text)),
    (r"UnicodeEncodeError", (path_bytes,)),
)
REFUSALS = {"mne": _MNE, "pyedflib": _PYEDFLIB}


def explain_refusal(library: str, words: str, recording: Recording) -> str:
    """The fact of the file behind a refusal in ``words``; empty where none is known."""
    for pattern, facts in REFUSALS[library]:
        if re.search(pattern, words):
            found = [text for text in (fact(recording) for fact in facts) if text]
            if found:
                return "; ".join(found)
    return ""
