"""What a person should know about the codes, in the catalogue's words, and the periods' notes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec.structs import replace

from auditor.billing.limits import bands_words, changes_a_code, limit_words, split_total
from auditor.billing.support import BillingFacts
from auditor.billing.units import Day, Outcome
from auditor.core.durations import clock, hms, in_words
from auditor.core.text import Own, quantity
from auditor.core.units import NS
from auditor.model import Billing, Finding, Unit, finding
from auditor.policy.billing import BillingSettings

_WHERE = "billing"


def billing_findings(
    billing: Billing,
    outcome: Outcome,
    readable: Outcome | None,
    facts: BillingFacts,
    settings: BillingSettings,
) -> tuple[Finding, ...]:
    """Every finding of the billing section. None is a problem: no number is in doubt here."""
    return (
        *_not_stated(facts),
        *_video(facts, settings),
        *_monitoring(outcome, facts),
        *_channels(billing, facts, settings),
        *_against_order(billing, outcome, facts, settings),
        *_close(billing, outcome, settings),
        *_interpretations(billing),
        *_usable(outcome, readable),
    )


def units_words(units: tuple[Unit, ...]) -> Own:
    """Units in words: '2 x 95708, 1 x 95705', or 'none'."""
    return Own(", ".join(f"{u.count} x {u.code}" for u in units) or "none")


def _usable(outcome: Outcome, readable: Outcome | None) -> Iterator[Finding]:
    if readable is not None and readable.codes != outcome.codes:
        yield finding(
            "usable_band_below_recorded",
            _WHERE,
            recorded=hms(outcome.recorded_ns),
            usable=hms(readable.recorded_ns),
            codes=_codes_words(outcome),
            usable_codes=_codes_words(readable),
        )


def _codes_words(outcome: Outcome) -> Own:
    whole = outcome.professional.whole_study.code or "none"
    days = ", ".join(d.code for d in outcome.professional.each_day if d.code) or "none"
    totals = units_words(outcome.totals)
    return Own(f"{totals} (report on the whole study {whole}, on days {days})")


def _not_stated(facts: BillingFacts) -> Iterator[Finding]:
    silent = facts.ordered_video is None, facts.ordered_level is None
    form = {(True, True): "", (True, False): "video", (False, True): "monitoring"}
    if silent in form:
        yield finding(
            "video_or_monitoring_not_stated",
            _WHERE,
            form=form[silent] if facts.order else "no_order",
        )


def _video(facts: BillingFacts, settings: BillingSettings) -> Iterator[Finding]:
    video = facts.filmed
    if video is None:
        log = facts.video_log
        if facts.ordered_video and (log is None or log.taken):
            yield finding("video_not_documented", _WHERE)
        return
    if not facts.ordered_video:
        if video.recorded_ns and facts.ordered_video is False:
            yield finding("video_not_ordered", _WHERE, note=Own(video.note))
        return
    below = [p for p in video.periods if not p.meets]
    if not below and video.meets:
        return
    share = Own(f"{video.threshold_ppm / 10_000:g}")
    missing = "{} of video short of {} %"
    told = "; ".join(
        f"period {p.index}: {missing.format(clock(p.short_ns, up=True), share)}" for p in below
    )
    shares = [p.fraction_ppm for p in below]
    if not video.meets:
        shares = [video.fraction_ppm]
        periods = f" ({told})" if told and len(video.periods) > 1 else ""
        told = missing.format(clock(video.short_ns, up=True), share) + periods
    periods_decide = settings.video_share.by == "period" and bool(below)
    yield finding(
        "video_below_share",
        _WHERE,
        form="by_period" if periods_decide else "period" if video.meets else "",
        told=Own(told),
        note=Own(video.note),
        share=share,
        observed=Own(", ".join(f"{ppm // 100 / 100:.2f} %" for ppm in shares)),
    )


def _monitoring(outcome: Outcome, facts: BillingFacts) -> Iterator[Finding]:
    ordered, log = facts.ordered_level, facts.monitoring
    if ordered is None or ordered == "unmonitored":
        return
    named = Own(ordered.capitalize())
    if log is None or log.supported is None:
        if log is None or log.log_taken:
            outside = log.outside if log else 0
            yield finding(
                "monitoring_not_documented",
                _WHERE,
                form="outside" if outside else "",
                ordered=named,
                level=Own(ordered),
                outside=quantity(outside, "check", "is", "are"),
            )
        return
    counted = [day for day in outcome.days if day.part.counted_ns]
    lowered = [day for day in counted if day.level != ordered]
    if lowered and not log.lapses:
        yield finding(
            "monitoring_not_shown",
            _WHERE,
            ordered=named,
            level=Own(ordered),
            supported=Own(log.supported),
        )
    elif lowered:
        levels: dict[str, list[str]] = {}
        for day in lowered:
            levels.setdefault(day.level, []).append(str(day.part.window.index))
        told = "; ".join(
            f"{quantity(len(which), 'period', 'counts', 'count')} as {level} ({', '.join(which)})"
            for level, which in levels.items()
        )
        kept = len(counted) - len(lowered)
        yield finding(
            "monitoring_level_lowered",
            _WHERE,
            ordered=named,
            count=len(lowered),
            every=quantity(len(counted), "period"),
            told=Own(f"{told}."),
            rest=Own(f" {quantity(kept, 'other keeps', plural_noun='others keep')} the ordered "
                     "level." if kept else ""),
            observed=Own(", ".join(sorted(levels))),
        )  # fmt: skip


def _channels(
    billing: Billing, facts: BillingFacts, settings: BillingSettings
) -> Iterator[Finding]:
    channels, with_signal = facts.channels, facts.with_signal
    needed = settings.setup.minimum_channels
    if channels is None:
        return
    if channels.count < needed:
        yield finding(
            "setup_channels_below_minimum",
            _WHERE,
            note=Own(billing.setup.note),
            count=channels.count,
            needed=needed,
        )
    elif with_signal is not None and with_signal < needed:
        yield finding(
            "signal_channels_below_setup_minimum",
            _WHERE,
            recorded=quantity(channels.count, "EEG channel"),
            count=with_signal,
            needed=needed,
            setup=Own(settings.setup.code),
        )


def _against_order(
    billing: Billing, outcome: Outcome, facts: BillingFacts, settings: BillingSettings
) -> Iterator[Finding]:
    minimum, order = billing.minimum, facts.order
    if order is None or minimum is None or minimum.met or order.still_recording:
        return
    reached = minimum.reached_band or bands_words(split_total(outcome.recorded_ns, settings))
    yield finding(
        "band_below_order",
        _WHERE,
        recorded=hms(outcome.recorded_ns),
        ordered=hms(order.ordered_ns),
        reached=Own(reached),
        wanted=Own(minimum.ordered_band or ""),
        margin=Own(minimum.text),
    )


def _close(billing: Billing, outcome: Outcome, settings: BillingSettings) -> Iterator[Finding]:
    """Limits of units and of the whole-study band that lie near, each once."""
    total, report = billing.total, billing.professional
    steps = (
        (total.to_next_ns, "below"),
        (report.whole_to_next_ns, "below"),
        (-total.above_ns if total.units else None, "above"),
        (-report.whole_above_ns if report.whole_above_ns else None, "above"),
    )
    recorded, minimum = outcome.recorded_ns, billing.minimum
    told = None if minimum is None or minimum.met else recorded + minimum.short_ns
    near: dict[int, str] = {}
    for step, side in steps:
        # The finding on the order's minimum tells of that limit.
        if step is not None and abs(step) <= settings.near_ns and recorded + step != told:
            far = f"{in_words(abs(step), up=side == 'below')} {side}" if step else "exactly on"
            limit = recorded + step
            near.setdefault(limit, f"{far} {limit_words(limit, settings)}")
    if near:
        yield finding(
            "close_to_limit",
            _WHERE,
            recorded=hms(recorded),
            told=Own(" and ".join(near.values())),
            limits=Own(", ".join(hms(limit) for limit in near)),
        )


def _interpretations(billing: Billing) -> Iterator[Finding]:
    for one in billing.interpretations:
        if one.asked and one.lowers:
            yield finding(
                "asked_interpretation_lowers",
                _WHERE,
                named=Own(one.words),
                codes=units_words(one.technical_totals),
            )
    others = [one for one in billing.interpretations if not (one.asked and one.lowers)]
    if others:
        yield finding(
            "interpretations_differ",
            _WHERE,
            named=Own("; ".join(one.words for one in others)),
            count=quantity(
                len(others), "other interpretation makes a difference",
                plural_noun="other interpretations make a difference",
            ),
        )  # fmt: skip


# --- notes on periods ---------------------------------------------------------


def day_notes(
    day: Day, days: Sequence[Day], facts: BillingFacts, settings: BillingSettings
) -> tuple[Own, ...]:
    """What a clerk must know of one period: time missing, time joined, level and video lowered."""
    part, notes = day.part, []
    missing = part.window.duration - part.recorded_ns
    if missing >= NS:
        notes.append(
            f"{in_words(missing, up=True)} of this period was not recorded and does not count."
        )
    if part.joins:
        notes.append(
            f"{in_words(part.recorded_ns)} left over, no more than "
            f"{in_words(settings.leftover_joins.ns)}: it joins the period before and makes no unit "
            "of its own."
        )
    if part.took_ns:
        notes.append(f"{in_words(part.took_ns)} left over after this period counts with it.")
    if day.spare is not None:
        other = next(d.part.window.index for d in days if d.band is day.spare)
        notes.append(
            f"{day.spare.name} counts once in a study, and period {other} has it: no unit of this "
            "period by itself."
        )
    if part.counted_ns:
        notes += _level_notes(day, facts)
        if facts.ordered_video and facts.filmed is not None and not day.video:
            whole = "the study" if settings.video_share.by == "study" else "this period"
            notes.append(f"Video covers too little of {whole}: the codes are those without video.")
    return tuple(map(Own, notes))


def _level_notes(day: Day, facts: BillingFacts) -> Iterator[str]:
    """What lowers the level of one period; a single lapse with its times."""
    log, ordered = facts.monitoring, facts.ordered_level
    if ordered is None or log is None or log.supported is None or day.level == ordered:
        return
    now = f"{day.level}"
    if day.band is not None:
        before, after = (day.band.codes.of(one, day.video) for one in (ordered, day.level))
        now += f": {after} in place of {before}" if before != after else ""
    here = [lapse for lapse in log.lapses if day.part.window.index in lapse.periods]
    if here:
        longest = in_words(max(lapse.recorded_ns for lapse in here), up=True)
        many = f"{len(here)} times no documented check for up to {longest} of recording"
        start, end = facts.axis.said(here[0].start), facts.axis.said(here[0].end)
        one = f"No documented check for {longest} of recording ({start} to {end})"
        yield f"{one if len(here) == 1 else many}: this period counts as {now}."
    elif log.lapses:
        yield f"A lapse in another period lowers this one to {now}."
    else:
        yield f"The log does not show {ordered} monitoring here: {now}."


def tests_judged(
    findings: Iterable[Finding], recorded_ns: int, settings: BillingSettings
) -> list[Finding]:
    """``findings``, in which a test recording that would change a code is one for a person."""
    return [
        replace(f, question="files", severity="caution")
        if f.code == "test_recording"
        and changes_a_code(recorded_ns, f.other_recorded_ns or 0, settings)
        else f
        for f in findings
    ]
