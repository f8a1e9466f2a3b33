"""What a person should know about the signals: one small function a finding.

What is equal for several channels or files is said once, with all their names, and figures are
always how many of how many.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from typing import Any

from msgspec import Struct

from auditor.core import intervals as iv
from auditor.core.clock import time_text
from auditor.core.durations import hms
from auditor.core.text import Own, printable, quantity
from auditor.core.units import MINUTE
from auditor.model import (
    Channel,
    Coverage,
    Finding,
    FindingCode,
    Interval,
    Recording,
    SignalFacts,
    Study,
    finding,
    is_reference,
)
from auditor.policy.sections import SignalSettings
from auditor.signal.channels import MAX_RATE, MIN_RATE, Plan, samples_per_second
from auditor.signal.runs import Placed
from auditor.signal.summary import ChannelTime

_PART = 10
"""A channel has a part in the artifact of a time that it is in it for a tenth of that time."""


class Found(Struct, frozen=True):
    """What the findings on the whole study are made from.

    ``times`` are the channels' times, ``least_ns`` the usable and clean time under which a person
    should look.
    """

    facts: SignalFacts
    times: Sequence[ChannelTime]
    study: Study
    coverage: Coverage
    settings: SignalSettings
    least_ns: int

    @property
    def little_usable(self) -> bool:
        """Whether signal was lost for so long that a person should look."""
        return self.facts.usable_ns < self.least_ns

    @property
    def little_clean(self) -> bool:
        """Whether artifact, and not the loss of signal, leaves too little."""
        return self.facts.clean_ns < self.least_ns <= self.facts.usable_ns

    def at(self, instant: int) -> Own:
        """An instant for people to read."""
        return Own(time_text(self.study.axis.civil(instant)))


def signal_findings(found: Found, placed: Sequence[Placed]) -> Iterator[Finding]:
    """Everything to be said about the signals."""
    yield from _by_channel(placed, found.settings)
    yield from _too_few_channels(found.facts, placed)
    yield from _usable_below_recorded(found)
    yield from _few_until_end(found)
    yield from _lost(found)
    yield from _come_off(found)
    yield from _artifact(found, "artifact_mains", "mains")
    yield from _artifact(found, "artifact_large", "large")


def study_findings(study: Study, facts: SignalFacts) -> Iterator[Finding]:
    """What is not known of the study as a whole."""
    if study.axis.zone is None:
        yield finding("no_time_zone")
    if not facts.scanned:
        yield finding("signal_not_scanned")
        if facts.montage_channels < facts.needed_channels:
            yield _too_few(facts, facts.montage_channels)


_Header = tuple[Recording, Channel, Plan | None]
"""A channel of a file, and how it is judged; ``None`` where it is not."""


def _by_channel(placed: Sequence[Placed], settings: SignalSettings) -> Iterator[Finding]:
    """What the header of channels leaves open, once for all channels and files alike."""
    every: list[_Header] = []
    for one in placed:
        recording, plans = one.scan.recording, {p.channel.index: p for p in one.scan.plans}
        channels = recording.channels if recording.record_ns > 0 else ()
        every += [(recording, c, plans.get(c.index)) for c in channels if not c.is_annotation]
    left = [one for one in every if one[2] is None]
    eeg = [one for one in left if one[1].is_eeg]
    yield from _alike("channel_not_judged", eeg, question="readable")
    others = [one for one in left if not one[1].is_eeg]
    yield from _alike("channel_not_judged", others, form="other", severity="info")
    judged = [(one, plan) for one in every if one[1].is_eeg and (plan := one[2]) is not None]
    bare = [one for one, plan in judged if not plan.scaled]
    fields = ("dimension", "physical_min", "physical_max", "digital_min", "digital_max")
    told = ", ".join(f"{field} {getattr(c, field)!r}" for _, c, _ in bare[:1] for field in fields)
    yield from _alike("channel_without_scale", bare, limits=printable(told, 200))
    hums = [(one, set(settings.mains_hz).difference(plan.mains_hz)) for one, plan in judged]
    blind = [one for one, missed in hums if missed]
    mains = " and ".join(f"{hz} Hz" for hz in sorted(set().union(*(hz for _, hz in hums))))
    yield from _alike("mains_not_judged", blind, mains=Own(mains))


def _alike(code: FindingCode, alike: Sequence[_Header], **given: Any) -> Iterator[Finding]:
    """The finding ``code`` on channels, where there are any; ``given`` goes on to ``finding``."""
    if alike:
        files = list(dict.fromkeys(recording.name for recording, _, _ in alike))
        names = _names(channel.label for _, channel, _ in alike)
        rates = [samples_per_second(channel, rec.record_ns) for rec, channel, _ in alike]
        yield finding(
            code,
            files[0] if len(files) == 1 else "signals",
            file=files[0] if len(files) == 1 else None,
            named=names,
            channels=quantity(len(names), "EEG channel"),
            least=MIN_RATE,
            most=MAX_RATE,
            lowest=Own(f"{min(rates):g}"),
            highest=Own(f"{max(rates):g}"),
            **given,
        )


def _too_few_channels(facts: SignalFacts, placed: Sequence[Placed]) -> Iterator[Finding]:
    judged = [
        sum(p.channel.is_eeg and not is_reference(p.channel.electrode) for p in one.scan.plans)
        for one in placed
    ]
    if judged and max(judged) < facts.needed_channels:
        yield _too_few(facts, max(judged))


def _too_few(facts: SignalFacts, held: int) -> Finding:
    return finding(
        "too_few_eeg_channels",
        "signals",
        held=quantity(held, "EEG channel"),
        needed=facts.needed_channels,
    )


def _usable_below_recorded(found: Found) -> Iterator[Finding]:
    facts, recorded = found.facts, found.coverage.recorded_ns
    lost = recorded - facts.usable_ns
    if lost < MINUTE or facts.montage_channels < facts.needed_channels:
        return
    much = facts.usable_ns * 1_000_000 < recorded * found.settings.doubtful_ppm
    yield finding(
        "usable_below_recorded",
        "signals",
        severity="caution" if much or found.little_usable else "info",
        recorded=hms(recorded),
        usable=hms(facts.usable_ns),
        lost=hms(lost, up=True),
        needed=facts.needed_channels,
        of=facts.montage_channels,
    )


def _few_until_end(found: Found) -> Iterator[Finding]:
    facts, at = found.facts, found.facts.below_minimum_from
    if at is None or not facts.usable_ns:
        return
    off = [c for c in facts.montage if c.lost_at is not None and c.lost_at <= at]
    after = Interval(at, found.coverage.last_end)
    union = found.coverage.union_starts, found.coverage.union_ends
    yield finding(
        "few_channels_until_end",
        "signals",
        span=after,
        question="readable" if found.little_usable else None,
        count=len(off),
        of=facts.montage_channels,
        needed=facts.needed_channels,
        time=found.at(at),
        lost=hms(iv.total(iv.clip(union, after)), up=True),
        named=_names(c.label for c in off),
    )


def _lost(found: Found) -> Iterator[Finding]:
    """Electrodes that carried no signal from some time on, if ever."""
    eeg = [c for c in found.facts.channels if c.is_eeg]
    never = [c for c in eeg if not c.signal_ns and c.lost_at is not None]
    if never:
        names = _names(c.label for c in never)
        yield _until_end(
            "electrode_without_signal", found, found.coverage.first_start, names, len(never)
        )
    lost = sorted((c.lost_at, c.label) for c in eeg if c.signal_ns and c.lost_at is not None)
    if lost:
        yield _until_end("electrode_lost", found, lost[0][0], _since(lost, found), len(lost))


def _come_off(found: Found) -> Iterator[Finding]:
    """Electrodes in doubt from a time on; in doubt from the first second is no coming off."""
    doubtful = sorted(
        (c.doubtful_from, c.label)
        for c in found.facts.channels
        if c.is_eeg
        and c.doubtful_from is not None
        and c.doubtful_from > found.coverage.first_start
        and (c.lost_at is None or c.lost_at > c.doubtful_from)
    )
    if doubtful:
        named = _since(doubtful, found)
        yield _until_end("electrode_off", found, doubtful[0][0], named, len(doubtful))


def _until_end(
    code: FindingCode, found: Found, start: int, named: tuple[str, ...], count: int
) -> Finding:
    """What is said of ``count`` electrodes from ``start`` to the end."""
    return finding(
        code,
        "signals",
        span=Interval(start, found.coverage.last_end),
        count=count,
        of=sum(c.is_eeg for c in found.facts.channels),
        named=named,
    )


def _since(times: Iterable[tuple[int, str]], found: Found) -> tuple[str, ...]:
    """'T3, O1 from Tue 2 Mar 2027 14:00:00': labels by the time from which on."""
    by_time: dict[int, list[str]] = {}
    for at, label in times:
        by_time.setdefault(at, []).append(label)
    return tuple(
        f"{', '.join(_names(labels))} from {found.at(at)}" for at, labels in by_time.items()
    )


def _artifact(found: Found, code: FindingCode, state: str) -> Iterator[Finding]:
    """Mains or implausible size: on so many channels that time is not clean, or on some."""
    facts, settings = found.facts, found.settings
    uv = settings.large_uv

    def made(
        form: str, held: Sequence[tuple[str, int]], of: int, time_ns: int, *, decides: bool = False
    ) -> Finding:
        return finding(
            code,
            "signals",
            form=form,
            question="readable" if decides else None,
            count=len(held),
            of=of,
            needed=facts.needed_channels,
            time=hms(time_ns),
            longest=hms(max(ns for _, ns in held)),
            named=_names(label for label, _ in held),
            mains=_frequency(found.times),
            share=Own(f"{settings.hum_ppm / 10_000:g} %"),
            limit=Own(f"{uv / 1000:g} mV" if uv >= 1000 else f"{uv:g} uV"),
        )

    unclean = iv.subtract(facts.usable or iv.empty(), facts.clean or iv.empty())
    held = {t.label: iv.intersection(t.states[state], unclean) for t in found.times if t.in_montage}
    time = iv.total(iv.union_of(held.values()))
    part = [(label, iv.total(pair)) for label, pair in held.items()]
    part = [(label, ns) for label, ns in part if ns * _PART >= time]
    most = time >= MINUTE and time * _PART >= iv.total(unclean)
    if most:
        yield made("most", part, facts.montage_channels, time, decides=found.little_clean)
    eeg = [t for t in found.times if t.electrode is not None]
    some = [
        (t.label, ns)
        for t in eeg
        if not (most and t.label in dict(part))
        if (ns := iv.total(t.states[state])) * 1_000_000
        >= iv.total(t.recorded) * settings.doubtful_ppm
        > 0
    ]
    if some:
        yield made("", some, len(eeg), max(ns for _, ns in some))


def _frequency(times: Sequence[ChannelTime]) -> Own:
    """'60 Hz': the frequency of nearly all mains artifact."""
    every = sum(iv.total(t.states["mains"]) for t in times)
    at_60 = sum(iv.total(t.at_60) for t in times)
    if at_60 * _PART > every * (_PART - 1):
        return Own("60 Hz")
    return Own("50 Hz" if at_60 * _PART < every else "50 and 60 Hz")


def _names(labels: Iterable[str]) -> tuple[str, ...]:
    """The files' own labels, each once."""
    return tuple(dict.fromkeys(printable(label.strip(), 40) for label in labels))
