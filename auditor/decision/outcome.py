"""Four answers and one outcome: was it recorded, can it be read, is it billable, is it theirs.

Every share is the lab's own (policy ``[decision]``; common practice, no source). People decide.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence

from msgspec import Struct

from auditor.core.clock import Axis, day_text
from auditor.core.durations import hms
from auditor.core.text import quantity
from auditor.core.units import PPM
from auditor.coverage.timeline import recorded_within
from auditor.model import (
    Answer,
    AnswerState,
    Billing,
    Coverage,
    Decision,
    DecisionOutcome,
    Finding,
    Interval,
    NightFacts,
    Order,
    Question,
    Reason,
    ReasonCode,
    Shortfall,
    SignalFacts,
    Study,
)
from auditor.model.codes import FINDINGS
from auditor.model.codes.edf import CODES as EDF_CODES
from auditor.model.codes.inputs import CODES as INPUT_CODES
from auditor.model.codes.study import CODES as STUDY_CODES
from auditor.policy.sections import DecisionSettings

CAUTIONS = (
    "This audit is decision support. It states what the files hold; it does not judge whether the "
    "recording answers the clinical question.",
    "Whether a study is accepted, repeated or billed is decided by licensed people under local "
    "codes, the current code set and the payer's policy.",
    "Do not clear the recorder's card before the decision is made and the files are backed up.",
)
NOTHING_TRUSTED = frozenset({"patient_code_not_found"})
"""Findings after which no file can be taken for this patient's."""

_WORST: tuple[AnswerState, ...] = ("no", "look", "unknown", "yes")
_DECIDES: tuple[Question, ...] = ("files", "order", "readable", "billing")
"""Which of several answers alike gives the headline: files in doubt put the other three in doubt,
so they come first, but for a plain no."""
_NIGHT_NS = 4 * 3600 * 10**9
"""A shorter part of a night is no night: the hook-up or the take-down fell into it."""
_NIGHT_PPM = 100_000
"""A night with less than this share of it clean is lost: minutes of EEG make no night."""
_CLOSE_PPM = 10_000
"""A time this close to a limit, as a share of the order, is said with its margin."""
_SHOWN = 2


def percent(ppm: int) -> str:
    """A share in parts per million as a percentage without needless digits."""
    return f"{ppm / 10_000:g} %"


class _Judged(Struct, frozen=True):
    """One question's state, the reasons for it (none where it is yes), and the words for a yes."""

    question: Question
    state: AnswerState
    reasons: tuple[Reason, ...]
    yes: str = ""

    @property
    def answer(self) -> Answer:
        texts = [r.text for r in self.reasons[:_SHOWN]] or [self.yes]
        if len(self.reasons) > _SHOWN:
            texts.append(f"and {len(self.reasons) - _SHOWN} more")
        return Answer(self.question, self.state, _sentence(texts))


def decide(
    study: Study,
    coverage: Coverage,
    order: Order | None,
    shortfall: Shortfall | None,
    signal: SignalFacts,
    nights: Sequence[NightFacts],
    billing: Billing | None,
    findings: Sequence[Finding],
    settings: DecisionSettings,
    slack_ns: int,
) -> Decision:
    """The four answers and the worst of them.

    Four yes are ``complete``; a no to order or readable while files is yes is ``repeat``; a study
    that goes on is ``so_far``; everything else is ``review``. A finding whose ``question`` is set
    turns that answer from yes to look. ``slack_ns`` is how far from the stated hook-up, and so from
    the planned end, a recording still counts as within the ordered time.
    """
    # In the order in which they are shown.
    judged: dict[Question, _Judged] = {
        "order": _order(coverage, order, shortfall, findings, settings, slack_ns),
        "readable": _readable(study.axis, coverage, order, signal, nights, settings),
        "billing": _billing(order, billing),
        "files": _files(study, findings),
    }
    answers = {question: _with_findings(one, findings) for question, one in judged.items()}
    outcome = _outcome(answers, order)
    reasons = tuple(reason for one in _by_weight(answers) for reason in one.reasons)
    if not reasons:
        reasons = (Reason("covers_the_order", answers["order"].answer.text, "order"),)
    needed = None
    if shortfall is not None:
        needed = 0 if outcome == "complete" else shortfall.short_ns
    return Decision(
        outcome,
        _headline(outcome, answers),
        reasons,
        needed,
        tuple(one.answer for one in answers.values()),
    )


def _order(
    coverage: Coverage,
    order: Order | None,
    shortfall: Shortfall | None,
    findings: Sequence[Finding],
    settings: DecisionSettings,
    slack_ns: int,
) -> _Judged:
    recorded = coverage.recorded_ns
    if order is None or shortfall is None:
        text = f"No order was given: {hms(recorded)} recorded, and nothing to compare it with"
        return _one("order", "unknown", "no_order", text)
    ordered = order.ordered_ns
    of = f"{hms(recorded)} recorded of {hms(ordered)} ordered"
    if order.still_recording and recorded < ordered:
        to_come = hms(ordered - recorded, up=True)
        return _one("order", "unknown", "study_goes_on", f"{of} so far, {to_come} to come")
    return _of_the_window(coverage, shortfall, findings, settings, slack_ns, of)


