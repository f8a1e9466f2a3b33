"""Settings of ``[billing]``: codes with their time limits as data, each with source and mark.

Every limit says whether the limit itself still belongs to its band (``included``), where it comes
from (``source``, in our own words; keys such as 'S5' are explained in ``[billing.sources]``) and
how sure that is (``mark``). Another payer's rules are another file; no code knows a code number.
"""

from __future__ import annotations

import re
from itertools import pairwise
from typing import Annotated, Literal

from pydantic import BeforeValidator, Field, field_validator, model_validator

from auditor.core.units import DAY, HOUR, MINUTE
from auditor.model import MonitoringLevel
from auditor.policy.sourced import Many, Pattern, Section, Sourced
from auditor.policy.toml import Hours, Seconds, Strict

SplitRule = Literal["total", "windows", "longest_first"]
"""How recorded time is split into units.

``total`` splits the total recorded time; ``windows`` bands the recorded time inside each period by
itself; ``longest_first`` fills the longest band's end first.
"""

_Code = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ./+-]{0,19}$")]
_Words = Annotated[str, Field(min_length=1, max_length=400)]
_Time = Annotated[Hours, Field(ge=0, le=10_000 * HOUR)]


class Limit(Sourced):
    """One end of a band. ``included``: whether exactly this time still belongs to the band."""

    ns: _Time = Field(alias="hours")
    included: bool


class Open(Sourced):
    """A question that no source settles: the policy's answer, and what becomes of the other one.

    ``show``: told where it changes a code; ``ask``: told, and a person must look where it lowers a
    code; ``hide``: not told.
    """

    other: Literal["show", "ask", "hide"] = "show"


class ByLevel(Strict):
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


_ByLevel = Annotated[ByLevel, BeforeValidator(_same_for_all)]


class TechnicalCodes(Strict):
    """Technical codes of a band. Without ``with_video`` video changes no code."""

    without_video: _ByLevel
    with_video: _ByLevel | None = None

    def of(self, level: MonitoringLevel, video: bool) -> str:
        """The code for ``level``, with or without ``video``."""
        codes = self.with_video if video and self.with_video is not None else self.without_video
        return codes.of(level)


class ReaderCodes(Strict):
    """Professional codes of a band. Without ``with_video`` video changes no code."""

    without_video: _Code
    with_video: _Code | None = None

    def of(self, video: bool) -> str:
        """The code with or without ``video``."""
        return self.with_video if video and self.with_video is not None else self.without_video


class Band(Strict):
    """A band of recorded time. ``upper`` is ``None`` where it has no end."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    lower: Limit = Field(alias="from")
    upper: Limit | None = Field(default=None, alias="to")

    def holds(self, ns: int) -> bool:
        """Whether ``ns`` of recorded time lies in this band."""
        low, high = self.lower, self.upper
        above = ns > low.ns or (low.included and ns == low.ns)
        below = high is None or ns < high.ns or (high.included and ns == high.ns)
        return above and below

    @model_validator(mode="after")
    def _ends_after_it_begins(self) -> Band:
        if self.upper is not None and self.upper.ns <= self.lower.ns:
            raise ValueError(f"the band {self.name!r} must end after it begins")
        return self


class TechnicalBand(Band):
    """A band of the technical part. ``once`` where a study has at most one unit of it: the rule."""

    codes: TechnicalCodes
    once: Sourced | None = None

    @field_validator("codes", mode="before")
    @classmethod
    def _one_code(cls, value: object) -> object:
        return {"without_video": value} if isinstance(value, str) else value


class ReaderBand(Band):
    """A band of the professional part. ``once`` where a study has at most one code of it."""

    codes: ReaderCodes
    once: Sourced | None = None

    @field_validator("codes", mode="before")
    @classmethod
    def _one_code(cls, value: object) -> object:
        return {"without_video": value} if isinstance(value, str) else value


class OnceBand(Band, Open):
    """A band that no whole-study code covers: the day codes that one report may carry together."""

    without_video: Many[_Code]
    with_video: Many[_Code] = ()

    def of(self, video: bool) -> tuple[str, ...]:
        """The codes with or without ``video``."""
        return self.with_video if video and self.with_video else self.without_video


class State(Strict):
    """A code that depends on the patient's state; ``if_sleep_seen`` marks the one that an
    annotation of sleep leads to."""

    code: _Code
    words: _Words
    if_sleep_seen: bool = False


class ShorterBand(Sourced):
    """A recording below the long-term minimum, in whole minutes, both ends included."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    from_minutes: Annotated[int, Field(ge=0, le=100_000)]
    to_minutes: Annotated[int, Field(ge=0, le=100_000)]
    code: _Code | None = None
    states: Many[State] = ()

    @model_validator(mode="after")
    def _one_way(self) -> ShorterBand:
        if (self.code is None) == (not self.states):
            raise ValueError(f"{self.name!r} needs either code or states")
        if self.to_minutes < self.from_minutes:
            raise ValueError(f"{self.name!r} must end after it begins")
        return self


class PeriodRule(Sourced):
    """``[billing.period]``: the length of a period."""

    ns: Annotated[Hours, Field(gt=0, le=1_000 * HOUR)] = Field(alias="hours")


