"""What was ordered, how it was powered, and the logs kept beside the recording."""

from __future__ import annotations

from typing import Literal

from msgspec import Struct

from auditor.core.fields import Instant, Named, Ours, Person
from auditor.core.intervals import Interval
from auditor.core.units import DAY

MOST_ORDERED = 366 * DAY
"""No study is ordered for longer than a year."""

MonitoringLevel = Literal["unmonitored", "intermittent", "continuous"]
PowerMode = Literal["card", "card+computer"]


class PowerSetup(Struct, frozen=True):
    """The lab's own figures of the power set-up; ``None`` where nothing was entered.

    Times in nanoseconds. ``batteries`` are in the recorder at once, ``spare_batteries`` beside it
    to change to. ``external_ns`` is what an external supply feeds. ``mode_share_ppm`` is the share
    of all these hours that the mode leaves, in parts per million.
    """

    batteries: int | None = None
    battery_ns: int | None = None
    external_ns: int | None = None
    mode: PowerMode | None = None
    mode_share_ppm: int | None = None
    charges_ppm: tuple[int, ...] = ()
    """Charge that each battery showed at hook-up in parts per million; empty where not entered."""
    spare_batteries: int | None = None


class MonitoringCheck(Struct, frozen=True):
    """One documented check by a technologist. ``at`` lies on the study axis; texts untrusted."""

    at: Instant
    by: Person
    note: str
    source: str


LogKind = Literal["monitoring", "video"]


class LogRead(Struct, frozen=True):
    """What a log of checks or of video says. ``name`` and ``note`` hold untrusted text.

    Where it is not ``taken``, ``note`` says why and it says nothing of the recording. ``checks``
    (of a monitoring log) and ``intervals`` (of a video log) lie on the study axis, in time order.
    """

    kind: LogKind
    name: str
    sha256: Ours
    taken: bool
    note: str
    checks: tuple[MonitoringCheck, ...] = ()
    intervals: tuple[Interval, ...] = ()


class Corrections(Struct, frozen=True):
    """What a person set by hand about single files; each one is shown in the audit.

    Names are relative to the study's folder. ``clock_ns`` is added to a file's start stamp.
    """

    exclude: tuple[Named, ...] = ()
    include: tuple[Named, ...] = ()
    clock_ns: tuple[tuple[Named, int], ...] = ()
    by: Person = ""


class Order(Struct, frozen=True):
    """The order. ``hookup_civil_ns`` is civil time (as ``Recording.start_civil_ns``) or ``None``.

    ``video`` and ``monitoring`` are ``None`` where the order does not say. ``source`` is
    'order file', 'command line' or 'service request'. Log paths are absolute, unread.
    """

    ordered_ns: int
    source: Ours
    study_id: str | None = None
    patient_code: str | None = None
    hookup_civil_ns: Instant | None = None
    timezone: Ours | None = None
    video: bool | None = None
    monitoring: MonitoringLevel | None = None
    minimum_channels: int | None = None
    power: PowerSetup | None = None
    monitoring_log: str | None = None
    video_log: str | None = None
    service: str = ""
    """What service a hospital's request names; untrusted text, shown only."""
    still_recording: bool = False
    """The study goes on; this is what was uploaded so far."""
    reports: Literal["daily", "end"] | None = None
    """How the physician reports, where known."""
    corrections: Corrections = Corrections()
    sha256: Ours | None = None
    """Checksum of the order file, where there is one; ``name`` is the file's name."""
    name: str = ""
    path: str | None = None
    """Where the order file lies; never shown."""
