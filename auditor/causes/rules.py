"""The rules for causes: one table, the same words for the end and for an interruption.

Each rule is a pure function of an ``Event`` that gives one sentence of evidence, or ``None``. A
witness says it, a pattern of the files shows it, a coincidence only fits it; 'against' speaks
against its cause, a 'fact' decides nothing and tells what was looked at. Causes of equal strength
stand in the order of the table. All of this is common practice, no source, where none is named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import Literal

from auditor.causes.evidence import Event, Kind, Piece
from auditor.causes.power import fits, other_fit
from auditor.core.durations import in_words
from auditor.core.text import printable, quantity
from auditor.core.units import HOUR, MINUTE, NS
from auditor.model import CauseCode, Rank

Strength = Rank | Literal["against", "fact"]
STRENGTHS: tuple[Strength, ...] = ("witness", "pattern", "coincidence", "against", "fact")
Says = Callable[[Event], str | None]

ELECTRODES_NS = HOUR
"""Electrodes lost so long before the end may be why it ended."""
CHANGE_NS = (20 * NS, 30 * MINUTE)
"""A change of batteries takes about so long."""
CLOCK_NS = 2 * MINUTE
"""So close to one hour, an interruption or an early end may be a change of the clock."""
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
CARDS = tuple(10**9 * 2**n for n in range(8))
"""Bytes of cards as they are sold, 1 to 128 GB."""
CARD_PERCENT = 97
"""All files together that take so much of a card's size may have filled it: the rest is lost to
the file system."""


@dataclass(frozen=True, slots=True)
class Rule:
    """One row of the table."""

    strength: Strength
    cause: CauseCode
    applies: Literal["gap", "stop", "both"]
    says: Says


def _size_of(piece: Piece) -> str:
    return f"{piece.name} has {piece.file.recording.size_bytes} bytes"


# Witnesses.


def _cut_short(event: Event) -> str | None:
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


def _size_limit(event: Event) -> str | None:
    piece = event.before
    if piece is None or event.length > CHANGE_NS[1]:
        return None
    room = piece.file.recording.record_bytes + FILE_SLACK
    for limit, name in FILE_LIMITS:
        if 0 <= limit - piece.file.recording.size_bytes < room:
            return f"{_size_of(piece)}: no further record fits under {name}."
    return None


_MEANINGS: dict[Kind, str] = {
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


_PERSONS: frozenset[Kind] = frozenset(("patient", "technologist", "person"))


def _said(kind: Kind) -> Says:
    """The witness of an annotation; no more than a fact where a take-down as planned is noted."""

    def says(event: Event) -> str | None:
        if kind not in event.said or (kind not in _PERSONS and _taken_down(event)):
            return None
        return _sentence(event, kind)

    return says


def _sentence(event: Event, kind: Kind) -> str:
    return f"Near {event.where}, {event.known.words.quoted(event.said[kind])} {_MEANINGS[kind]}"


def _taken_down(event: Event) -> bool:
    """The recording reached its planned end, and somebody is said to have ended it."""
    return event.reached_plan and bool(event.said.keys() & _PERSONS)


def _power_warned(event: Event) -> str | None:
    if event.warned is None or event.reached_plan or "power_low" in event.said:
        return None
    earlier = in_words(event.start - event.warned.at)
    quoted = event.known.words.quoted(event.warned)
    return f"{earlier} before {event.where}, {quoted} warns of low power."


# Patterns.


def _at_plan(event: Event) -> str | None:
    planned = event.known.planned_end
    if not event.reached_plan or planned is None:
        return None
    apart = event.start - planned
    if event.kind == "late":
        return f"The recording ended {in_words(apart)} after the planned end."
    away = f"{in_words(abs(apart), up=True)} from" if apart else "exactly at"
    return f"The recording ended {away} the planned end."


def _clock_found(event: Event) -> str | None:
    """What the study's own findings say of the clocks at a gap."""
    for finding in event.known.study.findings:
        if finding.code not in ("daylight_saving_not_followed", "clock_may_have_stepped"):
            continue
        span, after = finding.span, event.after
        here = span is not None and span.start <= event.end and event.start <= span.end
        if here or (after is not None and finding.file == after.file.recording.name):
            return f"A finding on the clock: {finding.text}"
    return None


