"""Parts of an ``Audit`` built without files, for ``helpers_audit``. All data are invented."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
from msgspec.structs import replace

from auditor.core.clock import Axis, civil_ns
from auditor.core.intervals import intersection
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.coverage.timeline import clock_hours, measure_coverage, nights, recorded_within
from auditor.model import (
    BadStretch,
    Billing,
    Cause,
    CauseCode,
    Channel,
    ChannelFacts,
    Coverage,
    DayCode,
    Finding,
    HeaderClaim,
    HourFacts,
    Int64,
    Interpretation,
    Interval,
    Lapse,
    Minimum,
    Monitoring,
    MonitoringCheck,
    NightFacts,
    PatientField,
    Period,
    PowerPlan,
    Professional,
    Recording,
    RecordingField,
    RuleLine,
    Setup,
    SignalFacts,
    StudyFile,
    Technical,
    TimeMap,
    Track,
    Unit,
)

ZONE = Axis("America/Denver")
HOOKUP = ZONE.instant(civil_ns(datetime(2027, 3, 2, 9, 30)))
ELECTRODES = (
    "Fp1", "Fp2", "F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2",
    "F7", "F8", "T3", "T4", "T5", "T6", "Fz", "Cz", "Pz",
)  # fmt: skip
Pairs = Sequence[tuple[int, int]]


def recording(
    name: str, start: int, *, minutes: int, patient: str = "P-2041 X X X", axis: Axis = ZONE
) -> Recording:
    """A readable file of one-minute records from ``start`` (axis instant)."""
    claim = HeaderClaim(
        patient=patient,
        recording="Startdate 02-MAR-2027 X X N-3",
        start_date="02.03.27",
        start_time="09.30.00",
        header_bytes=5376,
        reserved="EDF+D",
        record_count=minutes,
        record_duration="60",
        signals=20,
        patient_field=PatientField(code=patient.split(maxsplit=1)[0]),
        recording_field=RecordingField(start_date="02-MAR-2027", equipment="N-3"),
    )
    channels = tuple(
        Channel(i, e, "", "uV", -3200.0, 3200.0, -32768, 32767, "", 15360, i * 30720, False, e)
        for i, e in enumerate(ELECTRODES)
    )
    return Recording(
        name=name,
        path=Path("study") / name,
        size_bytes=5376 + minutes * 583_680,
        format="EDF+D",
        header=claim,
        start_civil_ns=axis.civil(start),
        record_ns=MINUTE,
        offsets_ns=np.arange(minutes, dtype=np.int64) * MINUTE,
        data_offset=5376,
        record_bytes=583_680,
        sample_bytes=2,
        closed=True,
        channels=channels,
        annotations=(),
        annotations_total=3,
        sha256="3f" * 32,
    )


def study_file(
    name: str, runs: Pairs, *, copy: str | None = "A", role: str = "counted", reason: str = ""
) -> StudyFile:
    """A file whose records lie in ``runs`` (axis instants)."""
    length = sum(e - s for s, e in runs)
    return StudyFile(
        recording=recording(name, runs[0][0], minutes=max(1, length // MINUTE)),
        role=role,  # type: ignore[arg-type]
        reason=reason,
        copy=copy,
        map=TimeMap(runs[0][0]),
        run_starts=np.array([s for s, _ in runs], dtype=np.int64),
        run_ends=np.array([e for _, e in runs], dtype=np.int64),
        records_ns=length,
    )


def gap_causes_of(coverage: Coverage, causes: Sequence[CauseCode]) -> tuple[Cause, ...]:
    """A witness for each of ``causes``, from the first gap on; the rest is not known."""
    said = ("An annotation two seconds before says that power was low.",)
    known = [Cause(c, "witness", said) for c in causes[: len(coverage.gaps)]]
    return (*known, *[Cause()] * (len(coverage.gaps) - len(known)))


def coverage_of(copies: dict[str, Pairs]) -> Coverage:
    """The coverage of the copies' stretches."""
    tracks = [
        Track(name, _array(p[0] for p in runs), _array(p[1] for p in runs), _sum(runs))
        for name, runs in copies.items()
    ]
    return measure_coverage(tracks, NS)


def _array(values: Iterable[int]) -> Int64:
    return np.array(list(values), dtype=np.int64)


def _sum(runs: Pairs) -> int:
    return sum(end - start for start, end in runs)


