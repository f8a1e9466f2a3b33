"""The rules of billing, monitoring and video in words, each with where it comes from."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec.structs import asdict

from auditor.billing.interpretations import (
    SPLITS,
    differing_windows,
    gap_words,
    period_start_words,
    split_words,
)
from auditor.core.durations import hms, in_words
from auditor.policy import Policy
from auditor.policy.billing import Band, BillingSettings, Limit
from auditor.policy.monitoring import MonitoringSettings
from auditor.policy.sourced import MARKS, Sourced

Told = tuple[str, str, Sourced]
"""A rule: its subject, its value in words, and where it comes from."""

_ASK_PERIODS = 4
"""Periods up to which the totals that two splits tell apart are listed."""

_DATES = {
    "ask": "in the one order of day, month and year that lies in the recording, else not taken",
    "day_first": "02/03/2027 is 2 March",
    "month_first": "03/02/2027 is 2 March",
}


def code_rules(policy: Policy) -> Iterator[Told]:
    """The rules of ``[monitoring]``, ``[video]`` and ``[billing]``, and the code numbers."""
    checks, video, billing = policy.monitoring, policy.video, policy.billing
    yield from _monitoring(checks)
    yield "Annotations that count as checks", _patterns(checks.check_patterns), checks.about
    yield "Dates in the log of checks", _DATES[checks.log_dates], checks.about
    subject = "Video: share of recorded time for the codes with video"
    yield subject, f"at least {video.minimum.ppm / 10_000:g} %", video.minimum
    yield "Events that are video (BIDS events)", _patterns(video.patterns), video.about
    yield "Dates in the video log", _DATES[video.log_dates], video.about
    yield from _bands("Technical unit", billing.technical)
    yield from _bands("Report on a day", billing.professional_day)
    yield from _bands("Report on the whole study", billing.professional_whole)
    subject = "One report without a whole-study code"
    for once in billing.professional_once:
        yield from _bands(subject, [once])
        value = " with ".join(once.without_video)
        if once.with_video:
            value += f"; with video {' with '.join(once.with_video)}"
        yield f"{subject}, {once.name}: codes", value, once
    yield from _periods(billing)
    yield from _answers(billing)
    for shorter in billing.shorter:
        value = shorter.code or ", ".join(f"{s.code} ({s.words})" for s in shorter.states)
        ends = f"{shorter.from_minutes} to {shorter.to_minutes} whole minutes"
        yield f"Shorter recording, {ends}", value, shorter
    near = f"within {in_words(billing.near_ns)} of it on either side"
    yield "A total is told as close to a limit", near, billing.about
    sleep = billing.about.keys.get("sleep_patterns", billing.about)
    yield "Annotations that show sleep", _patterns(billing.sleep_patterns), sleep
    yield from _codes(billing)


def _patterns(patterns: Sequence[str]) -> str:
    return "  ".join(patterns) or "none"


def _monitoring(settings: MonitoringSettings) -> Iterator[Told]:
    levels = {"Intermittent": settings.intermittent, "Continuous": settings.continuous}
    for level, rule in levels.items():
        subject = f"{level} monitoring"
        if rule.interval is None:
            value = "not set: a list of checks cannot show this level"
            yield f"{subject}: between checks", value, Sourced()
        for what, limit in (
            ("between checks, over recorded time", rule.interval),
            ("first check after the start", rule.first_within),
            ("last check before the end", rule.last_within),
        ):
            if limit is not None:
                yield f"{subject}: {what}", f"at most {in_words(limit.ns)}", limit
        if rule.patients is not None:
            value = f"at most {rule.patients.at_most} (cannot be known from the files)"
            yield f"{subject}: patients of one technologist", value, rule.patients


def _bands(subject: str, bands: Sequence[Band]) -> Iterator[Told]:
    """The limits of ``bands``; one that ends a band and begins the next is told once."""
    before = None
    for band in bands:
        low, high = band.lower, band.upper
        if before != (low.ns, low.source, low.mark):
            word = "from" if low.included else "more than"
            yield f"{subject}, {band.name}: lower limit", f"{word} {_limit(low)}", low
        if high is not None:
            word = "up to" if high.included else "less than"
            yield f"{subject}, {band.name}: upper limit", f"{word} {_limit(high)}", high
            before = high.ns, high.source, high.mark


def _limit(limit: Limit) -> str:
    within = "still belongs to it" if limit.included else "does not"
    return f"{hms(limit.ns)} ({hms(limit.ns)} itself {within})"


def _periods(settings: BillingSettings) -> Iterator[Told]:
    """How time is cut into periods and units, with the other ways that are told."""
    for part, bands in (
        ("Technical units", settings.technical),
        ("Reports on a day", settings.professional_day),
    ):
        for band in bands:
            if band.once is not None:
                yield f"{part} of {band.name}", "at most one in a study", band.once
    period, joins, split = settings.period, settings.leftover_joins, settings.split
    yield "Period", f"{in_words(period.ns)}, the first from the first record on", period
    word = "up to" if joins.included else "less than"
    value = f"{word} {in_words(joins.ns)} joins the unit before it; more is a unit of its band"
    yield "What is left over after whole periods", value, joins
    if settings.period_start_ns is not None:
        words = period_start_words(settings.period_start_ns)
        yield "Where periods start", words, settings.fixed_start
    words = split_words(split.default, settings)
    yield "How recorded time is split", words, split.rule(split.default)
    for way in SPLITS:
        if way != split.default and split.rule(way).other != "hide":
            words = split_words(way, settings)
            yield "Other interpretation of the split", words, split.rule(way)
    up_to = _ASK_PERIODS * period.ns
    windows = differing_windows(settings, up_to)
    if windows:
        subject = "Ask the coder: totals for which filling the longest band first gives other units"
        value = "; ".join(f"more than {hms(w.start)} up to {hms(w.end)}" for w in windows)
        follows = Sourced(source="follows from the limits above", mark="inferred")
        yield f"{subject} (up to {hms(up_to)})", value, follows


def _answers(settings: BillingSettings) -> Iterator[Told]:
    """The policy's answer to each other question that no source settles."""
    gaps, restart, setup = settings.gaps, settings.restart, settings.setup
    ends, share, rest = settings.ends, settings.video_share, settings.undocumented
    yield "Gaps", gap_words(gaps.tolerance_ns), gaps
    if gaps.other_tolerance_ns != gaps.tolerance_ns:
        yield "Gaps, other interpretation", gap_words(gaps.other_tolerance_ns), gaps
    moves = "starts the period clock anew" if restart.moves_clock else "changes nothing"
    yield "A restart after a gap", moves, restart
    value = f"{setup.code} from {setup.minimum_channels} EEG channels on, else {setup.else_code}"
    yield "Set-up", value, setup
    yield "A lapse in the checks lowers", f"the {settings.lapse.lowers}", settings.lapse
    value = "must keep the limits too" if ends.needed else "do not count"
    yield "Time to the first check and from the last", value, ends
    by = {"study": "over the whole study", "period": "period by period"}[share.by]
    yield "The share of video is taken", by, share
    for what, answer in (("Monitoring", rest.monitoring), ("Video", rest.video)):
        yield f"{what} that no log shows", f"codes {answer.replace('_', ' ')}", rest


