"""Small studies as model values, with the cause of every stop and gap known by construction."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
from msgspec import Struct

from auditor.causes.evidence import Known
from auditor.causes.explain import explain
from auditor.causes.next_hookup import advise
from auditor.causes.power import plan_power
from auditor.core.clock import Axis, civil_ns
from auditor.core.units import HOUR, NS
from auditor.coverage.timeline import measure_coverage
from auditor.model import (
    Advice,
    Cause,
    ChannelFacts,
    Coverage,
    Finding,
    HeaderClaim,
    Order,
    PatientField,
    PlacedAnnotation,
    PowerPlan,
    PowerSetup,
    Recording,
    RecordingField,
    SignalFacts,
    Stop,
    Study,
    StudyCopy,
    StudyFile,
    TimeMap,
    Track,
    UnreadableFile,
)
from auditor.model.recording import Format
from auditor.model.study import Role
from auditor.policy import load_policy
from auditor.study.pieces import pieces_of

POLICY = load_policy()
BASE = civil_ns(datetime(2027, 3, 2, 9, 30))
"""The hook-up of every study here, as civil time; without a zone that is the instant too."""


def piece(
    name: str,
    *runs: tuple[float, float],
    closed: bool = True,
    claims: int = 0,
    size: int = 1_000_000,
    record_bytes: int = 1000,
    fmt: Format = "EDF+D",
    copy: str | None = "A",
    role: Role = "counted",
) -> StudyFile:
    """A file with records of 1 s in ``runs`` (hours after hook-up).

    ``claims`` is how many records more than it holds its header counts.
    """
    starts = np.array([BASE + round(a * HOUR) for a, _ in runs], np.int64)
    ends = np.array([BASE + round(b * HOUR) for _, b in runs], np.int64)
    length = int((ends - starts).sum())
    records = length // NS
    header = HeaderClaim(
        patient="P-2041 X X X",
        recording="Startdate 02-MAR-2027 X X N-3",
        start_date="02.03.27",
        start_time="09.30.00",
        header_bytes=512,
        reserved=fmt,
        record_count=records + claims if closed else -1,
        record_duration="1",
        signals=1,
        patient_field=PatientField(code="P-2041"),
        recording_field=RecordingField(equipment="N-3"),
    )
    recording = Recording(
        name=name,
        path=Path(name),
        size_bytes=size,
        format=fmt,
        header=header,
        start_civil_ns=int(starts.min()),
        record_ns=NS,
        offsets_ns=np.zeros(records, np.int64),
        data_offset=512,
        record_bytes=record_bytes,
        sample_bytes=2,
        closed=closed,
        channels=(),
        annotations=(),
        annotations_total=0,
    )
    return StudyFile(recording, role, "", copy, TimeMap(int(starts[0])), starts, ends, length)


def aside(name: str, start: float, end: float, *, size: int = 1_000_000) -> StudyFile:
    """A file that was set aside."""
    return piece(name, (start, end), copy=None, role="set_aside", size=size)


def unreadable(name: str) -> UnreadableFile:
    """A file that could not be read."""
    finding = Finding("unreadable_file", "problem", name, "The file is no recording.")
    return UnreadableFile(name, Path(name), 100, "It is no recording.", finding)


def note(at: float, text: str) -> PlacedAnnotation:
    """An annotation ``at`` hours after hook-up."""
    return PlacedAnnotation(BASE + round(at * HOUR), None, text, "a.edf", True)


def channel(electrode: str | None, *, lost_h: float | None = None, hours: float = 48,
            signal_h: float | None = None, mains_h: float = 0) -> ChannelFacts:  # fmt: skip
    """A channel recorded for ``hours``, lost for good at ``lost_h``."""
    recorded = round(hours * HOUR)
    live = hours if lost_h is None else lost_h
    live = live if signal_h is None else signal_h
    return ChannelFacts(
        label=f"EEG {electrode}" if electrode else "Button",
        electrode=electrode,
        signal_ns=round(live * HOUR),
        flat_ns=recorded - round(live * HOUR),
        saturated_ns=0,
        mains_ns=round(mains_h * HOUR),
        large_ns=0,
        recorded_ns=recorded,
        lost_at=None if lost_h is None else BASE + round(lost_h * HOUR),
        hourly=(),
    )


def scanned(*channels: ChannelFacts, below_h: float | None = None) -> SignalFacts:
    """A scanned signal whose channels fell below the minimum of 8 at ``below_h``."""
    below = None if below_h is None else BASE + round(below_h * HOUR)
    return SignalFacts(True, 8, channels=channels, below_minimum_from=below)


class Case(Struct, frozen=True):
    """A study with what is known of it. Hours count from hook-up."""

    files: Sequence[StudyFile]
    ordered_h: float | None = 72
    notes: Sequence[PlacedAnnotation] = ()
    power: PowerSetup | None = None
    signal: SignalFacts | None = None
    zone: str | None = None
    aside: Sequence[StudyFile] = ()
    unreadable: Sequence[UnreadableFile] = ()
    findings: Sequence[Finding] = ()
    copies: Sequence[StudyCopy] = ()
    still_recording: bool = False

    def study(self) -> Study:
        """The study value."""
        every = (*self.files, *self.aside)
        return Study(
            name="S-2041",
            root=Path("study"),
            axis=Axis(self.zone),
            files=every,
            unreadable=tuple(self.unreadable),
            copies=tuple(self.copies) or (StudyCopy("A", "", True, ()),),
            findings=tuple(self.findings),
            pieces=pieces_of(
                self.files,
                [f.recording.name for f in self.aside],
                [u.name for u in self.unreadable],
            ),
        )

    def coverage(self) -> Coverage:
        """Its coverage, no causes yet."""
        tracks = [Track(f.copy or "A", f.run_starts, f.run_ends, f.records_ns) for f in self.files]
        return measure_coverage(tracks, POLICY.coverage.gap_floor_ns)

    def order(self) -> Order | None:
        """The order, hooked up at hour 0."""
        if self.ordered_h is None:
            return None
        return Order(
            round(self.ordered_h * HOUR),
            "order file",
            hookup_civil_ns=Axis(self.zone).civil(BASE),
            power=self.power,
            still_recording=self.still_recording,
        )

    def plan(self) -> PowerPlan | None:
        """The power plan, where a set-up was entered."""
        order = self.order()
        if order is None or order.power is None:
            return None
        return plan_power(
            order.power, order.ordered_ns, POLICY.power, self.coverage().last_end - BASE
        )

    def explained(self) -> tuple[Stop, tuple[Cause, ...]]:
        """The stop, and the cause of each gap."""
        order = self.order()
        known = Known(
            self.study(),
            self.coverage(),
            self.notes,
            order,
            None if order is None else BASE + order.ordered_ns,
            self.plan(),
            POLICY.stop,
            POLICY.decision.stop_tolerance_ns,
            self.signal,
        )
        return explain(known)

    def gaps(self) -> tuple[Cause, ...]:
        """The causes of the gaps."""
        return self.explained()[1]

    def stop(self) -> Stop:
        """The stop with its cause."""
        return self.explained()[0]

    def advice(self) -> tuple[Advice, ...]:
        """What to change at the next hook-up."""
        order, coverage = self.order(), self.coverage()
        late = 0 if order is None else max(0, coverage.first_start - BASE)
        signal = self.signal or SignalFacts(scanned=False, needed_channels=8)
        return advise(
            self.study(), coverage, *self.explained(), self.plan(), signal, self.findings, late
        )


def batteries(count: int = 2, *, external_h: int = 0) -> PowerSetup:
    """Batteries of 36 h, recording to the card."""
    return PowerSetup(count, 36 * HOUR, external_h * HOUR, "card", 1_000_000)
