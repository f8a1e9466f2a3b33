"""Settings of ``[billing]``: codes with their time limits as data, each with source and mark.

Every limit says whether the limit itself still belongs to its band (``included``), where it comes
from (``source``, in our own words; keys such as 'S5' are explained in ``[billing.sources]``) and
how sure that is (``mark``). Another payer's rules are another file; no code knows a code number.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Literal

from msgspec import Meta, field

from auditor.core.units import DAY, HOUR, MINUTE
from auditor.model import MonitoringLevel
from auditor.policy.sourced import Pattern, Section, Sourced
from auditor.policy.values import After, Before, Hours, Seconds, Settings

SplitRule = Literal["total", "windows", "longest_first"]
"""How recorded time is split into units.

``total`` splits the total recorded time; ``windows`` bands the recorded time inside each period by
itself; ``longest_first`` fills the longest band's end first.
"""

_Code = Annotated[str, Meta(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ./+-]{0,19}$")]
_Name = Annotated[str, Meta(min_length=1, max_length=40)]
_Words = Annotated[str, Meta(min_length=1, max_length=400)]
_Time = Annotated[Hours, Meta(ge=0, le=10_000 * HOUR)]


class Limit(Sourced, frozen=True, kw_only=True):
    """One end of a band. ``included``: whether exactly this time still belongs to the band."""

    ns: _Time = field(name="hours")
    included: Annotated[bool, "exactly so much belongs to it"]


class Open(Sourced, frozen=True, kw_only=True):
    """A question that no source settles: the policy's answer, and what becomes of the other one.

    ``show``: told where it changes a code; ``ask``: told, and a person must look where it lowers a
    code; ``hide``: not told.
    """

    other: Annotated[Literal["show", "ask", "hide"], "another interpretation"] = "show"


class ByLevel(Settings, frozen=True, kw_only=True):
    """One code for each level of monitoring; written as one code where it is the same for all."""

    unmonitored: _Code
    intermittent: _Code
    continuous: _Code

    def of(self, level: MonitoringLevel) -> str:
        """The code for ``level``."""
        return str(getattr(self, level))


def _same_for_all(value: object) -> object:
    if isinstance(value, str):
        return {"unmonitored": value, "intermittent": value, "continuous": value}
    return value


_ByLevel = Annotated[ByLevel, Before(_same_for_all)]


class TechnicalCodes(Settings, frozen=True, kw_only=True):
    """Technical codes of a band. Without ``with_video`` video changes no code."""

    without_video: _ByLevel
    with_video: _ByLevel | None = None

    def of(self, level: MonitoringLevel, video: bool) -> str:
        """The code for ``level``, with or without ``video``."""
        codes = self.with_video if video and self.with_video is not None else self.without_video
        return codes.of(level)


class ReaderCodes(Settings, frozen=True, kw_only=True):
    """Professional codes of a band. Without ``with_video`` video changes no code."""

    without_video: _Code
    with_video: _Code | None = None

    def of(self, video: bool) -> str:
        """The code with or without ``video``."""
        return self.with_video if video and self.with_video is not None else self.without_video


class Band:
    """A band of recorded time between two ends. ``upper`` is ``None`` where it has no end."""

    __slots__ = ()
    name: str
    lower: Limit
    upper: Limit | None

    def __post_init__(self) -> None:
        if self.upper is not None and self.upper.ns <= self.lower.ns:
            raise ValueError(f"the band {self.name!r} must end after it begins")

    def holds(self, ns: int) -> bool:
        """Whether ``ns`` of recorded time lies in this band."""
        low, high = self.lower, self.upper
        above = ns > low.ns or (low.included and ns == low.ns)
        below = high is None or ns < high.ns or (high.included and ns == high.ns)
        return above and below


class _Band(Band, Settings, frozen=True, kw_only=True):
    """The keys of a band in a file."""

    name: _Name
    lower: Annotated[Limit, "from"] = field(name="from")
    upper: Annotated[Limit | None, "to"] = field(default=None, name="to")


def _without_video(value: object) -> object:
    return {"without_video": value} if isinstance(value, str) else value


class TechnicalBand(_Band, frozen=True, kw_only=True):
    """A band of the technical part. ``once`` where a study has at most one unit of it: the rule."""

    codes: Annotated[TechnicalCodes, Before(_without_video), "codes"]
    once: Annotated[Sourced | None, "at most one in a study"] = None


class ReaderBand(_Band, frozen=True, kw_only=True):
    """A band of the professional part. ``once`` where a study has at most one code of it."""

    codes: Annotated[ReaderCodes, Before(_without_video), "codes"]
    once: Annotated[Sourced | None, "at most one in a study"] = None


class OnceBand(Band, Open, frozen=True, kw_only=True):
    """A band that no whole-study code covers: the day codes that one report may carry together."""

    name: _Name
    lower: Annotated[Limit, "from"] = field(name="from")
    upper: Annotated[Limit | None, "to"] = field(default=None, name="to")
    without_video: tuple[_Code, ...]
    with_video: tuple[_Code, ...] = ()

    def of(self, video: bool) -> tuple[str, ...]:
        """The codes with or without ``video``."""
        return self.with_video if video and self.with_video else self.without_video


class State(Settings, frozen=True, kw_only=True):
    """A code that depends on the patient's state; ``if_sleep_seen`` marks the one that an
    annotation of sleep leads to."""

    code: _Code
    words: _Words
    if_sleep_seen: bool = False


class ShorterBand(Sourced, frozen=True, kw_only=True):
    """A recording below the long-term minimum, in whole minutes, both ends included."""

    name: _Name
    from_minutes: Annotated[int, Meta(ge=0, le=100_000)]
    to_minutes: Annotated[int, Meta(ge=0, le=100_000)]
    code: _Code | None = None
    states: tuple[State, ...] = ()

    def __post_init__(self) -> None:
        if (self.code is None) == (not self.states):
            raise ValueError(f"{self.name!r} needs either code or states")
        if self.to_minutes < self.from_minutes:
            raise ValueError(f"{self.name!r} must end after it begins")


class PeriodRule(Sourced, frozen=True, kw_only=True):
    """``[billing.period]``: the length of a period."""

    ns: Annotated[Hours, Meta(gt=0, le=1_000 * HOUR)] = field(name="hours")


class SplitRules(Settings, frozen=True, kw_only=True):
    """``[billing.split]``: how time is split into units by default, and the other ways."""

    default: Annotated[SplitRule, "How recorded time is split into units."]
    total: Annotated[Open, "The total is split, wherever it was recorded."] = Open()
    windows: Annotated[Open, "The time inside each period is banded by itself."] = Open()
    longest_first: Annotated[Open, "Each unit is filled before the next begins."] = Open()

    def rule(self, split: SplitRule) -> Open:
        """Source, mark and use of ``split``."""
        rule: Open = getattr(self, split)
        return rule


def period_start(value: object) -> int | None:
    """Where periods start, as ``PeriodStart``. Raises ``ValueError`` for any other text."""
    if value is None or value in ("recording", ""):
        return None
    found = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if found is None:
        raise ValueError('must be "recording" or a time of day such as "07:00"')
    return int(found.group(1)) * HOUR + int(found.group(2)) * MINUTE


PeriodStart = Annotated[
    int | None, Before(period_start), "A fixed hour at which periods start, if they do."
]
"""Civil time of day in ns after midnight at which each period starts, ``None``: the first record
starts the first one."""


class GapRule(Open, frozen=True, kw_only=True):
    """``[billing.gaps]``: gaps shorter than ``tolerance_s`` count; 0 means that none does."""

    tolerance_ns: Annotated[Seconds, Meta(ge=0, le=DAY)]
    other_tolerance_ns: Annotated[Seconds, Meta(ge=0, le=DAY), "tolerance of the other"]


class RestartRule(Open, frozen=True, kw_only=True):
    """``[billing.restart]``: whether a restart after a gap starts the period clock anew."""

    moves_clock: bool


class SetupRule(Sourced, frozen=True, kw_only=True):
    """``[billing.setup]``: the set-up code and the EEG channels that it needs."""

    code: _Code
    minimum_channels: Annotated[int, Meta(ge=1, le=1024)]
    else_code: _Code


class LapseRule(Open, frozen=True, kw_only=True):
    """``[billing.lapse]``: what a lapse in the checks lowers."""

    lowers: Literal["period", "study"]


class VideoShareRule(Open, frozen=True, kw_only=True):
    """``[billing.video_share]``: whether video's share is taken over the study or each period."""

    by: Literal["study", "period"]


