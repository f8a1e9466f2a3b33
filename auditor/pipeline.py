"""The one composition: from paths, order and policy to an ``Audit`` value."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np

from auditor.billing import billing_periods, measure_billing, setup_channels, sleep_seen
from auditor.billing.limits import changes_a_code
from auditor.billing.monitoring import measure_monitoring
from auditor.billing.video import measure_video
from auditor.causes.explain import explain
from auditor.causes.next_hookup import advise
from auditor.causes.power import plan_power
from auditor.core import __version__
from auditor.core.clock import Axis
from auditor.core.errors import BeyondLimit, NothingReadable
from auditor.core.intervals import union
from auditor.core.progress import Progress, Silent
from auditor.coverage.annotations import place_annotations
from auditor.coverage.shortfall import measure_shortfall
from auditor.coverage.timeline import clock_hours, measure_coverage, nights
from auditor.decision.outcome import decide
from auditor.decision.rules import rule_lines
from auditor.inputs.checksums import identified, read_study
from auditor.inputs.logs import Log, place_log, read_logs
from auditor.inputs.order import zone_doubts
from auditor.inputs.service_request import missing_facts
from auditor.model import (
    SEVERITIES,
    Audit,
    Billing,
    Coverage,
    Finding,
    InputUsed,
    Interval,
    LogKind,
    LogRead,
    Monitoring,
    Order,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    SecondReading,
    SignalFacts,
    Study,
    Track,
    Video,
)
from auditor.policy import Policy
from auditor.signal import StudyScan, study_findings
from auditor.study import Place, as_place, build_study
from auditor.study.second_readers import SecondReaders

MOST_GAPS = 500_000
"""Each gap costs memory and a row in every table; a study of weeks has hundreds."""

CAUTIONS = (
    "This audit is decision support. It states what the files hold; it does not judge whether the "
    "recording answers the clinical question.",
    "Whether a study is accepted, repeated or billed is decided by licensed people under local "
    "codes, the current code set and the payer's policy.",
    "Do not clear the recorder's card before the decision is made and the files are backed up.",
)


@dataclass(frozen=True, slots=True)
class Options:
    """How an audit is made.

    ``generated_utc`` is the time of making that the audit states; ``None`` takes it from the clock,
    or from SOURCE_DATE_EPOCH (seconds) where that is set, so that the same inputs give the same
    bytes. ``workers`` is the number of threads of the signal scan. A log that cannot be opened
    is an error, unless ``logs_must_open`` is false: then it is a finding.
    """

    timezone: str | None = None
    scan_signal: bool = True
    second_readers: bool = True
    checksums: bool = True
    workers: int = 2
    generated_utc: str | None = None
    logs_must_open: bool = True


@dataclass(frozen=True, slots=True)
class Facts:
    """All that was read and measured of one study; ``judge`` needs nothing else of the inputs.

    ``findings`` are those that reading and measuring gave. What texts of files, orders and people
    there are lies in these values alone, so that one step can take them out before any sentence is
    made from them.
    """

    study: Study
    coverage: Coverage
    annotations: tuple[PlacedAnnotation, ...]
    signal: SignalFacts
    order: Order | None
    logs: Mapping[LogKind, LogRead]
    second_readers: tuple[SecondReading, ...]
    inputs: tuple[InputUsed, ...]
    findings: tuple[Finding, ...]


def audit_study(
    paths: Sequence[Path] | Place,
    *,
    order: Order | None,
    policy: Policy,
    options: Options = Options(),
    decisions: tuple[PersonDecision, ...] = (),
    progress: Progress | None = None,
) -> Audit:
    """Audit one returned study; ``decisions`` are those that people recorded about it.

    Raises what ``examine`` raises.
    """
    facts = examine(paths, order=order, policy=policy, options=options, progress=progress)
    return judge(facts, policy, options, decisions)


def examine(
    paths: Sequence[Path] | Place,
    *,
    order: Order | None,
    policy: Policy,
    options: Options = Options(),
    progress: Progress | None = None,
) -> Facts:
    """Read and measure one returned study.

    Raises ``NothingReadable`` where no recording with recorded time could be read,
    ``SettingsError`` for a log that cannot be opened (before anything else is read), and
    ``BeyondLimit``.
    """
    progress = progress or Silent()
    logs = read_logs(order)
    place = as_place(paths, _used(order, policy))
    study = build_study(
        place,
        order,
        policy,
        timezone=options.timezone,
        progress=progress,
    )
    asked = SecondReaders(study.counted, enabled=options.second_readers)
    axis = study.axis
    coverage = _coverage(study, policy)
    scan = StudyScan(study, policy, scan=options.scan_signal)
    read = read_study(
        study,
        scan.files,
        checksums=options.checksums,
        workers=options.workers,
        progress=progress,
    )
    study = identified(study, read)
    annotations, findings = place_annotations(study, coverage)
    found = [*_recording_findings(study), *_study_findings(study, coverage, policy), *findings]
    if order is not None:
        found += [*missing_facts(order), *zone_doubts(axis.zone)]

    signal, findings = scan.measure(coverage, order)
    found += [*findings, *study_findings(study, signal)]

    reads, findings = _placed(logs, study, coverage, policy)
    found += findings
    second, findings = asked.result()
    found += findings
    found += place.findings()
    return Facts(
        study=study,
        coverage=coverage,
        annotations=annotations,
        signal=signal,
        order=order,
        logs=reads,
        second_readers=second,
        inputs=_inputs(order, logs, policy),
        findings=tuple(found),
    )


def judge(
    facts: Facts,
    policy: Policy,
    options: Options = Options(),
    decisions: tuple[PersonDecision, ...] = (),
) -> Audit:
    """What the facts of one study mean. Pure but for the time of making."""
    study, coverage, annotations = facts.study, facts.coverage, facts.annotations
    signal, order, reads = facts.signal, facts.order, facts.logs
    axis, found = study.axis, list(facts.findings)
    hookup, window = _window(study, coverage, order)
    shortfall = None if window is None else measure_shortfall(coverage, window)
    planned_end = None if window is None else window.end
    plan = _power_plan(order, hookup, coverage, policy)
    stop, gap_causes = explain(
        study,
        coverage,
        annotations,
        order,
        planned_end,
        plan,
        policy.stop,
        _stop_tolerance(policy, order),
        signal,
    )

    checked = reads.get("monitoring")
    monitoring, findings = _monitoring(order, checked, study, annotations, coverage, policy)
    found += findings
    filmed = reads.get("video")
    video = _video(filmed, axis, coverage, policy)
    billing: Billing | None = None
    if policy.about.codes:
        billing, findings = measure_billing(
            coverage,
            axis,
            order,
            policy.billing,
            channels=setup_channels(study),
            with_signal=signal.channels_with_signal,
            usable=signal.usable,
            monitoring=monitoring,
            video=video,
            video_log_taken=filmed is None or filmed.taken,
            restarts=_restarts(study, coverage),
            sleep_seen=sleep_seen(annotations, policy.billing),
        )
        found += findings
    else:  # checks and video are told as facts; without codes they bear on no answer
        found = [replace(f, question=None) if f.question == "billing" else f for f in found]

    ordered_findings = tuple(
        sorted(found, key=lambda f: (-SEVERITIES.index(f.severity), f.file or "", f.code))
    )
    every_night = nights(
        coverage,
        axis,
        signal.usable,
        policy.signal.night_start_s,
        policy.signal.night_end_s,
        signal.clean,
    )
    decision = decide(
        study,
        coverage,
        order,
        shortfall,
        signal,
        every_night,
        billing,
        ordered_findings,
        policy.decision,
        policy.study.hookup_tolerance_ns,
    )
    return Audit(
        version=__version__,
        generated_utc=options.generated_utc or now_utc(),
        policy=PolicyUsed(
            policy.about.name, policy.sha256, policy.about.checked, policy.about.publisher
        ),
        rules=rule_lines(policy),
        study=study,
        study_id=order.study_id if order is not None else None,
        patient_code=_patient_code(study, order),
        recorder=_recorder(study),
        order=order,
        hookup=hookup,
        planned_end=planned_end,
        coverage=coverage,
        hours=clock_hours(coverage, axis, signal.usable, signal.clean),
        nights=every_night,
        shortfall=shortfall,
        stop=stop,
        gap_causes=gap_causes,
        signal=signal,
        billing=billing,
        monitoring=monitoring,
        video=video,
        power=plan,
        next_hookup=advise(
            study,
            coverage,
            stop,
            gap_causes,
            plan,
            signal,
            ordered_findings,
            0 if shortfall is None else shortfall.late_start_ns,
        ),
        decision=decision,
        second_readers=facts.second_readers,
        annotations=annotations,
        findings=ordered_findings,
        cautions=CAUTIONS,
        person_decisions=decisions,
        inputs=facts.inputs,
        logs=tuple(reads.values()),
    )


def _coverage(study: Study, policy: Policy) -> Coverage:
    tracks = [
        Track(f.copy or "A", f.run_starts, f.run_ends, f.records_ns)
        for f in study.counted
        if len(f.run_starts)
    ]
    if not tracks:
        raise NothingReadable(
            study.name,
            "no counted file holds recorded time (only headers or annotations)",
            "Check that the whole study was copied.",
        )
    starts, ends = union(
        np.concatenate([t.starts for t in tracks]), np.concatenate([t.ends for t in tracks])
    )
    gaps = int((starts[1:] - ends[:-1] >= policy.coverage.gap_floor_ns).sum())
    if gaps > MOST_GAPS:
        raise BeyondLimit(
            study.name,
            f"the files have {gaps} gaps together; no more than {MOST_GAPS} are measured",
            "Audit the files in groups, or raise the policy's gap_floor_s.",
        )
    return measure_coverage(tracks, policy.coverage.gap_floor_ns)


def _recording_findings(study: Study) -> list[Finding]:
    found = [f for file in study.counted for f in file.recording.findings]
    # What is odd inside a file that is not counted puts no number of this study in doubt.
    found += [
        replace(f, severity="info", question=None)
        for file in study.set_aside
        for f in file.recording.findings
        if f.severity != "info"
    ]
    return found + [u.finding for u in study.unreadable]


def _study_findings(study: Study, coverage: Coverage, policy: Policy) -> list[Finding]:
    """The study's own findings; a test that would change a code is one for a person to look at."""
    return [
        replace(f, question="files", severity="caution")
        if f.code == "test_recording"
        and policy.about.codes
        and changes_a_code(coverage.recorded_ns, f.other_recorded_ns or 0, policy.billing)
        else f
        for f in study.findings
    ]


