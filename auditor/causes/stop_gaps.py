"""Everything seen that speaks for or against a cause of one gap."""

from __future__ import annotations

from auditor.causes.power import fits, other_fit
from auditor.causes.stop_clues import Clue, note
from auditor.causes.stop_files import (
    Files,
    Piece,
    claimed_missing,
    numbers_skipped,
    records,
    size_limit,
)
from auditor.causes.stop_words import Words
from auditor.core.durations import in_words
from auditor.core.units import HOUR
from auditor.model import Gap, PowerPlan, Study
from auditor.policy.stop import StopSettings

_SAID = {
    "power_low": ("power_change", 2, "says that power was low or lost."),
    "power_change": ("power_change", 3, "tells of the packs or the supply."),
    "card_full": ("card_full", 2, "says that there was no room left."),
    "electrode": ("electrodes_lost", 2, "tells of electrodes that came off."),
    "person": ("stopped_by_person", 2, "tells of somebody who stopped or paused it."),
    "clock": ("clock_change", 2, "tells of a change of the clock."),
    "fault": ("recorder_interrupted", 2, "tells of a fault."),
}


def gap_clues(
    gap: Gap,
    study: Study,
    files: Files,
    words: Words,
    plan: PowerPlan | None,
    begun: int,
    settings: StopSettings,
) -> list[Clue]:
    """Every clue to the cause of ``gap``; ``begun`` is when power was first drawn."""
    before, after = files.ending.get(gap.start), files.starting.get(gap.end)
    clues = _word_clues(gap, words, settings)
    if before is not None and after is not None:
        clues += _restart_clues(gap, before, after, files, settings)
        clues += _power_clues(gap, plan, begun, settings)
        clues += _clock_clues(gap, study, settings)
    else:
        clues += _inside_clues(gap, before, after, files)
    if before is not None:
        clues += _cut_clues(gap, before)
    return clues + _finding_clues(gap, after, study)


def _word_clues(gap: Gap, words: Words, settings: StopSettings) -> list[Clue]:
    near = settings.annotation_ns
    said = words.between(gap.start - near, gap.end + near)
    clues = []
    for kind, annotation in said.items():
        if kind in _SAID:
            cause, weight, meaning = _SAID[kind]
            clues.append(Clue(cause, weight, f"Near the gap, {words.quoted(annotation)} {meaning}"))
        else:
            clues.append(note(f"Near the gap, {words.quoted(annotation)} names no reason."))
    if "power_low" not in said:
        warned = words.between(gap.start - settings.power_warning_ns, gap.start).get("power_low")
        if warned is not None:
            earlier = in_words(gap.start - warned.at)
            text = f"{earlier} before the gap, {words.quoted(warned)} warns of low power."
            clues.append(Clue("power_change", 2, text))
    if not clues:
        clues.append(note(f"No annotation within {in_words(near)} of the gap names a reason."))
    return clues


def _restart_clues(
    gap: Gap, before: Piece, after: Piece, files: Files, settings: StopSettings
) -> list[Clue]:
    """One file ended and another began."""
    clues = []
    lasted = in_words(gap.duration, up=True)
    planned = _schedule_clues(gap, before, after, files, settings)
    limit = size_limit(before, settings)
    if limit is not None and gap.duration <= settings.change_to_ns:
        size = before.file.recording.size_bytes
        clues.append(
            Clue(
                "file_size_limit",
                3,
                f"{before.name} has {size} bytes: no further record fits under {limit.name}; a new "
                f"file began {lasted} later.",
            )
        )
    elif not planned and settings.change_from_ns <= gap.duration <= settings.change_to_ns:
        text = f"A new file began {lasted} later: a change of packs takes about so long."
        clues.append(Clue("power_change", 1, text))
    if not before.file.recording.closed:
        text = f"{before.name}, the file before, was never closed"
        clues.append(Clue("power_change", 1, f"{text}: a sudden loss of power leaves that."))
        clues.append(Clue("recorder_interrupted", 1, f"{text}: the recorder was cut off."))
    unreadable = files.unreadable_between(before, after)
    if unreadable is not None:
        text = f"By its number, {unreadable} lies between {before.name} and {after.name}"
        clues.append(Clue("unreadable_file", 3, f"{text} and could not be read."))
    aside = files.aside_between(before, after)
    if aside is not None:
        text = f"By its number, {aside} lies between {before.name} and {after.name}"
        clues.append(Clue("file_set_aside", 3, f"{text} and was set aside."))
    skipped = numbers_skipped(before, after)
    if skipped and unreadable is None and aside is None:
        text = f"The numbers of {before.name} and {after.name} skip {skipped}."
        clues.append(Clue("missing_file", 2, text))
    clues += planned
    return clues


