"""Files, coverage, shortfall and signal as they stand in ``audit.json``."""

from __future__ import annotations

from collections.abc import Callable, Iterable
from operator import itemgetter
from typing import Any, Protocol, TypeVar

from auditor.model import (
    Audit,
    BadStretch,
    Cause,
    ChannelFacts,
    CopyCoverage,
    Coverage,
    Gap,
    HourFacts,
    Interval,
    NightFacts,
    Segment,
    Shortfall,
    SignalFacts,
    Stop,
    StudyCopy,
    StudyFile,
    UnreadableFile,
)
from auditor.outputs.data import keys as k
from auditor.outputs.data import words as w
from auditor.outputs.data.keys import Key, Object

T = TypeVar("T")
V = TypeVar("V")


class Spanned(Protocol):
    """Anything with a start and an end on the study axis."""

    @property
    def start(self) -> int: ...
    @property
    def end(self) -> int: ...


def span_keys(what: str) -> tuple[Key[Any], ...]:
    """Start, end and length of anything that is ``Spanned``."""
    return (
        k.time("start", f"Start of {what}.", lambda s: s.start),
        k.time("end", f"End of {what}, itself outside.", lambda s: s.end),
        k.duration("duration_s", f"Length of {what}.", lambda s: s.end - s.start),
    )


INTERVAL: Object[Interval] = Object("A stretch of time, half open.", span_keys("the stretch"))
HOLE: Object[Gap] = Object("A stretch of time, half open.", span_keys("the stretch"))

File = StudyFile | UnreadableFile


def _read(get: Callable[[StudyFile], V]) -> Callable[[File], V | None]:
    """``get`` of a file that could be read; ``None`` of any other."""
    return lambda file: get(file) if isinstance(file, StudyFile) else None


FILE: Object[File] = Object(
    "A file named like a recording, or that begins as one does. For an unreadable one every fact "
    "of its content is null.",
    (
        k.text("name", "Path inside the study's folder.",
               lambda f: f.recording.name if isinstance(f, StudyFile) else f.name),
        k.sha256("sha256?", "Checksum of its bytes.",
                 lambda f: f.recording.sha256 if isinstance(f, StudyFile) else f.sha256),
        k.count("size_bytes?", "Its size in bytes.",
                lambda f: f.recording.size_bytes if isinstance(f, StudyFile) else f.size_bytes),
        k.word("format?", "What its header and bytes make it.", _read(lambda f: f.recording.format),
               w.words("EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D")),
        k.word("role", "What became of it.",
               lambda f: f.role if isinstance(f, StudyFile) else "unreadable", w.ROLES),
        k.word("reason_code?", "Why it is set aside or unreadable; null for counted files.",
               lambda f: f.reason_code if isinstance(f, StudyFile) else f.finding.code,
               w.REASON_CODES),
        k.text("reason", "The same in a sentence; empty for counted files.", lambda f: f.reason),
        k.text("copy?", "The letter of its copy (one recording device's output).",
               _read(lambda f: f.copy)),
        k.time("start?", "First record's start; null where the file states no usable date.",
               _read(lambda f: f.dated.start if f.dated else None)),
        k.time("end?", "Last record's end; null as the start.",
               _read(lambda f: f.dated.end if f.dated else None)),
        k.count("records?", "Data records read.", _read(lambda f: f.recording.records)),
        k.duration("record_s?", "Length of a data record.", _read(lambda f: f.recording.record_ns)),
        k.duration("recorded_s?", "Length of the union of its records.",
                   _read(lambda f: f.recorded_ns)),
        k.count("eeg_channels?", "Channels that carry EEG.",
                _read(lambda f: len(f.recording.eeg_channels))),
        k.count("channels?", "Channels, annotations left out.",
                _read(lambda f: sum(not c.is_annotation for c in f.recording.channels))),
        k.count("annotations?", "Annotations it holds.",
                _read(lambda f: f.recording.annotations_total)),
        k.number("header_record_count?", "Records that its header claims; -1 while recording.",
                 _read(lambda f: f.recording.header.record_count)),
        k.count("data_offset?", "Byte at which its first data record begins.",
                _read(lambda f: f.recording.data_offset)),
        k.count("record_bytes?", "Bytes of a data record.",
                _read(lambda f: f.recording.record_bytes)),
        k.flag("closed?", "Whether the recorder brought its header up to date.",
               _read(lambda f: f.recording.closed)),
    ),
)  # fmt: skip