def _window(
    study: Study, coverage: Coverage, order: Order | None
) -> tuple[int | None, Interval | None]:
    """The hookup's instant and the ordered window, where there is an order."""
    if order is None:
        return None, None
    hookup = study.hookup
    start = coverage.first_start if hookup is None else hookup
    return hookup, Interval(start, start + order.ordered_ns)


def _power_plan(
    order: Order | None, hookup: int | None, coverage: Coverage, policy: Policy
) -> PowerPlan | None:
    if order is None:
        return None
    begun = coverage.first_start if hookup is None else hookup
    ran = None if order.still_recording else max(0, coverage.last_end - begun)
    return plan_power(order.power, order.ordered_ns, policy.power, ran)


def _placed(
    logs: tuple[Log, ...], study: Study, coverage: Coverage, policy: Policy
) -> tuple[dict[LogKind, LogRead], tuple[Finding, ...]]:
    """Each log in the recording, or why it is not taken."""
    reads: dict[LogKind, LogRead] = {}
    found: list[Finding] = []
    for log in logs:
        checks = log.kind == "monitoring"
        dates = policy.monitoring.log_dates if checks else policy.video.log_dates
        patterns = policy.monitoring.check_patterns if checks else policy.video.patterns
        reads[log.kind], findings = place_log(log, study.axis, coverage.span, dates, patterns)
        found += findings
    return reads, tuple(found)


