"""A log placed in the recording: which reading of its dates is right, or why it is not taken.

Dates are read in whichever order of day, month and year lies in the recording. Where two do, or
none, the log is not taken and a person is asked: a wrong day would document checks that were never
made. A log of which every time is off by the same hour, day or year is named so.
"""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from auditor.core.clock import Axis, civil_datetime, civil_ns, day_text, in_calendar
from auditor.core.text import Own, matches, quantity
from auditor.core.units import DAY, HOUR, NS
from auditor.inputs.logs import SHOWN, Log, Times
from auditor.inputs.stamps import ORDERS, DateOrder, Stamp
from auditor.model import Finding, Interval, LogKind, LogRead, MonitoringCheck, finding
from auditor.policy import Policy
from auditor.policy.sourced import LogDates

_THINGS: dict[LogKind, str] = {"monitoring": "check", "video": "time"}
_HALF_DAY = 12 * HOUR
_NEAR = 2 * HOUR
"""A check may be noted at hook-up, before the recording, or at take-down (our choice)."""
_YEARS_OFF = 10


class _NotTakenError(Exception):
    """Why a log cannot be taken, in our own words."""


class _Reading(Struct, frozen=True):
    """The times of a log under one order of day, month and year."""

    order: DateOrder | None = None
    rows: tuple[tuple[Times, tuple[int, ...]], ...] = ()
    """Each row that can be placed, with its instants."""
    bad: tuple[str, ...] = ()

    def instants(self) -> list[int]:
        return [at for _, placed in self.rows for at in placed]


def place_log(
    log: Log, axis: Axis, span: Interval, dates: LogDates = "ask", patterns: Sequence[str] = ()
) -> tuple[LogRead, tuple[Finding, ...]]:
    """``log`` on the study axis, or why it is not taken, with findings.

    ``span`` is that of the recording. ``dates`` is the lab's own order of day and month ('ask':
    whichever lies in the recording). Of BIDS events with kinds only those that match ``patterns``
    count.
    """
    kind, name = log.kind, log.name
    try:
        chosen = _placed(log, axis, span, dates, patterns)
    except _NotTakenError as error:
        why, rows = str(error), (*log.first_rows, *log.bad[:SHOWN])
        told = finding("log_not_taken", kind, kind=Own(kind), name=name, why=Own(why), rows=rows)
        return LogRead(kind, name, log.sha256, False, f"not taken: {why}"), (told,)
    checks: tuple[MonitoringCheck, ...] = ()
    intervals: tuple[Interval, ...] = ()
    bad = [*log.bad, *chosen.bad]
    if kind == "monitoring":
        every = [MonitoringCheck(at, row.by, row.note, name) for row, (at, *_) in chosen.rows]
        checks = tuple(sorted(every, key=lambda check: check.at))
    else:
        ends = [(row.line, start, end) for row, (start, end) in chosen.rows]
        intervals = tuple(sorted(Interval(start, end) for _, start, end in ends if end > start))
        late = "column end: does not lie after the start."
        bad += [f"Line {line}, {late}" for line, start, end in ends if end <= start]
    note = f"{quantity(len(checks) or len(intervals), _THINGS[kind])} read"
    note += f", {chosen.order.replace('_', ' ')}" if chosen.order else ""
    found = []
    if bad:
        count, more = quantity(len(bad), "row"), len(bad) - SHOWN
        note += f"; {count} left out"
        lines = " ".join([*bad[:SHOWN], *([f"And {more} more."] if more > 0 else [])])
        found.append(
            finding("log_rows_left_out", kind, kind=Own(kind), name=name, count=count, rows=lines)
        )
    return LogRead(kind, name, log.sha256, True, note, checks, intervals), tuple(found)


def _placed(
    log: Log, axis: Axis, span: Interval, dates: LogDates, patterns: Sequence[str]
) -> _Reading:
    """The reading that is right. Raises ``_NotTakenError``."""
    if log.refused:
        raise _NotTakenError(log.refused)
    if log.times:
        return _chosen(log, axis, span, dates)
    if not log.events:
        if log.bad:
            raise _NotTakenError("none of its rows can be read")
        return _Reading()
    kinds = {kind for _, _, kind in log.events if kind}
    if len(kinds) > 1 and not patterns:
        raise _NotTakenError(
            f"it holds {len(kinds)} kinds of event, and no pattern says which count"
        )
    rows = tuple(
        (Times(0, (), note=kind), (span.start + onset, span.start + onset + length))
        for onset, length, kind in log.events
        if not kind or not patterns or matches(patterns, kind)
    )
    return _Reading(rows=rows)


