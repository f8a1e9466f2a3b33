"""What to change at the next hook-up, from this study's evidence only."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from auditor.core.durations import in_words
from auditor.core.text import printable
from auditor.core.units import HOUR
from auditor.model import (
    Advice,
    ChannelFacts,
    Coverage,
    Finding,
    PowerPlan,
    SignalFacts,
    Stop,
    Study,
    StudyFile,
)

_SHOWN = 8
_TAKEN_OFF_NS = HOUR
"""Electrodes lost this close to a stop that was not early were taken off with the recorder.

Common practice, no source.
"""
_CLOCK_CODES = {
    "clock_never_set",
    "default_date",
    "start_disagrees_with_hookup",
    "daylight_saving_not_followed",
    "overlapping_recordings",
    "overlap_inside_file",
    "clock_may_have_stepped",
    "date_may_be_wrong",
}
_HUM_SHARE = 4
"""Mains hum in more than a quarter of a channel's time asks for a better electrode.

Common practice, no source.
"""


def advise(
    study: Study,
    coverage: Coverage,
    stop: Stop,
    plan: PowerPlan | None,
    signal: SignalFacts,
    findings: Sequence[Finding],
) -> tuple[Advice, ...]:
    """A short list, most pressing first, each item with what shows the need."""
    found = [
        *_copy_again(study, coverage, stop),
        *_power(coverage, stop, plan),
        *_clear_card(stop, findings),
        *_clock(study, coverage, findings),
        *_electrodes(study, coverage, stop, signal),
        *_closing(study.counted),
        *_recorder(coverage, stop),
    ]
    # The same advice from two places is given once, with the evidence that came first.
    once: dict[str, Advice] = {}
    for advice in found:
        once.setdefault(advice.text, advice)
    return tuple(once.values())


def _because(coverage: Coverage, stop: Stop, causes: Iterable[str]) -> str:
    """What was seen of any of ``causes``: at the stop first, then at the first gap; '' if none.

    A gap's cause of low confidence asks for no change of habits.
    """
    wanted = set(causes)
    if stop.likely_cause in wanted and stop.evidence:
        return stop.evidence[0]
    gaps = [
        g
        for g in coverage.gaps
        if g.likely_cause in wanted and g.evidence and g.confidence != "low"
    ]
    if not gaps:
        return ""
    more = {1: "", 2: " The same at another gap."}.get(
        len(gaps), f" The same at {len(gaps) - 1} more gaps."
    )
    return gaps[0].evidence[0] + more


def _listed(names: Sequence[str]) -> str:
    shown = ", ".join(printable(n) for n in names[:_SHOWN])
    return shown + (f" and {len(names) - _SHOWN} more" if len(names) > _SHOWN else "")


def _copy_again(study: Study, coverage: Coverage, stop: Stop) -> list[Advice]:
    text = "Before the card is cleared, copy it again and compare the sizes of all files."
    unreadable = [u.name for u in study.unreadable]
    if unreadable:
        return [Advice(text, f"Not readable: {_listed(unreadable)}.")]
    cause = _because(
        coverage, stop, ("file_cut_short", "missing_file", "unreadable_file", "file_set_aside")
    )
    return [Advice(text, cause)] if cause else []


def _power(coverage: Coverage, stop: Stop, plan: PowerPlan | None) -> list[Advice]:
    found = []
    seen = _because(coverage, stop, ("power_exhausted", "power_change"))
    if seen:
        found.append(
            Advice("Charge every pack fully before hook-up and check what is shown.", seen)
        )
    if plan is not None and not plan.enough:
        evidence = (
            f"The set-up lasts about {in_words(plan.lasts_ns)}; {in_words(plan.ordered_ns)} was "
            f"ordered and {in_words(plan.reserve_ns)} is wanted in reserve."
        )
        options = " Or: ".join(plan.would_last)
        found.append(Advice(f"Plan more power. {options}", evidence))
    elif seen and plan is not None:
        found.append(
            Advice(
                "Have the packs tested, or add an external supply.",
                "By plan the set-up lasts the ordered time, yet power is the likely cause.",
            )
        )
    return found


def _clear_card(stop: Stop, findings: Sequence[Finding]) -> list[Advice]:
    found = [
        Advice(
            "Clear the card before hook-up, after its files are backed up.",
            f"{finding.text} They are: {finding.observed}." if finding.observed else finding.text,
        )
        for finding in findings
        if finding.code == "card_not_cleared"
    ]
    if stop.likely_cause == "card_full":
        found.append(Advice("Use a larger card, and clear it before hook-up.", stop.evidence[0]))
    if stop.likely_cause == "file_size_limit":
        found.append(
            Advice("Set the recorder to begin a new file well before the limit.", stop.evidence[0])
        )
    return found


def _clock(study: Study, coverage: Coverage, findings: Sequence[Finding]) -> list[Advice]:
    found = [
        Advice("Set the recorder's clock at hook-up and check the date and the hour.", f.text)
        for f in findings
        if f.code in _CLOCK_CODES
    ][:1]
    changed = [g for g in coverage.gaps if g.likely_cause == "clock_change" and g.evidence]
    if changed and not found:
        text = "Set the recorder's clock at hook-up and check the date and the hour."
        found.append(Advice(text, changed[0].evidence[0]))
    if study.axis.zone is None and (changed or any(f.code == "hour_step" for f in findings)):
        text = "Name the time zone in the order file."
        found.append(
            Advice(
                text,
                "A gap of one hour may be a change of the clock; with the zone the audit can tell.",
            )
        )
    return found


def _electrodes(study: Study, coverage: Coverage, stop: Stop, signal: SignalFacts) -> list[Advice]:
    if not signal.scanned:
        return []
    found = []
    eeg = [c for c in signal.channels if c.is_eeg and c.recorded_ns > 0]
    lost = [c for c in eeg if _lost_early(c, coverage, stop)]
    if lost:
        lost.sort(key=lambda c: c.lost_at or 0)
        since = "; ".join(
            f"{_name(c)} gave no signal from {study.axis.iso(c.lost_at or 0)} on"
            for c in lost[:_SHOWN]
        )
        found.append(Advice(f"Re-prepare and secure {_listed([*map(_name, lost)])}.", f"{since}."))
    dead = [c for c in eeg if c.signal_ns == 0 and c not in lost]
    if dead:
        found.append(
            Advice(
                f"Check electrode and lead of {_listed([*map(_name, dead)])} before the start.",
                "They gave no live signal in the whole recording.",
            )
        )
    hum = [
        c for c in eeg if c.mains_ns * _HUM_SHARE > c.recorded_ns and c not in lost and c.signal_ns
    ]
    if hum:
        worst = max(hum, key=lambda c: c.mains_ns)
        found.append(
            Advice(
                f"Lower the impedance of {_listed([*map(_name, hum)])} and check the ground.",
                f"{_name(worst)} carried mains hum for {in_words(worst.mains_ns)} of "
                f"{in_words(worst.recorded_ns)}.",
            )
        )
    return found


def _lost_early(channel: ChannelFacts, coverage: Coverage, stop: Stop) -> bool:
    """Lost for good, having been live, and not merely taken off at the end of a whole study."""
    at = channel.lost_at
    if at is None or not channel.signal_ns:
        return False
    return stop.kind == "early" or coverage.last_end - at > _TAKEN_OFF_NS


def _name(channel: ChannelFacts) -> str:
    return printable(channel.electrode or channel.label)


def _closing(counted: Sequence[StudyFile]) -> list[Advice]:
    never = [f.recording.name for f in counted if not f.recording.closed]
    if not never:
        return []
    return [
        Advice(
            "End the recording on the recorder and wait until it has closed its file before the "
            "card or the packs are taken out.",
            f"Never closed: {_listed(never)}.",
        )
    ]


def _recorder(coverage: Coverage, stop: Stop) -> list[Advice]:
    found = []
    cut = _because(coverage, stop, ("recorder_interrupted",))
    if cut:
        found.append(Advice("Have the recorder and its card checked before the next study.", cut))
    person = _because(coverage, stop, ("stopped_by_person",))
    if person:
        found.append(
            Advice(
                "Tell the patient and the carers not to switch off or unplug the recorder, and "
                "whom to call.",
                person,
            )
        )
    planned = [g for g in coverage.gaps if g.likely_cause == "new_file_by_schedule"]
    lost = sum(g.duration for g in planned)
    if planned:
        found.append(
            Advice(
                "Set the recorder to begin new files less often, if it can.",
                f"{len(planned)} changes of file cost {in_words(lost, up=True)} of recording.",
            )
        )
    return found