def _clock_other(event: Event) -> str | None:
    """The planned end is reached under the other interpretation that a finding gives."""
    known = event.known
    if event.kind != "early" or known.planned_end is None:
        return None
    missing = known.planned_end - event.start
    for finding in known.study.findings:
        other = finding.other_recorded_ns
        if other is None or other <= known.coverage.recorded_ns:
            continue
        if abs(other - known.coverage.recorded_ns - missing) <= known.tolerance_ns:
            return (
                "By the other interpretation of a finding the planned end was reached: "
                f"{finding.text}"
            )
    return None


def _clock_span(event: Event) -> str | None:
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


def _unreadable(event: Event) -> str | None:
    names = (u.name for u in event.known.study.unreadable)
    return _uncounted(event, names, "could not be read")


def _aside(event: Event) -> str | None:
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


def _missing_between(event: Event) -> str | None:
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


def _missing_after(event: Event) -> str | None:
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


def _scheduled(event: Event) -> str | None:
    pieces = None if event.after is None else event.known.files.schedule(event.after)
    if pieces is None or event.after is None or event.length > CHANGE_NS[1]:
        return None
    if event.before is None or event.after.file.recording.name not in pieces.regular:
        return None
    usual = max(0, pieces.period_ns - pieces.length_ns)
    each = f", and loses about {in_words(usual)} at each" if usual else ""
    return f"The recorder begins a new file every {in_words(pieces.period_ns)}{each}."


def _never_closed(event: Event) -> str | None:
    piece = event.before
    if piece is None or piece.file.recording.closed or event.reached_plan:
        return None
    which = "The last file" if event.gap is None else "The file before"
    return f"{which}, {piece.name}, was never closed: the recorder was cut off while it wrote."


def _jumped(event: Event) -> str | None:
    if event.before is not None or event.after is not None:
        return None
    piece = event.known.files.around(event.start)
    if piece is None or not piece.file.recording.format.endswith("+C"):
        return None
    return (
        f"{piece.name} calls itself uninterrupted, yet its records jump here: the recorder lost "
        "time without knowing it."
    )


def _all_electrodes(event: Event) -> str | None:
    signal = event.known.signal
    if signal is None or not signal.scanned or event.reached_plan:
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


def _few_electrodes(event: Event) -> str | None:
    signal = event.known.signal
    since = None if signal is None or not signal.scanned else signal.below_minimum_from
    if signal is None or since is None or since >= event.start:
        return None
    few = f"fewer than {signal.needed_channels} EEG channels carried signal"
    return f"For the last {in_words(event.start - since, up=True)}, {few}"


def _lost_at_end(event: Event) -> str | None:
    """Too few electrodes shortly before an end that was not the planned one."""
    signal, few = event.known.signal, _few_electrodes(event)
    if signal is None or few is None or event.reached_plan:
        return None
    late = event.start - (signal.below_minimum_from or 0) <= ELECTRODES_NS
    return f"{few}." if late and not _all_electrodes(event) else None


# Coincidences. What they fit may be true, and many other things fit as well.


def _plan_fits(event: Event) -> str | None:
    plan = event.known.plan
    if plan is None or not _could_be_power(event):
        return None
    run = event.start - event.known.begun
    what = "The recording ended" if event.gap is None else "The interruption began"
    lasts = f"the power set-up lasts about {in_words(plan.lasts_ns)}"
    if fits(plan, run):
        return f"{what} {in_words(run)} after hook-up; {lasts}."
    recorded = event.known.coverage.recorded_ns
    if event.gap is None and fits(plan, recorded):
        return f"{in_words(recorded)} was recorded; {lasts}."
    other = other_fit(plan, run)
    if other is None:
        return None
    return (
        f"{what} {in_words(run)} after hook-up; had it been so that {other[0]}, power would have "
        f"lasted about {in_words(other[1])}."
    )


