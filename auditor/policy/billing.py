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
from auditor.policy.monitoring import MonitoringSettings, VideoSettings
from auditor.policy.sourced import Many, Pattern, Section, Sourced
from auditor.policy.toml import Hours, Seconds, Strict

__all__ = ["BillingSettings", "MonitoringSettings", "VideoSettings"]

SplitReading = Literal["total", "windows", "longest_first", "fixed_hour"]
"""How recorded time is split into units.

``total`` splits the total recorded time; ``windows`` bands the recorded time inside each period
from the first record by itself; ``longest_first`` fills the longest band's end first;
``fixed_hour`` is ``windows`` with periods that start at a fixed hour of the day.
"""

_Code = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9 ./+-]{0,19}$")]
_Words = Annotated[str, Field(min_length=1, max_length=400)]
_Time = Annotated[Hours, Field(ge=0, le=10_000 * HOUR)]


class Limit(Sourced):
    """One end of a band. ``included``: whether exactly this time still belongs to the band."""

    ns: _Time = Field(alias="hours")
    included: bool


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
    """A band of the technical part."""

    codes: TechnicalCodes

    @field_validator("codes", mode="before")
    @classmethod
    def _one_code(cls, value: object) -> object:
        return {"without_video": value} if isinstance(value, str) else value


class ReaderBand(Band):
    """A band of the professional part."""

    codes: ReaderCodes

    @field_validator("codes", mode="before")
    @classmethod
    def _one_code(cls, value: object) -> object:
        return {"without_video": value} if isinstance(value, str) else value


class OnceBand(Band, Sourced):
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
    """``[billing.period]``: the length of a period, which starts with the first record."""

    ns: Annotated[Hours, Field(gt=0, le=1_000 * HOUR)] = Field(alias="hours")


class Readings(Strict):
    """``[billing.readings]``: how time is split by default, and which other readings are shown."""

    default: SplitReading
    others: Many[SplitReading] = ()
    fixed_hour_ns: int = Field(alias="fixed_hour")
    """Civil time of day at which a period starts under ``fixed_hour``, ns after midnight."""
    total: Sourced = Sourced()
    windows: Sourced = Sourced()
    longest_first: Sourced = Sourced()
    fixed_hour_rule: Sourced = Sourced()

    @field_validator("fixed_hour_ns", mode="before")
    @classmethod
    def _time_of_day(cls, value: object) -> int:
        found = (
            re.fullmatch(r"([01]\d|2[0-3]):([0-5]\d)", value) if isinstance(value, str) else None
        )
        if found is None:
            raise ValueError('must be a time of day such as "07:00"')
        return int(found.group(1)) * HOUR + int(found.group(2)) * MINUTE

    def rule(self, reading: SplitReading) -> Sourced:
        """Source and mark of ``reading``."""
        return {
            "total": self.total,
            "windows": self.windows,
            "longest_first": self.longest_first,
            "fixed_hour": self.fixed_hour_rule,
        }[reading]


class GapRule(Sourced):
    """``[billing.gaps]``: gaps shorter than ``tolerance_s`` count; 0 means that none does."""

    tolerance_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(alias="tolerance_s")
    other_tolerance_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(alias="other_tolerance_s")
    """Another tolerance, shown as an alternative where it changes a code."""


class RestartRule(Sourced):
    """``[billing.restart]``: whether a restart after a gap starts the period clock anew."""

    moves_clock: bool
    show_other: bool = True


class SetupRule(Sourced):
    """``[billing.setup]``: the set-up code and the EEG channels that it needs."""

    code: _Code
    minimum_channels: Annotated[int, Field(ge=1, le=1024)]
    else_code: _Code


class LapseRule(Sourced):
    """``[billing.lapse]``: what a lapse in the checks lowers."""

    lowers: Literal["period", "study"]


class VideoShareRule(Sourced):
    """``[billing.video_share]``: whether video's share is taken over the study or each period."""

    by: Literal["study", "period"]


class UndocumentedRule(Sourced):
    """``[billing.undocumented]``: codes where the order names what no log shows."""

    monitoring: Literal["unmonitored", "as_ordered"]
    video: Literal["without_video", "as_ordered"]


class BillingSettings(Section):
    """``[billing]``: codes with their time limits, each with its source and mark."""

    technical: Annotated[Many[TechnicalBand], Field(min_length=1, max_length=20)]
    professional_day: Annotated[Many[ReaderBand], Field(max_length=20)]
    professional_whole: Annotated[Many[ReaderBand], Field(max_length=20)]
    professional_once: Annotated[Many[OnceBand], Field(max_length=20)] = ()
    shorter: Annotated[Many[ShorterBand], Field(max_length=20)] = ()
    period: PeriodRule
    leftover_joins: Limit
    """A remainder up to this joins the unit before it."""
    readings: Readings
    gaps: GapRule
    restart: RestartRule
    setup: SetupRule
    lapse: LapseRule
    video_share: VideoShareRule
    undocumented: UndocumentedRule
    near_ns: Annotated[Seconds, Field(ge=0, le=DAY)] = Field(default=0, alias="near_limit_s")
    """A total this close to a limit, on either side, is told."""
    sleep_patterns: Many[Pattern] = ()
    """Regular expressions (any case) of annotations that show sleep or drowsiness."""
    code_marks: dict[str, Sourced] = Field(default_factory=dict)
    """How each code number itself is known."""
    sources: dict[str, str] = Field(default_factory=dict)
    cautions: Many[str] = ()

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
