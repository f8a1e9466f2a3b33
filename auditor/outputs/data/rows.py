"""How instants, intervals and durations are written in the JSON audit."""

from __future__ import annotations

from typing import Any

from auditor.core.clock import Axis
from auditor.core.durations import seconds
from auditor.model import HourFacts, Interval, NightFacts

Row = dict[str, Any]


def optional_seconds(ns: int | None) -> float | None:
    return None if ns is None else seconds(ns)


def at(key: str, instant: int | None, axis: Axis) -> Row:
    """``key`` in civil time, with ``key_utc`` beside it where a zone is known."""
    row: Row = {key: None if instant is None else axis.iso(instant)}
    if axis.zone is not None:
        row[f"{key}_utc"] = None if instant is None else axis.iso_utc(instant)
    return row


def interval_row(stretch: Interval, axis: Axis) -> Row:
    return {
        **at("start", stretch.start, axis),
        **at("end", stretch.end, axis),
        "duration_s": seconds(stretch.duration),
    }


def hour_row(hour: HourFacts | NightFacts, axis: Axis) -> Row:
    return {
        **at("start", hour.start, axis),
        "recorded_s": seconds(hour.recorded_ns),
        "usable_s": optional_seconds(hour.usable_ns),
    }