SEGMENT: Object[Segment] = Object(
    "A stretch between interruptions; dropouts may lie inside.",
    (
        *span_keys("the segment, dropouts included"),
        k.duration("recorded_s", "Its recorded time, dropouts left out.", lambda s: s.recorded_ns),
        k.texts("copies", "Letters of the copies that hold some of it.", lambda s: s.copies),
    ),
)


def cause_keys(get: Callable[[T], Cause]) -> tuple[Key[T], ...]:
    """Why, with what shows it: a judgement beside the fact."""
    return (
        k.word("likely_cause", "Why, as far as the files tell.",
               lambda x: get(x).likely_cause, w.CAUSES),
        k.word("rank?", "How strongly it is shown; null: nothing speaks.",
               lambda x: get(x).rank, w.RANKS),
        k.texts("evidence", "What decided, then what else was looked at.",
                lambda x: get(x).evidence),
        k.texts("supporting", "What is of a lower rank and fits too.",
                lambda x: get(x).supporting),
        k.texts("against", "What does not fit.", lambda x: get(x).against),
        k.texts("also", "Other causes shown at the same rank.", lambda x: get(x).also),
    )  # fmt: skip


Explained = tuple[Gap, Cause]
GAP: Object[Explained] = Object(
    "An interruption: a hole of at least the policy's gap floor inside the span.",
    (
        k.time("start", "Last record's end before it.", lambda g: g[0].start),
        k.time("end", "Next record's start.", lambda g: g[0].end),
        k.duration("duration_s", "Its length.", lambda g: g[0].duration),
        *cause_keys(lambda g: g[1]),
    ),
)
STOP: Object[Stop] = Object(
    "How the recording ended.",
    (
        k.word("kind", "Its end against the planned end.", lambda s: s.kind, w.STOPS),
        *cause_keys(lambda s: s.cause),
    ),
)


def explained(audit: Audit) -> Iterable[Explained]:
    """Each interruption with its cause."""
    return zip(audit.coverage.gaps, audit.gap_causes, strict=True)


Copy = tuple[CopyCoverage, StudyCopy]
COPY: Object[Copy] = Object(
    "One recording device's output.",
    (
        k.text("name", "Its letter.", lambda c: c[0].name),
        k.text("folder", "Where its files lie.", lambda c: c[1].folder),
        k.flag("reference", "Whether its clock is the study's time line.",
               lambda c: c[1].reference),
        k.time("first_start", "Its first record's start.", lambda c: c[0].first_start),
        k.time("last_end", "Its last record's end.", lambda c: c[0].last_end),
        k.duration("recorded_s", "What it holds.", lambda c: c[0].recorded_ns),
        k.duration("only_here_s", "What no other copy holds.", lambda c: c[0].only_here_ns),
        k.duration("clock_offset_s?", "Its clock less the reference's at the start; null: nothing "
                   "was measured.", lambda c: c[1].clock_offset_ns, signed=True),
        k.number("drift_ppb?", "How much faster its clock runs, in parts per 10^9.",
                 lambda c: c[1].drift_ppb),
        k.text("method", "How it was matched.", lambda c: c[1].method),
        k.text("confidence", "How surely.", lambda c: c[1].confidence),
        k.many("gaps", "Holes inside its own span.", lambda c: c[0].gaps, HOLE),
        k.many("filled", "What it holds of other copies' holes.", lambda c: c[0].filled, INTERVAL),
    ),
)  # fmt: skip
DROPOUTS: Object[Coverage] = Object(
    "Holes shorter than the policy's gap floor: never listed, never recorded.",
    (
        k.count("count", "How many.", lambda c: c.dropouts_count),
        k.duration("total_s", "All together.", lambda c: c.dropouts_ns),
    ),
)


