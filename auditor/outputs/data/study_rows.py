"""Files, coverage, shortfall, signal and findings as plain JSON values."""

from __future__ import annotations

from auditor.core.clock import Axis
from auditor.core.durations import seconds
from auditor.model import (
    Audit,
    Cause,
    Finding,
    HourFacts,
    Interval,
    NightFacts,
    SignalFacts,
    StudyFile,
    UnreadableFile,
)
from auditor.outputs.data.rows import Row, at, hour_row, interval_row, optional_seconds


def file_row(file: StudyFile, axis: Axis) -> Row:
    recording, interval = file.recording, file.interval
    start, end = (interval.start, interval.end) if interval else (None, None)
    return {
        "name": recording.name,
        "sha256": recording.sha256,
        "size_bytes": recording.size_bytes,
        "format": recording.format,
        "role": file.role,
        "reason": file.reason,
        "copy": file.copy,
        **at("start", start, axis),
        **at("end", end, axis),
        "records": recording.records,
        "record_s": seconds(recording.record_ns),
        "recorded_s": seconds(file.recorded_ns),
        "eeg_channels": len(recording.eeg_channels),
        "channels": sum(not c.is_annotation for c in recording.channels),
        "annotations": recording.annotations_total,
        "header_record_count": recording.header.record_count,
        "data_offset": recording.data_offset,
        "record_bytes": recording.record_bytes,
        "closed": recording.closed,
    }


def unreadable_row(file: UnreadableFile) -> Row:
    nothing = dict.fromkeys(
        ("copy", "start", "end", "records", "record_s", "recorded_s", "eeg_channels", "channels",
         "annotations")
    )  # fmt: skip
    return {
        "name": file.name,
        "sha256": file.sha256,
        "size_bytes": file.size_bytes,
        "format": None,
        "role": "unreadable",
        "reason": file.reason,
        **nothing,
    }


def cause_row(cause: Cause) -> Row:
    """Why the end or a gap: the judgement, its rank, and what shows it."""
    return {
        "likely_cause": cause.likely_cause,
        "rank": cause.rank,
        "evidence": list(cause.evidence),
        "supporting": list(cause.supporting),
        "against": list(cause.against),
        "also": list(cause.also),
    }


def coverage_row(audit: Audit, axis: Axis) -> Row:
    coverage = audit.coverage
    details = {c.name: c for c in audit.study.copies}
    return {
        **at("first_start", coverage.first_start, axis),
        **at("last_end", coverage.last_end, axis),
        "span_s": seconds(coverage.span_ns),
        "recorded_s": seconds(coverage.recorded_ns),
        "coverage_fraction": coverage.recorded_ns / coverage.span_ns,
        "longest_run_s": seconds(coverage.longest_run_ns),
        "overlap_s": seconds(coverage.overlap_ns),
        "gaps_s": seconds(coverage.gaps_ns),
        "dropouts": {"count": coverage.dropouts_count, "total_s": seconds(coverage.dropouts_ns)},
        "segments": [
            {
                **at("start", s.start, axis),
                **at("end", s.end, axis),
                "duration_s": seconds(s.duration),
                "recorded_s": seconds(s.recorded_ns),
                "copies": list(s.copies),
            }
            for s in coverage.segments
        ],
        "gaps": [
            {
                **interval_row(gap.interval, axis),
                **cause_row(cause),
            }
            for gap, cause in zip(coverage.gaps, audit.gap_causes, strict=True)
        ],
        "copies": [
            {
                "name": c.name,
                "folder": details[c.name].folder,
                "reference": details[c.name].reference,
                **at("first_start", c.first_start, axis),
                **at("last_end", c.last_end, axis),
                "recorded_s": seconds(c.recorded_ns),
                "only_here_s": seconds(c.only_here_ns),
                "clock_offset_s": optional_seconds(details[c.name].clock_offset_ns),
                "drift_ppb": details[c.name].drift_ppb,
                "method": details[c.name].method,
                "confidence": details[c.name].confidence,
                "gaps": [interval_row(g, axis) for g in c.gaps],
                "filled": [interval_row(g, axis) for g in c.filled],
            }
            for c in coverage.copies
        ],
    }


