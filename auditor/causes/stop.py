"""Why the recording stopped, and the likely cause of each gap, from evidence.

Everything seen is weighed for and against (``auditor.causes.stop_clues``); what decides nothing is
told too. A recorder that runs out of power may close its files in order, so a clean end is no
evidence of a planned stop. All weights are this project's own judgement, no source.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from auditor.causes.power import fits, other_fit
from auditor.causes.stop_clues import Clue, note, weigh
from auditor.causes.stop_files import (
    Files,
    Piece,
    claimed_missing,
    device_bytes,
    filled_card,
    records,
    size_limit,
)
from auditor.causes.stop_gaps import gap_clues
from auditor.causes.stop_words import Words
from auditor.core.durations import in_words
from auditor.core.units import HOUR
from auditor.model import (
    Coverage,
    Gap,
    Order,
    PlacedAnnotation,
    PowerPlan,
    SignalFacts,
    Stop,
    Study,
)
from auditor.model.coverage import StopKind
from auditor.policy.stop import StopSettings

VOCABULARY = {
    "ordered_time_over": "The recording ended at its planned end.",
    "power_exhausted": "The packs or the supply ran out.",
    "power_change": "Power failed or packs were changed, and the recording went on.",
    "stopped_by_person": "Somebody stopped, paused or disconnected the recorder.",
    "recorder_interrupted": "The recorder was cut off while it wrote: a sudden loss of power, a "
    "card pulled out, or a fault.",
    "file_cut_short": "The file holds fewer records than its header counts: the rest was lost in "
    "copying or on the card.",
    "unreadable_file": "A file that lies there could not be read.",
    "file_set_aside": "A file that lies there was set aside and not counted.",
    "missing_file": "A file that was recorded is not among those that were given.",
    "file_size_limit": "The file reached the largest size that a file can have there.",
    "card_full": "The card was full.",
    "new_file_by_schedule": "The recorder begins a new file at regular times and loses a little at "
    "each.",
    "electrodes_lost": "The electrodes came off or were unplugged.",
    "clock_change": "The clock was changed or set wrong: the gap or the early or late end may be "
    "none.",
    "not_known": "The files do not say why.",
}
"""Causes of stops and gaps, likelier ones of equal weight first."""

_ORDER = tuple(VOCABULARY)


def explain_gaps(
    study: Study,
    coverage: Coverage,
    annotations: Sequence[PlacedAnnotation],
    order: Order | None,
    plan: PowerPlan | None,
    settings: StopSettings,
) -> Coverage:
    """``coverage`` with the likely cause of each gap, its confidence, and all for and against."""
    if not coverage.gaps:
        return coverage
    files = Files(study, settings)
    words = Words(annotations, settings, study.axis)
    begun = _begun(study, coverage, order)
    gaps = []
    for gap in coverage.gaps:
        verdict = weigh(gap_clues(gap, study, files, words, plan, begun, settings), _ORDER)
        gaps.append(
            Gap(
                gap.start,
                gap.end,
                verdict.cause,
                verdict.confidence,
                verdict.evidence,
                verdict.against,
            )
        )
    return replace(coverage, gaps=tuple(gaps))


def explain_stop(
    study: Study,
    coverage: Coverage,
    annotations: Sequence[PlacedAnnotation],
    order: Order | None,
    planned_end: int | None,
    plan: PowerPlan | None,
    settings: StopSettings,
    stop_tolerance_ns: int,
    signal: SignalFacts | None,
) -> Stop:
    """How the recording ended against ``planned_end``, and why.

    A stop within ``stop_tolerance_ns`` of the planned end is as ordered. Without a planned end the
    kind is 'unknown'. ``signal`` may be ``None`` or not scanned.
    """
    files = Files(study, settings)
    words = Words(annotations, settings, study.axis)
    kind = _kind(coverage.last_end, planned_end, stop_tolerance_ns)
    last = files.last()
    clues = [
        *_plan_clues(study, coverage, order, kind, planned_end, stop_tolerance_ns),
        *_word_clues(coverage, words, settings),
        *_power_clues(study, coverage, order, plan),
        *_file_clues(study, files, last, kind, settings),
        *_signal_clues(coverage, signal, settings),
    ]
    verdict = weigh(clues, _ORDER)
    return Stop(kind, verdict.cause, verdict.confidence, verdict.evidence, verdict.against)


def _kind(last_end: int, planned_end: int | None, tolerance: int) -> StopKind:
    if planned_end is None:
        return "unknown"
    if abs(last_end - planned_end) <= tolerance:
        return "as_ordered"
    return "early" if last_end < planned_end else "late"


def _begun(study: Study, coverage: Coverage, order: Order | None) -> int:
    """The instant at which power was first drawn: the hook-up, else the first record."""
    if order is None or order.hookup_civil_ns is None:
        return coverage.first_start
    return study.axis.instant(order.hookup_civil_ns, near=coverage.first_start)


def _plan_clues(
    study: Study,
    coverage: Coverage,
    order: Order | None,
    kind: StopKind,
    planned_end: int | None,
    tolerance: int,
) -> list[Clue]:
    if planned_end is None or order is None:
        return [note("No planned end is known, so the stop cannot be compared with one.")]
    apart = abs(coverage.last_end - planned_end)
    if kind == "as_ordered":
        away = f"{in_words(apart, up=True)} from" if apart else "exactly at"
        return [Clue("ordered_time_over", 3, f"The recording ended {away} the planned end.")]
    clues = []
    if kind == "late":
        text = f"The recording ended {in_words(apart)} after the planned end."
        clues.append(Clue("ordered_time_over", 1, text))
    if abs(coverage.span_ns - order.ordered_ns) <= tolerance:
        text = "From its first record on, the recording lasted as long as was ordered"
        clues.append(Clue("ordered_time_over", 2, f"{text}."))
        clues.append(
            Clue("clock_change", 1, f"{text}: the clock or the noted hook-up may be wrong.")
        )
    return clues + _clock_clues(study, coverage, planned_end, tolerance)


def _clock_clues(study: Study, coverage: Coverage, planned_end: int, tolerance: int) -> list[Clue]:
    apart = planned_end - coverage.last_end
    clues = []
    if study.axis.zone is None and abs(abs(apart) - HOUR) <= tolerance:
        text = (
            "The end lies one hour from the planned end and no time zone is known: a change to or "
            "from daylight saving looks the same."
        )
        clues.append(Clue("clock_change", 1, text))
    for finding in study.findings:
        other = finding.other_recorded_ns
        if other is None or other <= coverage.recorded_ns:
            continue
        if abs(other - coverage.recorded_ns - apart) <= tolerance:
            text = f"By the other reading of a finding the planned end was reached: {finding.text}"
            return [*clues, Clue("clock_change", 2, text)]
    return clues


_SAID = {
    "power_low": ("power_exhausted", 2, "says that power was low or lost."),
    "power_change": ("power_exhausted", 1, "tells of the packs or the supply near the end."),
    "card_full": ("card_full", 3, "says that there was no room left."),
    "electrode": ("electrodes_lost", 2, "tells of electrodes that came off."),
    "person": ("stopped_by_person", 2, "tells of somebody who stopped or disconnected it."),
    "clock": ("clock_change", 1, "tells of a change of the clock."),
    "fault": ("recorder_interrupted", 2, "tells of a fault."),
}


def _word_clues(coverage: Coverage, words: Words, settings: StopSettings) -> list[Clue]:
    end, near = coverage.last_end, settings.annotation_ns
    said = words.between(end - near, end + near)
    clues = []
    for kind, annotation in said.items():
        quoted = words.quoted(annotation)
        if kind in _SAID:
            cause, weight, meaning = _SAID[kind]
            clues.append(Clue(cause, weight, f"Near the end, {quoted} {meaning}"))
        elif kind == "orderly_end":
            clues.append(
                note(
                    f"Near the end, {quoted} says that the recording was ended in order. A planned "
                    "stop and a recorder without power both leave that."
                )
            )
    if "power_low" not in said:
        warned = words.between(end - settings.power_warning_ns, end).get("power_low")
        if warned is not None:
            before = in_words(end - warned.at)
            text = f"{before} before the end, {words.quoted(warned)} warns of low power."
            clues.append(Clue("power_exhausted", 2, text))
    if not clues:
        clues.append(note(f"No annotation within {in_words(near)} of the end tells of a stop."))
    return clues


def _power_clues(
    study: Study, coverage: Coverage, order: Order | None, plan: PowerPlan | None
) -> list[Clue]:
    if plan is None:
        return [note("No power set-up was entered, so the end could not be compared with it.")]
    run = coverage.last_end - _begun(study, coverage, order)
    after = f"The recording ended {in_words(run)} after hook-up"
    lasts = f"the power set-up lasts about {in_words(plan.lasts_ns)}"
    if fits(plan, run):
        return [Clue("power_exhausted", 2, f"{after}; {lasts}.")]
    if fits(plan, coverage.recorded_ns):
        text = f"{in_words(coverage.recorded_ns)} was recorded; {lasts}."
        return [Clue("power_exhausted", 2, text)]
    other = other_fit(plan, run)
    if other is not None:
        what, when = other
        text = f"{after}; had it been so that {what}, power would have lasted {in_words(when)}."
        return [Clue("power_exhausted", 1, text)]
    if run < plan.lasts_ns:
        text = f"{after}; {lasts}, if every pack was as full as entered."
        return [Clue("power_exhausted", -1, text)]
    return [note(f"{after}, longer than {lasts}: packs were changed or the figures are too low.")]


def _file_clues(
    study: Study, files: Files, last: Piece, kind: StopKind, settings: StopSettings
) -> list[Clue]:
    recording = last.file.recording
    clues = []
    if not recording.closed:
        text = f"The last file, {last.name}, was never closed"
        clues.append(
            Clue("recorder_interrupted", 2, f"{text}: the recorder was cut off while it wrote.")
        )
        clues.append(Clue("power_exhausted", 1, f"{text}: a sudden loss of power leaves that."))
    missing = claimed_missing(last)
    if missing:
        lost = in_words(missing * recording.record_ns, up=True)
        clues.append(
            Clue(
                "file_cut_short",
                3,
                f"The last file, {last.name}, counts {records(missing)} in its header that it does "
                f"not hold, {lost} of recording.",
            )
        )
    limit = size_limit(last, settings)
    if limit is not None:
        clues.append(
            Clue(
                "file_size_limit",
                3,
                f"The last file, {last.name}, has {recording.size_bytes} bytes: no further record "
                f"fits under {limit.name}.",
            )
        )
    total = device_bytes(study, last)
    card = filled_card(total, settings)
    if card is not None:
        text = f"All recordings together have {total} bytes, just under a card of {card} bytes."
        clues.append(Clue("card_full", 1, text))
        if study.set_aside:
            text = f"{len(study.set_aside)} files of another recording took room on the card."
            clues.append(Clue("card_full", 1, text))
    clues += _following_clues(files, last, kind)
    if recording.closed and not missing:
        clues.append(
            note(
                f"The last file, {last.name}, was closed in order. A planned stop and a recorder "
                "without power both leave that."
            )
        )
    return clues


def _following_clues(files: Files, last: Piece, kind: StopKind) -> list[Clue]:
    """Whether a further file should follow the last one."""
    clues = []
    unreadable = files.unreadable_between(last, None)
    if unreadable is not None:
        text = f"By its number, {unreadable} follows the last file {last.name} and is unreadable."
        clues.append(Clue("unreadable_file", 3, text))
    aside = files.aside_between(last, None)
    if aside is not None:
        text = f"By its number, {aside} follows the last file {last.name} and was set aside."
        clues.append(Clue("file_set_aside", 2, text))
    schedule = files.schedule(last)
    if schedule is not None and kind == "early":
        length, usual = last.end - last.start, schedule.length_ns
        begins = f"A new file begins every {in_words(schedule.period_ns)}"
        if abs(length - usual) <= files.tolerance_ns:
            text = f"{begins} and the last file is a whole one: another may have followed it."
            clues.append(Clue("missing_file", 2, text))
        elif length < usual:
            text = f"{begins}; the last file ends within its time, so no whole file is missing."
            clues.append(Clue("missing_file", -1, text))
    return clues


def _signal_clues(
    coverage: Coverage, signal: SignalFacts | None, settings: StopSettings
) -> list[Clue]:
    if signal is None or not signal.scanned:
        return [note("The signal was not looked at, so lost electrodes could not be seen.")]
    clues = []
    end, below = coverage.last_end, signal.below_minimum_from
    if below is not None and below < end:
        since = in_words(end - below)
        few = f"fewer than {signal.needed_channels} EEG channels were live"
        if end - below <= settings.electrodes_ns:
            clues.append(Clue("electrodes_lost", 2, f"In the last {since}, {few}."))
        else:
            text = f"For the last {since}, {few}; the recording went on all the same."
            clues.append(Clue("electrodes_lost", -1, text))
    eeg = [c for c in signal.channels if c.is_eeg]
    gone = [c.lost_at for c in eeg if c.lost_at is not None]
    if eeg and len(gone) == len(eeg) and end - min(gone) <= settings.electrodes_ns:
        text = (
            f"All {len(eeg)} EEG channels were lost within the last {in_words(end - min(gone))}: "
            "the electrodes were taken off or the input was unplugged while it recorded."
        )
        clues.append(Clue("electrodes_lost", 1, text))
        clues.append(Clue("stopped_by_person", 1, text))
    if not clues:
        clues.append(note("Enough EEG channels were live up to the end."))
    return clues
