"""The rules of billing, monitoring and video in words, each with its source and mark."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from auditor.billing.interpretations import (
    differing_windows,
    period_start_words,
    split_words,
)
from auditor.core.durations import hms, in_words
from auditor.model import RuleLine
from auditor.policy.billing import Band, BillingSettings, Limit, SplitRule
from auditor.policy.monitoring import MonitoringSettings, VideoSettings
from auditor.policy.sourced import MARKS, Sourced

_ASK_PERIODS = 4
"""Periods up to which the totals that readings split differently are listed."""


def _line(subject: str, value: str, rule: Sourced) -> RuleLine:
    checked = f"{rule.checked} by {rule.checked_by}" if rule.checked_by else rule.checked
    return RuleLine(subject, value, rule.source or "none stated", rule.mark, checked)


def monitoring_lines(settings: MonitoringSettings) -> Iterator[RuleLine]:
    """The rules of ``[monitoring]``."""
    for level, rule in (
        ("intermittent", settings.intermittent),
        ("continuous", settings.continuous),
    ):
        subject = f"{level.capitalize()} monitoring"
        if rule.interval is None:
            value = "not set: a list of checks cannot show this level"
            yield RuleLine(f"{subject}: between checks", value, "none stated", "not stated")
        for what, limit in (
            ("between checks, over recorded time", rule.interval),
            ("first check after the start", rule.first_within),
            ("last check before the end", rule.last_within),
        ):
            if limit is not None:
                yield _line(f"{subject}: {what}", f"at most {in_words(limit.ns)}", limit)
        if rule.patients is not None:
            patients = rule.patients
            value = f"at most {patients.at_most} (cannot be known from the files)"
            yield _line(f"{subject}: patients of one technologist", value, patients)
    yield RuleLine(
        "Annotations that count as checks",
        _patterns(settings.check_patterns),
        "common practice, no source: a lab enters its own words",
        "common practice",
    )
    yield _dates("Dates in the log of checks", settings.log_dates)


def video_lines(settings: VideoSettings) -> Iterator[RuleLine]:
    """The rules of ``[video]``."""
    yield _line(
        "Video: share of recorded time for the codes with video",
        f"at least {settings.minimum.ppm / 10_000:g} %",
        settings.minimum,
    )
    yield RuleLine(
        "Events that are video (BIDS events)",
        _patterns(settings.patterns),
        "common practice, no source",
        "common practice",
    )
    yield _dates("Dates in the video log", settings.log_dates)


def _patterns(patterns: Sequence[str]) -> str:
    return "  ".join(patterns) or "none"


def _dates(subject: str, dates: str) -> RuleLine:
    words = {
        "ask": "2027-03-02; others only where day and month cannot be mistaken, else it is asked",
        "day_first": "02/03/2027 is 2 March",
        "month_first": "03/02/2027 is 2 March",
    }[dates]
    return RuleLine(subject, words, "common practice, no source", "common practice")


def billing_lines(settings: BillingSettings) -> Iterator[RuleLine]:
    """The rules of ``[billing]``, the code numbers, and the legend of the source keys."""
    yield from _bands("Technical unit", settings.technical)
    yield from _bands("Report on a day", settings.professional_day)
    yield from _bands("Report on the whole study", settings.professional_whole)
    for once in settings.professional_once:
        yield from _bands("One report without a whole-study code", [once])
        codes = " with ".join(once.without_video)
        video = f"; with video {' with '.join(once.with_video)}" if once.with_video else ""
        yield _line(
            f"One report without a whole-study code, {once.name}: codes", codes + video, once
        )
    yield from _split(settings)
    yield from _documents(settings)
    for shorter in settings.shorter:
        value = shorter.code or ", ".join(f"{s.code} ({s.words})" for s in shorter.states)
        ends = f"{shorter.from_minutes} to {shorter.to_minutes} whole minutes"
        yield _line(f"Shorter recording, {ends}", value, shorter)
    yield RuleLine(
        "A total is told as close to a limit",
        f"within {in_words(settings.near_ns)} of it on either side",
        "common practice, no source",
        "common practice",
    )
    yield RuleLine(
        "Annotations that show sleep",
        _patterns(settings.sleep_patterns),
        "common practice, no source: a lab enters its own words",
        "common practice",
    )
    yield from _codes(settings)
    for key, source in settings.sources.items():
        word = "secondary: no authority, never quoted" if source.secondary else "the source itself"
        yield RuleLine(f"Source {key}", source.name, word, "legend")


def _bands(subject: str, bands: Sequence[Band]) -> Iterator[RuleLine]:
    """The limits of ``bands``; one that ends a band and begins the next is told once."""
    before: Limit | None = None
    for band in bands:
        low, high = band.lower, band.upper
        word = "from" if low.included else "more than"
        if before is None or (before.ns, before.source, before.mark) != (
            low.ns, low.source, low.mark,
        ):  # fmt: skip
            yield _line(f"{subject}, {band.name}: lower limit", f"{word} {_limit(low)}", low)
        before = high
        if high is not None:
            word = "up to" if high.included else "less than"
            yield _line(f"{subject}, {band.name}: upper limit", f"{word} {_limit(high)}", high)


def _limit(limit: Limit) -> str:
    within = "still belongs to it" if limit.included else "does not"
    return f"{hms(limit.ns)} ({hms(limit.ns)} itself {within})"


def _split(settings: BillingSettings) -> Iterator[RuleLine]:
    period = settings.period
    yield _line("Period", f"{in_words(period.ns)}, the first from the first record on", period)
    joins = settings.leftover_joins
    word = "up to" if joins.included else "less than"
    value = f"{word} {in_words(joins.ns)} joins the unit before it; more is a unit of its band"
    yield _line("What is left over after whole periods", value, joins)
    start = settings.period_start_ns
    if start is not None:
        yield _line("Where periods start", period_start_words(start), settings.fixed_start)
    split = settings.split
    rules: tuple[SplitRule, ...] = ("total", "windows", "longest_first")
    for rule in (split.default, *(r for r in rules if r != split.default)):
        subject = "Other interpretation of the split"
        if rule == split.default:
            subject = "How recorded time is split"
        elif split.rule(rule).other == "hide":
            continue
        yield _line(subject, split_words(rule, settings), split.rule(rule))
    windows = differing_windows(settings, _ASK_PERIODS * period.ns)
    if windows:
        value = "; ".join(f"more than {hms(low)} up to {hms(high)}" for low, high in windows)
        yield RuleLine(
            "Ask the coder: totals for which filling the longest band first gives other units "
            f"(up to {hms(_ASK_PERIODS * period.ns)})",
            value,
            "follows from the limits above",
            "inferred",
        )
    gaps = settings.gaps
    value = (
        f"gaps shorter than {in_words(gaps.tolerance_ns)} count as recorded"
        if gaps.tolerance_ns
        else "no gap counts as recorded"
    )
    yield _line("Gaps", value, gaps)
    if gaps.other_tolerance_ns != gaps.tolerance_ns:
        tolerance = in_words(gaps.other_tolerance_ns)
        yield _line(
            "Gaps, other interpretation", f"gaps shorter than {tolerance} count as recorded", gaps
        )
    moves = "starts the period clock anew" if settings.restart.moves_clock else "changes nothing"
    yield _line("A restart after a gap", moves, settings.restart)


def _documents(settings: BillingSettings) -> Iterator[RuleLine]:
    setup = settings.setup
    value = f"{setup.code} from {setup.minimum_channels} EEG channels on, else {setup.else_code}"
    yield _line("Set-up", value, setup)
    yield _line("A lapse in the checks lowers", f"the {settings.lapse.lowers}", settings.lapse)
    ends = "must keep the limits too" if settings.ends.needed else "do not count"
    yield _line("Time to the first check and from the last", ends, settings.ends)
    by = {"study": "over the whole study", "period": "period by period"}[settings.video_share.by]
    yield _line("The share of video is taken", by, settings.video_share)
    rule = settings.undocumented
    words = {"unmonitored": "unmonitored codes", "as_ordered": "codes as ordered"}
    yield _line("Monitoring that no log shows", words[rule.monitoring], rule)
    words = {"without_video": "codes without video", "as_ordered": "codes as ordered"}
    yield _line("Video that no log shows", words[rule.video], rule)


def _codes(settings: BillingSettings) -> Iterator[RuleLine]:
    """The code numbers of each band, each with how its number is known."""
    for band in settings.technical:
        for video, codes in (
            ("without video", band.codes.without_video),
            ("with video", band.codes.with_video),
        ):
            if codes is not None:
                named = [(code, level) for level, code in codes]
                yield _known(f"Technical codes, {band.name}, {video}", named, settings)
    for subject, bands in (
        ("Codes for a report on a day", settings.professional_day),
        ("Codes for a report on the whole study", settings.professional_whole),
    ):
        for reader in bands:
            named = [(code, video.replace("_", " ")) for video, code in reader.codes if code]
            yield _known(f"{subject}, {reader.name}", named, settings)


def _known(subject: str, named: Sequence[tuple[str, str]], settings: BillingSettings) -> RuleLine:
    marks = [settings.code_marks.get(code, Sourced()) for code, _ in named]
    value = "; ".join(
        f"{code} {use} ({rule.source or 'none stated'}, {rule.mark})"
        for (code, use), rule in zip(named, marks, strict=True)
    )
    sources = dict.fromkeys(rule.source or "none stated" for rule in marks)
    weakest = max(marks, key=lambda rule: MARKS.index(rule.mark))
    return RuleLine(subject, value, "; ".join(sources), weakest.mark)
