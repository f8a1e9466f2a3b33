"""The rules of billing, monitoring and video in words, each with its source and mark."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec.structs import asdict

from auditor.billing.interpretations import (
    SPLITS,
    differing_windows,
    period_start_words,
    split_words,
)
from auditor.core.durations import hms, in_words
from auditor.model import RuleLine
from auditor.policy.billing import Band, BillingSettings, Limit
from auditor.policy.monitoring import MonitoringSettings, VideoSettings
from auditor.policy.sourced import MARKS, Section, Sourced

_ASK_PERIODS = 4
"""Periods up to which the totals that two splits tell apart are listed."""


def _line(subject: str, value: str, rule: Sourced) -> RuleLine:
    checked = f"{rule.checked} by {rule.checked_by}" if rule.checked_by else rule.checked
    return RuleLine(subject, value, rule.source or "none stated", rule.mark, checked)


def _own(subject: str, value: str, section: Section) -> RuleLine:
    """A setting without a source of its own: it has its section's."""
    return _line(subject, value, section.about)


def monitoring_lines(settings: MonitoringSettings) -> Iterator[RuleLine]:
    """The rules of ``[monitoring]``."""
    for level, rule in (
        ("Intermittent", settings.intermittent),
        ("Continuous", settings.continuous),
    ):
        subject = f"{level} monitoring"
        if rule.interval is None:
            value = "not set: a list of checks cannot show this level"
            yield _line(f"{subject}: between checks", value, Sourced())
        for what, limit in (
            ("between checks, over recorded time", rule.interval),
            ("first check after the start", rule.first_within),
            ("last check before the end", rule.last_within),
        ):
            if limit is not None:
                yield _line(f"{subject}: {what}", f"at most {in_words(limit.ns)}", limit)
        if rule.patients is not None:
            value = f"at most {rule.patients.at_most} (cannot be known from the files)"
            yield _line(f"{subject}: patients of one technologist", value, rule.patients)
    yield _own("Annotations that count as checks", _patterns(settings.check_patterns), settings)
    yield _own("Dates in the log of checks", _DATES[settings.log_dates], settings)


def video_lines(settings: VideoSettings) -> Iterator[RuleLine]:
    """The rules of ``[video]``."""
    value = f"at least {settings.minimum.ppm / 10_000:g} %"
    yield _line("Video: share of recorded time for the codes with video", value, settings.minimum)
    yield _own("Events that are video (BIDS events)", _patterns(settings.patterns), settings)
    yield _own("Dates in the video log", _DATES[settings.log_dates], settings)


def _patterns(patterns: Sequence[str]) -> str:
    return "  ".join(patterns) or "none"


_DATES = {
    "ask": "in the one order of day, month and year that lies in the recording, else not taken",
    "day_first": "02/03/2027 is 2 March",
    "month_first": "03/02/2027 is 2 March",
}


def billing_lines(settings: BillingSettings) -> Iterator[RuleLine]:
    """The rules of ``[billing]``, the code numbers, and the legend of the source keys."""
    yield from _bands("Technical unit", settings.technical)
    yield from _bands("Report on a day", settings.professional_day)
    yield from _bands("Report on the whole study", settings.professional_whole)
    for once in settings.professional_once:
        subject = "One report without a whole-study code"
        yield from _bands(subject, [once])
        video = f"; with video {' with '.join(once.with_video)}" if once.with_video else ""
        value = " with ".join(once.without_video) + video
        yield _line(f"{subject}, {once.name}: codes", value, once)
    for subject, value, rule in _answers(settings):
        yield _line(subject, value, rule)
    for shorter in settings.shorter:
        value = shorter.code or ", ".join(f"{s.code} ({s.words})" for s in shorter.states)
        ends = f"{shorter.from_minutes} to {shorter.to_minutes} whole minutes"
        yield _line(f"Shorter recording, {ends}", value, shorter)
    value = f"within {in_words(settings.near_ns)} of it on either side"
    yield _own("A total is told as close to a limit", value, settings)
    yield _own("Annotations that show sleep", _patterns(settings.sleep_patterns), settings)
    yield from _codes(settings)
    for key, source in settings.sources.items():
        word = "secondary: no authority, never quoted" if source.secondary else "the source itself"
        yield RuleLine(f"Source {key}", source.name, word, "legend")


