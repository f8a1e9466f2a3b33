"""Studies whose clocks changed, stepped, were reset, or disagree with the order."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from helpers_studies import BASE, Clock, civil, s, write_piece
from helpers_truth import LEAN, Truth, joined, order_file, truth_of
from msgspec.structs import replace

from auditor.core.units import NS


def across_a_change(
    folder: Path,
    zone: str,
    transition_utc: datetime,
    *,
    before_s: int = 7200,
    gap_s: int = 600,
    gap_at_s: int = 0,
    after_s: int = 7200,
) -> Truth:
    """Two files around a change of the clocks, each stamped with the wall's time at its start.

    The gap of ``gap_s`` starts ``gap_at_s`` seconds after the transition (negative: before it).
    Truth is in UTC.
    """
    info = ZoneInfo(zone)
    start_utc = transition_utc - timedelta(seconds=before_s)
    runs = [(0, before_s + gap_at_s), (before_s + gap_at_s + gap_s, before_s + gap_s + after_s)]
    pieces = []
    for index, run in enumerate(runs):
        moment = (start_utc + timedelta(seconds=run[0])).replace(tzinfo=UTC).astimezone(info)
        wall = moment.replace(tzinfo=None)
        pieces.append(
            write_piece(folder / f"{index + 1}.edf", run, amplifier=LEAN, start=wall, fmt="EDF+C",
                        clock=Clock(base=start_utc))
        )  # fmt: skip
    hookup = start_utc.replace(tzinfo=UTC).astimezone(info).replace(tzinfo=None)
    hours = (before_s + after_s) / 3600
    order = order_file(folder, hours, patient_code="P-2041", hookup=hookup, timezone=zone)
    return truth_of("across_a_change", folder, order, pieces, base=start_utc, timezone=zone,
)  # fmt: skip


TRANSITIONS: tuple[tuple[str, datetime], ...] = (
    ("America/Denver", datetime(2027, 3, 14, 9)),
    ("America/Denver", datetime(2027, 11, 7, 8)),
    ("Europe/Vienna", datetime(2027, 3, 28, 1)),
    ("Europe/Vienna", datetime(2027, 10, 31, 1)),
    ("Australia/Sydney", datetime(2027, 4, 3, 16)),
    ("Australia/Sydney", datetime(2027, 10, 2, 16)),
    ("Australia/Lord_Howe", datetime(2027, 4, 3, 15)),
    ("Australia/Lord_Howe", datetime(2027, 10, 2, 15, 30)),
)
"""Changes of the clocks in UTC; a test compares them with the IANA database."""


def clock_reset(folder: Path, *, reset_to: datetime = datetime(1985, 1, 1)) -> Truth:
    """After a change of batteries the recorder's clock began again at its default date.

    By its stamp the second file cannot be placed: what counts is the first, and the other figure is
    what was truly recorded.
    """
    a = write_piece(folder / "a.edf", (0, 3 * 3600), amplifier=LEAN,
                    events=[(10790, "Battery low")])  # fmt: skip
    b = write_piece(folder / "b.edf", (3 * 3600 + 240, 6 * 3600), amplifier=LEAN, start=reset_to)
    order = order_file(folder, 6, patient_code="P-2041", hookup=BASE)
    return truth_of(
        "clock_reset", folder, order, [a],
        set_aside=("b.edf",), other_recorded_ns=sum(y - x for p in (a, b) for x, y in p.runs),
    )  # fmt: skip


def clock_steps(folder: Path, step_s: int) -> Truth:
    """Two files that continue each other; the second's clock is ``step_s`` off the first's.

    What counts is what the stamps say: an overlap counts once, and a hole is a gap.
    """
    a = write_piece(folder / "a.edf", (0, 7200), amplifier=LEAN)
    b = write_piece(folder / "b.edf", (7200, 14400), amplifier=LEAN, clock=Clock(s(step_s)))
    order = order_file(folder, 4, patient_code="P-2041", hookup=BASE)
    truth = truth_of("clock_steps", folder, order, [a, b])
    spans = joined([(p.first_civil, p.end_civil) for p in (a, b)])
    return replace(
        truth,
        recorded=spans,
        recorded_ns=sum(y - x for x, y in spans),
        other_recorded_ns=truth.recorded_ns,
    )


def clock_never_set(folder: Path) -> Truth:
    """Every file is stamped as if the study had begun on the first day of 2000."""
    base = datetime(2000, 1, 1)
    pieces = [
        write_piece(folder / "a.edf", (0, 7200), amplifier=LEAN, clock=Clock(base=base)),
        write_piece(folder / "b.edf", (7300, 14400), amplifier=LEAN, clock=Clock(base=base)),
    ]
    order = order_file(folder, 4, patient_code="P-2041", hookup=BASE)
    return truth_of("clock_never_set", folder, order, pieces, base=base)


def clock_not_followed(folder: Path, zone: str, transition_utc: datetime) -> Truth:
    """The recorder's clock stayed on the old time over a change of the clocks; no gap between.

    What counts is what the stamps say there: an overlap in spring, a gap in autumn.
    """
    info = ZoneInfo(zone)
    start_utc = transition_utc - timedelta(seconds=7200)
    moment = start_utc.replace(tzinfo=UTC).astimezone(info)
    wall = moment.replace(tzinfo=None)
    pieces = [
        write_piece(folder / name, run, amplifier=LEAN, clock=Clock(base=wall))
        for name, run in (("a.edf", (0, 14400)), ("b.edf", (14400, 21600)))
    ]
    order = order_file(folder, 6, patient_code="P-2041", hookup=wall, timezone=zone)
    truth = truth_of("clock_not_followed", folder, order, pieces, base=start_utc, timezone=zone)
    later = (moment + timedelta(seconds=7200)).astimezone(UTC).astimezone(info)
    before, after = moment.utcoffset(), later.utcoffset()
    assert before is not None
    assert after is not None
    change = round((after - before).total_seconds()) * NS
    zero = civil(start_utc)
    spans = joined([(zero, zero + s(14400)), (zero + s(14400) - change, zero + s(21600) - change)])
    return replace(
        truth,
        recorded=spans,
        recorded_ns=sum(y - x for x, y in spans),
        other_recorded_ns=s(21600),
    )


def new_year(folder: Path) -> Truth:
    """A study over midnight of the last day of the year, in two touching files."""
    base = datetime(2027, 12, 31, 22)
    clock = Clock(base=base)
    pieces = [
        write_piece(folder / "z.edf", (0, 7200), amplifier=LEAN, clock=clock, fmt="EDF+C"),
        write_piece(folder / "a.edf", (7200, 10800), amplifier=LEAN, clock=clock, fmt="EDF+C"),
    ]
    order = order_file(folder, 3, patient_code="P-2041", hookup=base)
    return truth_of("new_year", folder, order, pieces, base=base)


def hookup_disagrees(folder: Path) -> Truth:
    """The header's start is a whole day before the hook-up that the order states."""
    a = write_piece(folder / "a.edf", (0, 14400), amplifier=LEAN)
    order = order_file(folder, 4, patient_code="P-2041", hookup=BASE + timedelta(days=1))
    return truth_of("hookup_disagrees", folder, order, [a])
