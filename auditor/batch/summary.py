"""The key facts of one audit: a worklist's row and the trends' raw material.

Every number is read from the audit; sums are made in the trends, in nanoseconds.
"""

from __future__ import annotations

from collections import Counter

from auditor.batch.history import Summary
from auditor.core.text import storable
from auditor.edf.electrodes import as_labelled
from auditor.model import SEVERITIES, Audit, ChannelFacts, Order
from auditor.outputs.html.view import billing_lines

_LONGEST = 300


def summarise(audit: Audit) -> Summary:
    """The audit's key facts as JSON values; durations in integer nanoseconds (``…_ns``).

    ``findings`` are the codes with their severity and how often each was found, worst first; the
    texts are in the audit.
    """
    order, shortfall, billing = audit.order, audit.shortfall, audit.billing
    axis, coverage = audit.study.axis, audit.coverage
    found = Counter((SEVERITIES.index(f.severity), f.code) for f in audit.findings)
    return {
        "study_id": _text(audit.study_id),
        "patient_code": _text(audit.patient_code),
        "recorder": _text(audit.recorder),
        "outcome": audit.decision.outcome,
        "headline": _text(audit.decision.headline),
        "reasons": [r.code for r in audit.decision.reasons],
        "answers": [
            {"question": a.question, "state": a.state, "text": _text(a.text)}
            for a in audit.decision.answers
        ],
        "first_start": axis.iso(coverage.first_start) if audit.study.start_known else None,
        "last_end": axis.iso(coverage.last_end) if audit.study.start_known else None,
        "ordered_ns": None if order is None else order.ordered_ns,
        "recorded_ns": coverage.recorded_ns,
        "usable_ns": audit.signal.usable_ns if audit.signal.scanned else None,
        "clean_ns": audit.signal.clean_ns if audit.signal.scanned else None,
        "short_ns": None if shortfall is None else shortfall.short_ns,
        "early_stop_ns": None if shortfall is None else shortfall.early_stop_ns,
        "gaps_ns": coverage.gaps_ns,
        "gaps": len(coverage.gaps),
        "files": len(audit.study.counted),
        "stop": audit.stop.kind,
        "stop_cause": audit.stop.cause.likely_cause,
        "technical": []
        if billing is None
        else [{"code": u.code, "count": u.count} for u in billing.technical_totals],
        "professional": None if billing is None else billing.professional.whole_study.code,
        "each_day": [] if billing is None else [day.code for day in billing.professional.each_day],
        "shorter": None if billing is None or billing.shorter is None else billing.shorter.code,
        "lines": [[_text(t) for t in (n.name, n.word, n.text)] for n in billing_lines(audit)],
        "power": _power(order),
        "hooked_up_by": _hooked_up_by(audit),
        "electrodes": sorted({_electrode(c) for c in audit.signal.channels if c.electrode}),
        "electrodes_lost": sorted(
            {_electrode(c) for c in audit.signal.channels if c.electrode and c.lost_at is not None}
        ),
        "findings": [
            {"code": code, "severity": SEVERITIES[rank], "count": found[rank, code]}
            for rank, code in sorted(found, key=lambda f: (-f[0], f[1]))
        ],
        "problems": sum(f.severity == "problem" for f in audit.findings),
        "cautions": sum(f.severity == "caution" for f in audit.findings),
        "error": None,
    }


def failed(error: str, order: Order | None = None) -> Summary:
    """The row of a study that could not be audited, with what its order says."""
    unknown = dict.fromkeys(
        ("study_id", "patient_code", "recorder", "first_start", "last_end", "ordered_ns",
         "recorded_ns", "usable_ns", "clean_ns", "short_ns", "early_stop_ns", "gaps_ns", "gaps",
         "files", "stop", "stop_cause", "professional", "shorter", "hooked_up_by")
    )  # fmt: skip
    known = {}
    if order is not None:
        known = {"study_id": _text(order.study_id), "ordered_ns": order.ordered_ns}
    none = ("reasons", "answers", "technical", "each_day", "lines", "electrodes", "electrodes_lost",
            "findings")  # fmt: skip
    return {
        **unknown,
        **known,
        **{name: [] for name in none},
        "outcome": "unreadable",
        "headline": storable(error),
        "power": _power(order),
        "problems": 0,
        "cautions": 0,
        "error": storable(error),
    }


def _text(text: str | None) -> str | None:
    if text is None:
        return None
    text = storable(text)
    return text if len(text) <= _LONGEST else text[: _LONGEST - 1] + "…"


def _hooked_up_by(audit: Audit) -> str | None:
    """The technologist whom the files name, ``None`` where they name none or it is withheld."""
    fields = [f.recording.header.recording_field for f in audit.study.counted]
    names = sorted({f.technician for f in fields if f.technician})
    return _text(", ".join(names)) if names and not audit.redacted else None


def _electrode(channel: ChannelFacts) -> str:
    """The electrode as the lab's own label has it (T3 stays T3)."""
    return as_labelled(channel.label, channel.electrode or "")


def _power(order: Order | None) -> str | None:
    """'2 batteries, card', '1 battery and external supply, card+computer': alike for alike ones."""
    setup = None if order is None else order.power
    if setup is None:
        return None
    count = None if setup.batteries is None else setup.batteries + (setup.spare_batteries or 0)
    few = {None: "batteries not entered", 0: "no battery", 1: "1 battery"}
    known = few.get(count, f"{count} batteries")
    supply = " and external supply" if setup.external_ns else ""
    return f"{known}{supply}{f', {setup.mode}' if setup.mode else ''}"
