"""What a person should know about the codes: what the order or a log does not say."""

from __future__ import annotations

from collections.abc import Iterator

from auditor.billing.split import band_of, split_total
from auditor.billing.support import Facts
from auditor.billing.units import Outcome
from auditor.core.durations import hms, in_words
from auditor.model import Billing, Finding, Order, Unit
from auditor.policy.billing import BillingSettings

VOCABULARY = {
    "video_not_stated": "The order does not say whether video was ordered; codes are those "
    "without video.",
    "monitoring_not_stated": "The order does not say how the study was to be monitored; codes are "
    "the unmonitored ones.",
    "video_not_documented": "Video was ordered and no video log was given.",
    "video_below_share": "Video covers less of the recorded time than the codes with video need.",
    "video_not_ordered": "A video log was given although no video was ordered.",
    "monitoring_not_documented": "Monitoring was ordered and no check is documented.",
    "monitoring_level_lowered": "The log does not support the ordered level of monitoring "
    "throughout; the periods and codes are named.",
    "setup_channels_below_minimum": "Fewer channels carry EEG than the set-up code needs.",
    "live_channels_below_minimum": "Enough channels carry EEG, but fewer had a live signal than "
    "the set-up code needs.",
    "band_below_order": "The recorded time reaches a lower band or fewer units than the ordered "
    "time would have.",
    "close_to_limit": "The recorded time lies just below or just above a limit at which codes "
    "change.",
    "usable_band_below_recorded": "Codes rest partly on time that nobody could read.",
    "readings_differ": "Another reading of the billing rules gives other codes: ask the coder.",
}


def billing_findings(
    billing: Billing,
    outcome: Outcome,
    readable: Outcome | None,
    facts: Facts,
    order: Order | None,
    settings: BillingSettings,
    eeg_channels: int | None,
    live_channels: int | None,
) -> tuple[Finding, ...]:
    """Every finding of the billing section. None is a problem: no number is in doubt here."""
    found = [
        *_video(facts),
        *_monitoring(billing, outcome, facts),
        *_channels(billing, settings, eeg_channels, live_channels),
        *_against_order(outcome, order, settings),
        *_close(billing, outcome, settings),
    ]
    if readable is not None and readable.codes != outcome.codes:
        found.append(
            Finding(
                "usable_band_below_recorded",
                "caution",
                "billing",
                f"By recorded time ({hms(outcome.recorded_ns)}) the codes are "
                f"{_codes_words(outcome)}; by usable time ({hms(readable.recorded_ns)}) they would "
                f"be {_codes_words(readable)}. The codes rest partly on hours in which too few "
                "channels carried a readable signal.",
                expected=_codes_words(outcome),
                observed=_codes_words(readable),
                action="Let the reader confirm which hours could be read before coding.",
            )
        )
    if billing.alternatives:
        named = "; ".join(a.reading for a in billing.alternatives)
        found.append(
            Finding(
                "readings_differ",
                "info",
                "billing",
                f"Other codes would follow if: {named}. Each reading is listed with its codes.",
                observed="1 other reading changes a code"
                if len(billing.alternatives) == 1
                else f"{len(billing.alternatives)} other readings change a code",
                action="Ask the coder which reading the payer uses.",
            )
        )
    return tuple(found)


def units_words(units: tuple[Unit, ...]) -> str:
    """Units in words: '2 x 95708, 1 x 95705', or 'none'."""
    return ", ".join(f"{u.count} x {u.code}" for u in units) or "none"


def _codes_words(outcome: Outcome) -> str:
    whole = outcome.professional.whole_study.code or "none"
    days = ", ".join(d.code for d in outcome.professional.each_day if d.code) or "none"
    return f"{units_words(outcome.totals)} (report on the whole study {whole}, on days {days})"


def _video(facts: Facts) -> Iterator[Finding]:
    video = facts.video
    where = "billing"
    if facts.ordered_video is None:
        shown = "" if video is None else f" A log shows video: {video.note}"
        yield Finding(
            "video_not_stated",
            "caution",
            where,
            "The order does not say whether video was part of the study. The codes given are those "
            f"without video.{shown}",
            expected="video = true or false in the order",
            observed="nothing",
            action="Add the key video to the order file and audit again.",
        )
    elif facts.ordered_video and video is None:
        yield Finding(
            "video_not_documented",
            "caution",
            where,
            "Video was ordered, and no video log was given: how much of the recording had video is "
            "not documented. Both sets of codes are given where they differ; the policy says which "
            "comes first.",
            expected="a video log",
            observed="none",
            action="Name the video log under [logs] in the order file.",
        )
    elif facts.ordered_video and video is not None and not video.meets:
        yield Finding(
            "video_below_share",
            "caution",
            where,
            f"Video was ordered but covers too little of the recorded time: {video.note} The codes "
            "are those without video.",
            expected=f"{video.threshold_ppm / 10_000:g} %",
            observed=f"{video.fraction_ppm // 100 / 100:.2f} %",
            action="Look whether the video log is complete.",
        )
    elif facts.ordered_video is False and video is not None and video.recorded_ns:
        yield Finding(
            "video_not_ordered",
            "info",
            where,
            f"No video was ordered, but a video log was given: {video.note} The codes are those "
            "without video.",
            action="If video was ordered after all, correct the order file.",
        )


