"""Settings of ``[study]``: what belongs to a study, and when a person looks at a clock."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated

from pydantic import Field, field_validator

from auditor.core.clock import civil_ns
from auditor.policy.sourced import Section
from auditor.policy.toml import Hours, Seconds, Share


class StudySettings(Section):
    """``[study]``: what belongs to a study, and when a person must look."""

    hookup_tolerance_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="hookup_tolerance_s")
    """How far the first record may lie from the hook-up before a person looks."""
    test_recording_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="test_recording_s")
    """Minutes up to this that ended shortly before the hook-up are a test."""
    silence_ns: Annotated[Hours, Field(gt=0)] = Field(alias="silence_hours")
    """A silence of this length inside the study may part two studies."""
    far_apart_ns: Annotated[Hours, Field(gt=0)] = Field(alias="far_apart_hours")
    """Files with a longer silence than this between them are not of one study."""
    extra_ppm: Share = Field(alias="extra_share")
    """See extra_hours; this share of the ordered time."""
    extra_ns: Annotated[Hours, Field(ge=0)] = Field(alias="extra_hours")
    """Recorded time above the ordered by this share, and by this much, may be two studies."""
    most_moved_ns: Annotated[Hours, Field(gt=0)] = Field(alias="most_moved_hours")
    """How far samples may move a file from its stamp before a person looks."""
    default_dates: tuple[date, ...]
    """Dates at which clocks start after their power was lost."""

    @field_validator("default_dates", mode="before")
    @classmethod
    def _as_tuple(cls, value: object) -> object:
        return tuple(value) if isinstance(value, list) else value

    @property
    def default_starts(self) -> tuple[int, ...]:
        """``default_dates`` as civil nanoseconds."""
        return tuple(civil_ns(datetime.combine(d, time())) for d in self.default_dates)
