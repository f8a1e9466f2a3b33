"""Which thresholds the recorded time meets. Never a claim."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from auditor.core.intervals import Interval
from auditor.model.order import LogRead, MonitoringCheck, MonitoringLevel


class Unit(Struct, frozen=True):
    """``count`` units of one code; ``band`` is the time band in words ('2-12 h')."""

    code: str
    count: int
    band: str


class Technical(Struct, frozen=True):
    """Units, and the margins both ways. ``to_next_ns`` is ``None`` where no higher limit is.

    ``exceed_next`` says that the next limit must be passed, not only reached. ``above_ns`` counts
    from the limit last met; 0 where none is met.
    """

    units: tuple[Unit, ...]
    to_next_ns: int | None
    above_ns: int
    exceed_next: bool = False


class Period(Struct, frozen=True):
    """One 24-hour period.

    ``dates`` are the first and last calendar date (ISO, the patient's local time) on which it holds
    recorded time; one where they are the same. ``monitoring`` is the level that order and log
    support in it, ``video`` whether video covers its share (``None`` without an ordered video and
    a log). ``usable_ns`` is ``None`` where the signal was not scanned.
    """

    index: int
    start: int
    end: int
    recorded_ns: int
    technical: Technical
    notes: tuple[str, ...] = ()
    usable_ns: int | None = None
    dates: tuple[str, ...] = ()
    monitoring: MonitoringLevel | None = None
    video: bool | None = None


class DayCode(Struct, frozen=True):
    """A professional code (``None`` where none applies) with its band in words.

    ``also`` holds further codes that the same report carries with ``code``; ``band`` names them.
    ``dates`` as those of the period that the report is on.
    """

    code: str | None
    band: str
    also: tuple[str, ...] = ()
    dates: tuple[str, ...] = ()


class Professional(Struct, frozen=True):
    """Both ways to report: each day, and once for the whole study."""

    each_day: tuple[DayCode, ...]
    whole_study: DayCode
    whole_to_next_ns: int | None = None
    whole_above_ns: int | None = None
    whole_exceed_next: bool = False


class Interpretation(Struct, frozen=True):
    """Another interpretation of the rules that changes a code.

    ``words`` end the sentence 'if …'. ``not_billable_ns`` is recorded time that no code covers in
    it. ``asked``: the policy asks for it; ``lowers``: it gives fewer or lower codes.
    """

    words: str
    technical_totals: tuple[Unit, ...]
    professional: Professional
    not_billable_ns: int = 0
    source: str = ""
    asked: bool = False
    lowers: bool = False


class Setup(Struct, frozen=True):
    """The set-up code, and whether the channel count supports it (``None``: not known)."""

    code: str
    supported: bool | None
    note: str


class Shorter(Struct, frozen=True):
    """Under the long-term minimum: the code that the whole minutes reach, or ``None``."""

    code: str | None
    band: str
    note: str


class Minimum(Struct, frozen=True):
    """Whether the recorded time reaches the band of the ordered time, and by how much.

    Bands in words, ``None`` where none is reached. ``short_ns`` is what is missing to the ordered
    band (0 where it is met), ``above_ns`` what was recorded beyond its lower limit. ``text`` is one
    plain sentence with the figure, such as '1:00 under the 2-hour minimum'.
    """

    ordered_band: str | None
    reached_band: str | None
    met: bool
    short_ns: int
    above_ns: int
    text: str


class Source(Struct, frozen=True):
    """A source of the rules. ``secondary``: a page that is no authority; it is never quoted."""

    key: str
    name: str
    secondary: bool


class Billing(Struct, frozen=True):
    """Thresholds met by the recorded time, with every other interpretation that changes a code.

    ``not_billable_ns`` is recorded time that no long-term code covers under the policy's own
    answers; under the 2-hour minimum that is all of it. ``dates`` are the study's first and last
    calendar date, ISO, in the patient's local time. ``minimum`` is ``None`` without an order.
    """

    basis: str
    periods: tuple[Period, ...]
    technical_totals: tuple[Unit, ...]
    total: Technical
    professional: Professional
    interpretations: tuple[Interpretation, ...]
    setup: Setup
    shorter: Shorter | None
    cautions: tuple[str, ...]
    usable_totals: tuple[Unit, ...] | None = None
    usable_professional: Professional | None = None
    minimum: Minimum | None = None
    not_billable_ns: int = 0
    dates: tuple[str, ...] = ()
    sources: tuple[Source, ...] = ()


End = Literal["", "first", "last"]
"""Which of the recording's ends, its start or its end, is one side of a time between checks."""


class Lapse(Interval, frozen=True):
    """More recorded time between documented checks than a level allows.

    ``periods`` are 1-based indices; ``recorded_ns`` is the wall time less gaps and dropouts.
    """

    periods: tuple[int, ...]
    recorded_ns: int
    allowed_ns: int
    at: End = ""


class Monitoring(Struct, frozen=True):
    """What the log supports.

    ``checks`` are those made while the recording ran; ``outside`` counts the others (before the
    first record, after the last, or in a gap), which show no review. ``supported`` is the level
    that holds throughout the study, ``None`` where nothing is documented; single periods may hold
    a higher one (``Period.monitoring``). ``longest_interval_ns`` is recorded time.
    """

    ordered: MonitoringLevel | None
    checks: tuple[MonitoringCheck, ...]
    longest_interval_ns: int | None
    supported: MonitoringLevel | None
    lapses: tuple[Lapse, ...]
    not_shown: tuple[tuple[MonitoringLevel, tuple[Lapse, ...]], ...] = ()
    """For each level that a log can show, where it does not; empty where nothing is logged."""
    outside: int = 0
    log: LogRead | None = None
    """The log that was given, taken or not; where it is not, another finding says why."""

    @property
    def log_taken(self) -> bool:
        """``False`` where there is a log that could not be taken as it is."""
        return self.log is None or self.log.taken

    @property
    def by(self) -> tuple[str, ...]:
        """Who made the checks, each name once, in order of time; untrusted."""
        return tuple(dict.fromkeys(check.by for check in self.checks if check.by))


class VideoPeriod(Struct, frozen=True):
    """Video over one period's recorded time, with what is left over joined to it."""

    index: int
    recorded_ns: int
    video_ns: int
    fraction_ppm: int
    meets: bool
    short_ns: int


class Video(Struct, frozen=True):
    """Video over recorded EEG time. ``fraction_ppm`` in parts per million, rounded down.

    ``recorded_ns`` is recorded time with video; ``short_ns`` what is missing to the share.
    """

    recorded_ns: int
    fraction_ppm: int
    meets: bool
    threshold_ppm: int
    stretches: tuple[Interval, ...]
    note: str = ""
    short_ns: int = 0
    periods: tuple[VideoPeriod, ...] = ()


DecisionOutcome = Literal["complete", "review", "repeat", "so_far"]