def _could_be_power(event: Event) -> bool:
    """An end, or a gap between two files that is no shorter than a change of batteries."""
    between = event.before is not None and event.after is not None
    return event.gap is None or (between and event.length >= CHANGE_NS[0])


def _change_fits(event: Event) -> str | None:
    between = event.before is not None and event.after is not None
    if not between or not CHANGE_NS[0] <= event.length <= CHANGE_NS[1]:
        return None
    return (
        f"A new file began {in_words(event.length, up=True)} later: a change of batteries takes "
        "about so long."
    )


def _one_hour(event: Event) -> str | None:
    known = event.known
    if known.study.axis.zone is not None:
        return None
    if event.gap is not None:
        between = event.before is not None and event.after is not None
        if not between or abs(event.length - HOUR) > CLOCK_NS:
            return None
        what = "The interruption lasts one hour between two files"
    else:
        planned = known.planned_end
        if planned is None or abs(abs(planned - event.start) - HOUR) > known.tolerance_ns:
            return None
        what = "The end lies one hour from the planned end"
    return f"{what} and no time zone is known: a clock that was changed looks the same."


def _card_filled(event: Event) -> str | None:
    if event.before is None or event.reached_plan:
        return None
    total = event.known.files.device_bytes(event.before)
    card = next((c for c in CARDS if c * CARD_PERCENT <= total * 100 <= c * 100), None)
    if card is None:
        return None
    text = f"All recordings together have {total} bytes, just under a card of {card} bytes"
    aside = len(event.known.study.set_aside)
    if aside:
        return f"{text}; {quantity(aside, 'file')} of another recording took room on it."
    return f"{text}."


# Against, and what was looked at.


def _power_left(event: Event) -> str | None:
    plan = event.known.plan
    run = event.start - event.known.begun
    if plan is None or run >= plan.lasts_ns or not _could_be_power(event) or _plan_fits(event):
        return None
    return (
        f"The power set-up lasts about {in_words(plan.lasts_ns)}, if every battery was as full as "
        f"entered; this was {in_words(run)} after hook-up."
    )


def _kept_open(event: Event) -> str | None:
    if event.before is not None or event.after is not None:
        return None
    piece = event.known.files.around(event.start)
    if piece is None or piece.file.recording.format.endswith("+C"):
        return None
    return f"The same file, {piece.name}, goes on afterwards: the recorder kept it open."


def _went_on(event: Event) -> str | None:
    few = _few_electrodes(event)
    if few is None or event.reached_plan or _lost_at_end(event) or _all_electrodes(event):
        return None
    return f"{few}; the recording went on all the same."


def _part_of_schedule(event: Event) -> str | None:
    piece = event.before
    schedule = None if piece is None else event.known.files.schedule(piece)
    if event.kind != "early" or piece is None or schedule is None or _missing_after(event):
        return None
    if piece.end - piece.start >= schedule.length_ns:
        return None
    return (
        f"A new file begins every {in_words(schedule.period_ns)}; the last file ends within its "
        "time, so no whole file is missing."
    )


def _named(event: Event) -> bool:
    """Whether an annotation names a reason; then what else was looked at tells nothing more."""
    return bool(event.said.keys() - {"orderly_end", "restart"}) or bool(_power_warned(event))


def _no_words(event: Event) -> str | None:
    if _named(event):
        return None
    near = in_words(event.known.settings.annotation_ns)
    return f"No annotation within {near} of {event.where} names a reason."


def _orderly(event: Event) -> str | None:
    if _named(event):
        return None
    both = "A planned stop and a recorder without power both leave that."
    if "orderly_end" in event.said and event.gap is None:
        quoted = event.known.words.quoted(event.said["orderly_end"])
        return f"Near the end, {quoted} says that the recording was ended in order. {both}"
    piece = event.before
    if piece is None or event.gap is not None or piece.claimed_missing:
        return None
    if not piece.file.recording.closed:
        return None
    return f"The last file, {piece.name}, was closed in order. {both}"


