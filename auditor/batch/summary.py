"""The key facts of one audit: a worklist's row and the trends' raw material.

Every number is read from the audit; sums are made in the trends, in nanoseconds.
"""

from __future__ import annotations

from auditor.batch.history import Summary
from auditor.model import Audit
from auditor.safe_text import storable

_FINDINGS = 50


def summarise(audit: Audit) -> Summary:
    """The audit's key facts as JSON values; durations in integer nanoseconds (``…_ns``)."""
    order, shortfall, billing = audit.order, audit.shortfall, audit.billing
    axis, coverage = audit.study.axis, audit.coverage
    power = order.power if order is not None else None
    return {
        "study_id": audit.study_id,
        "patient_code": audit.patient_code,
        "recorder": audit.recorder,
        "outcome": audit.decision.outcome,
        "headline": audit.decision.headline,
        "reasons": [r.code for r in audit.decision.reasons],
        "first_start": axis.iso(coverage.first_start),
        "last_end": axis.iso(coverage.last_end),
        "ordered_ns": None if order is None else order.ordered_ns,
        "recorded_ns": coverage.recorded_ns,
        "usable_ns": audit.signal.usable_ns if audit.signal.scanned else None,
        "short_ns": None if shortfall is None else shortfall.short_ns,
        "early_stop_ns": None if shortfall is None else shortfall.early_stop_ns,
        "gaps_ns": coverage.gaps_ns,
        "gaps": len(coverage.gaps),
        "stop": audit.stop.kind,
        "stop_cause": audit.stop.likely_cause,
        "technical": []
        if billing is None
        else [{"code": u.code, "count": u.count} for u in billing.technical_totals],
        "professional": None if billing is None else billing.professional.whole_study.code,
        "power": None
        if power is None
        else f"{power.packs} packs, {power.mode}" + (", external" if power.external_ns else ""),
        "electrodes_lost": sorted(
            {c.electrode for c in audit.signal.channels if c.electrode and c.lost_at is not None}
        ),
        "electrodes": sorted({c.electrode for c in audit.signal.channels if c.electrode}),
        "findings": [
            {"code": f.code, "severity": f.severity, "text": storable(f.text)}
            for f in audit.findings[:_FINDINGS]
        ],
        "problems": sum(f.severity == "problem" for f in audit.findings),
        "cautions": sum(f.severity == "caution" for f in audit.findings),
        "error": None,
    }


def failed(error: str) -> Summary:
    """The row of a study that could not be audited."""
    empty = dict.fromkeys(
        ("study_id", "patient_code", "recorder", "first_start", "last_end", "ordered_ns",
         "recorded_ns", "usable_ns", "short_ns", "early_stop_ns", "gaps_ns", "gaps", "stop",
         "stop_cause", "professional", "power")
    )  # fmt: skip
    return {
        **empty,
        "outcome": "unreadable",
        "headline": storable(error),
        "reasons": [],
        "technical": [],
        "electrodes_lost": [],
        "electrodes": [],
        "findings": [],
        "problems": 1,
        "cautions": 0,
        "error": storable(error),
    }
