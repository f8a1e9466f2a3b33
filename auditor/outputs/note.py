"""The chart note: one paragraph that a technologist would paste into the chart.

Facts of the recording alone, from the audit's own values: no codes, no judgement of the EEG.
"""

from __future__ import annotations

from collections import Counter

import numpy as np

from auditor.core.clock import Axis, civil_datetime
from auditor.core.durations import hms
from auditor.core.text import printable, quantity, some_of, words
from auditor.coverage.annotations import by_patient
from auditor.model import Audit, Cause, ChannelFacts

_SHOWN = 6
"""Interruptions, electrodes and names that the note lists; the tables hold them all."""


def chart_note(audit: Audit) -> str:
    """The note of ``audit``; one line of printable text, sentences separated by a space."""
    parts = (
        _which(audit),
        _when(audit),
        _since(audit),
        _interruptions(audit),
        _end(audit),
        _electrodes(audit),
        _checks(audit),
        _events(audit),
        _set_aside(audit),
    )
    return " ".join(f"{printable(part)}." for part in parts if part)


def _short(name: str) -> str:
    """A name from a file, an order or a log, cut where it is none."""
    return printable(name, 60)


def _which(audit: Audit) -> str:
    names = (
        ("Study", audit.study_id or audit.study.name),
        ("patient code", audit.patient_code),
        ("recorder", audit.recorder),
    )
    return ", ".join(f"{what} {_short(name)}" for what, name in names if name)


def _when(audit: Audit) -> str:
    axis, coverage = audit.study.axis, audit.coverage
    zone = f"local time, {axis.zone}" if axis.zone else "local time as stamped"
    when = (
        f"{axis.said(coverage.first_start)} to "
        f"{_until(axis, coverage.first_start, coverage.last_end)} ({zone})"
        if audit.study.start_known
        else "(start not known, no file states a date)"
    )
    text = f"EEG recorded {when}: {hms(coverage.recorded_ns)}"
    return text if audit.order is None else f"{text} of {hms(audit.order.ordered_ns)} ordered"


def _since(audit: Audit) -> str:
    since = audit.since
    if since is None:
        return ""
    when = f"Since the audit of {since.audited_utc[:16].replace('T', ' ')} UTC"
    if since.recorded_ns < 0:
        return f"{when}: {hms(-since.recorded_ns, up=True)} less is counted"
    if not since.recorded_ns and not since.files:
        return f"{when} nothing has come"
    files = quantity(since.files, "new file") if since.files > 0 else "files that were there"
    return f"{when}: {hms(since.recorded_ns)} more in {files}"


def _until(axis: Axis, start: int, end: int) -> str:
    """``end`` without its date where that is the date of ``start``."""
    from_, to = civil_datetime(axis.civil(start)), civil_datetime(axis.civil(end))
    return f"{to:%H:%M:%S}" if from_.date() == to.date() else axis.said(end)


def _interruptions(audit: Audit) -> str:
    axis, coverage = audit.study.axis, audit.coverage
    dropouts = ""
    if coverage.dropouts_count:
        dropouts = (
            f"; {quantity(coverage.dropouts_count, 'dropout')} under a second, "
            f"{hms(coverage.dropouts_ns, up=True)} in all"
        )
    if not coverage.gaps:
        return f"No interruption{dropouts}"
    durations = np.array([gap.duration for gap in coverage.gaps])
    longest = np.argsort(-durations, kind="stable")[:_SHOWN]  # of equal ones the first
    told = [
        f"{axis.said(gap.start)} to {_until(axis, gap.start, gap.end)} "
        f"({hms(gap.duration, up=True)}, {_reason(cause)})"
        for gap, cause in ((coverage.gaps[i], audit.gap_causes[i]) for i in sorted(longest))
    ]
    which = "" if len(coverage.gaps) <= _SHOWN else f", the longest {_SHOWN}"
    count = quantity(len(coverage.gaps), "interruption")
    total = hms(coverage.gaps_ns, up=True)
    return f"{count}, {total} in all{which}: {'; '.join(told)}{dropouts}"


def _reason(cause: Cause) -> str:
    if cause.likely_cause == "not_known":
        return "reason not known"
    sure = "" if cause.rank == "witness" else "likely "
    return sure + words(cause.likely_cause)


def _end(audit: Audit) -> str:
    stop, shortfall, planned = audit.stop, audit.shortfall, audit.planned_end
    why = f", {_reason(stop.cause)}"
    if stop.kind == "so_far":
        return "The recording goes on"
    if stop.kind == "early" and shortfall is not None and planned is not None:
        early = hms(shortfall.early_stop_ns, up=True)
        return f"Ended {early} before the planned end ({audit.study.axis.said(planned)}){why}"
    if stop.kind == "late" and planned is not None:
        return f"Ended {hms(audit.coverage.last_end - planned)} after the planned end{why}"
    if stop.kind == "as_ordered":
        return "Ended as ordered"
    return f"End{why}" if stop.cause.likely_cause != "not_known" else ""


def _electrodes(audit: Audit) -> str:
    if not audit.signal.scanned:
        return "Electrodes: the signal was not looked at"
    told = [text for c in audit.signal.montage if (text := _lost(c, audit.study.axis))]
    return f"Electrodes: {some_of(told, _SHOWN)}" if told else "No electrode lost"


def _lost(channel: ChannelFacts, axis: Axis) -> str:
    if channel.signal_ns == 0:
        return f"{_short(channel.label)} without signal throughout"
    if channel.lost_at is None:
        return ""
    return f"{_short(channel.label)} off from {axis.said(channel.lost_at)} to the end"


def _checks(audit: Audit) -> str:
    monitoring = audit.monitoring
    if monitoring is None:
        return ""
    if not monitoring.log_taken:
        return "The log of checks could not be read"
    if not monitoring.checks and monitoring.ordered in (None, "unmonitored"):
        return ""
    names = [_short(name) for name in monitoring.by]
    by = f" by {some_of(names, _SHOWN)}" if names else ""
    text = f"{quantity(len(monitoring.checks), 'documented check')}{by}"
    if monitoring.longest_interval_ns is not None and monitoring.checks:
        text += f", longest interval {hms(monitoring.longest_interval_ns, up=True)}"
    return text


def _events(audit: Audit) -> str:
    count = sum(by_patient(a.text) for a in audit.annotations)
    return quantity(count, "push-button event") if count else "No push-button event"


def _set_aside(audit: Audit) -> str:
    told = Counter(words(f.reason_code or "not counted") for f in audit.study.set_aside)
    texts = [f"{quantity(count, 'file')} ({why})" for why, count in told.items()]
    if audit.study.unreadable:
        texts.append(f"{quantity(len(audit.study.unreadable), 'file')} (could not be read)")
    return f"Set aside, not counted: {', '.join(texts)}" if texts else ""