def _of_the_window(
    coverage: Coverage,
    shortfall: Shortfall,
    findings: Sequence[Finding],
    settings: DecisionSettings,
    slack_ns: int,
    of: str,
) -> _Judged:
    """Recorded time against the ordered; ``of`` names both."""
    recorded, ordered = coverage.recorded_ns, shortfall.ordered_ns
    if recorded * PPM < ordered * settings.minimum_ppm:
        text = f"{of}, under {percent(settings.minimum_ppm)}{_parts(shortfall)}"
        best = max((f.other_recorded_ns or 0 for f in findings), default=0)
        if best * PPM >= ordered * settings.minimum_ppm:
            text += f"; another interpretation of the same files gives {hms(best)}"
        return _one("order", "no", "below_minimum_share", text)
    window = shortfall.window
    near = recorded_within(coverage, Interval(window.start - slack_ns, window.end + slack_ns))
    limit = -(-ordered * (PPM - settings.tolerance_ppm) // PPM)
    if recorded < limit:
        text = f"{of}, {hms(shortfall.short_ns, up=True)} short{_parts(shortfall)}"
        return _one("order", "look", "below_tolerance", text)
    if near < limit:
        outside = hms(shortfall.outside_window_ns, up=True)
        text = f"{of}, but {outside} of it before the hook-up or after the planned end"
        return _one("order", "look", "outside_ordered_time", text)
    if recorded >= ordered:
        return _Judged("order", "yes", (), of)
    text = (
        f"{of}, {hms(shortfall.short_ns, up=True)} short, within {percent(settings.tolerance_ppm)}"
    )
    if (near - limit) * PPM < ordered * _CLOSE_PPM:
        text += f" by {hms(near - limit)}"
    return _Judged("order", "yes", (), text)


def _parts(shortfall: Shortfall) -> str:
    """What the shortfall is made of, largest first."""
    parts = (
        (shortfall.early_stop_ns, "early stop"),
        (shortfall.gaps_ns, "interruptions"),
        (shortfall.late_start_ns, "late start"),
        (shortfall.dropouts_ns, "dropouts"),
    )
    shown = [f"{name} {hms(ns, up=True)}" for ns, name in sorted(parts, reverse=True) if ns > 0]
    return f": {', '.join(shown)}"


def _readable(
    axis: Axis,
    coverage: Coverage,
    order: Order | None,
    signal: SignalFacts,
    nights: Sequence[NightFacts],
    settings: DecisionSettings,
) -> _Judged:
    if not signal.scanned:
        text = "The samples were not looked at: how much EEG can be read is not known"
        return _one("readable", "unknown", "signal_not_looked_at", text)
    recorded = coverage.recorded_ns
    whole, word = (order.ordered_ns, "ordered") if order is not None else (recorded, "recorded")
    if order is not None and order.still_recording and recorded < whole:
        whole, word = recorded, "recorded so far"
    usable, clean, channels = signal.usable_ns, signal.clean_ns, signal.montage_channels
    needed = f"{signal.needed_channels} of {quantity(channels, 'EEG channel')}"
    lost = [n for n in nights if _lost(n)]
    state: AnswerState = "look"
    code: ReasonCode
    if channels < signal.needed_channels:
        # The labels or the montage may be at fault: no patient is called back for that.
        code = "few_eeg_channels"
        text = f"{quantity(channels, 'EEG channel')} in the files, {signal.needed_channels} needed"
    elif usable * PPM < whole * settings.usable_minimum_ppm:
        state, code = "no", "usable_below_minimum"
        text = (
            f"{hms(usable)} usable of {hms(whole)} {word}, under "
            f"{percent(settings.usable_minimum_ppm)} (signal on at least {needed})"
        )
    elif usable * PPM < whole * settings.usable_ppm:
        code = "usable_below_share"
        text = f"{hms(usable)} usable of {hms(whole)} {word} (signal on at least {needed})"
    elif clean * PPM < whole * settings.usable_ppm:
        code = "clean_below_share"
        text = f"{hms(clean)} clean of {hms(whole)} {word}, {hms(usable)} usable: artifact"
    elif lost:
        code = "night_lost"
        days = ", ".join(day_text(axis.civil(night.start)) for night in lost[:_SHOWN])
        text = f"{quantity(len(lost), 'night')} of {len(nights)} without EEG to read: {days}"
    else:
        text = f"{hms(clean)} clean of {hms(whole)} {word} (at least {needed})"
        return _Judged("readable", "yes", (), text)
    return _one("readable", state, code, text)


def _lost(night: NightFacts) -> bool:
    clean = night.clean_ns if night.clean_ns is not None else night.usable_ns
    length = night.end - night.start
    return clean is not None and length >= _NIGHT_NS and clean * PPM < length * _NIGHT_PPM


def _billing(order: Order | None, billing: Billing | None) -> _Judged:
    if order is None:
        text = "No order was given: no minimum to compare with"
        return _one("billing", "unknown", "no_order", text)
    if billing is None or billing.minimum is None:
        return _Judged("billing", "yes", (), "This policy has no codes: no minimum to meet")
    minimum = billing.minimum
    if not minimum.met:
        if order.still_recording:
            return _one("billing", "unknown", "study_goes_on", f"So far {minimum.text}")
        return _one("billing", "no", "minimum_not_met", minimum.text)
    return _Judged("billing", "yes", (), minimum.text)


def _files(study: Study, findings: Sequence[Finding]) -> _Judged:
    counted, every = len(study.counted), len(study.files) + len(study.unreadable)
    text = f"{quantity(counted, 'file')} counted"
    if every > counted:
        text = f"{counted} of {quantity(every, 'file')} counted"
    rooms = EDF_CODES.keys() | INPUT_CODES.keys() | STUDY_CODES.keys()
    notes = [f for f in findings if f.question is None and f.severity == "caution"]
    shown = [FINDINGS[f.code].meaning for f in notes if f.code in rooms]
    if shown:
        more = f" (and {len(shown) - 1} more)" if len(shown) > 1 else ""
        text += f"; note: {shown[0]}{more}"
    return _Judged("files", "yes", (), text)


def _one(question: Question, state: AnswerState, code: ReasonCode, text: str) -> _Judged:
    return _Judged(question, state, (Reason(code, text, question),))


def _headline_of(finding: Finding) -> str:
    """The sentence that stands as the reason, with the file that it is about."""
    told = finding.headline or finding.text
    named = finding.file is None or finding.file in told
    return told if named else f"{finding.file}: {told}"


def _with_findings(judged: _Judged, findings: Iterable[Finding]) -> _Judged:
    """``judged`` after the findings that bear on it; of several alike the first stands for all."""
    first: dict[str, Finding] = {}
    for finding in findings:
        if finding.question == judged.question:
            first.setdefault(finding.code, finding)
    told = tuple(Reason(f.code, _headline_of(f), judged.question) for f in first.values())
    if not told:
        return judged
    state = judged.state
    if judged.question == "files" and first.keys() & NOTHING_TRUSTED:
        state = "no"
    elif state == "yes":
        state = "look"
    # Where time is lost the loss comes first; else what a person must look at.
    own, other = (judged.reasons, told) if state in ("no", "unknown") else (told, judged.reasons)
    return _Judged(judged.question, state, own + other)


def _outcome(answers: dict[Question, _Judged], order: Order | None) -> DecisionOutcome:
    states = {question: judged.state for question, judged in answers.items()}
    if order is not None and order.still_recording:
        return "so_far"
    if set(states.values()) == {"yes"}:
        return "complete"
    if "no" in (states["order"], states["readable"]) and states["files"] == "yes":
        return "repeat"
    return "review"


def _by_weight(answers: dict[Question, _Judged]) -> list[_Judged]:
    """The answers, the one that decides first. A minimum that is not met asks for a look as any
    other: where hours are missing, they come before what they do to the codes."""

    def rank(judged: _Judged) -> int:
        as_look = judged.question == "billing" and judged.state == "no"
        return _WORST.index("look" if as_look else judged.state)

    return sorted((answers[q] for q in _DECIDES), key=rank)


def _headline(outcome: DecisionOutcome, answers: dict[Question, _Judged]) -> str:
    """The reason that decided, in one sentence; then which other answers are not yes."""
    weighed = _by_weight(answers)
    if outcome in ("complete", "so_far"):
        weighed.sort(key=lambda j: j.question != "order")
    first, *rest = weighed
    called_back = outcome == "review" and first.question in ("order", "readable")
    if called_back and answers["files"].state == "look":
        # What keeps a plain no (all else comes after the files) from a repeat.
        doubt = answers["files"].answer.text
        return f"{first.answer.text} Before a repeat: {doubt}"
    others = [
        j.question
        for j in rest
        # What a study that goes on has not reached yet is no thing to look at.
        if j.state != "yes" and not (outcome == "so_far" and j.state == "unknown")
    ]
    also = f" Also to look at: {', '.join(others)}." if others else ""
    return first.answer.text + also


def _sentence(texts: Sequence[str]) -> str:
    """The texts as one sentence: a capital first, one full stop last."""
    joined = "; ".join(text.strip().removesuffix(".") for text in texts)
    first = joined.partition(" ")[0]
    return (joined[:1].upper() + joined[1:] if first.isalpha() else joined) + "."