def _chosen(log: Log, axis: Axis, span: Interval, dates: LogDates) -> _Reading:
    """Of the readings the one whose times lie in the recording. Raises ``_NotTakenError``."""
    readings = _readings(log, axis, span, dates)
    if not readings:
        raise _NotTakenError("its rows have day and month in different orders")
    total = sum(len(row.stamps) for row in log.times)
    inside = [_inside(r.instants(), span, 0) for r in readings]
    best = max(inside)
    if best < total:
        if total - best > max(1, total // 10) or best == 0:
            _not_shifted(log, readings, axis, span)
        inside = [_inside(r.instants(), span, _NEAR) for r in readings]
        best = max(inside)
        placed = readings[inside.index(best)].instants()
        if best == 0 or 2 * best < len(placed):
            where = f"{day_text(axis.civil(span.start))} to {day_text(axis.civil(span.end))}"
            raise _NotTakenError(f"no way to read its dates lies in the recording of {where}")
    fitting = [r for r, count in zip(readings, inside, strict=True) if count == best]
    if len(fitting) > 1:
        ways = [
            f"{(r.order or 'as written').replace('_', ' ')} it begins on "
            f"{day_text(axis.civil(min(r.instants())))}"
            for r in fitting
        ]
        raise _NotTakenError(f"its dates can be read in more than one way: {'; '.join(ways)}")
    return fitting[0]


def _inside(instants: Sequence[int], span: Interval, slack: int) -> int:
    return sum(span.start - slack <= at <= span.end + slack for at in instants)


def _readings(log: Log, axis: Axis, span: Interval, dates: LogDates) -> list[_Reading]:
    """The log in each order of day, month and year that all of its dates allow; distinct."""
    stamps = [stamp for row in log.times for stamp in row.stamps if stamp.dates]
    numeric = any(order is not None for stamp in stamps for order, _ in stamp.dates)
    orders: tuple[DateOrder | None, ...] = (None,)
    if numeric:
        orders = ORDERS if dates == "ask" else (dates,)
    found: list[_Reading] = []
    for order in orders:
        if any(stamp.midnight(order) is None for stamp in stamps):
            continue
        reading = _read_in(log, order, axis, span)
        if all(reading.instants() != other.instants() for other in found):
            found.append(reading)
    return found


def _read_in(log: Log, order: DateOrder | None, axis: Axis, span: Interval) -> _Reading:
    """The instants of every row; a time of day alone follows the row before it.

    It stands on the civil date of the recording's start, and passes midnight where it goes back by
    at least half a day.
    """
    rows, bad = [], []
    last_civil: int | None = None
    last: int | None = None
    for row in log.times:
        placed = []
        try:
            for stamp in row.stamps:
                clock = stamp.clock_ns or 0
                day = stamp.midnight(order)
                if day is None:
                    day = _rolled(clock, last_civil, axis.civil(span.start))
                last = _instant(stamp, day + clock, axis, last)
                last_civil = axis.civil(last)
                placed.append(last)
            rows.append((row, tuple(placed)))
        except ValueError as error:
            bad.append(f"Line {row.line}: {row.shown!r} {error}.")
    return _Reading(order, tuple(rows), tuple(bad))


def _rolled(clock: int, last: int | None, start: int) -> int:
    """Civil midnight of the day on which a time of day alone lies. Raises ``ValueError``."""
    begun = start if last is None else last
    today = begun - begun % DAY
    back = begun - (today + clock)
    if back <= 0:
        return today
    if back >= _HALF_DAY:
        return today + DAY
    before = "the recording's start" if last is None else "the row before"
    raise ValueError(f"is earlier in the day than {before} and gives no date")


def _instant(stamp: Stamp, civil: int, axis: Axis, last: int | None) -> int:
    if not in_calendar(civil):
        raise ValueError("lies outside the years that can be shown")
    if stamp.offset_ns is not None:
        if axis.zone is None:
            raise ValueError("has an offset from UTC, and the study's time zone is not known")
        return civil - stamp.offset_ns
    if not axis.exists(civil):
        raise ValueError(f"was never shown by a clock in {axis.zone}, which was put forward")
    readings = axis.readings(civil)
    if len(readings) > 1 and last is not None:
        readings = tuple(r for r in readings if r >= last) or readings
    if len(readings) > 1:
        raise ValueError("came twice, since the clocks were put back: add the offset from UTC")
    return readings[0]


def _not_shifted(log: Log, readings: Sequence[_Reading], axis: Axis, span: Interval) -> None:
    """Raises 'all 12 checks are one year early …' where one shift puts all in the recording."""
    total = sum(len(row.stamps) for row in log.times)
    for words, years, ns in _SHIFTS:
        if total < 2 and not years:  # any single time is near the recording's
            continue
        for reading in readings:
            civils = [_moved(axis.civil(at), years, ns) for at in reading.instants()]
            if len(civils) < total or any(c is None or not in_calendar(c) for c in civils):
                continue
            moved = [axis.instant(c, near=span.start) for c in civils if c is not None]
            if _inside(moved, span, 0) == total:
                every = quantity(len(log.times), _THINGS[log.kind], "is", "are")
                verb = every if len(log.times) == 1 else f"all {every}"
                first = day_text(axis.civil(min(reading.instants())))
                raise _NotTakenError(
                    f"{verb} {words} (the first is of {first}, the recording begins on "
                    f"{day_text(axis.civil(span.start))})"
                )


def _moved(civil: int, years: int, ns: int) -> int | None:
    moment = civil_datetime(civil - civil % NS)
    try:
        return civil_ns(moment.replace(year=moment.year + years), civil % NS) + ns
    except ValueError:  # 29 February
        return None


_SHIFTS = (
    ("one hour early", 0, HOUR),
    ("one hour late", 0, -HOUR),
    ("one day early", 0, DAY),
    ("one day late", 0, -DAY),
    *(
        (f"{'one year' if n == 1 else f'{n} years'} {side}", years, 0)
        for n in range(1, _YEARS_OFF + 1)
        for side, years in (("early", n), ("late", -n))
    ),
)
"""How far all times of a log may be off, nearest first: what must be added, and how it is told."""


def place_logs(
    logs: tuple[Log, ...], axis: Axis, span: Interval, policy: Policy
) -> tuple[dict[LogKind, LogRead], tuple[Finding, ...]]:
    """Each log in the recording, or why it is not taken."""
    reads: dict[LogKind, LogRead] = {}
    found: list[Finding] = []
    for log in logs:
        checks = log.kind == "monitoring"
        dates = policy.monitoring.log_dates if checks else policy.video.log_dates
        patterns = policy.monitoring.check_patterns if checks else policy.video.patterns
        reads[log.kind], findings = place_log(log, axis, span, dates, patterns)
        found += findings
    return reads, tuple(found)