def _schedule_clues(
    gap: Gap, before: Piece, after: Piece, files: Files, settings: StopSettings
) -> list[Clue]:
    schedule = files.schedule(after)
    if schedule is None or before.file.copy != after.file.copy:
        return []
    step, period, tolerance = after.start - before.start, schedule.period_ns, settings.piece_ns
    begins = f"The recorder begins a new file every {in_words(period)}"
    if abs(step - period) <= tolerance and gap.duration <= settings.change_to_ns:
        usual = period - schedule.length_ns
        clues = [Clue("new_file_by_schedule", 2, f"{begins}, and did so here.")]
        if abs(gap.duration - usual) <= tolerance:
            text = f"This gap lasts what it usually takes to begin one, about {in_words(usual)}."
            clues.append(Clue("new_file_by_schedule", 1, text))
        return clues
    whole = before.end - before.start >= schedule.length_ns - tolerance
    count = (step + period // 2) // period
    if count >= 2 and whole and abs(step - count * period) <= count * tolerance:
        text = f"{begins}; here the start of {count - 1} is passed over after a whole file."
        return [Clue("missing_file", 2, text)]
    return []


def _power_clues(
    gap: Gap, plan: PowerPlan | None, begun: int, settings: StopSettings
) -> list[Clue]:
    if plan is None or gap.duration < settings.change_from_ns:
        return []
    run = gap.start - begun
    if fits(plan, run):
        text = f"The gap began {in_words(run)} after hook-up, when the power set-up ends by plan."
        return [Clue("power_change", 1, text)]
    other = other_fit(plan, run)
    if other is None:
        return []
    what, _ = other
    text = f"The gap began {in_words(run)} after hook-up; had it been so that {what}, power would "
    return [Clue("power_change", 1, text + "have ended then.")]


def _clock_clues(gap: Gap, study: Study, settings: StopSettings) -> list[Clue]:
    if study.axis.zone is not None or abs(gap.duration - HOUR) > settings.clock_ns:
        return []
    text = (
        "The gap lasts one hour between two files and no time zone is known: a clock that was put "
        "forward looks the same."
    )
    return [Clue("clock_change", 2, text)]


def _inside_clues(gap: Gap, before: Piece | None, after: Piece | None, files: Files) -> list[Clue]:
    """The gap does not lie between two files."""
    if before is not None or after is not None:
        name = before.name if before is not None else after.name if after is not None else ""
        return [note(f"{name} ends or begins at the gap; on its other side another file goes on.")]
    piece = files.around(gap.start)
    if piece is None:
        return []
    if piece.file.recording.format.endswith("+C"):
        text = (
            f"{piece.name} calls itself uninterrupted, yet its records jump here: the recorder "
            "lost time without knowing it."
        )
        return [Clue("recorder_interrupted", 1, text)]
    text = f"The same file, {piece.name}, goes on after the gap: the recorder kept it open."
    return [Clue("power_change", -1, text)]


def _cut_clues(gap: Gap, before: Piece) -> list[Clue]:
    missing = claimed_missing(before)
    if not missing:
        return []
    recording = before.file.recording
    lost = missing * recording.record_ns
    text = (
        f"{before.name} counts {records(missing)} in its header that it does not hold, "
        f"{in_words(lost, up=True)} of recording"
    )
    if lost <= gap.duration + recording.record_ns:
        return [Clue("file_cut_short", 3, f"{text}, which fits into the gap.")]
    return [Clue("file_cut_short", 2, f"{text}, more than the gap.")]


_CLOCK_FINDINGS = {"daylight_saving_not_followed": 3, "clock_may_have_stepped": 1}


def _finding_clues(gap: Gap, after: Piece | None, study: Study) -> list[Clue]:
    """What the study's own findings say of the clocks at this gap."""
    for finding in study.findings:
        weight = _CLOCK_FINDINGS.get(finding.code)
        if weight is None:
            continue
        here = finding.span is not None and (
            finding.span.start <= gap.end and gap.start <= finding.span.end
        )
        if here or (after is not None and finding.file == after.file.recording.name):
            return [Clue("clock_change", weight, f"A finding on the clock: {finding.text}")]
    return []
