"""What to change at the next hook-up: by cause and situation, from this study's evidence only.

A coincidence asks for no change of habits, whatever fits; nor does a take-down at or after the
planned end. While a study goes on nothing is advised. All of it is common practice, no source.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence

from auditor.core.durations import in_words
from auditor.core.text import printable, some_of
from auditor.core.units import HOUR, MINUTE
from auditor.model import (
    Advice,
    Cause,
    CauseCode,
    ChannelFacts,
    Coverage,
    Finding,
    FindingCode,
    PowerPlan,
    SignalFacts,
    Stop,
    Study,
)

_SHOWN = 8
_LATE_NS = 10 * MINUTE
"""A start so long after the hook-up is worth a word."""
_COSTLY_NS = 10 * MINUTE
"""Changes of file that together cost so much recording are worth a word."""
_TAKEN_OFF_NS = HOUR
"""Electrodes lost this close to a stop that was not early were taken off with the recorder."""
_MAINS_SHARE = 4
"""Mains artifact in more than a quarter of a channel's time asks for a better contact."""
_CLOCK_CODES: frozenset[FindingCode] = frozenset((
    "clock_never_set", "default_date", "start_disagrees_with_hookup",
    "daylight_saving_not_followed", "overlapping_recordings", "overlap_inside_file",
    "clock_may_have_stepped", "date_may_be_wrong",
))  # fmt: skip
_SET_CLOCK = "Set the recorder's clock at hook-up and check the date and the hour."
_COPY_AGAIN = "Before the card is cleared, copy it again and compare the sizes of all files."
_BUTTON = (
    "Tell the patient and the caregivers to leave the recorder's button alone, what to do when a "
    "lead or a plug comes loose, and whom to call."
)

_AT_END: dict[CauseCode, str] = {
    "stopped_by_patient": _BUTTON,
    "stopped_by_person": _BUTTON,
    "stopped_by_technologist": "Take the recorder down at the planned end, or have the order "
    "changed before.",
    "power_change": "After a change of batteries, look whether the recorder records again.",
}
"""By cause of an end that came before the planned one; a gap of the same cause asks for nothing,
but where ``_ALWAYS`` says so."""
_ALWAYS: dict[CauseCode, str] = {
    "file_cut_short": _COPY_AGAIN,
    "missing_file": _COPY_AGAIN,
    "power_exhausted": "Have every battery full at hook-up and check what is shown.",
    "supply_unplugged": "Secure the cable of the supply, and fit charged batteries that carry the "
    "recording on when it is pulled.",
    "card_full": "Use a larger card, or clear it before hook-up once its files are safe.",
    "file_size_limit": "Set the recorder to begin a new file well before the limit.",
    "electrodes_lost": "Secure the electrode leads and their plug against a pull.",
    "clock_change": _SET_CLOCK,
}
"""By cause of an end that was not the planned one, or of a gap."""


def advise(
    study: Study,
    coverage: Coverage,
    stop: Stop,
    gap_causes: Sequence[Cause],
    plan: PowerPlan | None,
    signal: SignalFacts,
    findings: Sequence[Finding],
    late_start_ns: int,
) -> tuple[Advice, ...]:
    """A short list, most pressing first, each item with what shows the need.

    ``late_start_ns`` is how long after the hook-up the recording began.
    """
    if stop.kind == "so_far":
        return ()
    shown = _Shown(stop, gap_causes)
    found = (
        *_before(study, shown, late_start_ns),
        *shown.advice(),
        *_power(shown, plan),
        *_from_findings(study, findings),
        *_electrodes(study, coverage, stop, signal),
        *_recorder(study, coverage, shown, gap_causes),
    )
    # The same advice from two places is given once, with the evidence that came first.
    once: dict[str, Advice] = {}
    for advice in found:
        once.setdefault(advice.text, advice)
    return tuple(once.values())


class _Shown:
    """What was shown of each cause by a witness or a pattern: at the end, and at the gaps."""

    def __init__(self, stop: Stop, gap_causes: Sequence[Cause]) -> None:
        self.ended = stop.cause if stop.kind in ("early", "unknown") else Cause()
        self._early = stop.kind == "early"
        self._gaps = [cause for cause in gap_causes if cause.rank is not None]

    def because(self, code: CauseCode) -> str:
        """What was seen of ``code``, at the end first, then at the first gap; '' if nothing."""
        at_gaps = [seen for cause in self._gaps if (seen := cause.shows(code))]
        if self.ended.shows(code) or not at_gaps:
            return self.ended.shows(code)
        more = {1: "", 2: " The same at another interruption."}
        many = f" The same at {len(at_gaps) - 1} more interruptions."
        return at_gaps[0] + more.get(len(at_gaps), many)

    def advice(self) -> Iterator[Advice]:
        """The advice of the two tables."""
        for code, text in _AT_END.items():
            # A technologist who stops it for a reason that is shown as well had no choice.
            by_choice = code != "stopped_by_technologist" or self.ended.likely_cause == code
            if self._early and by_choice and (seen := self.ended.shows(code)):
                yield Advice(text, seen)
        for code, text in _ALWAYS.items():
            if seen := self.because(code):
                yield Advice(text, seen)