class SplitRules(Strict):
    """``[billing.split]``: how time is split into units by default, and the other ways."""

    default: SplitRule
    total: Open = Open()
    windows: Open = Open()
    longest_first: Open = Open()

    def rule(self, split: SplitRule) -> Open:
        """Source, mark and use of ``split``."""
        return {
            "total": self.total,
            "windows": self.windows,
            "longest_first": self.longest_first,
        }[split]


def period_start(value: object) -> int | None:
    """Where periods start, as ``PeriodStart``. Raises ``ValueError`` for any other text."""
    if value is None or value in ("recording", ""):
        return None
    found = re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
    if found is None:
        raise ValueError('must be "recording" or a time of day such as "07:00"')
    return int(found.group(1)) * HOUR + int(found.group(2)) * MINUTE


PeriodStart = Annotated[int | None, BeforeValidator(period_start)]
"""Civil time of day in ns after midnight at which each period starts, ``None``: the first record
starts the first one."""


class GapRule(Open):
    """``[billing.gaps]``: gaps shorter than ``tolerance_s`` count; 0 means that none does."""

    tolerance_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(alias="tolerance_s")
    other_tolerance_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(alias="other_tolerance_s")
    """The tolerance of the other interpretation."""


class RestartRule(Open):
    """``[billing.restart]``: whether a restart after a gap starts the period clock anew."""

    moves_clock: bool


class SetupRule(Sourced):
    """``[billing.setup]``: the set-up code and the EEG channels that it needs."""

    code: _Code
    minimum_channels: Annotated[int, Field(ge=1, le=1024)]
    else_code: _Code


class LapseRule(Open):
    """``[billing.lapse]``: what a lapse in the checks lowers."""

    lowers: Literal["period", "study"]


class VideoShareRule(Open):
    """``[billing.video_share]``: whether video's share is taken over the study or each period."""

    by: Literal["study", "period"]


class EndsRule(Open):
    """``[billing.ends]``: whether the time from the recording's start to the first check, and from
    the last to its end, must keep the limits of ``[monitoring]``."""

    needed: bool


class UndocumentedRule(Open):
    """``[billing.undocumented]``: codes where the order names what no log shows."""

    monitoring: Literal["unmonitored", "as_ordered"]
    video: Literal["without_video", "as_ordered"]


class SourceName(Strict):
    """A source by name. ``secondary``: a page that is no authority; it is never quoted."""

    name: Annotated[str, Field(min_length=1, max_length=300)]
    secondary: bool = False


class BillingSettings(Section):
    """``[billing]``: codes with their time limits, each with its source and mark."""

    technical: Annotated[Many[TechnicalBand], Field(min_length=1, max_length=20)]
    professional_day: Annotated[Many[ReaderBand], Field(max_length=20)]
    professional_whole: Annotated[Many[ReaderBand], Field(max_length=20)]
    professional_once: Annotated[Many[OnceBand], Field(max_length=20)] = ()
    shorter: Annotated[Many[ShorterBand], Field(max_length=20)] = ()
    period: PeriodRule
    period_start_ns: PeriodStart = Field(default=None, alias="period_start")
    other_period_start: Annotated[str, Field(max_length=9)] = ""
    """The other interpretation of the periods' start, asked for by being named."""
    fixed_start: Sourced = Sourced()
    leftover_joins: Limit
    """A remainder up to this joins the unit before it."""
    split: SplitRules
    gaps: GapRule
    restart: RestartRule
    setup: SetupRule
    lapse: LapseRule
    ends: EndsRule
    video_share: VideoShareRule
    undocumented: UndocumentedRule
    near_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(default=0, alias="near_limit_s")
    """A total this close to a limit, on either side, is told."""
    sleep_patterns: Many[Pattern] = ()
    """Regular expressions (any case) of annotations that show sleep or drowsiness."""
    code_marks: dict[str, Sourced] = Field(default_factory=dict)
    """How each code number itself is known."""
    sources: dict[str, SourceName] = Field(default_factory=dict)
    cautions: Many[str] = ()

    @field_validator("other_period_start")
    @classmethod
    def _start_of_a_period(cls, value: str) -> str:
        period_start(value)
        return value

    @field_validator("technical", "professional_day", "professional_whole")
    @classmethod
    def _bands_meet(cls, bands: tuple[Band, ...]) -> tuple[Band, ...]:
        for band, after in pairwise(bands):
            end = band.upper
            if end is None or end.ns != after.lower.ns or end.included == after.lower.included:
                raise ValueError(
                    f"the band {after.name!r} must begin where {band.name!r} ends, "
                    "and exactly one of the two must include the limit"
                )
        return bands

    @field_validator("shorter")
    @classmethod
    def _in_order(cls, bands: tuple[ShorterBand, ...]) -> tuple[ShorterBand, ...]:
        for band, after in pairwise(bands):
            if after.from_minutes <= band.to_minutes:
                raise ValueError(f"{after.name!r} must begin after {band.name!r} ends")
        return bands

    @model_validator(mode="after")
    def _period_fits(self) -> BillingSettings:
        top = self.technical[-1]
        if top.upper is not None and not top.holds(self.period.ns):
            raise ValueError(f"a whole period must lie in the longest technical band, {top.name!r}")
        if self.leftover_joins.ns >= self.period.ns:
            raise ValueError("leftover_joins must be shorter than the period")
        return self

    @property
    def minimum_ns(self) -> int:
        """Where the long-term codes begin."""
        return self.technical[0].lower.ns