def _codes(settings: BillingSettings) -> Iterator[Told]:
    """The code numbers of each band, each with how its number is known."""
    for technical in settings.technical:
        for video, codes in asdict(technical.codes).items():
            if codes is not None:
                subject = f"Technical codes, {technical.name}, {video.replace('_', ' ')}"
                yield _known(subject, asdict(codes), settings)
    for subject, bands in (
        ("Codes for a report on a day", settings.professional_day),
        ("Codes for a report on the whole study", settings.professional_whole),
    ):
        for band in bands:
            named = {v.replace("_", " "): code for v, code in asdict(band.codes).items() if code}
            yield _known(f"{subject}, {band.name}", named, settings)


def _known(subject: str, named: dict[str, str], settings: BillingSettings) -> Told:
    """Codes by their use; the mark of all is that of the least sure."""
    rules = [settings.code_marks.get(code, Sourced()) for code in named.values()]
    sources = [rule.source or "none stated" for rule in rules]
    value = "; ".join(
        f"{code} {use} ({source}, {rule.mark})"
        for (use, code), source, rule in zip(named.items(), sources, rules, strict=True)
    )
    weakest = max((rule.mark for rule in rules), key=MARKS.index)
    return subject, value, Sourced(source="; ".join(dict.fromkeys(sources)), mark=weakest)
