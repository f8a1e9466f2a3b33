"""What only fits a cause, what does not fit it, and what was looked at besides.

A coincidence may be true, and many other things fit as well. Each function looks at an ``Event``
and gives one sentence, or ``None``.
"""

from __future__ import annotations

from auditor.causes import shown
from auditor.causes.evidence import Event
from auditor.causes.power import fits, other_fit
from auditor.core.durations import in_words
from auditor.core.text import quantity
from auditor.core.units import HOUR, MINUTE

CLOCK_NS = 2 * MINUTE
"""So close to one hour, an interruption or an early end may be a change of the clock."""
CARDS = tuple(10**9 * 2**n for n in range(8))
"""Bytes of cards as they are sold, 1 to 128 GB."""
CARD_PERCENT = 97
"""All files together that take so much of a card's size may have filled it: the rest is lost to
the file system."""


def plan_fits(event: Event) -> str | None:
    plan = event.known.plan
    if plan is None or not _could_be_power(event):
        return None
    run = event.start - event.known.begun
    what = "The recording ended" if event.gap is None else "The interruption began"
    lasts = f"the power set-up lasts about {in_words(plan.lasts_ns)}"
    if fits(plan.lasts_ns, run):
        return f"{what} {in_words(run)} after hook-up; {lasts}."
    recorded = event.known.coverage.recorded_ns
    if event.gap is None and fits(plan.lasts_ns, recorded):
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
    return event.gap is None or (event.between and event.length >= shown.CHANGE_NS[0])


def change_fits(event: Event) -> str | None:
    if not event.between or not shown.CHANGE_NS[0] <= event.length <= shown.CHANGE_NS[1]:
        return None
    return (
        f"A new file began {in_words(event.length, up=True)} later: a change of batteries takes "
        "about so long."
    )


def one_hour(event: Event) -> str | None:
    known = event.known
    if known.study.axis.zone is not None:
        return None
    if event.gap is not None:
        if not event.between or abs(event.length - HOUR) > CLOCK_NS:
            return None
        what = "The interruption lasts one hour between two files"
    else:
        planned = known.planned_end
        if planned is None or abs(abs(planned - event.start) - HOUR) > known.tolerance_ns:
            return None
        what = "The end lies one hour from the planned end"
    return f"{what} and no time zone is known: a clock that was changed looks the same."


def card_filled(event: Event) -> str | None:
    if event.gap is not None or event.before is None or event.reached_plan:
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


def power_left(event: Event) -> str | None:
    plan = event.known.plan
    run = event.start - event.known.begun
    if plan is None or run >= plan.lasts_ns or not _could_be_power(event) or plan_fits(event):
        return None
    return (
        f"The power set-up lasts about {in_words(plan.lasts_ns)}, if every battery was as full as "
        f"entered; this was {in_words(run)} after hook-up."
    )


def kept_open(event: Event) -> str | None:
    piece = event.inside
    if piece is None or piece.file.recording.format.endswith("+C"):
        return None
    return f"The same file, {piece.name}, goes on afterwards: the recorder kept it open."


def went_on(event: Event) -> str | None:
    few = shown.few_electrodes(event)
    if few is None or event.reached_plan or shown.lost_at_end(event) or shown.all_electrodes(event):
        return None
    return f"{few}; the recording went on all the same."


def part_of_schedule(event: Event) -> str | None:
    piece = event.before
    schedule = None if piece is None else event.known.files.schedule(piece)
    if event.kind != "early" or piece is None or schedule is None or shown.missing_after(event):
        return None
    if piece.end - piece.start >= schedule.length_ns:
        return None
    return (
        f"A new file begins every {in_words(schedule.period_ns)}; the last file ends within its "
        "time, so no whole file is missing."
    )


def _named(event: Event) -> bool:
    """Whether an annotation names a reason; then what else was looked at tells nothing more."""
    return bool(event.said.keys() - {"orderly_end", "restart"}) or bool(shown.power_warned(event))


def no_words(event: Event) -> str | None:
    if _named(event):
        return None
    near = in_words(event.known.settings.annotation_ns)
    return f"No annotation within {near} of {event.where} names a reason."


def orderly(event: Event) -> str | None:
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


def noted_too(event: Event) -> str | None:
    """What else is noted near a take-down as planned."""
    if not shown.taken_down(event):
        return None
    kinds = [k for k in event.said if k in shown.MEANINGS and k not in shown.PERSONS]
    return " ".join(shown.sentence(event, kind) for kind in kinds) or None


def never_closed_at_plan(event: Event) -> str | None:
    piece = event.before
    if piece is None or piece.file.recording.closed or not event.reached_plan:
        return None
    return f"The last file, {piece.name}, was never closed."


def no_plan(event: Event) -> str | None:
    if event.gap is not None or event.known.planned_end is not None:
        return None
    return "No planned end is known, so the end cannot be compared with one."


def signal_at_end(event: Event) -> str | None:
    signal = event.known.signal
    if event.gap is not None or _named(event):
        return None
    if signal is None or not signal.scanned:
        return "The signal was not looked at, so lost electrodes could not be seen."
    if shown.few_electrodes(event) or shown.all_electrodes(event):
        return None
    return "Enough EEG channels carried signal up to the end."


def other_side(event: Event) -> str | None:
    piece = event.before or event.after
    if event.gap is None or event.between or piece is None:
        return None
    return f"{piece.name} ends or begins here; on the other side another file goes on."
