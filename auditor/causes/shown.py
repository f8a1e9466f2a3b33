"""What shows a cause: a witness says it, or a pattern of the files shows it.

Each function looks at an ``Event`` and gives one sentence of evidence, or ``None``.
"""

from __future__ import annotations

from collections.abc import Iterable

from auditor.causes.evidence import Event, Kind, Piece
from auditor.core.durations import in_words
from auditor.core.text import printable, quantity
from auditor.core.units import HOUR, MINUTE, NS

ELECTRODES_NS = HOUR
"""Electrodes lost so long before the end may be why it ended."""
CHANGE_NS = (20 * NS, 30 * MINUTE)
"""A change of batteries takes about so long."""
REGULAR_NS = 10 * NS
"""A file so close to what the others hold is a whole one."""
FILE_LIMITS = (
    (4 * 1024**3 - 1, "4 GiB less one byte, the most that a FAT32 card holds in one file"),
    (2 * 1024**3 - 1, "2 GiB less one byte, the most that signed 32-bit file positions reach"),
)
"""Largest files: a FAT32 directory entry holds a size in 32 bits (from memory)."""
FILE_SLACK = 1024**2
"""A file is at a limit where no further record and so many bytes would fit: recorders that watch
the limit stop a little before it."""


def _size_of(piece: Piece) -> str:
    return f"{piece.name} has {piece.file.recording.size_bytes} bytes"


# Witnesses.


def cut_short(event: Event) -> str | None:
    piece = event.before
    if piece is None or not piece.claimed_missing:
        return None
    missing, record = piece.claimed_missing, piece.file.recording.record_ns
    lost = missing * record
    text = (
        f"{piece.name} counts {quantity(missing, 'record')} in its header that it does not hold, "
        f"{in_words(lost, up=True)} of recording"
    )
    if event.gap is None:
        return f"The last file, {text}."
    fit = "which fits into" if lost <= event.length + record else "more than"
    return f"{text}, {fit} the interruption."


def size_limit(event: Event) -> str | None:
    piece = event.before
    if piece is None or event.length > CHANGE_NS[1]:
        return None
    room = piece.file.recording.record_bytes + FILE_SLACK
    for limit, name in FILE_LIMITS:
        if 0 <= limit - piece.file.recording.size_bytes < room:
            return f"{_size_of(piece)}: no further record fits under {name}."
    return None


MEANINGS: dict[Kind, str] = {
    "card_full": "says that there was no room left.",
    "power_low": "says that power was low or lost.",
    "supply_unplugged": "says that the supply was unplugged.",
    "power_change": "tells of a change of batteries or supply.",
    "electrode": "tells of electrodes that came off.",
    "patient": "says that the patient or a caregiver stopped or disconnected it.",
    "technologist": "says that a technologist stopped it or took it down.",
    "person": "says that somebody stopped or disconnected it.",
    "clock": "tells of a change of the clock.",
    "fault": "tells of a fault.",
}


PERSONS: frozenset[Kind] = frozenset(("patient", "technologist", "person"))


def said(kind: Kind, event: Event) -> str | None:
    """The witness of an annotation; no more than a fact where a take-down as planned is noted."""
    if kind not in event.said or (kind not in PERSONS and taken_down(event)):
        return None
    return sentence(event, kind)


def sentence(event: Event, kind: Kind) -> str:
    return f"Near {event.where}, {event.known.words.quoted(event.said[kind])} {MEANINGS[kind]}"


def taken_down(event: Event) -> bool:
    """The recording reached its planned end, and somebody is said to have ended it."""
    return event.reached_plan and bool(event.said.keys() & PERSONS)


def power_warned(event: Event) -> str | None:
    if event.warned is None or event.reached_plan or "power_low" in event.said:
        return None
    earlier = in_words(event.start - event.warned.at)
    quoted = event.known.words.quoted(event.warned)
    return f"{earlier} before {event.where}, {quoted} warns of low power."


# Patterns.


def at_plan(event: Event) -> str | None:
    planned = event.known.planned_end
    if not event.reached_plan or planned is None:
        return None
    apart = event.start - planned
    if event.kind == "late":
        return f"The recording ended {in_words(apart)} after the planned end."
    away = f"{in_words(abs(apart), up=True)} from" if apart else "exactly at"
    return f"The recording ended {away} the planned end."


def clock_found(event: Event) -> str | None:
    """What the study's own findings say of the clocks at a gap."""
    if event.gap is None:
        return None
    for finding in event.known.study.findings:
        if finding.code not in ("daylight_saving_not_followed", "clock_may_have_stepped"):
            continue
        span, after = finding.span, event.after
        here = span is not None and span.start <= event.end and event.start <= span.end
        if here or (after is not None and finding.file == after.file.recording.name):
            return f"A finding on the clock: {finding.text}"
    return None