def _monitoring(
    order: Order | None,
    read: LogRead | None,
    study: Study,
    annotations: tuple[PlacedAnnotation, ...],
    coverage: Coverage,
    policy: Policy,
) -> tuple[Monitoring | None, tuple[Finding, ...]]:
    """What the log and the annotations support, where the order asks or a log was kept."""
    if order is None or (order.monitoring is None and read is None):
        return None, ()
    periods = billing_periods(coverage, study.axis, policy.billing)
    return measure_monitoring(read, annotations, coverage, periods, order, policy.monitoring)


def _video(read: LogRead | None, axis: Axis, coverage: Coverage, policy: Policy) -> Video | None:
    if read is None or not read.taken:
        return None
    periods = billing_periods(coverage, axis, policy.billing)
    return measure_video(read.intervals, coverage, policy.video, periods, policy.billing)


def _used(order: Order | None, policy: Policy) -> tuple[str, ...]:
    """Paths of the files that the audit uses beside the recordings."""
    named = [policy.path]
    if order is not None:
        named += [order.path, order.monitoring_log, order.video_log]
    return tuple(path for path in named if path)


def _inputs(order: Order | None, logs: tuple[Log, ...], policy: Policy) -> tuple[InputUsed, ...]:
    found = []
    if order is not None and order.sha256 is not None:
        found.append(InputUsed("order", order.name, order.sha256))
    found += [InputUsed(log.kind, log.name, log.sha256) for log in logs if log.sha256]
    return (*found, InputUsed("policy", policy.about.name, policy.sha256))


def _stop_tolerance(policy: Policy, order: Order | None) -> int:
    """How close to the planned end is as ordered; for a short order, no more than 1 % of it."""
    tolerance = policy.decision.stop_tolerance_ns
    return tolerance if order is None else min(tolerance, order.ordered_ns // 100)


def _restarts(study: Study, coverage: Coverage) -> tuple[int, ...]:
    """Instants at which a file begins right after a gap."""
    after_gap = {gap.end for gap in coverage.gaps}
    starts = {f.interval.start for f in study.counted if f.interval is not None}
    return tuple(sorted(after_gap & starts))


def _patient_code(study: Study, order: Order | None) -> str | None:
    if order is not None and order.patient_code:
        return order.patient_code
    codes = {f.recording.header.patient_field.code for f in study.counted}
    codes.discard(None)
    return codes.pop() if len(codes) == 1 else None


def _recorder(study: Study) -> str | None:
    units = {f.recording.header.recording_field.equipment for f in study.counted}
    names = sorted(u for u in units if u)
    return ", ".join(names) or None


def now_utc() -> str:
    """The time of making: SOURCE_DATE_EPOCH where set, else the clock's."""
    fixed = os.environ.get("SOURCE_DATE_EPOCH", "")
    moment = datetime.fromtimestamp(int(fixed), UTC) if fixed.isdecimal() else datetime.now(UTC)
    return moment.strftime("%Y-%m-%dT%H:%M:%SZ")
