"""Complete ``Audit`` values without files, for tests of the rendering. All data are invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from datetime import datetime
from itertools import pairwise
from pathlib import Path

import numpy as np

from auditor.civil import Axis, civil_ns
from auditor.model import (
    Advice,
    Alternative,
    Audit,
    BadStretch,
    Billing,
    Channel,
    ChannelFacts,
    CopyCoverage,
    Coverage,
    DayCode,
    Decision,
    Finding,
    Gap,
    HeaderClaim,
    HourFacts,
    Interval,
    Lapse,
    Monitoring,
    MonitoringCheck,
    NightFacts,
    Order,
    PatientField,
    Period,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    PowerSetup,
    PowerStep,
    Professional,
    Reason,
    Recording,
    RecordingField,
    RuleLine,
    SecondReading,
    Segment,
    Setup,
    Shortfall,
    SignalFacts,
    Stop,
    Study,
    StudyCopy,
    StudyFile,
    Technical,
    TimeMap,
    Unit,
    UnreadableFile,
    Video,
)
from auditor.units import DAY, HOUR, MINUTE, NS

ZONE = Axis("America/Denver")
HOOKUP = ZONE.instant(civil_ns(datetime(2027, 3, 2, 9, 30)))
ELECTRODES = (
    "Fp1", "Fp2", "F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2",
    "F7", "F8", "T7", "T8", "P7", "P8", "Fz", "Cz", "Pz",
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


def joined(pairs: Pairs) -> list[tuple[int, int]]:
    """The union of ``pairs``, sorted and disjoint."""
    result: list[tuple[int, int]] = []
    for start, end in sorted(pairs):
        if result and start <= result[-1][1]:
            result[-1] = (result[-1][0], max(end, result[-1][1]))
        else:
            result.append((start, end))
    return result


def coverage_of(copies: dict[str, Pairs], causes: Sequence[str] = ()) -> Coverage:
    """The coverage of the copies' stretches; every hole is a gap, there are no seams."""
    union = joined([p for runs in copies.values() for p in runs])
    holes = [(a[1], b[0]) for a, b in pairwise(union)]
    gaps = tuple(
        Gap(
            s,
            e,
            causes[i] if i < len(causes) else "not_known",
            "moderate" if i < len(causes) else "none",
            ("An annotation two seconds before says that power was low.",)
            if i < len(causes)
            else (),
        )
        for i, (s, e) in enumerate(holes)
    )
    per_copy = []
    for name, runs in copies.items():
        own = joined(runs)
        own_gaps = [(a[1], b[0]) for a, b in pairwise(own)]
        others = joined([p for other, r in copies.items() if other != name for p in r])
        filled = [
            part
            for a, b in pairwise(others)
            for run in own
            if (part := (max(a[1], run[0]), min(b[0], run[1])))[0] < part[1]
        ]
        shared = sum(max(0, min(e, oe) - max(s, os)) for s, e in own for os, oe in others)
        length = sum(e - s for s, e in own)
        per_copy.append(
            CopyCoverage(
                name,
                own[0][0],
                own[-1][1],
                length,
                length - shared,
                tuple(Interval(*p) for p in own),
                tuple(Interval(*p) for p in own_gaps),
                tuple(Interval(*p) for p in filled),
            )
        )
    recorded = sum(e - s for s, e in union)
    return Coverage(
        first_start=union[0][0],
        last_end=union[-1][1],
        recorded_ns=recorded,
        longest_run_ns=max(e - s for s, e in union),
        overlap_ns=sum(e - s for runs in copies.values() for s, e in runs) - recorded,
        seams_count=0,
        seams_ns=0,
        gaps_ns=sum(e - s for s, e in holes),
        segments=tuple(
            Segment(
                s,
                e,
                e - s,
                tuple(n for n, r in copies.items() if any(a < e and b > s for a, b in r)),
            )
            for s, e in union
        ),
        gaps=gaps,
        copies=tuple(per_copy),
        union_starts=np.array([s for s, _ in union], dtype=np.int64),
        union_ends=np.array([e for _, e in union], dtype=np.int64),
    )


def within(coverage: Coverage, start: int, end: int) -> int:
    """Recorded nanoseconds inside ``[start, end)``."""
    low = np.maximum(coverage.union_starts, start)
    high = np.minimum(coverage.union_ends, end)
    return int(np.maximum(high - low, 0).sum())