def _listed(names: Iterable[str]) -> str:
    return some_of([printable(n) for n in names], _SHOWN)


def _before(study: Study, shown: _Shown, late_start_ns: int) -> Iterator[Advice]:
    if study.unreadable:
        names = _listed(u.name for u in study.unreadable)
        yield Advice(_COPY_AGAIN, f"Not readable: {names}.")
    if late_start_ns >= _LATE_NS:
        yield Advice(
            "Start the recording and see that it runs before the patient leaves.",
            f"The recording began {in_words(late_start_ns, up=True)} after the hook-up.",
        )


def _power(shown: _Shown, plan: PowerPlan | None) -> Iterator[Advice]:
    """What the lab's own figures say, where power was shown to be the cause."""
    if plan is None or not shown.because("power_exhausted"):
        return
    if plan.enough:
        yield Advice(
            "Have the batteries tested, or add an external supply.",
            "By the lab's figures the set-up lasts the ordered time, yet power is the likely "
            "cause.",
        )
    else:
        yield Advice(
            f"Plan more power. {' Or: '.join(plan.would_last)}",
            f"By the lab's figures the set-up lasts about {in_words(plan.lasts_ns)}; "
            f"{in_words(plan.ordered_ns)} was ordered.",
        )


def _from_findings(study: Study, findings: Sequence[Finding]) -> Iterator[Advice]:
    for finding in findings:
        if finding.code == "card_not_cleared":
            yield Advice(
                "Clear the card before hook-up, after its files are backed up.",
                f"{finding.text} They are: {finding.observed}.",
            )
    yield from (Advice(_SET_CLOCK, f.text) for f in findings if f.code in _CLOCK_CODES)
    if study.axis.zone is None:
        for finding in findings:
            if finding.code == "hour_step":
                yield Advice("Name the time zone in the order file.", finding.text)


def _electrodes(
    study: Study, coverage: Coverage, stop: Stop, signal: SignalFacts
) -> Iterator[Advice]:
    """By the lab's own labels, with the times."""
    eeg = [c for c in signal.channels if c.is_eeg and c.recorded_ns]
    lost = [c for c in eeg if _lost_early(c, coverage, stop)]
    if lost:
        lost.sort(key=lambda c: c.lost_at or 0)
        since = "; ".join(
            f"{_name(c)} was off from {study.axis.said(c.lost_at or 0)} to the end"
            for c in lost[:_SHOWN]
        )
        yield Advice(f"Re-prepare and secure {_listed(map(_name, lost))}.", f"{since}.")
    dead = [c for c in eeg if not c.signal_ns]
    if dead:
        yield Advice(
            f"Check electrode and lead of {_listed(map(_name, dead))} before the start.",
            "No signal in the whole recording.",
        )
    mains = [c for c in eeg if c.mains_ns * _MAINS_SHARE > c.recorded_ns and c not in lost + dead]
    if mains:
        worst = max(mains, key=lambda c: c.mains_ns)
        yield Advice(
            f"Lower the impedance of {_listed(map(_name, mains))} and check the ground.",
            f"{_name(worst)} carried mains artifact for {in_words(worst.mains_ns)} of "
            f"{in_words(worst.recorded_ns)}.",
        )


def _lost_early(channel: ChannelFacts, coverage: Coverage, stop: Stop) -> bool:
    """Lost for good, after it carried signal, and not merely taken off at the end."""
    at = channel.lost_at
    if at is None or not channel.signal_ns:
        return False
    return stop.kind == "early" or coverage.last_end - at > _TAKEN_OFF_NS


def _name(channel: ChannelFacts) -> str:
    """The lab's own label without the kind of signal and the reference: T3 stays T3."""
    label = re.sub(r"^EEG[\s_:-]+", "", channel.label.strip(), flags=re.IGNORECASE)
    if channel.electrode and "-" not in channel.electrode:
        label = label.split("-")[0].strip()
    return printable(label or channel.label)


def _recorder(
    study: Study, coverage: Coverage, shown: _Shown, gap_causes: Sequence[Cause]
) -> Iterator[Advice]:
    """How the recorder closes and changes its files."""
    never = [f.recording.name for f in study.counted if not f.recording.closed]
    if never and not shown.because("power_exhausted"):
        yield Advice(
            "End the recording on the recorder and wait until it has closed its file before the "
            "card or the batteries are taken out.",
            f"Never closed: {_listed(never)}.",
        )
    cut = shown.because("recorder_interrupted")
    # A file that was never closed is as likely a card pulled out: that advice is given above.
    if cut and not cut.endswith("was never closed: the recorder was cut off while it wrote."):
        yield Advice("Have the recorder and its card checked before the next study.", cut)
    changes = zip(coverage.gaps, gap_causes, strict=True)
    lost = [gap.duration for gap, why in changes if why.likely_cause == "new_file_by_schedule"]
    if sum(lost) >= _COSTLY_NS:
        yield Advice(
            "Set the recorder to begin new files less often, if it can.",
            f"{len(lost)} changes of file cost {in_words(sum(lost), up=True)} of recording.",
        )
