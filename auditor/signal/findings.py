"""What a person should know about the signals: one small function a finding."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import replace

from auditor.core.durations import hms
from auditor.core.text import printable, quantity
from auditor.core.units import MINUTE
from auditor.model import ChannelFacts, Coverage, Finding, Interval, SignalFacts, Study
from auditor.policy.signal import SignalSettings
from auditor.signal.runs import Placed
from auditor.signal.scales import MAX_RATE, MIN_RATE, samples_per_second
from auditor.signal.timekeeping import moved

VOCABULARY: dict[str, str] = {
    "channel_not_judged": "A channel's sampling rate is too low or too high to judge its seconds.",
    "channel_sampled_slowly": "An EEG channel has so few samples that no EEG can be read from it.",
    "channel_without_scale": "A channel's header gives no usable scale or limits; it was judged in "
    "digital steps alone.",
    "electrode_lost": "An electrode was not live from some time on until the end.",
    "electrode_never_live": "An electrode was not live at any time.",
    "electrode_off": "From some time on until the end an electrode was nearly always flat, "
    "saturated, full of mains hum or too large, as one that has come off is.",
    "few_live_until_end": "From some time on until the end fewer than the minimum of EEG channels "
    "were live.",
    "hum_not_judged": "A channel's sampling rate is too low to tell mains hum.",
    "large_signal": "An EEG channel was larger than an EEG can be for much of its time.",
    "mains_hum": "Mains hum made up most of an EEG channel's power for much of its time.",
    "samples_changed": "A file changed between the count of its records and the reading of its "
    "samples.",
    "samples_not_read": "Samples of counted records could not be read; that time is not usable.",
    "too_few_eeg_channels": "The files hold fewer EEG channels than the minimum, so no time is "
    "usable.",
    "usable_below_recorded": "Less time was usable than recorded.",
}
_NAMES = 12
"""Channels named in one text; of more, the number."""


def signal_findings(
    facts: SignalFacts,
    placed: Sequence[Placed],
    study: Study,
    coverage: Coverage,
    settings: SignalSettings,
) -> tuple[Finding, ...]:
    """Everything to be said about the signals, files first."""
    found: list[Finding] = []
    alike: list[Finding] = []
    for one in placed:
        found += _file_changed(one)
        found += _samples_not_read(one)
        alike += _not_judged(one)
        alike += _sampled_slowly(one)
        alike += _without_scale(one)
        alike += _hum_not_judged(one, settings)
    found += _together(alike)
    found += _too_few_channels(facts, placed)
    found += _usable_below_recorded(facts, coverage, settings)
    found += _few_live_until_end(facts, study, coverage)
    found += _lost(facts, study, coverage)
    found += _come_off(facts, study, coverage)
    found += _much_of_the_time(facts, settings)
    return tuple(found)


def _together(findings: Iterable[Finding]) -> Iterator[Finding]:
    """One finding for all the files of which the same is to be said."""
    same: dict[tuple[str, str, str], list[Finding]] = {}
    for finding in findings:
        same.setdefault((finding.code, finding.text, finding.observed), []).append(finding)
    for first, *more in same.values():
        if more:
            yield replace(first, where=f"{first.where} and {_more(len(more))}", file=None)
        else:
            yield first


def _file_changed(one: Placed) -> Iterator[Finding]:
    scan, name = one.scan, one.scan.recording.name
    differ = moved(scan.recording, scan.stamps, scan.seen) if len(scan.stamps) else 0
    if not scan.changed and not differ:
        return
    observed = f"{differ} records state another start" if differ else "size or time changed"
    yield Finding(
        "samples_changed",
        "problem",
        printable(name),
        "The file changed after its records were counted, so the recorded time and the usable time "
        "given here may belong to two different states of the file.",
        expected="the file as it was when its records were counted",
        observed=observed,
        action="Make sure that nothing writes to the study's folder, and audit it again.",
        file=name,
    )


def _samples_not_read(one: Placed) -> Iterator[Finding]:
    scan, name = one.scan, one.scan.recording.name
    if scan.failure:
        yield Finding(
            "samples_not_read",
            "problem",
            printable(name),
            "The file's samples could not be read at all: its recorded time is counted, but none "
            "of it is usable.",
            expected=f"{scan.data_bytes} bytes of records",
            observed=printable(scan.failure, 200),
            action="Copy the file again from the recorder's card, and audit the study again.",
            file=name,
        )
    elif scan.unread:
        first = min(low for low, _ in scan.unread)
        last = max(high for _, high in scan.unread)
        size = sum(high - low for low, high in scan.unread)
        yield Finding(
            "samples_not_read",
            "problem",
            f"{printable(name)}, bytes {first} to {last}",
            f"{size} bytes of counted records could not be read. The seconds that they hold are "
            "recorded but not usable.",
            expected="every counted record can be read",
            observed=f"{len(scan.unread)} unreadable stretches",
            action="Copy the file again from the recorder's card, and audit the study again.",
            file=name,
        )


def _channels(facts: SignalFacts) -> str:
    """'8 EEG channels were', as fewer than the minimum."""
    least = facts.needed_channels
    return "1 EEG channel was" if least == 1 else f"{least} EEG channels were"


def _more(files: int) -> str:
    return "1 more file" if files == 1 else f"{files} more files"


def _not_judged(one: Placed) -> Iterator[Finding]:
    recording = one.scan.recording
    if recording.record_ns <= 0:
        return
    judged = {plan.channel.index for plan in one.scan.plans}
    left = [c for c in recording.channels if not c.is_annotation and c.index not in judged]
    eeg = [c for c in left if c.is_eeg]
    for channels, severity, effect in (
        (eeg, "caution", "They never count as live, so usable time may be too short."),
        ([c for c in left if not c.is_eeg], "info", "They do not count towards usable time."),
    ):
        if channels:
            rates = [samples_per_second(c, recording.record_ns) for c in channels]
            yield Finding(
                "channel_not_judged",
                "caution" if severity == "caution" else "info",
                printable(recording.name),
                f"{_named(c.label for c in channels)}: too few or too many samples in a second to "
                f"judge seconds. {effect}",
                expected=f"{MIN_RATE} to {MAX_RATE} samples per second",
                observed=f"{min(rates):g} to {max(rates):g} samples per second",
                file=recording.name,
            )


def _sampled_slowly(one: Placed) -> Iterator[Finding]:
    slow = [p for p in one.scan.plans if p.rate < MIN_RATE]
    if slow:
        yield Finding(
            "channel_sampled_slowly",
            "caution",
            printable(one.scan.recording.name),
            f"{_named(p.channel.label for p in slow)}: fewer than {MIN_RATE} samples per second. "
            "Flat and saturated were judged by three samples in a row; no EEG can be read at such "
            "a rate, whatever the usable time says.",
            expected="the sampling rate of an EEG",
            observed=f"{min(p.rate for p in slow):g} samples per second",
            action="Check whether the right files were exported, and at which rate.",
            file=one.scan.recording.name,
        )


def _without_scale(one: Placed) -> Iterator[Finding]:
    name = one.scan.recording.name
    plans = [p for p in one.scan.plans if p.channel.is_eeg and not (p.scaled and p.limited)]
    if plans:
        yield Finding(
            "channel_without_scale",
            "caution",
            printable(name),
            f"{_named(p.channel.label for p in plans)}: the header gives no unit of voltage, or no "
            "sound physical or digital limits. Without a scale only a channel that does not change "
            "at all is flat and size is not judged; without digital limits saturation is not "
            "judged. Usable time may be too long.",
            expected="a unit such as uV, physical limits that differ, digital minimum below "
            "maximum",
            observed=_limits_of(plans[0].channel),
            action="Look at these channels' signals before relying on usable time.",
            file=name,
        )


def _limits_of(channel: object) -> str:
    fields = ("dimension", "physical_min", "physical_max", "digital_min", "digital_max")
    return printable(", ".join(f"{f} {getattr(channel, f)!r}" for f in fields), 200)


def _hum_not_judged(one: Placed, settings: SignalSettings) -> Iterator[Finding]:
    recording = one.scan.recording
    slow = [
        p for p in one.scan.plans if p.channel.is_eeg and len(p.mains_hz) < len(settings.mains_hz)
    ]
    if slow:
        missed = sorted({hz for p in slow for hz in settings.mains_hz if hz not in p.mains_hz})
        text = " and ".join(f"{hz} Hz" for hz in missed)
        yield Finding(
            "hum_not_judged",
            "info",
            printable(recording.name),
            f"{_named(p.channel.label for p in slow)}: sampled too slowly to tell mains hum at "
            f"{text}. Usable time does not depend on it.",
            observed=f"{min(p.rate for p in slow):g} samples per second",
            file=recording.name,
        )


def _too_few_channels(facts: SignalFacts, placed: Sequence[Placed]) -> Iterator[Finding]:
    counts = [sum(p.channel.is_eeg for p in one.scan.plans) for one in placed]
    if counts and max(counts) < facts.needed_channels:
        held = max(len(one.scan.recording.eeg_channels) for one in placed)
        which = "" if held < facts.needed_channels else " whose seconds could be judged"
        yield Finding(
            "too_few_eeg_channels",
            "caution",
            "signals",
            f"No file holds {quantity(facts.needed_channels, 'EEG channel')}{which}, the minimum "
            "for usable time, so none of the recorded time counts as usable. EEG channels are told "
            "by their labels.",
            expected=f"at least {facts.needed_channels} EEG channels",
            observed=quantity(max(counts), "EEG channel"),
            action="Check the channel labels, and the minimum in the order or the policy.",
        )


def _usable_below_recorded(
    facts: SignalFacts, coverage: Coverage, settings: SignalSettings
) -> Iterator[Finding]:
    lost = coverage.recorded_ns - facts.usable_ns
    if lost < MINUTE:
        return
    much = facts.usable_ns * 1_000_000 < coverage.recorded_ns * settings.doubtful_ppm
    yield Finding(
        "usable_below_recorded",
        "caution" if much else "info",
        "signals",
        f"Of {hms(coverage.recorded_ns)} recorded, {hms(facts.usable_ns)} was usable: for "
        f"{hms(lost, up=True)} fewer than {_channels(facts)} live. "
        "Recorded time is not changed by this.",
        expected=hms(coverage.recorded_ns),
        observed=hms(facts.usable_ns),
    )


def _few_live_until_end(facts: SignalFacts, study: Study, coverage: Coverage) -> Iterator[Finding]:
    at = facts.below_minimum_from
    if at is None or not facts.usable_ns:
        return
    yield Finding(
        "few_live_until_end",
        "caution",
        "signals",
        f"From {study.axis.iso(at)} until the end of the recording fewer than "
        f"{_channels(facts)} live: what was recorded then is not usable.",
        expected=f"at least {facts.needed_channels} live EEG channels",
        observed=f"none usable after {study.axis.iso(at)}",
        action="Check the electrodes' fastening before the next hook-up.",
        span=Interval(at, coverage.last_end),
    )


def _lost(facts: SignalFacts, study: Study, coverage: Coverage) -> Iterator[Finding]:
    by_time: dict[int, list[ChannelFacts]] = {}
    for channel in facts.channels:
        if channel.is_eeg and channel.lost_at is not None:
            by_time.setdefault(channel.lost_at if channel.signal_ns else -1, []).append(channel)
    for at, channels in sorted(by_time.items()):
        names = _named(c.label for c in channels)
        never = at == -1
        text = (
            f"{names}: flat or saturated throughout, not live at any time."
            if never
            else f"{names}: live for the last time at {study.axis.iso(at)}, then flat, saturated "
            "or absent until the end of the recording."
        )
        yield Finding(
            "electrode_never_live" if never else "electrode_lost",
            "caution",
            "signals",
            text + " The time is recorded; it is usable where enough other channels were live.",
            expected="live until the end of the recording",
            observed="never live" if never else f"not live from {study.axis.iso(at)}",
            action="Check these electrodes and their leads before the next hook-up.",
            span=coverage.span if never else Interval(at, coverage.last_end),
        )


def _come_off(facts: SignalFacts, study: Study, coverage: Coverage) -> Iterator[Finding]:
    for channel in facts.channels:
        at, lost = channel.doubtful_from, channel.lost_at
        if not channel.is_eeg or at is None or (lost is not None and lost <= at):
            continue
        yield Finding(
            "electrode_off",
            "caution",
            "signals",
            f"{_named([channel.label])}: from {study.axis.iso(at)} until the end nearly always "
            "flat, saturated, full of mains hum or too large for an EEG, so the electrode may have "
            "come off then. Hum and size do not keep a channel from counting as live, so usable "
            "time may be too long.",
            expected="EEG until the end of the recording",
            observed=f"doubtful from {study.axis.iso(at)}",
            action="Look at this channel from that time on; check the electrode's fastening before "
            "the next hook-up.",
            span=Interval(at, coverage.last_end),
        )


def _much_of_the_time(facts: SignalFacts, settings: SignalSettings) -> Iterator[Finding]:
    eeg = [c for c in facts.channels if c.is_eeg and c.recorded_ns]
    hum = [c for c in eeg if c.mains_ns * 1_000_000 >= c.recorded_ns * settings.doubtful_ppm]
    large = [c for c in eeg if c.large_ns * 1_000_000 >= c.recorded_ns * settings.doubtful_ppm]
    if hum:
        longest = max(c.mains_ns for c in hum)
        yield Finding(
            "mains_hum",
            "caution",
            "signals",
            f"{_named(c.label for c in hum)}: mains hum made up most of the power for much of the "
            "time, as on an electrode that has come off. These channels still count as live, so "
            "usable time may be too long.",
            expected=f"below {settings.hum_ppm / 10_000:g} % of the power at the mains frequency",
            observed=f"up to {hms(longest)} with hum",
            action="Look at these channels before relying on usable time.",
        )
    if large:
        longest = max(c.large_ns for c in large)
        yield Finding(
            "large_signal",
            "caution",
            "signals",
            f"{_named(c.label for c in large)}: larger than an EEG can be for much of the time, as "
            "on an electrode that has come off. These channels still count as live, so usable time "
            "may be too long.",
            expected=f"at most {settings.large_uv:g} uV peak to peak in a second",
            observed=f"up to {hms(longest)} above it",
            action="Look at these channels before relying on usable time.",
        )


def _named(labels: Iterable[str]) -> str:
    names = [printable(label.strip(), 40) for label in labels]
    if len(names) > _NAMES:
        return f"{', '.join(names[:_NAMES])} and {len(names) - _NAMES} more"
    return ", ".join(names)