def hours_of(coverage: Coverage, axis: Axis, *, scanned: bool = True) -> tuple[HourFacts, ...]:
    """Clock hours of the span; usable is recorded but for a share after the second day."""
    hours = []
    at = coverage.first_start
    while at < coverage.last_end:
        civil = axis.civil(at)
        end = min(at + HOUR - civil % HOUR, coverage.last_end)
        recorded = within(coverage, at, end)
        usable = recorded if at < coverage.first_start + 2 * DAY else recorded * 3 // 4
        hours.append(HourFacts(at, end, recorded, usable if scanned else None))
        at = end
    return tuple(hours)


def nights_of(coverage: Coverage, axis: Axis, *, scanned: bool = True) -> tuple[NightFacts, ...]:
    """Nights from 22:00 to 06:00 civil time, clipped to the span."""
    nights = []
    day = axis.civil(coverage.first_start) // DAY * DAY - DAY
    while axis.instant(day) < coverage.last_end:
        start = max(axis.instant(day + 22 * HOUR), coverage.first_start)
        end = min(axis.instant(day + 30 * HOUR), coverage.last_end)
        if start < end:
            recorded = within(coverage, start, end)
            nights.append(NightFacts(start, end, recorded, recorded if scanned else None))
        day += DAY
    return tuple(nights)


def shortfall_of(coverage: Coverage, start: int, ordered: int) -> Shortfall:
    """The ordered window's split for a coverage without seams."""
    end = start + ordered
    inside = within(coverage, start, end)
    late = max(0, min(coverage.first_start, end) - start)
    early = max(0, end - max(coverage.last_end, start))
    return Shortfall(
        window=Interval(start, end),
        ordered_ns=ordered,
        recorded_inside_ns=inside,
        late_start_ns=late,
        gaps_ns=ordered - inside - late - early,
        seams_ns=0,
        early_stop_ns=early,
        outside_window_ns=coverage.recorded_ns - inside,
        short_ns=max(0, ordered - coverage.recorded_ns),
    )


