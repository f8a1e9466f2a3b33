"""What the files suggest: complete, review or repeat. People decide."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.core.durations import hms
from auditor.model import (
    Coverage,
    Decision,
    DecisionOutcome,
    Finding,
    Order,
    Reason,
    ReasonCode,
    Shortfall,
    SignalFacts,
)
from auditor.policy.coverage import DecisionSettings

VOCABULARY = {
    "covers_the_order": "Recorded time reaches the ordered time, or is short by no more than the "
    "policy's tolerance, and nothing puts a number in doubt.",
    "no_order": "No ordered time was given, so nothing can be compared with it.",
    "below_minimum_share": "Recorded time is less than the policy's minimum share of the order.",
    "below_minimum_but_doubtful": "Recorded time is less than the minimum share as measured, but "
    "another reading of the same files reaches it: look before the patient is called back.",
    "below_tolerance": "Recorded time is short of the order by more than the policy's tolerance.",
    "problem_finding": "A finding puts a number in doubt or says that recorded data are missing.",
    "usable_below_share": "Usable time is less than the policy's share of the ordered time.",
    "usable_below_minimum": "Usable time is less than the share below which a repeat is suggested.",
}
"""Reasons for the outcome, with their meaning."""

_PPM = 1_000_000


def percent(ppm: int) -> str:
    """A share in parts per million as a percentage without needless digits."""
    return f"{ppm / 10_000:g} %"


def decide(
    coverage: Coverage,
    order: Order | None,
    shortfall: Shortfall | None,
    signal: SignalFacts,
    findings: Sequence[Finding],
    settings: DecisionSettings,
) -> Decision:
    """The outcome with its reasons, worst first.

    ``complete`` needs recorded time of at least the ordered time less the tolerance, usable time
    (where scanned) of at least its share, and no problem finding. ``repeat`` needs recorded time,
    or usable time, under its minimum with no other reading of the files that would reach it. Usable
    time speaks for a repeat only where the files hold at least the minimum number of EEG channels:
    with fewer, the labels or the montage may be at fault, and a person looks first.
    Everything else is ``review``. Both shares are the lab's own (common practice, no source).
    """
    doubts = _doubts(findings)
    if order is None or shortfall is None:
        headline = f"{hms(coverage.recorded_ns)} recorded; no order to compare it with"
        text = "No ordered time was given: a person compares the recorded time with the order."
        return Decision("review", headline, (Reason("no_order", text), *doubts), None)

    recorded, ordered = coverage.recorded_ns, order.ordered_ns
    reasons: list[Reason] = []
    outcome: DecisionOutcome = "complete"

    if recorded * _PPM < ordered * settings.minimum_ppm:
        best = max((f.other_recorded_ns or 0 for f in findings), default=0)
        share = percent(settings.minimum_ppm)
        if best * _PPM >= ordered * settings.minimum_ppm:
            outcome = "review"
            reasons.append(
                Reason(
                    "below_minimum_but_doubtful",
                    f"{hms(recorded)} was recorded, less than {share} of the ordered "
                    f"{hms(ordered)}; but another reading of the same files gives {hms(best)}. "
                    "Settle the finding that gives both figures before a repeat is booked.",
                )
            )
        else:
            outcome = "repeat"
            reasons.append(
                Reason(
                    "below_minimum_share",
                    f"{hms(recorded)} was recorded, less than {share} of the ordered "
                    f"{hms(ordered)}.",
                )
            )
    elif recorded * _PPM < ordered * (_PPM - settings.tolerance_ppm):
        outcome = "review"
        reasons.append(
            Reason(
                "below_tolerance",
                f"{hms(recorded)} was recorded, {hms(shortfall.short_ns, up=True)} short of the "
                f"ordered {hms(ordered)}: more than the tolerance of "
                f"{percent(settings.tolerance_ppm)}.",
            )
        )
    if signal.scanned:
        usable = signal.usable_ns
        if usable * _PPM < ordered * settings.usable_minimum_ppm:
            judged = sum(channel.is_eeg for channel in signal.channels)
            surely = judged >= signal.needed_channels and not doubts
            outcome = "repeat" if outcome == "repeat" or surely else "review"
            reasons.append(
                _usable_reason("usable_below_minimum", usable, ordered, signal, settings)
            )
        elif usable * _PPM < ordered * settings.usable_ppm:
            outcome = "repeat" if outcome == "repeat" else "review"
            reasons.append(_usable_reason("usable_below_share", usable, ordered, signal, settings))
    if doubts:
        outcome = "review" if outcome == "complete" else outcome
        reasons += doubts
    if not reasons:
        reasons.append(Reason("covers_the_order", _covered(recorded, ordered, shortfall, settings)))
    return Decision(
        outcome, _headline(outcome, recorded, shortfall), tuple(reasons), shortfall.short_ns
    )


def _doubts(findings: Sequence[Finding]) -> list[Reason]:
    seen: dict[str, Reason] = {}
    for finding in findings:
        if finding.severity == "problem":
            text = f"{finding.where}: {finding.text}" if finding.where else finding.text
            seen.setdefault(finding.code, Reason("problem_finding", text))
    return list(seen.values())


def _usable_reason(
    code: ReasonCode, usable: int, ordered: int, signal: SignalFacts, settings: DecisionSettings
) -> Reason:
    low = code == "usable_below_minimum"
    share = settings.usable_minimum_ppm if low else settings.usable_ppm
    return Reason(
        code,
        f"Only {hms(usable)} had at least {signal.needed_channels} live EEG channels, less than "
        f"{percent(share)} of the ordered {hms(ordered)}.",
    )


def _covered(recorded: int, ordered: int, shortfall: Shortfall, settings: DecisionSettings) -> str:
    if recorded >= ordered:
        return f"{hms(recorded)} was recorded; {hms(ordered)} was ordered."
    return (
        f"{hms(recorded)} was recorded, {hms(shortfall.short_ns, up=True)} less than the ordered "
        f"{hms(ordered)} and within the tolerance of {percent(settings.tolerance_ppm)}."
    )


def _headline(outcome: DecisionOutcome, recorded: int, shortfall: Shortfall) -> str:
    measured = f"{hms(recorded)} recorded of {hms(shortfall.ordered_ns)} ordered"
    if shortfall.short_ns:
        measured += f", {hms(shortfall.short_ns, up=True)} short"
    words = {
        "complete": "The order is covered",
        "review": "A person must look before this is accepted",
        "repeat": "A repeat study is suggested",
    }
    return f"{words[outcome]}: {measured}"