def _monitoring(billing: Billing, outcome: Outcome, facts: Facts) -> Iterator[Finding]:
    ordered, log = facts.ordered_level, facts.monitoring
    documented = log is not None and log.supported is not None
    where = "billing"
    if ordered is None:
        shown = f" The log supports {log.supported} monitoring." if log and log.supported else ""
        yield Finding(
            "monitoring_not_stated",
            "caution",
            where,
            "The order does not say how the study was to be monitored. The codes given are the "
            f"unmonitored ones.{shown}",
            expected="monitoring = unmonitored, intermittent or continuous in the order",
            observed="nothing",
            action="Add the key monitoring to the order file and audit again.",
        )
        return
    if ordered == "unmonitored":
        return
    if not documented:
        yield Finding(
            "monitoring_not_documented",
            "caution",
            where,
            f"The order asks for {ordered} monitoring, and no check is documented. Nothing is "
            "assumed from an empty log. Both sets of codes are given where they differ; the policy "
            "says which comes first.",
            expected="a documented check at least as often as the policy asks",
            observed="none",
            action="Name the log of checks under [logs] in the order file.",
        )
        return
    lowered = [d for d in outcome.days if d.recorded_ns and d.level != ordered]
    if lowered:
        notes = {p.index: p.notes for p in billing.periods}
        told = " ".join(
            f"Period {d.window.index} ({facts.axis.iso(d.window.start)} to "
            f"{facts.axis.iso(d.window.end)}) counts as {d.level}."
            for d in lowered
        )
        why = " ".join(
            note
            for d in lowered
            for note in notes[d.window.index]
            if "documented check" in note or "log does not show" in note or "lapse" in note
        )
        kept = len([d for d in outcome.days if d.recorded_ns]) - len(lowered)
        rest = f" The other periods ({kept}) keep the ordered level." if kept else ""
        yield Finding(
            "monitoring_level_lowered",
            "caution",
            where,
            f"The order asks for {ordered} monitoring, and the log does not support it in "
            f"{len(lowered)} of {len(outcome.days)} periods. {told}{rest} {why}".rstrip(),
            expected=ordered,
            observed=", ".join(sorted({d.level for d in lowered})),
            action="Look for checks that were made and not entered; ask the coder whether the "
            "period or the whole study is lowered.",
        )


def _channels(
    billing: Billing, settings: BillingSettings, eeg: int | None, live: int | None
) -> Iterator[Finding]:
    minimum = settings.setup.minimum_channels
    if eeg is not None and eeg < minimum:
        yield Finding(
            "setup_channels_below_minimum",
            "caution",
            "billing",
            f"{billing.setup.note} {billing.setup.code} stands in its place.",
            expected=f"at least {minimum}",
            observed=str(eeg),
            action="Look at the channel list: a label that is no standard electrode name is not "
            "counted as EEG.",
        )
    elif eeg is not None and live is not None and live < minimum:
        yield Finding(
            "live_channels_below_minimum",
            "caution",
            "billing",
            f"{eeg} channels carry EEG, but only {live} had a live signal; {settings.setup.code} "
            f"needs {minimum}. The set-up code given follows the channels that were recorded.",
            expected=f"at least {minimum}",
            observed=str(live),
            action="Ask the coder whether the set-up code stands.",
        )


def _against_order(
    outcome: Outcome, order: Order | None, settings: BillingSettings
) -> Iterator[Finding]:
    if order is None or order.ordered_ns <= outcome.recorded_ns:
        return
    recorded, ordered = outcome.recorded_ns, order.ordered_ns
    longest = settings.technical[-1]
    parts = []
    got, wanted = (split_total(t, settings).counts(longest) for t in (recorded, ordered))
    if got != wanted:
        parts.append(f"technical units {_counts(got)} where the ordered time would give "
                     f"{_counts(wanted)}")  # fmt: skip
    bands = settings.professional_whole
    here, there = band_of(bands, recorded), band_of(bands, ordered)
    if there is not None and here is not there:
        limit = there.lower
        missing = in_words(limit.ns - recorded, up=True)
        more = "" if limit.included else "more than "
        parts.append(
            f"whole-study band {here.name if here else 'none'} where the ordered time would give "
            f"{there.name} (short of it by {more}{missing})"
        )
    if parts:
        yield Finding(
            "band_below_order",
            "caution",
            "billing",
            f"{hms(recorded)} recorded of {hms(ordered)} ordered reaches: {'; '.join(parts)}.",
            expected=hms(ordered),
            observed=hms(recorded),
            action="Use the codes that the recorded time reaches, not those of the ordered time.",
        )


def _close(billing: Billing, outcome: Outcome, settings: BillingSettings) -> Iterator[Finding]:
    """Limits of units and of the whole-study band that lie near, each once."""
    total, report = billing.total, billing.professional
    met = bool(total.units)
    sides = [
        ("below", total.to_next_ns),
        ("below", report.whole_to_next_ns),
        ("above", total.above_ns if met else None),
        ("above", report.whole_above_ns if report.whole_above_ns else None),
    ]
    recorded = outcome.recorded_ns
    near: dict[int, str] = {}
    for side, distance in sides:
        if distance is not None and distance <= settings.near_ns:
            limit = recorded + distance if side == "below" else recorded - distance
            near.setdefault(limit, f"{_distance(distance, side)} the limit at {hms(limit)}")
    if near:
        told = " and ".join(near.values())
        yield Finding(
            "close_to_limit",
            "info",
            "billing",
            f"The recorded {hms(recorded)} lies {told}: there codes change.",
            expected=", ".join(hms(limit) for limit in near),
            observed=hms(recorded),
            action="Check the gaps and any finding on times before a code that rests on so little.",
        )


def _distance(distance: int, side: str) -> str:
    return f"{in_words(distance, up=side == 'below')} {side}" if distance else "exactly on"


def _counts(counts: dict[str, int]) -> str:
    return ", ".join(f"{n} x {name}" for name, n in counts.items()) or "none"
