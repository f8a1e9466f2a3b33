"""The lab's limits section by section: ``[coverage]``, ``[decision]``, ``[signal]``, ``[study]``,
``[stop]``, ``[power]``, ``[monitoring]``, ``[video]`` and ``[desk]``.

Nothing of ``[power]`` has a default: figures of batteries, supplies and chargers describe one
recorder; they come from the lab's manufacturer.
"""

from __future__ import annotations

from datetime import date, datetime, time
from typing import Annotated, Literal

from msgspec import Meta, field

from auditor.core.clock import civil_ns
from auditor.core.units import HOUR
from auditor.model import PowerMode
from auditor.policy.sourced import LogDates, Pattern, Section, Sourced
from auditor.policy.values import (
    FROM_0,
    MORE_THAN_0,
    After,
    Hours,
    Number,
    Seconds,
    Settings,
    Share,
)

_Time = Annotated[Seconds, MORE_THAN_0]
_Span = Annotated[Seconds, FROM_0]
_Hours = Annotated[Hours, MORE_THAN_0]
_Part = Annotated[Share, MORE_THAN_0]
_Patterns = tuple[Pattern, ...]


class CoverageSettings(Section, frozen=True, kw_only=True):
    """``[coverage]``: what counts as a gap."""

    gap_floor_ns: Annotated[
        _Time, "A shorter hole is a dropout: totalled, never listed, never counted as recorded."
    ]


class DecisionSettings(Section, frozen=True, kw_only=True):
    """``[decision]``: shares of the ordered time, and how close to the planned end a stop is."""

    tolerance_ppm: Annotated[
        Share, "Order, yes: short of the ordered time by no more than this share of it."
    ]
    minimum_ppm: Annotated[Share, "Order, no: recorded less than this share of the ordered time."]
    usable_ppm: Annotated[
        Share, "Readable, yes: clean for at least this share of the ordered time."
    ]
    usable_minimum_ppm: Annotated[
        Share, "Readable, no: usable for less than this share of the ordered time."
    ]
    stop_tolerance_ns: Annotated[
        Seconds,
        "An end this close to the planned end is as ordered (at most 1 % of the ordered time).",
    ]


def _whole_second(value: time) -> time:
    if value.microsecond or value.tzinfo is not None:
        raise ValueError("must be a time of day in whole seconds, without an offset")
    return value


TimeOfDay = Annotated[time, After(_whole_second)]
Positive = Annotated[Number, MORE_THAN_0]


class SignalSettings(Section, frozen=True, kw_only=True):
    """``[signal]``: how channel states are judged. Amplitudes in microvolts, peak to peak."""

    needed_ppm: Annotated[
        _Part,
        "Share of the EEG channels recorded that must carry signal, where the order gives none.",
    ]
    flat_uv: Annotated[
        Number, FROM_0, "Peak to peak in a second, below the noise of an amplifier on a patient."
    ]
    flat_ns: Annotated[_Time, "Flat only where it lasts this long."]
    saturated_ppm: Annotated[
        _Part, "Share of a second's samples at the digital (so the physical) limits."
    ]
    mains: Annotated[
        Literal["auto", "50", "60", "off"],
        'Mains frequency: "50", "60", "auto" (the stronger of the two) or "off".',
    ]
    hum_ppm: Annotated[
        _Part, "Share of a second's power, its trend removed, at the mains frequency."
    ]
    large_uv: Annotated[Positive, "Peak to peak in a second, implausible for scalp EEG."]
    doubtful_ppm: Annotated[
        _Part, "A channel is named where artifact holds for this share of its time."
    ]
    doubtful_end_ppm: Annotated[
        _Part, "In any doubtful state for this share of the time until the end: come off."
    ]
    lost_ns: Annotated[
        _Time, "An electrode is off to the end if without signal for at least this last time."
    ]
    stretch_ns: Annotated[_Time, "Bad times at least this long are listed and exported as marks."]
    stretch_join_ns: Annotated[_Span, "Shorter breaks inside a bad time do not split it."]
    night_start: Annotated[TimeOfDay, "A night begins at this time of day."]
    night_end: Annotated[TimeOfDay, "A night ends at this time of day."]

    @property
    def night_s(self) -> tuple[int, int]:
        """The night's start and end in seconds of the civil day."""
        start, end = (
            t.hour * 3600 + t.minute * 60 + t.second for t in (self.night_start, self.night_end)
        )
        return start, end

    @property
    def mains_hz(self) -> tuple[int, ...]:
        """The mains frequencies to look for; none where hum is not to be judged."""
        return {"auto": (50, 60), "50": (50,), "60": (60,), "off": ()}[self.mains]


