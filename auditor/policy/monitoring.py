"""Settings of ``[monitoring]`` and ``[video]``: what a log must show."""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, field

from auditor.core.units import HOUR
from auditor.policy.sourced import LogDates, Pattern, Section, Sourced
from auditor.policy.values import Hours, Settings, Share


class AtMost(Sourced, frozen=True, kw_only=True):
    """The longest time that may pass; exactly this long is still kept."""

    ns: Annotated[Hours, Meta(gt=0, le=1_000 * HOUR)] = field(name="hours")


class Patients(Sourced, frozen=True, kw_only=True):
    """How many patients one technologist may watch at once. No file tells how many it were."""

    at_most: Annotated[int, Meta(ge=1, le=1_000)]


class LevelRule(Settings, frozen=True, kw_only=True):
    """What one level of monitoring needs.

    Without ``interval`` a list of checks cannot show the level. ``first_within`` and
    ``last_within`` are ``interval`` where they are left out.
    """

    interval: Annotated[AtMost | None, "between checks, at most, over recorded time"] = None
    first_within: Annotated[AtMost | None, "first check after the start, at most"] = None
    last_within: Annotated[AtMost | None, "last check before the end, at most"] = None
    patients: Annotated[
        Patients | None, "patients of one technologist, which cannot be known from the files"
    ] = None


class MonitoringSettings(Section, frozen=True, kw_only=True):
    """``[monitoring]``: how often a documented check is needed, and what counts as one."""

    intermittent: Annotated[LevelRule, "Intermittent monitoring"]
    continuous: Annotated[
        LevelRule, "Continuous monitoring (a list of checks shows it where a limit is set)"
    ]
    check_patterns: Annotated[tuple[Pattern, ...], "Annotations that match count as checks."] = ()
    log_dates: LogDates = "ask"


class VideoMinimum(Sourced, frozen=True, kw_only=True):
    """The share of recorded EEG time that video must cover; exactly this share is enough."""

    ppm: Share = field(name="share")


class VideoSettings(Section, frozen=True, kw_only=True):
    """``[video]``: the share of recorded time that video must cover."""

    minimum: Annotated[VideoMinimum, "Share of recorded time that codes with video need."]
    patterns: Annotated[
        tuple[Pattern, ...], "In a BIDS events file, the kinds of event that are video."
    ] = ()
    log_dates: LogDates = "ask"
