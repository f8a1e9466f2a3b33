"""Settings of ``[study]``: what belongs to a study, and when a person looks at a clock."""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated

from msgspec import field

from auditor.core.clock import civil_ns
from auditor.policy.sourced import Section
from auditor.policy.values import FROM_0, MORE_THAN_0, Hours, Seconds, Share


class StudySettings(Section, frozen=True, kw_only=True):
    """``[study]``: what belongs to a study, and when a person must look."""

    hookup_tolerance_ns: Annotated[
        Seconds, FROM_0, "How far the first record may lie from the hook-up before a person looks."
    ]
    test_recording_ns: Annotated[
        Seconds, FROM_0, "Minutes up to this that ended shortly before the hook-up are a test."
    ]
    silence_ns: Annotated[
        Hours, MORE_THAN_0, "A silence of this length inside the study may part two studies."
    ] = field(name="silence_hours")
    far_apart_ns: Annotated[
        Hours,
        MORE_THAN_0,
        "Files with a longer silence than this between them are not of one study.",
    ] = field(name="far_apart_hours")
    extra_ppm: Annotated[Share, "See extra_hours; this share of the ordered time."]
    extra_ns: Annotated[
        Hours,
        FROM_0,
        "Recorded time above the ordered by this share, and by this much, may be two studies.",
    ] = field(name="extra_hours")
    most_moved_ns: Annotated[
        Hours, MORE_THAN_0, "How far samples may move a file from its stamp before a person looks."
    ] = field(name="most_moved_hours")
    default_dates: Annotated[
        tuple[date, ...], "Dates at which clocks start after their power was lost."
    ]

    @property
    def default_starts(self) -> tuple[int, ...]:
        """``default_dates`` as civil nanoseconds."""
        return tuple(civil_ns(datetime.combine(d, time())) for d in self.default_dates)
