"""What a person should know about the codes, in the catalogue's words, and the periods' notes."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence

from msgspec.structs import replace

from auditor.billing.limits import bands_words, changes_a_code, limit_words, split_total
from auditor.billing.setup import SetupChannels
from auditor.billing.support import Facts
from auditor.billing.units import Day, Outcome
from auditor.core.durations import clock, hms, in_words
from auditor.core.text import Own, quantity
from auditor.core.units import NS
from auditor.model import Billing, Finding, Order, Unit, finding
from auditor.policy.billing import BillingSettings

_WHERE = "billing"


def billing_findings(
    billing: Billing,
    outcome: Outcome,
    readable: Outcome | None,
    facts: Facts,
    order: Order | None,
    settings: BillingSettings,
    channels: SetupChannels | None,
    with_signal: int | None,
) -> tuple[Finding, ...]:
    """Every finding of the billing section. None is a problem: no number is in doubt here."""
    found = [
        *_not_stated(facts, order),
        *_video(facts, settings),
        *_monitoring(outcome, facts),
        *_channels(billing, settings, channels, with_signal),
        *_against_order(billing, outcome, order, settings),
        *_close(billing, outcome, settings),
        *_interpretations(billing),
    ]
    if readable is not None and readable.codes != outcome.codes:
        found.append(
            finding(
                "usable_band_below_recorded",
                _WHERE,
                recorded=hms(outcome.recorded_ns),
                usable=hms(readable.recorded_ns),
                codes=_codes_words(outcome),
                usable_codes=_codes_words(readable),
            )
        )
    return tuple(found)


def units_words(units: tuple[Unit, ...]) -> Own:
    """Units in words: '2 x 95708, 1 x 95705', or 'none'."""
    return Own(", ".join(f"{u.count} x {u.code}" for u in units) or "none")


def _codes_words(outcome: Outcome) -> Own:
    whole = outcome.professional.whole_study.code or "none"
    days = ", ".join(d.code for d in outcome.professional.each_day if d.code) or "none"
    totals = units_words(outcome.totals)
    return Own(f"{totals} (report on the whole study {whole}, on days {days})")


def _not_stated(facts: Facts, order: Order | None) -> Iterator[Finding]:
    silent = facts.ordered_video is None, facts.ordered_level is None
    form = {(True, True): "", (True, False): "video", (False, True): "monitoring"}
    if order is None:
        yield finding("video_or_monitoring_not_stated", _WHERE, form="no_order")
    elif silent in form:
        yield finding("video_or_monitoring_not_stated", _WHERE, form=form[silent])


def _video(facts: Facts, settings: BillingSettings) -> Iterator[Finding]:
    video = facts.video
    if facts.ordered_video and video is None and facts.video_log_taken:
        yield finding("video_not_documented", _WHERE)
    if video is None:
        return
    if not facts.ordered_video:
        if video.recorded_ns and facts.ordered_video is False:
            yield finding("video_not_ordered", _WHERE, note=Own(video.note))
        return
    below = [p for p in video.periods if not p.meets]
    share = Own(f"{video.threshold_ppm / 10_000:g}")
    if not below and video.meets:
        return
    told = [
        f"period {p.index}: {clock(p.short_ns, up=True)} of video short of {share} %" for p in below
    ]
    by_period = "" if len(video.periods) < 2 else f" ({'; '.join(told)})" if told else ""
    study = f"{clock(video.short_ns, up=True)} of video short of {share} %"
    periods_decide = settings.video_share.by == "period" and bool(below)
    yield finding(
        "video_below_share",
        _WHERE,
        form="by_period" if periods_decide else "period" if video.meets else "",
        told=Own("; ".join(told) if video.meets else study + by_period),
        note=Own(video.note),
        share=share,
        observed=Own(
            f"{video.fraction_ppm // 100 / 100:.2f} %"
            if not video.meets
            else ", ".join(f"{p.fraction_ppm // 100 / 100:.2f} %" for p in below)
        ),
    )


def _monitoring(outcome: Outcome, facts: Facts) -> Iterator[Finding]:
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
                outside=quantity(outside, "check", "lies", "lie") if outside else Own("none"),
            )
        return
    recorded = [day for day in outcome.days if day.counted_ns]
    lowered = [day for day in recorded if day.level != ordered]
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
            levels.setdefault(day.level, []).append(str(day.window.index))
        told = "; ".join(
            f"{quantity(len(which), 'period', 'counts', 'count')} as {level} ({', '.join(which)})"
            for level, which in levels.items()
        )
        kept = len(recorded) - len(lowered)
        yield finding(
            "monitoring_level_lowered",
            _WHERE,
            ordered=named,
            count=len(lowered),
            every=quantity(len(recorded), "period"),
            told=Own(f"{told}."),
            rest=Own(f" {quantity(kept, 'other keeps', plural_noun='others keep')} the ordered "
                     "level." if kept else ""),
            observed=Own(", ".join(sorted(levels))),
        )  # fmt: skip


def _channels(
    billing: Billing,
    settings: BillingSettings,
    channels: SetupChannels | None,
    with_signal: int | None,
) -> Iterator[Finding]:
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
    billing: Billing, outcome: Outcome, order: Order | None, settings: BillingSettings
) -> Iterator[Finding]:
    minimum = billing.minimum
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
    met = bool(total.units)
    sides = [
        ("below", total.to_next_ns),
        ("below", report.whole_to_next_ns),
        ("above", total.above_ns if met else None),
        ("above", report.whole_above_ns if report.whole_above_ns else None),
    ]
    recorded = outcome.recorded_ns
    minimum = billing.minimum
    told = None if minimum is None or minimum.met else recorded + minimum.short_ns
    near: dict[int, str] = {}
    for side, distance in sides:
        if distance is not None and distance <= settings.near_ns:
            limit = recorded + distance if side == "below" else recorded - distance
            shown = f"{in_words(distance, up=side == 'below')} {side}" if distance else "exactly on"
            if limit == told:
                continue  # the finding on the order's minimum says it
            near.setdefault(limit, f"{shown} {limit_words(limit, settings)}")
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
    day: Day, days: Sequence[Day], facts: Facts, settings: BillingSettings
) -> tuple[Own, ...]:
    """What a clerk must know of one period: time missing, time joined, level and video lowered."""
    notes = []
    missing = day.window.end - day.window.start - day.recorded_ns
    if missing >= NS:
        notes.append(
            f"{in_words(missing, up=True)} of this period was not recorded and does not count."
        )
    if day.joins:
        notes.append(
            f"{in_words(day.recorded_ns)} left over, no more than "
            f"{in_words(settings.leftover_joins.ns)}: it joins the period before and makes no unit "
            "of its own."
        )
    if day.took_ns:
        notes.append(f"{in_words(day.took_ns)} left over after this period counts with it.")
    if day.spare is not None:
        other = next(d.window.index for d in days if d.band is day.spare)
        notes.append(
            f"{day.spare.name} counts once in a study, and period {other} has it: no unit of this "
            "period by itself."
        )
    notes += _level_notes(day, facts)
    if facts.ordered_video and facts.video is not None and not day.video and day.counted_ns:
        study = settings.video_share.by == "study"
        notes.append(
            f"Video covers too little of {'the study' if study else 'this period'}: the codes are "
            "those without video."
        )
    return tuple(map(Own, notes))


def _level_notes(day: Day, facts: Facts) -> list[str]:
    """What lowers the level of one period; a single lapse with its times."""
    monitoring, ordered = facts.monitoring, facts.ordered_level
    if ordered is None or monitoring is None or monitoring.supported is None:
        return []
    if not day.counted_ns or day.level == ordered:
        return []
    here = [lapse for lapse in monitoring.lapses if day.window.index in lapse.periods]
    codes = ""
    if day.band is not None:
        before = day.band.codes.of(ordered, day.video)
        after = day.band.codes.of(day.level, day.video)
        codes = f": {after} in place of {before}" if before != after else ""
    if not here:
        if monitoring.lapses:
            return [f"A lapse in another period lowers this one to {day.level}{codes}."]
        return [f"The log does not show {ordered} monitoring here: {day.level}{codes}."]
    if len(here) > 1:
        longest = max(lapse.recorded_ns or 0 for lapse in here)
        return [
            f"{len(here)} times no documented check for up to {in_words(longest, up=True)} of "
            f"recording: this period counts as {day.level}{codes}."
        ]
    (lapse,) = here
    passed = in_words(lapse.recorded_ns or lapse.duration, up=True)
    start, end = facts.axis.said(lapse.start), facts.axis.said(lapse.end)
    return [
        f"No documented check for {passed} of recording ({start} to {end}): this period counts as "
        f"{day.level}{codes}."
    ]


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