class EndsRule(Open, frozen=True, kw_only=True):
    """``[billing.ends]``: whether the time from the recording's start to the first check, and from
    the last to its end, must keep the limits of ``[monitoring]``."""

    needed: bool


class UndocumentedRule(Open, frozen=True, kw_only=True):
    """``[billing.undocumented]``: codes where the order names what no log shows."""

    monitoring: Literal["unmonitored", "as_ordered"]
    video: Literal["without_video", "as_ordered"]


class SourceName(Settings, frozen=True, kw_only=True):
    """A source by name. ``secondary``: a page that is no authority; it is never quoted."""

    name: Annotated[str, Meta(min_length=1, max_length=300)]
    secondary: bool = False


def _bands_meet(bands: tuple[Band, ...]) -> tuple[Band, ...]:
    for band, after in pairwise(bands):
        end = band.upper
        if end is None or end.ns != after.lower.ns or end.included == after.lower.included:
            raise ValueError(
                f"the band {after.name!r} must begin where {band.name!r} ends, "
                "and exactly one of the two must include the limit"
            )
    return bands


def _in_order(bands: tuple[ShorterBand, ...]) -> tuple[ShorterBand, ...]:
    for band, after in pairwise(bands):
        if after.from_minutes <= band.to_minutes:
            raise ValueError(f"{after.name!r} must begin after {band.name!r} ends")
    return bands