def usable_of(coverage: Coverage) -> tuple[Int64, Int64]:
    """Everything recorded but the last quarter of each hour after the second day."""
    begun, end = coverage.first_start, coverage.last_end
    late = np.arange(begun + 2 * DAY, max(end, begun + 2 * DAY), HOUR, dtype=np.int64)
    starts = np.append([begun], late)
    ends = np.append([min(end, begun + 2 * DAY)], np.minimum(late + 45 * MINUTE, end))
    return intersection((starts, ends), (coverage.union_starts, coverage.union_ends))


def hours_of(
    coverage: Coverage, axis: Axis, usable: tuple[Int64, Int64] | None
) -> tuple[HourFacts, ...]:
    """Clock hours; a tenth of the usable time is not clean."""
    return tuple(
        replace(h, clean_ns=None if h.usable_ns is None else h.usable_ns * 9 // 10)
        for h in clock_hours(coverage, axis, usable)
    )


def nights_of(
    coverage: Coverage, axis: Axis, usable: tuple[Int64, Int64] | None
) -> tuple[NightFacts, ...]:
    """Nights from 22:00 to 06:00 civil time."""
    found = nights(coverage, axis, usable, 22 * 3600, 6 * 3600)
    return tuple(
        replace(n, clean_ns=None if n.usable_ns is None else n.usable_ns * 9 // 10) for n in found
    )


def signal_of(
    coverage: Coverage, hours: Sequence[HourFacts], usable: tuple[Int64, Int64]
) -> SignalFacts:
    """All channels with signal but T4, off after 30 hours, and O2, saturated in parts."""
    lost_at = coverage.first_start + 30 * HOUR + 12 * MINUTE
    channels = []
    for label in (*ELECTRODES, "ECG"):
        hourly = []
        for hour in hours:
            flat = saturated = hum = 0
            if label == "T4" and hour.end > lost_at:
                flat = recorded_within(coverage, Interval(max(hour.start, lost_at), hour.end))
            if label == "O2" and (hour.start // HOUR) % 5 == 0:
                saturated = hour.recorded_ns // 3
            if label == "Fz":
                hum = hour.recorded_ns // 10
            live = hour.recorded_ns - flat - saturated
            hourly.append((live, flat, saturated, hum, 0))
        sums = [sum(column) for column in zip(*hourly, strict=True)] if hourly else [0] * 5
        channels.append(
            ChannelFacts(
                label=f"EEG {label}" if label != "ECG" else "ECG",
                electrode={"ECG": None, "T4": "T8"}.get(label, label),
                signal_ns=sums[0],
                flat_ns=sums[1],
                saturated_ns=sums[2],
                mains_ns=sums[3],
                large_ns=sums[4],
                recorded_ns=coverage.recorded_ns,
                lost_at=lost_at if label == "T4" and lost_at < coverage.last_end else None,
                hourly=tuple(hourly),
            )
        )
    usable_ns = int((usable[1] - usable[0]).sum())
    return SignalFacts(
        scanned=True,
        needed_channels=15,
        usable_ns=usable_ns,
        clean_ns=usable_ns * 9 // 10,
        montage_channels=19,
        channels=tuple(channels),
        usable=usable,
        clean=(usable[0], usable[0] + (usable[1] - usable[0]) * 9 // 10),
        longest_usable_run=Interval(coverage.segments[0].start, coverage.segments[0].end),
        bad_stretches=(
            BadStretch(lost_at, lost_at + HOUR, "flat", ("EEG T4",)),
            BadStretch(lost_at + 2 * HOUR, lost_at + 3 * HOUR, "saturated", ("EEG O2",)),
        ),
    )


def technical(recorded: int) -> Technical:
    """A plausible technical reading of one period, for display only."""
    if recorded >= 12 * HOUR:
        return Technical((Unit("95708", 1, "12-26 h"),), None, recorded - 12 * HOUR)
    if recorded >= 2 * HOUR:
        return Technical((Unit("95705", 1, "2-12 h"),), 12 * HOUR - recorded, recorded - 2 * HOUR)
    return Technical((), 2 * HOUR - recorded, recorded)


def billing_of(coverage: Coverage) -> Billing:
    """A billing value with an alternative, margins and the usable column."""
    periods, start, index = [], coverage.first_start, 1
    while start < coverage.last_end and index <= 100:  # as many as the page shows
        end = min(start + DAY, coverage.last_end)
        recorded = recorded_within(coverage, Interval(start, end))
        periods.append(
            Period(
                index,
                start,
                end,
                recorded,
                technical(recorded),
                (),
                recorded * 9 // 10,
            )
        )
        start, index = end, index + 1
    professional = Professional(
        tuple(DayCode("95719", ">12-26 h") for _ in periods),
        DayCode("95723", ">60-84 h"),
        84 * HOUR - coverage.recorded_ns if coverage.recorded_ns < 84 * HOUR else None,
        max(0, coverage.recorded_ns - 60 * HOUR),
    )
    totals = (Unit("95705", 1, "2-12 h"), Unit("95708", 2, "12-26 h"))
    return Billing(
        basis="The recorded time of the whole study, split into increments of 24 hours.",
        periods=tuple(periods),
        technical_totals=totals,
        total=Technical(totals, 2 * HOUR + 11 * MINUTE, 9 * HOUR + 49 * MINUTE),
        professional=professional,
        interpretations=(
            Interpretation(
                "each 24-hour window is banded by itself",
                (Unit("95708", 3, "12-26 h"),),
                replace(professional, whole_study=DayCode("95723", ">60-84 h")),
                0,
                "inferred, no source",
            ),
        ),
        setup=Setup("95700", True, "19 EEG channels carried signal; at least 8 are needed."),
        shorter=None,
        cautions=("The files show thresholds met. They do not show that a service was given.",),
        minimum=Minimum(
            ">60-84 h",
            ">60-84 h",
            met=True,
            short_ns=0,
            above_ns=2 * HOUR,
            text="2:13:10 above the 60:00:00 limit (two days and 12 h)",
        ),
        usable_totals=(Unit("95708", 2, "12-26 h"),),
        usable_professional=replace(professional, whole_study=DayCode("95721", ">36-60 h")),
    )


def monitoring_of(coverage: Coverage) -> Monitoring:
    """Checks every 100 minutes with one lapse on the second day."""
    lapse = Interval(coverage.first_start + 26 * HOUR, coverage.first_start + 29 * HOUR)
    times = range(coverage.first_start + HOUR, coverage.last_end, 100 * MINUTE)
    return Monitoring(
        ordered="intermittent",
        checks=tuple(
            MonitoringCheck(t, "RT-4", "all channels seen", "checks.csv")
            for t in times
            if not lapse.start < t < lapse.end
        ),
        longest_interval_ns=3 * HOUR,
        supported="unmonitored",
        lapses=(Lapse(lapse.start, lapse.end, (2,), 3 * HOUR, 2 * HOUR),),
    )


def power_of(ordered: int) -> PowerPlan:
    """Two batteries of 36 hours each, with no reserve on a 72-hour order."""
    return PowerPlan(
        lasts_ns=72 * HOUR,
        ordered_ns=ordered,
        reserve_ns=0,
        enough=ordered <= 72 * HOUR,
        advice=("Charge both batteries fully before hook-up.",),
        comparison="The recording ended 7 h 48 min before this set-up should have run out.",
        would_last=("Two batteries and an external supply: 172 h.",),
        cautions=("Hours per battery are as entered, not measured.",),
    )


FINDINGS = (
    Finding(
        "stopped_early",  # type: ignore[arg-type]
        "problem",
        "end of the study",
        "The recording ended before the ordered time was over. The hours after the end are missing.",
        expected="the planned end on 5 March at 09:30:00",
        observed="the last record ends on 5 March at 01:42:10",
        action="Ask the patient what happened at that time, and look at the batteries.",
        question="order",
        headline="The recording ended before the ordered time was over",
    ),
    Finding(
        "monitoring_lapse",
        "caution",
        "checks.csv",
        "One interval between checks was 3:00:00.",
        action="Ask for the missing check.",
        question="billing",
        headline="1 of 38 intervals is 3:00:00, 1:00:00 over",
    ),
    Finding(
        "never_closed",
        "caution",
        "card/night-3.edf, header",
        "The file was never closed: its header gives no number of records. The recorded time is "
        "measured from the file's size and is not affected.",
        expected="a number of records",
        observed="-1",
        action="Keep the original file as it is.",
        file="card/night-3.edf",
    ),
    Finding(
        "no_video_stated",  # type: ignore[arg-type]
        "info",
        "order",
        "The order does not say whether video was wanted, so the codes without video are shown.",
        action="Add the key video to the order file.",
    ),
)
RULES = (
    RuleLine("Gap floor", "1 s", "this policy", "common practice, no source", "2026-11"),
    RuleLine("Technical unit, 12-26 h", "more than 12 h, up to 26 h", "S5, S6", "read", "2026-11"),
)
