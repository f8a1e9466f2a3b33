"""The one composition: from paths, order and policy to an ``Audit`` value."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import asdict, replace

from auditor.billing import (
    BillingFacts,
    billing_periods,
    measure_billing,
    restarts,
    setup_channels,
    sleep_seen,
)
from auditor.billing.findings import tests_judged
from auditor.billing.monitoring import measure_monitoring
from auditor.billing.video import measure_video
from auditor.causes.evidence import Known
from auditor.causes.explain import explain, not_looked_at, stop_tolerance
from auditor.causes.next_hookup import advise
from auditor.causes.power import plan_of
from auditor.core import __version__
from auditor.core.clock import now_utc
from auditor.core.progress import Progress, Silent
from auditor.coverage.annotations import place_annotations
from auditor.coverage.timeline import (
    clock_hours,
    measure_shortfall,
    nights,
    ordered_window,
    study_coverage,
)
from auditor.decision.outcome import CAUTIONS, decide
from auditor.decision.rules import rule_lines
from auditor.inputs.checksums import identified, read_study
from auditor.inputs.folder import Place, as_place
from auditor.inputs.logs import inputs_used, paths_used, read_logs
from auditor.inputs.order import order_findings
from auditor.inputs.placed_logs import place_logs
from auditor.model import (
    SEVERITIES,
    Audit,
    Billing,
    Facts,
    Monitoring,
    Order,
    PersonDecision,
    PolicyUsed,
    Video,
)
from auditor.policy import Policy
from auditor.signal import StudyScan, study_findings
from auditor.study import build_study
from auditor.study.second_readers import SecondReaders


class Options(Struct, frozen=True):
    """How an audit is made.

    ``generated_utc`` is the time of making that the audit states; ``None`` takes it from the clock,
    or from SOURCE_DATE_EPOCH (seconds) where that is set, so that the same inputs give the same
    bytes. ``workers`` is the number of threads of the signal scan. A log that cannot be opened
    is an error, unless ``logs_must_open`` is false: then it is a finding.
    """

    timezone: str | None = None
    scan_signal: bool = True
    second_readers: bool = True
    workers: int = 2
    generated_utc: str | None = None
    logs_must_open: bool = True


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
    logs = read_logs(order, must_open=options.logs_must_open)
    place = as_place(paths, paths_used(order, policy))
    with SecondReaders(enabled=options.second_readers) as others:
        study = build_study(place, order, policy, timezone=options.timezone, progress=progress)
        others.ask(study.counted)
        axis = study.axis
        coverage = study_coverage(study, policy.coverage.gap_floor_ns)
        scan = StudyScan(study, policy, scan=options.scan_signal)
        read = read_study(
            study,
            scan.files,
            workers=options.workers,
            progress=progress,
        )
        study = identified(study, read)
        annotations, findings = place_annotations(study, coverage)
        found = [*study.file_findings, *study.findings, *findings]
        if order is not None:
            found += order_findings(order, axis.zone)

        signal, findings = scan.measure(coverage, order)
        found += [*findings, *study_findings(study, signal)]

        reads, findings = place_logs(logs, axis, coverage.span, policy)
        found += findings
        second, findings = others.result()
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
        inputs=inputs_used(order, logs, policy),
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
    hookup = study.hookup if order is not None else None
    window = ordered_window(coverage, hookup, order)
    shortfall = None if window is None else measure_shortfall(coverage, window)
    planned_end = None if window is None else window.end
    plan = plan_of(order, hookup, coverage, policy.power)
    tolerance = stop_tolerance(policy.decision.stop_tolerance_ns, order)
    seen = Known(
        study, coverage, annotations, order, planned_end, plan, policy.stop, tolerance, signal
    )
    stop, gap_causes = explain(seen)
    found += not_looked_at(gap_causes)

    checked = reads.get("monitoring")
    again = restarts(study, coverage)
    periods = billing_periods(coverage, axis, policy.billing, again)
    monitoring: Monitoring | None = None
    if order is not None and (order.monitoring is not None or checked is not None):
        monitoring, findings = measure_monitoring(
            checked, annotations, coverage, periods, order, policy.monitoring
        )
        found += findings
    filmed = reads.get("video")
    video: Video | None = None
    if filmed is not None and filmed.taken:
        video = measure_video(filmed.intervals, coverage, policy.video, periods, policy.billing)
    billing: Billing | None = None
    if policy.about.codes:
        known = BillingFacts(
            coverage,
            axis,
            order,
            channels=setup_channels(study),
            with_signal=signal.channels_with_signal,
            usable=signal.usable,
            monitoring=monitoring,
            video=video,
            video_log=filmed,
            restarts=again,
            sleep_seen=sleep_seen(annotations, policy.billing),
        )
        billing, findings = measure_billing(known, policy.billing)
        found += findings
        found = tests_judged(found, coverage.recorded_ns, policy.billing)
    else:  # checks and video are told as facts; without codes they bear on no answer
        found = [replace(f, question=None) if f.question == "billing" else f for f in found]

    ordered_findings = tuple(
        sorted(found, key=lambda f: (-SEVERITIES.index(f.severity), f.file or "", f.code))
    )
    every_night = nights(
        coverage,
        axis,
        signal.usable,
        *policy.signal.night_s,
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
        **{**asdict(facts), "findings": ordered_findings},
        version=__version__,
        generated_utc=options.generated_utc or now_utc(),
        policy=PolicyUsed(
            policy.about.name, policy.sha256, policy.about.checked, policy.about.publisher
        ),
        rules=rule_lines(policy),
        study_id=order.study_id if order is not None else None,
        patient_code=(order.patient_code if order else None) or study.patient_code,
        recorder=study.recorder,
        hookup=hookup,
        planned_end=planned_end,
        hours=clock_hours(coverage, axis, signal.usable, signal.clean),
        nights=every_night,
        shortfall=shortfall,
        stop=stop,
        gap_causes=gap_causes,
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
        cautions=CAUTIONS,
        person_decisions=decisions,
    )