def _start_of_a_period(value: str) -> str:
    period_start(value)
    return value


class BillingSettings(Section, frozen=True, kw_only=True):
    """``[billing]``: codes with their time limits, each with its source and mark."""

    technical: Annotated[
        tuple[TechnicalBand, ...],
        After(_bands_meet),
        Meta(min_length=1, max_length=20),
        "Technical unit",
    ]
    professional_day: Annotated[
        tuple[ReaderBand, ...], After(_bands_meet), Meta(max_length=20), "Report on a day"
    ]
    professional_whole: Annotated[
        tuple[ReaderBand, ...], After(_bands_meet), Meta(max_length=20), "Report on the whole study"
    ]
    professional_once: Annotated[
        tuple[OnceBand, ...], Meta(max_length=20), "One report without a whole-study code"
    ] = ()
    shorter: Annotated[
        tuple[ShorterBand, ...], After(_in_order), Meta(max_length=20), "Shorter recording"
    ] = ()
    period: Annotated[PeriodRule, "Length of a period; the first begins with the first record."]
    period_start_ns: PeriodStart = field(default=None, name="period_start")
    other_period_start: Annotated[
        str,
        Meta(max_length=9),
        After(_start_of_a_period),
        "The other interpretation of the periods' start, asked for by being named.",
    ] = ""
    fixed_start: Annotated[Sourced, "That periods may start at a fixed hour."] = Sourced()
    leftover_joins: Annotated[Limit, "A remainder up to this joins the unit before it."]
    split: SplitRules
    gaps: Annotated[GapRule, "Gaps shorter than the tolerance count as recorded."]
    restart: Annotated[RestartRule, "Whether a restart after a gap starts the period clock anew."]
    setup: Annotated[SetupRule, "Set-up code, the EEG channels it needs, the code below them."]
    lapse: Annotated[LapseRule, "What a lapse in the checks lowers."]
    ends: Annotated[
        EndsRule, "Whether the time to the first check and from the last must keep the limits too."
    ]
    video_share: Annotated[VideoShareRule, "Over what the share of video is taken."]
    undocumented: Annotated[UndocumentedRule, "Codes where the order names what no log shows."]
    near_ns: Annotated[
        Seconds, Meta(ge=0, le=DAY), "A total this close to a limit, on either side, is told."
    ] = field(default=0, name="near_limit_s")
    sleep_patterns: Annotated[
        tuple[Pattern, ...],
        "Regular expressions (any case) of annotations that show sleep or drowsiness.",
    ] = ()
    code_marks: Annotated[dict[str, Sourced], "How each code number itself is known."] = field(
        default_factory=dict
    )
    sources: dict[str, SourceName] = field(default_factory=dict)
    cautions: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        super().__post_init__()
        top = self.technical[-1]
        if top.upper is not None and not top.holds(self.period.ns):
            raise ValueError(f"a whole period must lie in the longest technical band, {top.name!r}")
        if self.leftover_joins.ns >= self.period.ns:
            raise ValueError("leftover_joins must be shorter than the period")

    @property
    def minimum_ns(self) -> int:
        """Where the long-term codes begin."""
        return self.technical[0].lower.ns
