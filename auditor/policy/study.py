"""Settings of ``[study]``: copies, left-over files and clocks."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated

from pydantic import Field, field_validator

from auditor.core.clock import civil_ns
from auditor.policy.sourced import Section
from auditor.policy.toml import Hours, Seconds, Share

_Word = Annotated[str, Field(min_length=1, max_length=40)]


class StudySettings(Section):
    """``[study]``: what belongs to a study, how copies are matched, when a clock is doubted."""

    before_hookup_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="before_hookup_s")
    """A file that ended longer than this before the hook-up is not of this study."""
    far_apart_ns: Annotated[Hours, Field(gt=0)] = Field(alias="far_apart_hours")
    """Files with a longer silence than this between them are not of one study."""
    silence_ns: Annotated[Hours, Field(gt=0)] = Field(alias="silence_hours")
    """A silence of at least this inside the study: likely two studies in one folder."""
    extra_ppm: Share = Field(alias="extra_share")
    """Recorded by this share of the ordered time above it, and by extra_hours: look."""
    extra_ns: Annotated[Hours, Field(ge=0)] = Field(alias="extra_hours")
    """Recorded by this much above the ordered time, and by extra_share: look."""
    most_moved_ns: Annotated[Hours, Field(ge=0)] = Field(alias="most_moved_hours")
    """A file that is moved by more than this against its stamp is for a person to look at."""
    channel_share_ppm: Share = Field(alias="channel_share")
    """Files that share less than this of their channels have another channel set."""
    hookup_tolerance_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="hookup_tolerance_s")
    """How far the first record may lie from the hook-up before it is said."""
    join_tolerance_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="join_tolerance_s")
    """Two files this close to each other follow one another without an interruption of note."""
    small_overlap_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="small_overlap_s")
    """An overlap up to this is the resolution of the start stamps, no doubt about the clock."""
    default_dates: tuple[date, ...]
    """Dates at which clocks start after their power was lost."""
    default_date_ns: Annotated[Hours, Field(gt=0)] = Field(alias="default_date_hours")
    """A start within this after a default date is taken for a clock that was never set."""
    copy_overlap_ppm: Share = Field(alias="copy_overlap_share")
    """Folders whose files share at least this of the shorter's time are looked at as copies."""
    copy_points: Annotated[int, Field(ge=2, le=200)]
    """At how many places of a file two copies are compared."""
    copy_search_ns: Annotated[tuple[Seconds, ...], Field(min_length=1)] = Field(
        alias="copy_search_s"
    )
    """How far apart two copies' clocks are looked for, step by step."""
    copy_correlation_ppm: Share = Field(alias="copy_correlation")
    """The least correlation at which differently sampled copies are taken for one signal."""
    card_words: tuple[_Word, ...]
    """Words in a folder's name that say it is the recorder's own card."""

    @field_validator("default_dates", "copy_search_ns", "card_words", mode="before")
    @classmethod
    def _as_tuple(cls, value: object) -> object:
        return tuple(value) if isinstance(value, list) else value

    @field_validator("copy_search_ns")
    @classmethod
    def _growing(cls, value: tuple[int, ...]) -> tuple[int, ...]:
        if any(b <= a for a, b in zip((0, *value), value, strict=False)):
            raise ValueError("must be more than 0 and grow from one to the next")
        return value

    @property
    def default_starts(self) -> tuple[int, ...]:
        """``default_dates`` as civil nanoseconds."""
        return tuple(civil_ns(datetime.combine(d, time())) for d in self.default_dates)