def _noted_too(event: Event) -> str | None:
    """What else is noted near a take-down as planned."""
    if not _taken_down(event):
        return None
    kinds = [k for k in event.said if k in _MEANINGS and k not in _PERSONS]
    return " ".join(_sentence(event, kind) for kind in kinds) or None


def _never_closed_at_plan(event: Event) -> str | None:
    piece = event.before
    if piece is None or piece.file.recording.closed or not event.reached_plan:
        return None
    return f"The last file, {piece.name}, was never closed."


def _no_plan(event: Event) -> str | None:
    if event.known.planned_end is not None:
        return None
    return "No planned end is known, so the end cannot be compared with one."


def _signal_at_end(event: Event) -> str | None:
    signal = event.known.signal
    if _named(event):
        return None
    if signal is None or not signal.scanned:
        return "The signal was not looked at, so lost electrodes could not be seen."
    if _few_electrodes(event) or _all_electrodes(event):
        return None
    return "Enough EEG channels carried signal up to the end."


def _other_side(event: Event) -> str | None:
    if (event.before is None) == (event.after is None):
        return None
    piece = event.before or event.after
    name = "" if piece is None else piece.name
    return f"{name} ends or begins here; on the other side another file goes on."


RULES: tuple[Rule, ...] = (
    Rule("witness", "file_cut_short", "both", _cut_short),
    Rule("witness", "card_full", "both", _said("card_full")),
    Rule("witness", "file_size_limit", "both", _size_limit),
    Rule("witness", "power_exhausted", "both", _said("power_low")),
    Rule("witness", "power_exhausted", "both", _power_warned),
    Rule("witness", "supply_unplugged", "both", _said("supply_unplugged")),
    Rule("witness", "power_change", "both", _said("power_change")),
    Rule("witness", "electrodes_lost", "both", _said("electrode")),
    Rule("witness", "stopped_by_patient", "both", _said("patient")),
    Rule("witness", "stopped_by_technologist", "both", _said("technologist")),
    Rule("witness", "stopped_by_person", "both", _said("person")),
    Rule("witness", "recorder_interrupted", "both", _said("fault")),
    Rule("witness", "clock_change", "both", _said("clock")),
    Rule("pattern", "ordered_time_over", "stop", _at_plan),
    Rule("pattern", "clock_change", "gap", _clock_found),
    Rule("pattern", "clock_change", "stop", _clock_other),
    Rule("pattern", "clock_change", "stop", _clock_span),
    Rule("pattern", "unreadable_file", "both", _unreadable),
    Rule("pattern", "file_set_aside", "both", _aside),
    Rule("pattern", "missing_file", "gap", _missing_between),
    Rule("pattern", "electrodes_lost", "stop", _all_electrodes),
    Rule("pattern", "electrodes_lost", "stop", _lost_at_end),
    Rule("pattern", "recorder_interrupted", "both", _never_closed),
    Rule("pattern", "recorder_interrupted", "gap", _jumped),
    Rule("pattern", "missing_file", "stop", _missing_after),
    Rule("pattern", "new_file_by_schedule", "gap", _scheduled),
    Rule("coincidence", "power_exhausted", "both", _plan_fits),
    Rule("coincidence", "clock_change", "both", _one_hour),
    Rule("coincidence", "card_full", "stop", _card_filled),
    Rule("coincidence", "power_change", "gap", _change_fits),
    Rule("against", "power_exhausted", "both", _power_left),
    Rule("against", "power_change", "gap", _kept_open),
    Rule("against", "electrodes_lost", "stop", _went_on),
    Rule("against", "missing_file", "stop", _part_of_schedule),
    Rule("fact", "not_known", "both", _no_words),
    Rule("fact", "not_known", "stop", _noted_too),
    Rule("fact", "not_known", "stop", _never_closed_at_plan),
    Rule("fact", "not_known", "stop", _orderly),
    Rule("fact", "not_known", "stop", _no_plan),
    Rule("fact", "not_known", "stop", _signal_at_end),
    Rule("fact", "not_known", "gap", _other_side),
)