def _bands(subject: str, bands: Sequence[Band]) -> Iterator[RuleLine]:
    """The limits of ``bands``; one that ends a band and begins the next is told once."""
    before: Limit | None = None
    for band in bands:
        low, high = band.lower, band.upper
        if before is None or (before.ns, before.source, before.mark) != (
            low.ns, low.source, low.mark,
        ):  # fmt: skip
            word = "from" if low.included else "more than"
            yield _line(f"{subject}, {band.name}: lower limit", f"{word} {_limit(low)}", low)
        before = high
        if high is not None:
            word = "up to" if high.included else "less than"
            yield _line(f"{subject}, {band.name}: upper limit", f"{word} {_limit(high)}", high)


def _limit(limit: Limit) -> str:
    within = "still belongs to it" if limit.included else "does not"
    return f"{hms(limit.ns)} ({hms(limit.ns)} itself {within})"


def _answers(settings: BillingSettings) -> Iterator[tuple[str, str, Sourced]]:
    """The policy's answer to each question, with the other one where it is told."""
    for part, bands in (
        ("Technical units", settings.technical),
        ("Reports on a day", settings.professional_day),
    ):
        for band in bands:
            if band.once is not None:
                yield f"{part} of {band.name}", "at most one in a study", band.once
    period, joins = settings.period, settings.leftover_joins
    yield "Period", f"{in_words(period.ns)}, the first from the first record on", period
    word = "up to" if joins.included else "less than"
    value = f"{word} {in_words(joins.ns)} joins the unit before it; more is a unit of its band"
    yield "What is left over after whole periods", value, joins
    if settings.period_start_ns is not None:
        words = period_start_words(settings.period_start_ns)
        yield "Where periods start", words, settings.fixed_start
    split = settings.split
    words = split_words(split.default, settings)
    yield "How recorded time is split", words, split.rule(split.default)
    for rule in SPLITS:
        if rule != split.default and split.rule(rule).other != "hide":
            words = split_words(rule, settings)
            yield "Other interpretation of the split", words, split.rule(rule)
    windows = differing_windows(settings, _ASK_PERIODS * period.ns)
    if windows:
        up_to = hms(_ASK_PERIODS * period.ns)
        subject = "Ask the coder: totals for which filling the longest band first gives other units"
        value = "; ".join(f"more than {hms(w.start)} up to {hms(w.end)}" for w in windows)
        follows = Sourced(source="follows from the limits above", mark="inferred")
        yield f"{subject} (up to {up_to})", value, follows
    gaps, setup, rest = settings.gaps, settings.setup, settings.undocumented
    shorter = "gaps shorter than {} count as recorded"
    counted = shorter.format(in_words(gaps.tolerance_ns))
    yield "Gaps", counted if gaps.tolerance_ns else "no gap counts as recorded", gaps
    if gaps.other_tolerance_ns != gaps.tolerance_ns:
        words = shorter.format(in_words(gaps.other_tolerance_ns))
        yield "Gaps, other interpretation", words, gaps
    moves = "starts the period clock anew" if settings.restart.moves_clock else "changes nothing"
    yield "A restart after a gap", moves, settings.restart
    value = f"{setup.code} from {setup.minimum_channels} EEG channels on, else {setup.else_code}"
    yield "Set-up", value, setup
    yield "A lapse in the checks lowers", f"the {settings.lapse.lowers}", settings.lapse
    ends = "must keep the limits too" if settings.ends.needed else "do not count"
    yield "Time to the first check and from the last", ends, settings.ends
    by = {"study": "over the whole study", "period": "period by period"}[settings.video_share.by]
    yield "The share of video is taken", by, settings.video_share
    for subject, answer in (
        ("Monitoring that no log shows", rest.monitoring),
        ("Video that no log shows", rest.video),
    ):
        yield subject, f"codes {answer.replace('_', ' ')}", rest


def _codes(settings: BillingSettings) -> Iterator[RuleLine]:
    """The code numbers of each band, each with how its number is known."""
    for band in settings.technical:
        for video, codes in (
            ("without video", band.codes.without_video),
            ("with video", band.codes.with_video),
        ):
            if codes is not None:
                named = [(code, level) for level, code in asdict(codes).items()]
                yield _known(f"Technical codes, {band.name}, {video}", named, settings)
    for subject, bands in (
        ("Codes for a report on a day", settings.professional_day),
        ("Codes for a report on the whole study", settings.professional_whole),
    ):
        for reader in bands:
            named = [
                (code, video.replace("_", " "))
                for video, code in asdict(reader.codes).items()
                if code
            ]
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
