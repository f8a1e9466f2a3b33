"""Files, coverage, shortfall and signal as they stand in ``audit.json``."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from operator import attrgetter, itemgetter
from typing import Any

from msgspec import Struct

from auditor.model import Audit, Cause, CopyCoverage, Gap, StudyCopy, StudyFile
from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.keys import Key, Object


def span_keys(what: str) -> tuple[Key, ...]:
    """Start, end and length of anything with a start and an end on the study axis."""
    return (
        k.time("start", f"Start of {what}."),
        k.time("end", f"End of {what}, itself outside."),
        k.duration("duration_s", f"Length of {what}.", lambda s: s.end - s.start),
    )


INTERVAL = Object("A stretch of time, half open.", *span_keys("the stretch"))


def _either(readable: str, unreadable: str) -> Callable[[Any], Any]:
    """An attribute of a ``StudyFile``, or another of an ``UnreadableFile``."""
    of = attrgetter(readable), attrgetter(unreadable)
    return lambda file: of[not isinstance(file, StudyFile)](file)


def _read(get: str | Callable[[StudyFile], Any]) -> Callable[[Any], Any]:
    """``get`` of a file that could be read; ``None`` of any other."""
    held = get if callable(get) else attrgetter(get)
    return lambda file: held(file) if isinstance(file, StudyFile) else None


FILE = Object(
    "A file named like a recording, or that begins as one does. For an unreadable one every fact "
    "of its content is null.",
    k.text("name", "Path inside the study's folder.", _either("recording.name", "name")),
    k.sha256("sha256?", "Checksum of its bytes.", _either("recording.sha256", "sha256")),
    k.count("size_bytes?", "Its size in bytes.", _either("recording.size_bytes", "size_bytes")),
    k.word("format?", "What its header and bytes make it.",
           w.words("EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"), _read("recording.format")),
    k.word("role", "What became of it.", w.ROLES,
           lambda f: f.role if isinstance(f, StudyFile) else "unreadable"),
    k.word("reason_code?", "Why it is set aside or unreadable; null for counted files.",
           w.REASON_CODES, _either("reason_code", "finding.code")),
    k.text("reason", "The same in a sentence; empty for counted files."),
    k.text("copy?", "The letter of its copy (one recording device's output).", _read("copy")),
    k.time("start?", "First record's start; null where the file states no usable date.",
           _read(lambda f: f.dated.start if f.dated else None)),
    k.time("end?", "Last record's end; null as the start.",
           _read(lambda f: f.dated.end if f.dated else None)),
    k.count("records?", "Data records read.", _read("recording.records")),
    k.duration("record_s?", "Length of a data record.", _read("recording.record_ns")),
    k.duration("recorded_s?", "Length of the union of its records.", _read("recorded_ns")),
    k.count("eeg_channels?", "Channels that carry EEG.",
            _read(lambda f: len(f.recording.eeg_channels))),
    k.count("channels?", "Channels, annotations left out.",
            _read(lambda f: sum(not c.is_annotation for c in f.recording.channels))),
    k.count("annotations?", "Annotations it holds.", _read("recording.annotations_total")),
    k.number("header_record_count?", "Records that its header claims; -1 while recording.",
             _read("recording.header.record_count")),
    k.count("data_offset?", "Byte at which its first data record begins.",
            _read("recording.data_offset")),
    k.count("record_bytes?", "Bytes of a data record.", _read("recording.record_bytes")),
    k.flag("closed?", "Whether the recorder brought its header up to date.",
           _read("recording.closed")),
)  # fmt: skip

SEGMENT = Object(
    "A stretch between interruptions; dropouts may lie inside.",
    *span_keys("the segment, dropouts included"),
    k.duration("recorded_s", "Its recorded time, dropouts left out."),
    k.texts("copies", "Letters of the copies that hold some of it."),
)


CAUSE_KEYS = (
    k.word("likely_cause", "Why, as far as the files tell.", w.CAUSES, "cause.likely_cause"),
    k.word("rank?", "How strongly it is shown; null: nothing speaks.", w.RANKS, "cause.rank"),
    k.texts("evidence", "What decided, then what else was looked at.", "cause.evidence"),
    k.texts("supporting", "What is of a lower rank and fits too.", "cause.supporting"),
    k.texts("against", "What does not fit.", "cause.against"),
    k.texts("also", "Other causes shown at the same rank.", "cause.also"),
)
"""Why, with what shows it: a judgement beside the fact."""


class Explained(Struct, frozen=True):
    """An interruption and its cause."""

    gap: Gap
    cause: Cause


GAP = Object(
    "An interruption: a hole of at least the policy's gap floor inside the span.",
    k.time("start", "Last record's end before it.", "gap.start"),
    k.time("end", "Next record's start.", "gap.end"),
    k.duration("duration_s", "Its length.", "gap.duration"),
    *CAUSE_KEYS,
)
STOP = Object(
    "How the recording ended.",
    k.word("kind", "Its end against the planned end.", w.STOPS),
    *CAUSE_KEYS,
)


def explained(audit: Audit) -> Iterator[Explained]:
    """Each interruption with its cause."""
    pairs = zip(audit.coverage.gaps, audit.gap_causes, strict=True)
    return (Explained(gap, cause) for gap, cause in pairs)


COPY = Object(
    "One recording device's output.",
    k.text("name", "Its letter.", lambda c: c[0].name),
    k.text("folder", "Where its files lie.", lambda c: c[1].folder),
    k.flag("reference", "Whether its clock is the study's time line.", lambda c: c[1].reference),
    k.time("first_start", "Its first record's start.", lambda c: c[0].first_start),
    k.time("last_end", "Its last record's end.", lambda c: c[0].last_end),
    k.duration("recorded_s", "What it holds.", lambda c: c[0].recorded_ns),
    k.duration("only_here_s", "What no other copy holds.", lambda c: c[0].only_here_ns),
    k.signed("clock_offset_s?", "Its clock less the reference's at the start; null: nothing was "
             "measured.", lambda c: c[1].clock_offset_ns),
    k.number("drift_ppb?", "How much faster its clock runs, in parts per 10^9.",
             lambda c: c[1].drift_ppb),
    k.text("method", "How it was matched.", lambda c: c[1].method),
    k.many("gaps", "Holes inside its own span.", INTERVAL, lambda c: c[0].gaps),
    k.many("filled", "What it holds of other copies' holes.", INTERVAL, lambda c: c[0].filled),
)  # fmt: skip
DROPOUTS = Object(
    "Holes shorter than the policy's gap floor: never listed, never recorded.",
    k.count("count", "How many.", "dropouts_count"),
    k.duration("total_s", "All together.", "dropouts_ns"),
)


def _copies(audit: Audit) -> Iterable[tuple[CopyCoverage, StudyCopy]]:
    details = {c.name: c for c in audit.study.copies}
    return [(c, details[c.name]) for c in audit.coverage.copies]


COVERAGE = Object(
    "What was recorded: recorded + gaps + dropouts = span, to the nanosecond.",
    k.time("first_start?", "First record's start; null: no file says when it began.",
           lambda a: a.coverage.first_start if a.study.start_known else None),
    k.time("last_end?", "Last record's end; null: no file says when it began.",
           lambda a: a.coverage.last_end if a.study.start_known else None),
    k.duration("span_s", "From the one to the other.", "coverage.span_ns"),
    k.duration("recorded_s", "Length of the union of the records of all counted files; time in "
               "several files or copies counts once.", "coverage.recorded_ns"),
    k.share("coverage_fraction", "Recorded time as a share of the span.",
            lambda a: a.coverage.recorded_ns / a.coverage.span_ns),
    k.duration("longest_run_s", "Longest recorded stretch between interruptions.",
               "coverage.longest_run_ns"),
    k.duration("overlap_s", "Time covered more than once, summed over the extra coverings.",
               "coverage.overlap_ns"),
    k.duration("gaps_s", "All interruptions together.", "coverage.gaps_ns"),
    k.one("dropouts", "Dropouts.", DROPOUTS, "coverage"),
    k.many("segments", "Stretches between interruptions, in time order.", SEGMENT,
           "coverage.segments"),
    k.many("gaps", "Interruptions, in time order.", GAP, explained),
    k.many("copies", "The copies.", COPY, _copies),
)  # fmt: skip
SHORTFALL = Object(
    "How the recording falls short of the ordered window: late start + gaps + dropouts + early "
    "stop = ordered - recorded inside the window.",
    k.duration("ordered_s", "Ordered time."),
    k.duration("short_s", "Ordered less recorded over the whole study; 0 where more was recorded."),
    k.duration("late_start_s", "Window before the first record."),
    k.duration("gaps_s", "Interruptions inside the window."),
    k.duration("dropouts_s", "Dropouts inside the window."),
    k.duration("early_stop_s", "Window after the last record."),
    k.duration("outside_window_s", "Recorded, but outside the window."),
    k.duration("recorded_inside_s", "Recorded inside the window."),
    k.time("window_start", "The hook-up, else the first record.", "window.start"),
    k.time("window_end", "The planned end.", "window.end"),
)

_START = k.time("start", "Its start.")
_TIMES = (
    k.duration("recorded_s", "Recorded in it."),
    k.duration("usable_s?", "Usable in it; null: the samples were not looked at."),
    k.duration("clean_s?", "Clean in it; null: the samples were not looked at."),
)
HOUR = Object("One civil clock hour of the span.", _START, *_TIMES)
NIGHT = Object(
    "One night by the policy's hours, clipped to the span.",
    _START,
    k.time("end", "Its end."),
    *_TIMES,
)
_STATES = (
    ("signal_s", "Neither flat nor saturated."),
    ("flat_s", "Flat."),
    ("saturated_s", "Saturated: at its limits."),
    ("mains_s", "With mains artifact."),
    ("large_s", "Larger than an EEG can be."),
)
CHANNEL_HOUR = Object(
    "A channel's states in one entry of hours.",
    *(k.duration(name, meaning, itemgetter(i)) for i, (name, meaning) in enumerate(_STATES)),
)
CHANNEL = Object(
    "One channel over the whole study. States are judged by whole seconds and may hold together.",
    k.text("label", "As the files write it."),
    k.flag("eeg", "Whether it carries EEG.", "is_eeg"),
    k.text("electrode?", "Standard name of the electrode."),
    *(k.duration(name, meaning) for name, meaning in _STATES),
    k.duration("recorded_s", "Recorded time of the channel."),
    k.time("lost_at?", "From when it carried no signal until the end."),
    k.time("doubtful_from?", "From when it was nearly always flat, saturated, in artifact or too "
           "large until the end."),
    k.many("hourly", "Its states in each entry of hours.", CHANNEL_HOUR),
)  # fmt: skip
STRETCH = Object(
    "A stretch worth marking in the physician's own tools.",
    *span_keys("the stretch"),
    k.text("state", "What it was."),
    k.texts("channels", "Where."),
)
SIGNAL = Object(
    "What can be read. Without a look at the samples only 'scanned' stands here.",
    k.count("needed_channels", "EEG channels with signal that make a second usable.",
            "signal.needed_channels"),
    k.count("montage_channels", "EEG channels recorded, of which that is a share; ears and "
            "mastoids are references and left out.", "signal.montage_channels"),
    k.duration("usable_s", "Recorded time in which at least needed_channels carry signal.",
               "signal.usable_ns"),
    k.duration("clean_s", "Usable time in which as many are also free of mains artifact and of "
               "implausibly large signal.", "signal.clean_ns"),
    k.one("longest_usable_run?", "Longest usable stretch.", INTERVAL, "signal.longest_usable_run"),
    k.time("below_minimum_from?", "From when fewer than needed_channels carried signal until the "
           "end.", "signal.below_minimum_from"),
    k.many("channels", "Channels as the files order them.", CHANNEL, "signal.channels"),
    k.many("hours", "Civil clock hours of the span.", HOUR),
    k.many("nights", "Nights of the span.", NIGHT),
    k.many("bad_stretches", "Stretches worth marking.", STRETCH, "signal.bad_stretches"),
    only_if=k.flag("scanned", "Whether the samples were looked at.", "signal.scanned"),
)  # fmt: skip