def shortfall_row(audit: Audit, axis: Axis) -> Row | None:
    shortfall = audit.shortfall
    if shortfall is None:
        return None
    return {
        "ordered_s": seconds(shortfall.ordered_ns),
        "short_s": seconds(shortfall.short_ns),
        "late_start_s": seconds(shortfall.late_start_ns),
        "gaps_s": seconds(shortfall.gaps_ns),
        "dropouts_s": seconds(shortfall.dropouts_ns),
        "early_stop_s": seconds(shortfall.early_stop_ns),
        "outside_window_s": seconds(shortfall.outside_window_ns),
        "recorded_inside_s": seconds(shortfall.recorded_inside_ns),
        **at("window_start", shortfall.window.start, axis),
        **at("window_end", shortfall.window.end, axis),
    }


def order_row(audit: Audit, axis: Axis) -> Row | None:
    order = audit.order
    if order is None:
        return None
    return {
        "ordered_s": seconds(order.ordered_ns),
        "source": order.source,
        **at("hookup", audit.hookup, axis),
        **at("planned_end", audit.planned_end, axis),
        "video": order.video,
        "monitoring": order.monitoring,
        "minimum_channels": audit.signal.needed_channels,
        "patient_code": order.patient_code,
    }


def signal_row(
    signal: SignalFacts, hours: tuple[HourFacts, ...], nights: tuple[NightFacts, ...], axis: Axis
) -> Row:
    if not signal.scanned:
        return {"scanned": False}
    run = signal.longest_usable_run
    return {
        "scanned": True,
        "minimum_channels": signal.needed_channels,
        "usable_s": seconds(signal.usable_ns),
        "longest_usable_run": None if run is None else interval_row(run, axis),
        **at("below_minimum_from", signal.below_minimum_from, axis),
        "channels": [
            {
                "label": c.label,
                "eeg": c.is_eeg,
                "electrode": c.electrode,
                "signal_s": seconds(c.signal_ns),
                "flat_s": seconds(c.flat_ns),
                "saturated_s": seconds(c.saturated_ns),
                "mains_s": seconds(c.mains_ns),
                "large_s": seconds(c.large_ns),
                "recorded_s": seconds(c.recorded_ns),
                **at("lost_at", c.lost_at, axis),
                **at("doubtful_from", c.doubtful_from, axis),
                "hourly": [
                    dict(
                        zip(
                            ("signal_s", "flat_s", "saturated_s", "mains_s", "large_s"),
                            map(seconds, states),
                            strict=True,
                        )
                    )
                    for states in c.hourly
                ],
            }
            for c in signal.channels
        ],
        "hours": [hour_row(h, axis) for h in hours],
        "nights": [{**hour_row(n, axis), **at("end", n.end, axis)} for n in nights],
        "usable_minutes": [
            {**at("start", minute, axis), "usable_s": seconds(ns)}
            for minute, ns in signal.usable_minutes
        ],
        "bad_stretches": [
            {
                **interval_row(Interval(b.start, b.end), axis),
                "state": b.state,
                "channels": list(b.channels),
            }
            for b in signal.bad_stretches
        ],
    }


def finding_row(finding: Finding, axis: Axis) -> Row:
    row: Row = {
        "code": finding.code,
        "severity": finding.severity,
        "where": finding.where,
        "text": finding.text,
        "expected": finding.expected,
        "observed": finding.observed,
        "action": finding.action,
        "file": finding.file,
        "other_recorded_s": optional_seconds(finding.other_recorded_ns),
    }
    if finding.span is not None:
        row["span"] = interval_row(finding.span, axis)
    return row