def signal_of(coverage: Coverage, hours: Sequence[HourFacts]) -> SignalFacts:
    """All channels live but T8, which is lost after 30 hours, and O2, railed in parts."""
    lost_at = coverage.first_start + 30 * HOUR + 12 * MINUTE
    channels = []
    for label in (*ELECTRODES, "ECG"):
        hourly = []
        for hour in hours:
            flat = railed = hum = 0
            if label == "T8" and hour.end > lost_at:
                flat = within(coverage, max(hour.start, lost_at), hour.end)
            if label == "O2" and (hour.start // HOUR) % 5 == 0:
                railed = hour.recorded_ns // 3
            if label == "Fz":
                hum = hour.recorded_ns // 10
            live = hour.recorded_ns - flat - railed
            hourly.append((live, flat, railed, hum, 0))
        sums = [sum(column) for column in zip(*hourly, strict=True)] if hourly else [0] * 5
        channels.append(
            ChannelFacts(
                label=f"EEG {label}" if label != "ECG" else "ECG",
                electrode=label if label != "ECG" else None,
                live_ns=sums[0],
                flat_ns=sums[1],
                railed_ns=sums[2],
                hum_ns=sums[3],
                large_ns=sums[4],
                recorded_ns=coverage.recorded_ns,
                lost_at=lost_at if label == "T8" and lost_at < coverage.last_end else None,
                hourly=tuple(hourly),
            )
        )
    usable = sum(h.usable_ns or 0 for h in hours)
    return SignalFacts(
        scanned=True,
        minimum_channels=8,
        usable_ns=usable,
        channels=tuple(channels),
        usable_starts=coverage.union_starts,
        usable_ends=coverage.union_ends,
        longest_usable_run=Interval(coverage.segments[0].start, coverage.segments[0].end),
        bad_stretches=(
            BadStretch(lost_at, lost_at + HOUR, "flat", ("EEG T8",)),
            BadStretch(lost_at + 2 * HOUR, lost_at + 3 * HOUR, "railed", ("EEG O2",)),
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
    while start < coverage.last_end:
        end = min(start + DAY, coverage.last_end)
        recorded = within(coverage, start, end)
        periods.append(
            Period(
                index,
                start,
                end,
                recorded,
                technical(recorded),
                (),
                recorded * 9 // 10,
                technical(recorded * 9 // 10),
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
        alternatives=(
            Alternative(
                "each 24-hour window is banded by itself",
                (Unit("95708", 3, "12-26 h"),),
                replace(professional, whole_study=DayCode("95723", ">60-84 h")),
                "inferred, no source",
            ),
        ),
        setup=Setup("95700", True, "19 EEG channels carried signal; at least 8 are needed."),
        shorter=None,
        cautions=("The files show thresholds met. They do not show that a service was given.",),
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
        lapses=(Lapse(lapse.start, lapse.end, (2,), "Period 2 is supported as unmonitored."),),
        note="Read from checks.csv.",
    )


def power_of(ordered: int) -> PowerPlan:
    """Two packs of 36 hours each, with no reserve on a 72-hour order."""
    return PowerPlan(
        lasts_ns=72 * HOUR,
        ordered_ns=ordered,
        reserve_ns=0,
        enough=ordered <= 72 * HOUR,
        steps=(PowerStep("pack 1", 0, 36 * HOUR), PowerStep("pack 2", 36 * HOUR, 72 * HOUR)),
        advice=("Charge both packs fully before hook-up.",),
        comparison="The recording ended 7 h 48 min before this set-up should have run out.",
        would_last=("Two packs and an external supply: 172 h.",),
        cautions=("Hours per pack are a default, not measured on these packs.",),
    )


FINDINGS = (
    Finding(
        "stopped_early",
        "problem",
        "end of the study",
        "The recording ended before the ordered time was over. The hours after the end are missing.",
        expected="the planned end on 5 March at 09:30:00",
        observed="the last record ends on 5 March at 01:42:10",
        action="Ask the patient what happened at that time, and look at the packs.",
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
        "no_video_stated",
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


def build(
    copies: dict[str, Pairs],
    *,
    ordered: int | None = 72 * HOUR,
    outcome: str = "review",
    scanned: bool = True,
    axis: Axis = ZONE,
    causes: Sequence[str] = ("pack_changed",),
) -> Audit:
    """An audit of the copies' stretches (axis instants); figures follow from the stretches."""
    coverage = coverage_of(copies, causes)
    hours = hours_of(coverage, axis, scanned=scanned)
    shortfall = None if ordered is None else shortfall_of(coverage, HOOKUP, ordered)
    files = tuple(
        study_file(f"{name.lower()}/part-{i}.edf", [run], copy=name)
        for name, runs in copies.items()
        for i, run in enumerate(runs, 1)
    )[:2000]
    aside = study_file(
        "old/P-1990.edf",
        [(HOOKUP - 40 * DAY, HOOKUP - 39 * DAY)],
        copy=None,
        role="set_aside",
        reason="The header names patient P-1990; the order names P-2041.",
    )
    broken = UnreadableFile(
        "card/notes.edf",
        Path("study/card/notes.edf"),
        1200,
        "The file is shorter than a recording's header.",
        Finding("too_short", "problem", "card/notes.edf", "The file is too short.", action="Look."),
        "ab" * 32,
    )
    order = None
    if ordered is not None:
        order = Order(
            ordered_ns=ordered,
            source="order file",
            study_id="S-2041",
            patient_code="P-2041",
            hookup_civil_ns=axis.civil(HOOKUP),
            timezone=axis.zone,
            video=True,
            monitoring="intermittent",
            minimum_channels=8,
            power=PowerSetup(2, 36 * HOUR, 0, "card", 1_000_000),
        )
    short = shortfall is not None and shortfall.early_stop_ns > 0
    return Audit(
        version="0.1.0",
        generated_utc="2027-03-06T08:00:00Z",
        policy=PolicyUsed("us-long-term-eeg", "c0" * 32, "2026-11", "Code numbers are owned."),
        rules=RULES,
        study=Study(
            name="S-2041",
            root=Path("study"),
            axis=axis,
            files=(*files, aside),
            unreadable=(broken,),
            copies=tuple(
                StudyCopy(
                    name,
                    name.lower(),
                    name == "A",
                    tuple(f.recording.name for f in files if f.copy == name),
                    0 if name == "A" else 3 * NS // 4,
                    0 if name == "A" else 11_500,
                    "" if name == "A" else "the same samples in both",
                    "" if name == "A" else "high",
                )
                for name in copies
            ),
            other_files=("readme.txt", "checks.csv"),
        ),
        study_id="S-2041",
        patient_code="P-2041",
        recorder="N-3",
        order=order,
        hookup=None if order is None else HOOKUP,
        planned_end=None if ordered is None else HOOKUP + ordered,
        coverage=coverage,
        hours=hours,
        nights=nights_of(coverage, axis, scanned=scanned),
        shortfall=shortfall,
        stop=Stop(
            "early" if short else ("unknown" if order is None else "as_ordered"),
            "power_exhausted" if short else "not_known",
            "moderate" if short else "none",
            ("The packs were planned to last 72 h.", "The last file was never closed.")
            if short
            else (),
            ("No low-power annotation was found.",) if short else (),
        ),
        signal=signal_of(coverage, hours) if scanned else SignalFacts(False, 8),
        billing=billing_of(coverage),
        monitoring=monitoring_of(coverage),
        video=Video(
            coverage.recorded_ns * 9 // 10,
            900_000,
            True,
            800_000,
            (Interval(coverage.first_start, coverage.last_end),),
            "Read from video.csv.",
        ),
        power=None if ordered is None else power_of(ordered),
        next_hookup=(
            Advice("Plan an external supply for 72 hours or more.", "The packs ended early."),
            Advice("Clear the card before hook-up.", "One file of another patient was on it."),
        ),
        decision=Decision(
            outcome,  # type: ignore[arg-type]
            {
                "complete": "The ordered time was recorded.",
                "review": "The ordered time was not fully recorded: a person must look.",
                "repeat": "Too little was recorded for the order: plan a repeat.",
            }[outcome],
            (
                Reason("recorded_short", "Less was recorded than was ordered."),
                Reason("stopped_early", "The recording stopped early, likely for want of power."),
            )
            if outcome != "complete"
            else (Reason("order_met", "The recorded time reaches the ordered time."),),
            None if shortfall is None else shortfall.short_ns,
        ),
        second_readers=(
            SecondReading(
                files[0].recording.name, "mne", "1.13.2", files[0].records_ns, True, "", None, 10
            ),
            SecondReading(files[0].recording.name, "pyedflib", "0.1.42", None, None, "refused it"),
        ),
        annotations=(
            PlacedAnnotation(coverage.first_start + HOUR, None, "lights off", "a/part-1.edf", True),
            PlacedAnnotation(
                coverage.first_start + 30 * HOUR, 90 * NS, "patient event", "a/part-1.edf", False
            ),
        ),
        findings=FINDINGS,
        cautions=("This audit reads files only. It replaces no clinical judgement.",),
        person_decisions=(
            PersonDecision("review", "RT-4", "Called the patient.", "2027-03-06T09:00:00Z"),
        ),
    )


def normal() -> Audit:
    """72 hours ordered, two gaps, stopped early in the third night."""
    start = HOOKUP + 2 * MINUTE
    return build(
        {
            "A": [
                (start, start + 20 * HOUR),
                (start + 20 * HOUR + 17 * MINUTE, start + 41 * HOUR),
                (start + 42 * HOUR + 30 * MINUTE, start + 64 * HOUR + 10 * NS + 1),
            ]
        }
    )


def complete() -> Audit:
    """All 72 ordered hours in one stretch."""
    audit = build({"A": [(HOOKUP, HOOKUP + 72 * HOUR)]}, outcome="complete")
    return replace(
        audit,
        study=replace(audit.study, unreadable=(), files=audit.study.counted, other_files=()),
        findings=FINDINGS[2:],
        person_decisions=(),
        next_hookup=(),
    )


def no_order() -> Audit:
    """The same recording as ``normal``, with no order and no time zone."""
    start = civil_ns(datetime(2027, 3, 2, 9, 30))
    audit = build(
        {"A": [(start, start + 20 * HOUR), (start + 21 * HOUR, start + 50 * HOUR)]},
        ordered=None,
        axis=Axis(None),
    )
    return replace(audit, monitoring=None, video=None, billing=None, patient_code=None)


def signal_off() -> Audit:
    """``normal`` without the signal scan."""
    return build({"A": [(HOOKUP, HOOKUP + 60 * HOUR)]}, scanned=False, outcome="repeat")


def two_copies() -> Audit:
    """Two copies that fill each other's gaps."""
    return build(
        {
            "A": [(HOOKUP, HOOKUP + 20 * HOUR), (HOOKUP + 23 * HOUR, HOOKUP + 72 * HOUR)],
            "B": [(HOOKUP + HOUR, HOOKUP + 40 * HOUR), (HOOKUP + 44 * HOUR, HOOKUP + 71 * HOUR)],
        },
        outcome="complete",
    )


def many_gaps(days: int = 14, gaps: int = 5000, annotations: int = 20_000) -> Audit:
    """A long study in ``gaps + 1`` stretches with many annotations."""
    step = days * DAY // (gaps + 1)
    runs = [
        (HOOKUP + i * step, HOOKUP + (i + 1) * step - (2 + i % 90) * NS) for i in range(gaps + 1)
    ]
    audit = build({"A": runs}, ordered=days * DAY)
    every = days * DAY // annotations
    return replace(
        audit,
        annotations=tuple(
            PlacedAnnotation(HOOKUP + i * every, None, f"event {i}", "a/part-1.edf", True)
            for i in range(annotations)
        ),
    )


HOSTILE = (
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "\"'><svg onload=alert(1)>",
    "{{ 7*7 }}{% raw %}",
    "javascript:alert(1)",
    "evil\u202egnp.exe",
    "nul\x00bell\x07esc\x1b[31m",
    "lone\udc80surrogate",
    "</style></script><b>bold</b>",
    "x" * 5000,
)
"""Texts that a hostile header, annotation or file name may hold."""


def hostile() -> Audit:
    """``normal`` with hostile texts wherever the model calls a text untrusted."""
    audit, bad = normal(), " ".join(HOSTILE)
    assert audit.monitoring is not None
    assert audit.order is not None
    first = audit.study.files[0]
    evil_file = replace(
        first, recording=replace(first.recording, name=bad, channels=()), reason=bad
    )
    aside = replace(audit.study.files[-1], reason=bad)
    aside = replace(aside, recording=replace(aside.recording, name=HOSTILE[0]))
    return replace(
        audit,
        study_id=bad,
        patient_code=bad,
        recorder=bad,
        order=replace(audit.order, study_id=bad, patient_code=bad),
        study=replace(
            audit.study,
            name=bad,
            files=(evil_file, *audit.study.files[1:-1], aside),
            unreadable=(replace(audit.study.unreadable[0], name=bad, reason=bad),),
            copies=tuple(replace(c, folder=bad) for c in audit.study.copies),
            other_files=HOSTILE,
        ),
        signal=replace(
            audit.signal,
            channels=tuple(replace(c, label=bad) for c in audit.signal.channels),
            bad_stretches=(BadStretch(HOOKUP, HOOKUP + HOUR, "flat", HOSTILE),),
        ),
        monitoring=replace(
            audit.monitoring,
            checks=tuple(MonitoringCheck(c.at, bad, bad, bad) for c in audit.monitoring.checks[:5]),
        ),
        annotations=tuple(
            PlacedAnnotation(HOOKUP + i * HOUR, None, text, bad, True)
            for i, text in enumerate(HOSTILE)
        ),
        findings=tuple(
            Finding("odd_text", "caution", bad, bad, bad, bad, bad, bad) for _ in range(3)
        ),
        person_decisions=(PersonDecision(bad, bad, bad, "2027-03-06T09:00:00Z"),),
    )


def everything() -> Audit:
    """Two copies with gaps left, hostile names, all sections, and many findings at once."""
    bad = hostile()
    audit = build(
        {
            "A": [(HOOKUP, HOOKUP + 20 * HOUR), (HOOKUP + 23 * HOUR, HOOKUP + 60 * HOUR)],
            "B": [(HOOKUP + HOUR, HOOKUP + 19 * HOUR), (HOOKUP + 22 * HOUR, HOOKUP + 59 * HOUR)],
        },
        outcome="repeat",
    )
    return replace(
        audit,
        findings=(*FINDINGS * 30, *bad.findings),
        annotations=bad.annotations,
        decision=replace(
            audit.decision,
            reasons=tuple(
                Reason(f"reason_{i}", f"Reason number {i} of a study with many faults.")
                for i in range(12)
            ),
        ),
        redacted=True,
    )


SCENARIOS: dict[str, Callable[[], Audit]] = {
    "normal": normal,
    "complete": complete,
    "no_order": no_order,
    "signal_off": signal_off,
    "two_copies": two_copies,
    "many_gaps": many_gaps,
    "hostile": hostile,
    "everything": everything,
}
