"""Complete ``Audit`` values without files, for tests of the rendering. All data are invented."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from datetime import datetime
from functools import cache
from pathlib import Path

from helpers_audit_parts import (
    FINDINGS,
    HOOKUP,
    RULES,
    ZONE,
    Pairs,
    billing_of,
    coverage_of,
    gap_causes_of,
    hours_of,
    monitoring_of,
    nights_of,
    power_of,
    signal_of,
    study_file,
    usable_of,
)
from msgspec.structs import replace

from auditor.core.clock import Axis, civil_ns
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.coverage.timeline import measure_shortfall
from auditor.model import (
    Advice,
    Answer,
    AnswerState,
    Audit,
    BadStretch,
    Cause,
    CauseCode,
    Decision,
    Finding,
    InputUsed,
    Interval,
    MonitoringCheck,
    Order,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerSetup,
    Reason,
    SecondReading,
    SignalFacts,
    Stop,
    Study,
    StudyCopy,
    UnreadableFile,
    Video,
)


def build(
    copies: dict[str, Pairs],
    *,
    ordered: int | None = 72 * HOUR,
    outcome: str = "review",
    scanned: bool = True,
    axis: Axis = ZONE,
    causes: Sequence[CauseCode] = ("power_change",),
) -> Audit:
    """An audit of the copies' stretches (axis instants); figures follow from the stretches."""
    coverage = coverage_of(copies)
    usable = usable_of(coverage) if scanned else None
    hours = hours_of(coverage, axis, usable)
    shortfall = None
    if ordered is not None:
        shortfall = measure_shortfall(coverage, Interval(HOOKUP, HOOKUP + ordered))
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
            power=PowerSetup(2, 36 * HOUR, None, "card", 1_000_000),
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
        nights=nights_of(coverage, axis, usable),
        shortfall=shortfall,
        stop=Stop(
            "early" if short else ("unknown" if order is None else "as_ordered"),
            Cause(
                "recorder_interrupted",
                "pattern",
                ("The last file was never closed.",),
                ("Nobody noted a stop.",),
                ("Would fit power exhausted: the batteries were planned to last 72 h.",),
            )
            if short
            else Cause(),
        ),
        gap_causes=gap_causes_of(coverage, causes),
        signal=SignalFacts(False, 15) if usable is None else signal_of(coverage, hours, usable),
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
            Advice("Plan an external supply for 72 hours or more.", "The batteries ended early."),
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
            answers_of(outcome),
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
        inputs=(InputUsed("order", "order.toml", "0d" * 32),),
        logs={},
        cautions=("This audit reads files only. It replaces no clinical judgement.",),
        person_decisions=(
            PersonDecision("extend", "RT-4", "Called the patient.", "2027-03-06T09:00:00Z"),
        ),
    )


def answers_of(outcome: str) -> tuple[Answer, ...]:
    """The four answers of an outcome, with one sentence each."""
    look: AnswerState = "yes" if outcome == "complete" else "look"
    return (
        Answer("order", "no" if outcome == "repeat" else look, "62:13:10 of 72:00:00 recorded."),
        Answer("readable", "yes", "61:00:00 clean of 72:00:00 ordered."),
        Answer("billing", look, "1 of 38 intervals is 3:00:00, 1:00:00 over."),
        Answer("files", "yes", "3 files counted."),
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
        findings=FINDINGS[3:],
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


_MADE = (normal, complete, no_order, signal_off, two_copies, many_gaps, hostile, everything)
SCENARIOS: dict[str, Callable[[], Audit]] = {make.__name__: cache(make) for make in _MADE}
"""Each audit is made once: values do not change."""
