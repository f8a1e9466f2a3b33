"""Thresholds, monitoring and the power plan as plain JSON values."""

from __future__ import annotations

from auditor.core.clock import Axis
from auditor.core.durations import seconds
from auditor.model import (
    Billing,
    Interval,
    Minimum,
    Monitoring,
    PowerPlan,
    Professional,
    Technical,
    Unit,
    Video,
)
from auditor.outputs.data.rows import Row, at, interval_row, optional_seconds


def monitoring_row(monitoring: Monitoring, axis: Axis) -> Row:
    return {
        "ordered": monitoring.ordered,
        "checks": len(monitoring.checks),
        "longest_interval_s": optional_seconds(monitoring.longest_interval_ns),
        "supported": monitoring.supported,
        "lapses": [
            {
                **interval_row(Interval(lapse.start, lapse.end), axis),
                "recorded_s": optional_seconds(lapse.recorded_ns),
                "periods": list(lapse.periods),
                "meaning": lapse.meaning,
            }
            for lapse in monitoring.lapses
        ],
        "check_times": [
            {**at("at", c.at, axis), "by": c.by, "note": c.note, "source": c.source}
            for c in monitoring.checks
        ],
        "outside_recording": monitoring.outside,
        "by": list(monitoring.by),
        "note": monitoring.note,
    }


def video_row(video: Video, recorded_ns: int, axis: Axis) -> Row:
    """``recorded_ns`` is the study's recorded time, of which video covers a share."""
    return {
        "recorded_s": seconds(video.recorded_ns),
        "fraction": _fraction(video.recorded_ns, recorded_ns),
        "meets": video.meets,
        "threshold": video.threshold_ppm / 1_000_000,
        "short_s": seconds(video.short_ns),
        "periods": [
            {
                "index": p.index,
                "fraction": _fraction(p.video_ns, p.recorded_ns),
                "meets": p.meets,
                "recorded_s": seconds(p.recorded_ns),
                "video_s": seconds(p.video_ns),
                "short_s": seconds(p.short_ns),
            }
            for p in video.periods
        ],
        "stretches": [interval_row(v, axis) for v in video.stretches],
        "note": video.note,
    }


def _fraction(part_ns: int, whole_ns: int) -> float:
    return part_ns / whole_ns if whole_ns else 0.0


def date_text(dates: tuple[str, ...]) -> str | None:
    """ISO 8601: one date, or 'first/last'; ``None`` where nothing was recorded."""
    return "/".join(dates) or None


def _units(units: tuple[Unit, ...] | None) -> list[Row] | None:
    if units is None:
        return None
    return [{"code": u.code, "count": u.count, "band": u.band} for u in units]


def _technical(technical: Technical | None) -> Row | None:
    if technical is None:
        return None
    return {
        "units": _units(technical.units),
        "to_next_s": optional_seconds(technical.to_next_ns),
        "exceed_next": technical.exceed_next,
        "above_s": seconds(technical.above_ns),
    }


def _professional(professional: Professional | None) -> Row | None:
    if professional is None:
        return None
    whole = professional.whole_study
    return {
        "each_day": [
            {"code": d.code, "band": d.band, "also": list(d.also), "date": date_text(d.dates)}
            for d in professional.each_day
        ],
        "whole_study": {
            "code": whole.code,
            "band": whole.band,
            "also": list(whole.also),
            "to_next_s": optional_seconds(professional.whole_to_next_ns),
            "exceed_next": professional.whole_exceed_next,
            "above_s": optional_seconds(professional.whole_above_ns),
        },
    }


def _minimum(minimum: Minimum | None) -> Row | None:
    if minimum is None:
        return None
    return {
        "ordered_band": minimum.ordered_band,
        "reached_band": minimum.reached_band,
        "met": minimum.met,
        "short_s": seconds(minimum.short_ns),
        "above_s": seconds(minimum.above_ns),
        "text": minimum.text,
    }


def _totals(units: tuple[Unit, ...] | None) -> list[Row] | None:
    if units is None:
        return None
    return [{"code": u.code, "count": u.count} for u in units]


def billing_row(billing: Billing, axis: Axis) -> Row:
    return {
        "basis": billing.basis,
        "minimum": _minimum(billing.minimum),
        "periods": [
            {
                "index": p.index,
                **at("start", p.start, axis),
                **at("end", p.end, axis),
                "date": date_text(p.dates),
                "recorded_s": seconds(p.recorded_ns),
                "technical": _technical(p.technical),
                "monitoring": p.monitoring,
                "video": p.video,
                "notes": list(p.notes),
                "usable_s": optional_seconds(p.usable_ns),
                "usable_technical": _technical(p.usable_technical),
            }
            for p in billing.periods
        ],
        "technical_totals": _totals(billing.technical_totals),
        "total": _technical(billing.total),
        "professional": _professional(billing.professional),
        "not_billable_s": seconds(billing.not_billable_ns),
        "interpretations": [
            {
                "if": i.words,
                "technical_totals": _totals(i.technical_totals),
                "professional": _professional(i.professional),
                "not_billable_s": seconds(i.not_billable_ns),
                "source": i.source,
                "asked": i.asked,
                "lowers": i.lowers,
            }
            for i in billing.interpretations
        ],
        "dates": date_text(billing.dates),
        "sources": [
            {"key": s.key, "name": s.name, "secondary": s.secondary} for s in billing.sources
        ],
        "setup": {
            "code": billing.setup.code,
            "supported": billing.setup.supported,
            "note": billing.setup.note,
        },
        "shorter": None
        if billing.shorter is None
        else {
            "code": billing.shorter.code,
            "band": billing.shorter.band,
            "note": billing.shorter.note,
        },
        "cautions": list(billing.cautions),
        "usable_totals": _totals(billing.usable_totals),
        "usable_professional": _professional(billing.usable_professional),
    }


def power_row(plan: PowerPlan) -> Row:
    """The power plan as plain JSON values."""
    return {
        "lasts_s": seconds(plan.lasts_ns),
        "ordered_s": seconds(plan.ordered_ns),
        "reserve_s": optional_seconds(plan.reserve_ns),
        "enough": plan.enough,
        "comparison": plan.comparison,
        "would_last": list(plan.would_last),
        "advice": list(plan.advice),
        "cautions": list(plan.cautions),
    }