def _copies(audit: Audit) -> Iterable[Copy]:
    details = {c.name: c for c in audit.study.copies}
    return [(c, details[c.name]) for c in audit.coverage.copies]


COVERAGE: Object[Audit] = Object(
    "What was recorded: recorded + gaps + dropouts = span, to the nanosecond.",
    (
        k.time("first_start?", "First record's start; null: no file says when it began.",
               lambda a: a.coverage.first_start if a.study.start_known else None),
        k.time("last_end?", "Last record's end; null: no file says when it began.",
               lambda a: a.coverage.last_end if a.study.start_known else None),
        k.duration("span_s", "From the one to the other.", lambda a: a.coverage.span_ns),
        k.duration("recorded_s", "Length of the union of the records of all counted files; time in "
                   "several files or copies counts once.", lambda a: a.coverage.recorded_ns),
        k.share("coverage_fraction", "Recorded time as a share of the span.",
                lambda a: a.coverage.recorded_ns / a.coverage.span_ns),
        k.duration("longest_run_s", "Longest recorded stretch between interruptions.",
                   lambda a: a.coverage.longest_run_ns),
        k.duration("overlap_s", "Time covered more than once, summed over the extra coverings.",
                   lambda a: a.coverage.overlap_ns),
        k.duration("gaps_s", "All interruptions together.", lambda a: a.coverage.gaps_ns),
        k.one("dropouts", "Dropouts.", lambda a: a.coverage, DROPOUTS),
        k.many("segments", "Stretches between interruptions, in time order.",
               lambda a: a.coverage.segments, SEGMENT),
        k.many("gaps", "Interruptions, in time order.", explained, GAP),
        k.many("copies", "The copies.", _copies, COPY),
    ),
)  # fmt: skip
SHORTFALL: Object[Shortfall] = Object(
    "How the recording falls short of the ordered window: late start + gaps + dropouts + early "
    "stop = ordered - recorded inside the window.",
    (
        k.duration("ordered_s", "Ordered time.", lambda s: s.ordered_ns),
        k.duration("short_s", "Ordered less recorded over the whole study; 0 where more was "
                   "recorded.", lambda s: s.short_ns),
        k.duration("late_start_s", "Window before the first record.", lambda s: s.late_start_ns),
        k.duration("gaps_s", "Interruptions inside the window.", lambda s: s.gaps_ns),
        k.duration("dropouts_s", "Dropouts inside the window.", lambda s: s.dropouts_ns),
        k.duration("early_stop_s", "Window after the last record.", lambda s: s.early_stop_ns),
        k.duration("outside_window_s", "Recorded, but outside the window.",
                   lambda s: s.outside_window_ns),
        k.duration("recorded_inside_s", "Recorded inside the window.",
                   lambda s: s.recorded_inside_ns),
        k.time("window_start", "The hook-up, else the first record.", lambda s: s.window.start),
        k.time("window_end", "The planned end.", lambda s: s.window.end),
    ),
)  # fmt: skip