class StudySettings(Section, frozen=True, kw_only=True):
    """``[study]``: what belongs to a study, and when a person must look."""

    hookup_tolerance_ns: Annotated[
        _Span, "How far the first record may lie from the hook-up before a person looks."
    ]
    test_recording_ns: Annotated[
        _Span, "Minutes up to this that ended shortly before the hook-up are a test."
    ]
    silence_ns: Annotated[
        _Hours, "A silence of this length inside the study may part two studies."
    ] = field(name="silence_hours")
    far_apart_ns: Annotated[
        _Hours, "Files with a longer silence than this between them are not of one study."
    ] = field(name="far_apart_hours")
    extra_ppm: Annotated[Share, "See extra_hours; this share of the ordered time."]
    extra_ns: Annotated[
        Hours,
        FROM_0,
        "Recorded time above the ordered by this share, and by this much, may be two studies.",
    ] = field(name="extra_hours")
    most_moved_ns: Annotated[
        _Hours, "How far samples may move a file from its stamp before a person looks."
    ] = field(name="most_moved_hours")
    default_dates: Annotated[
        tuple[date, ...], "Dates at which clocks start after their power was lost."
    ]

    @property
    def default_starts(self) -> tuple[int, ...]:
        """``default_dates`` as civil nanoseconds."""
        return tuple(civil_ns(datetime.combine(d, time())) for d in self.default_dates)


class Patterns(Settings, frozen=True, kw_only=True):
    """What an annotation tells of a stop. It counts for the first kind that matches."""

    power_low: Annotated[_Patterns, "Annotations that power was low or lost."]
    supply_unplugged: Annotated[_Patterns, "Annotations that the external supply was unplugged."]
    power_change: Annotated[_Patterns, "Annotations that batteries or supply were changed."]
    patient: Annotated[
        _Patterns, "Annotations that the patient or a caregiver stopped or paused it."
    ]
    technologist: Annotated[
        _Patterns, "Annotations that a technologist stopped it or took it down."
    ]
    person: Annotated[_Patterns, "Annotations that somebody stopped or paused it."]
    orderly_end: Annotated[_Patterns, "Annotations that the recording was ended in order."]
    restart: Annotated[_Patterns, "Annotations that the recording began or went on."]
    card_full: Annotated[_Patterns, "Annotations that there was no room left."]
    electrode: Annotated[_Patterns, "Annotations that electrodes came off."]
    clock: Annotated[_Patterns, "Annotations that the clock was changed."]
    fault: Annotated[_Patterns, "Annotations of a fault of the recorder or card."]


class StopSettings(Section, frozen=True, kw_only=True):
    """``[stop]``: what annotations tell of a stop or gap, and how near they must lie."""

    annotation_ns: Annotated[
        _Span, "How near to a stop or gap an annotation must lie to tell of it."
    ]
    power_warning_ns: Annotated[
        _Span, "How long before a stop or gap a warning of low power still tells of it."
    ]
    patterns: Patterns


_Power = Annotated[Hours, Meta(gt=0, le=10_000 * HOUR)]


class ByMode(Settings, frozen=True, kw_only=True):
    """The share of the hours that each way to record leaves."""

    card_ppm: Annotated[_Part | None, "Share of the hours left when recording to the card."] = (
        field(default=None, name="card")
    )
    both_ppm: Annotated[
        _Part | None, "Share of the hours left when recording to card and computer at once."
    ] = field(default=None, name="card+computer")

    def of(self, mode: PowerMode) -> int | None:
        """The share of ``mode`` in parts per million, where it was entered."""
        return self.card_ppm if mode == "card" else self.both_ppm


class PowerSettings(Section, frozen=True, kw_only=True):
    """``[power]``: the lab's own figures; an order's take their place."""

    battery_ns: Annotated[_Power | None, "What one full battery runs the recorder."] = field(
        default=None, name="hours_per_battery"
    )
    external_ns: Annotated[
        _Power | None, "What the lab's external supply feeds; used to say what would last."
    ] = field(default=None, name="external_hours")
    mode_shares: ByMode = field(default=ByMode(), name="mode_share")
    reserve_ppm: Annotated[Share | None, "Share of the ordered time that must be left over."] = None


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
    check_patterns: Annotated[_Patterns, "Annotations that match count as checks."] = ()
    log_dates: LogDates = "ask"


class VideoMinimum(Sourced, frozen=True, kw_only=True):
    """The share of recorded EEG time that video must cover; exactly this share is enough."""

    ppm: Share = field(name="share")


class VideoSettings(Section, frozen=True, kw_only=True):
    """``[video]``: the share of recorded time that video must cover."""

    minimum: Annotated[VideoMinimum, "Share of recorded time that codes with video need."]
    patterns: Annotated[_Patterns, "In a BIDS events file, the kinds of event that are video."] = ()
    log_dates: LogDates = "ask"


class DeskSettings(Section, frozen=True, kw_only=True):
    """``[desk]``: when a study that arrived in a watched folder is audited by itself."""

    quiet_ns: Annotated[
        _Time, "A study is audited by itself when its files have not changed for this long."
    ]