def clock_other(event: Event) -> str | None:
    """The planned end is reached under the other interpretation that a finding gives."""
    known = event.known
    if event.kind != "early" or known.planned_end is None:
        return None
    missing = known.planned_end - event.start
    for finding in known.study.findings:
        other = finding.other_recorded_ns
        if other is None:
            continue
        if abs(other - known.coverage.recorded_ns - missing) <= known.tolerance_ns:
            return (
                "By the other interpretation of a finding the planned end was reached: "
                f"{finding.text}"
            )
    return None


def clock_span(event: Event) -> str | None:
    """An end away from the plan after exactly the ordered time: one of the clocks is wrong."""
    known = event.known
    if event.kind != "early" or known.order is None:
        return None
    if abs(known.coverage.span_ns - known.order.ordered_ns) > known.tolerance_ns:
        return None
    return (
        "From its first record on, the recording lasted as long as was ordered: the recorder's "
        "clock or the noted hook-up may be wrong."
    )


def unreadable(event: Event) -> str | None:
    names = (u.name for u in event.known.study.unreadable)
    return _uncounted(event, names, "could not be read")


def aside(event: Event) -> str | None:
    names = (f.recording.name for f in event.known.study.set_aside)
    return _uncounted(event, names, "was set aside")


def _uncounted(event: Event, names: Iterable[str], told: str) -> str | None:
    """A file of the number that is wanted there, which is not counted."""
    before, after = event.before, event.after
    if before is None or (after is None and event.gap is not None):
        return None
    name = event.known.files.uncounted(names, before, after)
    if name is None:
        return None
    if after is None:
        return f"By its number, {name} follows the last file {before.name} and {told}."
    return f"By its number, {name} lies between {before.name} and {after.name} and {told}."


def missing_between(event: Event) -> str | None:
    gone = None if event.gap is None else event.known.files.missing(event.gap)
    if gone is None or gone.unreadable or gone.set_aside:
        return None
    shown = [
        *(["the recorder's rhythm"] if gone.schedule else []),
        *(["the files' numbers"] if gone.numbers else []),
    ]
    missing = quantity(gone.files, "file", "is", "are")
    return (
        f"By {' and '.join(shown)}, {missing} missing between {printable(gone.before)} and "
        f"{printable(gone.after)}."
    )


def missing_after(event: Event) -> str | None:
    piece = event.before
    if event.kind != "early" or piece is None or not piece.file.recording.closed:
        return None
    schedule = event.known.files.schedule(piece)
    if schedule is None or abs(piece.end - piece.start - schedule.length_ns) > REGULAR_NS:
        return None
    return (
        f"A new file begins every {in_words(schedule.period_ns)} and the last file is a whole one: "
        "another may have followed it."
    )


def scheduled(event: Event) -> str | None:
    if event.before is None or event.after is None or event.length > CHANGE_NS[1]:
        return None
    pieces = event.known.files.schedule(event.after)
    if pieces is None or event.after.file.recording.name not in pieces.regular:
        return None
    usual = max(0, pieces.period_ns - pieces.length_ns)
    each = f", and loses about {in_words(usual)} at each" if usual else ""
    return f"The recorder begins a new file every {in_words(pieces.period_ns)}{each}."


def never_closed(event: Event) -> str | None:
    piece = event.before
    if piece is None or piece.file.recording.closed or event.reached_plan:
        return None
    which = "The last file" if event.gap is None else "The file before"
    return f"{which}, {piece.name}, was never closed: the recorder was cut off while it wrote."


def jumped(event: Event) -> str | None:
    piece = event.inside
    if piece is None or not piece.file.recording.format.endswith("+C"):
        return None
    return (
        f"{piece.name} calls itself uninterrupted, yet its records jump here: the recorder lost "
        "time without knowing it."
    )


def all_electrodes(event: Event) -> str | None:
    signal = event.known.signal
    if event.gap is not None or signal is None or not signal.scanned or event.reached_plan:
        return None
    eeg = [c for c in signal.channels if c.is_eeg]
    gone = [c.lost_at for c in eeg if c.lost_at is not None]
    if not eeg or len(gone) < len(eeg) or event.start - min(gone) > ELECTRODES_NS:
        return None
    return (
        f"All {len(eeg)} EEG channels were lost within the last "
        f"{in_words(event.start - min(gone), up=True)}: the electrodes were taken off or the input "
        "was unplugged while it recorded."
    )


def few_electrodes(event: Event) -> str | None:
    signal = event.known.signal
    if event.gap is not None or signal is None or not signal.scanned:
        return None
    since = signal.below_minimum_from
    if since is None or since >= event.start:
        return None
    few = f"fewer than {signal.needed_channels} EEG channels carried signal"
    return f"For the last {in_words(event.start - since, up=True)}, {few}"


def lost_at_end(event: Event) -> str | None:
    """Too few electrodes shortly before an end that was not the planned one."""
    signal, few = event.known.signal, few_electrodes(event)
    if signal is None or few is None or event.reached_plan:
        return None
    late = event.start - (signal.below_minimum_from or 0) <= ELECTRODES_NS
    return f"{few}." if late and not all_electrodes(event) else None