HOUR: Object[HourFacts] = Object(
    "One civil clock hour of the span.",
    (
        k.time("start", "Its start.", lambda h: h.start),
        k.duration("recorded_s", "Recorded in it.", lambda h: h.recorded_ns),
        k.duration("usable_s?", "Usable in it; null: the samples were not looked at.",
                   lambda h: h.usable_ns),
        k.duration("clean_s?", "Clean in it; null: the samples were not looked at.",
                   lambda h: h.clean_ns),
    ),
)  # fmt: skip
NIGHT: Object[NightFacts] = Object(
    "One night by the policy's hours, clipped to the span.",
    (
        k.time("start", "Its start.", lambda n: n.start),
        k.time("end", "Its end.", lambda n: n.end),
        k.duration("recorded_s", "Recorded in it.", lambda n: n.recorded_ns),
        k.duration("usable_s?", "Usable in it; null: the samples were not looked at.",
                   lambda n: n.usable_ns),
        k.duration("clean_s?", "Clean in it; null: the samples were not looked at.",
                   lambda n: n.clean_ns),
    ),
)  # fmt: skip
States = tuple[int, int, int, int, int]
_STATES = (
    ("signal_s", "Neither flat nor saturated."),
    ("flat_s", "Flat."),
    ("saturated_s", "Saturated: at its limits."),
    ("mains_s", "With mains artifact."),
    ("large_s", "Larger than an EEG can be."),
)
CHANNEL_HOUR: Object[States] = Object(
    "A channel's states in one entry of hours.",
    tuple(k.duration(name, meaning, itemgetter(i)) for i, (name, meaning) in enumerate(_STATES)),
)
CHANNEL: Object[ChannelFacts] = Object(
    "One channel over the whole study. States are judged by whole seconds and may hold together.",
    (
        k.text("label", "As the files write it.", lambda c: c.label),
        k.flag("eeg", "Whether it carries EEG.", lambda c: c.is_eeg),
        k.text("electrode?", "Standard name of the electrode.", lambda c: c.electrode),
        k.duration("signal_s", "Neither flat nor saturated.", lambda c: c.signal_ns),
        k.duration("flat_s", "Flat.", lambda c: c.flat_ns),
        k.duration("saturated_s", "Saturated: at its limits.", lambda c: c.saturated_ns),
        k.duration("mains_s", "With mains artifact.", lambda c: c.mains_ns),
        k.duration("large_s", "Larger than an EEG can be.", lambda c: c.large_ns),
        k.duration("recorded_s", "Recorded time of the channel.", lambda c: c.recorded_ns),
        k.time("lost_at?", "From when it carried no signal until the end.", lambda c: c.lost_at),
        k.time("doubtful_from?", "From when it was nearly always flat, saturated, in artifact or "
               "too large until the end.", lambda c: c.doubtful_from),
        k.many("hourly", "Its states in each entry of hours.", lambda c: c.hourly, CHANNEL_HOUR),
    ),
)  # fmt: skip
MINUTE: Object[tuple[int, int]] = Object(
    "A minute of which some, not all, recorded time was usable.",
    (
        k.time("start", "Its start.", lambda m: m[0]),
        k.duration("usable_s", "Usable in it.", lambda m: m[1]),
    ),
)
STRETCH: Object[BadStretch] = Object(
    "A stretch worth marking in the physician's own tools.",
    (
        *span_keys("the stretch"),
        k.text("state", "What it was.", lambda b: b.state),
        k.texts("channels", "Where.", lambda b: b.channels),
    ),
)


def _signal(get: Callable[[SignalFacts], V]) -> Callable[[Audit], V]:
    return lambda audit: get(audit.signal)


SIGNAL: Object[Audit] = Object(
    "What can be read. Without a look at the samples only 'scanned' stands here.",
    (
        k.count("needed_channels", "EEG channels with signal that make a second usable.",
                _signal(lambda s: s.needed_channels)),
        k.count("montage_channels", "EEG channels recorded, of which that is a share; ears and "
                "mastoids are references and left out.",
                _signal(lambda s: s.montage_channels)),
        k.duration("usable_s", "Recorded time in which at least needed_channels carry signal.",
                   _signal(lambda s: s.usable_ns)),
        k.duration("clean_s", "Usable time in which as many are also free of mains artifact and of "
                   "implausibly large signal.", _signal(lambda s: s.clean_ns)),
        k.one("longest_usable_run?", "Longest usable stretch.",
              _signal(lambda s: s.longest_usable_run), INTERVAL),
        k.time("below_minimum_from?", "From when fewer than needed_channels carried signal until "
               "the end.", _signal(lambda s: s.below_minimum_from)),
        k.many("channels", "Channels as the files order them.",
               _signal(lambda s: s.channels), CHANNEL),
        k.many("hours", "Civil clock hours of the span.", lambda a: a.hours, HOUR),
        k.many("nights", "Nights of the span.", lambda a: a.nights, NIGHT),
        k.many("usable_minutes", "Minutes usable in part.",
               _signal(lambda s: s.usable_minutes), MINUTE),
        k.many("bad_stretches", "Stretches worth marking.",
               _signal(lambda s: s.bad_stretches), STRETCH),
    ),
    (
        k.flag("scanned", "Whether the samples were looked at.", lambda a: a.signal.scanned),
        lambda a: a.signal.scanned,
    ),
)  # fmt: skip
