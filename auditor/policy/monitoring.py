"""Settings of ``[monitoring]`` and ``[video]``: what a log must show."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from auditor.core.units import HOUR
from auditor.policy.sourced import LogDates, Many, Pattern, Section, Sourced
from auditor.policy.toml import Hours, Share, Strict


class AtMost(Sourced):
    """The longest time that may pass; exactly this long is still kept."""

    ns: Annotated[Hours, Field(gt=0, le=1_000 * HOUR)] = Field(alias="hours")


class Patients(Sourced):
    """How many patients one technologist may watch at once. No file tells how many it were."""

    at_most: Annotated[int, Field(ge=1, le=1_000)]


class LevelRule(Strict):
    """What one level of monitoring needs.

    Without ``interval`` a list of checks cannot show the level. ``first_within`` and
    ``last_within`` are ``interval`` where they are left out.
    """

    interval: AtMost | None = None
    first_within: AtMost | None = None
    last_within: AtMost | None = None
    patients: Patients | None = None


class MonitoringSettings(Section):
    """``[monitoring]``: how often a documented check is needed, and what counts as one."""

    intermittent: LevelRule
    continuous: LevelRule
    check_patterns: Many[Pattern] = ()
    """Annotations that match count as checks."""
    log_dates: LogDates = "ask"


class VideoMinimum(Sourced):
    """The share of recorded EEG time that video must cover; exactly this share is enough."""

    ppm: Share = Field(alias="share")


class VideoSettings(Section):
    """``[video]``: the share of recorded time that video must cover."""

    minimum: VideoMinimum
    patterns: Many[Pattern] = ()
    """In a BIDS events file, the kinds of event that are video."""
    log_dates: LogDates = "ask"
