"""Coverage: recorded, gaps, dropouts, copies, clock hours and nights."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from helpers_stop import BASE, Case, piece
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.core.clock import Axis, civil_ns
from auditor.core.errors import BeyondLimit, NothingReadable
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.coverage import timeline
from auditor.coverage.timeline import (
    clock_hours,
    measure_coverage,
    nights,
    recorded_within,
    study_coverage,
)
from auditor.model import Coverage, Interval, Track

Spans = list[tuple[int, int]]
spans = st.lists(
    st.tuples(st.integers(-60, 60), st.integers(0, 20)).map(lambda t: (t[0], t[0] + t[1])),
    max_size=8,
)
copies = st.dictionaries(st.sampled_from("ABC"), st.lists(spans, max_size=3), min_size=1)
DENVER = Axis("America/Denver")


def track(of: Spans, copy: str = "A") -> Track:
    starts = np.array([s for s, _ in of], np.int64)
    ends = np.array([e for _, e in of], np.int64)
    return Track(copy, starts, ends, sum(e - s for s, e in of))


def covered(of: Spans, floor: int = NS) -> Coverage:
    return measure_coverage([track(of)], floor)


def at(text: str, axis: Axis = DENVER, fold: int = 0) -> int:
    return axis.readings(civil_ns(datetime.fromisoformat(text)))[fold]


def sweep(of: Spans) -> Spans:
    """The union by sorting and sweeping with Python's own integers."""
    done: Spans = []
    for start, end in sorted(s for s in of if s[0] < s[1]):
        if done and start <= done[-1][1]:
            done[-1] = (done[-1][0], max(done[-1][1], end))
        else:
            done.append((start, end))
    return done


def inside(of: Spans, start: int, end: int) -> bool:
    return any(s < end and start < e for s, e in of)


@settings(max_examples=300)
@given(copies, st.integers(1, 15))
def test_every_figure_agrees_with_a_sort_and_sweep(
    tree: dict[str, list[Spans]], floor: int
) -> None:
    tracks = [track(files, name) for name, each in tree.items() for files in each]
    by_copy = {n: sweep([s for f in each for s in f]) for n, each in tree.items()}
    by_copy = {n: runs for n, runs in by_copy.items() if runs}
    union = sweep([s for runs in by_copy.values() for s in runs])
    if not union:
        with pytest.raises(ValueError, match="nothing to measure"):
            measure_coverage(tracks, floor)
        return
    found = measure_coverage(tracks, floor)
    holes = [(a[1], b[0]) for a, b in pairwise(union)]
    gaps = [h for h in holes if h[1] - h[0] >= floor]
    dropouts = [h for h in holes if h[1] - h[0] < floor]
    recorded = sum(e - s for s, e in union)

    assert found.recorded_ns == recorded
    assert found.recorded_ns + found.gaps_ns + found.dropouts_ns == found.span_ns
    assert (found.first_start, found.last_end) == (union[0][0], union[-1][1])
    assert [(g.start, g.end) for g in found.gaps] == gaps
    assert found.gaps_ns == sum(g.duration for g in found.gaps)
    assert (found.dropouts_count, found.dropouts_ns) == (
        len(dropouts),
        sum(e - s for s, e in dropouts),
    )
    assert found.overlap_ns == sum(t.records_ns for t in tracks) - recorded

    edges = [union[0][0], *(x for g in gaps for x in g), union[-1][1]]
    segments = list(zip(edges[::2], edges[1::2], strict=True))
    assert [(s.start, s.end) for s in found.segments] == segments
    for segment in found.segments:
        parts = [(s, e) for s, e in union if segment.start <= s < segment.end]
        assert segment.recorded_ns == sum(e - s for s, e in parts)
        holders = [n for n in by_copy if inside(by_copy[n], segment.start, segment.end)]
        assert list(segment.copies) == sorted(holders)
    assert found.longest_run_ns == max(s.recorded_ns for s in found.segments)

    assert [c.name for c in found.copies] == sorted(by_copy)
    own_gaps = {}
    for copy in found.copies:
        mine = by_copy[copy.name]
        ticks = {t for s, e in mine for t in range(s, e)}
        others = {t for n in by_copy if n != copy.name for s, e in by_copy[n] for t in range(s, e)}
        assert copy.recorded_ns == len(ticks)
        assert copy.only_here_ns == len(ticks - others)
        assert (copy.first_start, copy.last_end) == (mine[0][0], mine[-1][1])
        own_gaps[copy.name] = [(a[1], b[0]) for a, b in pairwise(mine) if b[0] - a[1] >= floor]
        assert [(g.start, g.end) for g in copy.gaps] == own_gaps[copy.name]
    for copy in found.copies:
        missing = {
            t
            for n, gaps in own_gaps.items()
            if n != copy.name
            for s, e in gaps
            for t in range(s, e)
        }
        joined = {t for pair in zip(*copy.held, strict=True) for t in range(*pair)}
        filled = [t for i in copy.filled for t in range(i.start, i.end)]
        assert sorted(filled) == sorted(missing & joined)


@given(spans.filter(sweep), st.integers(-90, 90), st.integers(-90, 90))
def test_recorded_within_counts_the_ticks_of_the_union(of: Spans, start: int, end: int) -> None:
    ticks = {t for s, e in of for t in range(s, e)}
    got = recorded_within(covered(of, 1), Interval(start, end))
    assert got == sum(start <= t < end for t in ticks)


def test_a_gap_of_exactly_the_floor_is_listed_and_one_nanosecond_less_is_a_dropout() -> None:
    found = covered([(0, 10 * NS), (11 * NS, 20 * NS), (21 * NS - 1, 30 * NS)])
    assert [g.duration for g in found.gaps] == [NS]
    assert (found.dropouts_count, found.dropouts_ns) == (1, NS - 1)
    assert [s.recorded_ns for s in found.segments] == [10 * NS, 18 * NS + 1]
    assert found.segments[1].duration == 19 * NS
    assert found.longest_run_ns == 18 * NS + 1


def test_a_file_without_time_adds_nothing() -> None:
    empty = Track("B", np.array([5], np.int64), np.array([5], np.int64), 0)
    found = measure_coverage([track([(0, 4)]), empty], 1)
    assert [c.name for c in found.copies] == ["A"]
    assert found.overlap_ns == 0


@pytest.mark.parametrize("tracks", [[], [track([])], [track([(3, 3)])]])
def test_nothing_recorded_is_an_error_that_says_so(tracks: list[Track]) -> None:
    with pytest.raises(ValueError, match="no counted file holds any recorded time"):
        measure_coverage(tracks, NS)


def test_two_copies_fill_each_others_gaps() -> None:
    found = measure_coverage([track([(0, 40), (60, 100)]), track([(20, 70), (90, 110)], "B")], 10)
    card, computer = found.copies
    assert found.gaps == ()
    assert found.recorded_ns == 110
    assert card.filled == (Interval(70, 90),)
    assert computer.filled == (Interval(40, 60),)
    assert (card.only_here_ns, computer.only_here_ns) == (40, 30)
    assert found.segments[0].copies == ("A", "B")


def test_a_gap_in_both_copies_is_filled_by_none() -> None:
    found = measure_coverage([track([(0, 40), (60, 100)]), track([(0, 45), (50, 100)], "B")], 5)
    assert [(g.start, g.end) for g in found.gaps] == [(45, 50)]
    assert [c.filled for c in found.copies] == [(), (Interval(40, 45), Interval(50, 60))]


# Clock hours. Transitions of America/Denver in 2027: 2027-03-14 02:00 skips to 03:00, 2027-11-07
# 02:00 falls back to 01:00 (IANA time zone database; Energy Policy Act of 2005).


def hours_of(start: int, end: int, axis: Axis) -> list[tuple[str, int]]:
    found = clock_hours(covered([(start, end)]), axis, None)
    assert [h.start for h in found[1:]] == [h.end for h in found[:-1]]
    assert (found[0].start, found[-1].end) == (start, end)
    return [(axis.iso(h.start)[11:16], h.recorded_ns // MINUTE) for h in found]


def test_hours_are_whole_civil_hours_clipped_to_the_span() -> None:
    start = at("2027-03-02T09:30:00")
    got = hours_of(start, start + 2 * HOUR, DENVER)
    assert got == [("09:30", 30), ("10:00", 60), ("11:00", 30)]


def test_the_skipped_hour_gives_no_row() -> None:
    got = hours_of(at("2027-03-14T01:00:00"), at("2027-03-14T05:00:00"), DENVER)
    assert got == [("01:00", 60), ("03:00", 60), ("04:00", 60)]


def test_the_repeated_hour_gives_two_rows() -> None:
    got = hours_of(at("2027-11-07T00:00:00"), at("2027-11-07T03:00:00"), DENVER)
    assert got == [("00:00", 60), ("01:00", 60), ("01:00", 60), ("02:00", 60)]


def test_a_change_by_half_an_hour_gives_the_row_that_the_clock_showed() -> None:
    # Lord Howe Island: 2027-04-04 02:00 falls back to 01:30; 2027-10-03 02:00 skips to 02:30.
    axis = Axis("Australia/Lord_Howe")
    back = at("2027-04-04T01:00:00", axis)
    assert hours_of(back, back + 150 * MINUTE, axis) == [
        ("01:00", 60),
        ("01:30", 30),
        ("02:00", 60),
    ]
    on = at("2027-10-03T01:00:00", axis)
    assert hours_of(on, on + 150 * MINUTE, axis) == [("01:00", 60), ("02:30", 30), ("03:00", 60)]


def test_a_change_one_minute_after_midnight_ends_a_row() -> None:
    # St John's changed at 00:01 until 2011: 2010-11-07 00:01 fell back to 23:01 of the day before.
    axis = Axis("America/St_Johns")
    start = at("2010-11-06T23:00:00", axis)
    got = hours_of(start, start + 3 * HOUR, axis)
    assert got == [("23:00", 60), ("00:00", 1), ("23:01", 59), ("00:00", 60)]


@pytest.mark.parametrize(
    "zone", ["Asia/Kolkata", "Asia/Kathmandu", "Australia/Adelaide", "America/St_Johns", None]
)
def test_rows_begin_at_civil_minute_nought_in_zones_off_the_whole_hour(zone: str | None) -> None:
    axis = Axis(zone)
    start = at("2027-06-01T10:20:00", axis)
    got = hours_of(start, start + 2 * HOUR, axis)
    assert got == [("10:20", 40), ("11:00", 60), ("12:00", 20)]


@pytest.mark.parametrize("zone", ["America/Denver", "Europe/Vienna", "America/Santiago"])
def test_the_hours_of_a_year_tile_it_and_differ_by_the_changes_alone(zone: str) -> None:
    axis = Axis(zone)
    start, end = at("2027-01-01T00:00:00", axis), at("2028-01-01T00:00:00", axis)
    rows = clock_hours(covered([(start, end)]), axis, None)
    assert len(rows) == 365 * 24
    assert {r.end - r.start for r in rows} == {HOUR}
    shown = [axis.iso(r.start) for r in rows]
    assert len(shown) - len(set(shown)) == 1  # the repeated hour
    assert all(axis.civil(r.start) % HOUR == 0 for r in rows)


def slow_rows(axis: Axis, start: int, end: int) -> list[tuple[int, int]]:
    """Hour rows by asking the zone for every single minute."""
    zone = ZoneInfo(axis.zone or "UTC")
    rows: list[tuple[int, int]] = []
    shown = None
    for minute in range(start // MINUTE, end // MINUTE):
        local = datetime.fromtimestamp(minute * 60, zone)
        key = (local.date(), local.hour, local.utcoffset())
        at = minute * MINUTE
        rows = (
            [*rows[:-1], (rows[-1][0], at + MINUTE)] if key == shown else [*rows, (at, at + MINUTE)]
        )
        shown = key
    return rows


@pytest.mark.parametrize(
    "zone",
    [
        "America/Denver",
        "Europe/Vienna",
        "America/Santiago",  # southern hemisphere, changes at midnight
        "Australia/Adelaide",  # half-hour zone
        "Australia/Lord_Howe",  # changes by half an hour
        "Pacific/Chatham",  # 45-minute zone
        "America/St_Johns",
        "Africa/Casablanca",
    ],
)
def test_the_hours_around_every_change_of_2027_agree_with_the_zones_minutes(zone: str) -> None:
    axis = Axis(zone)
    year = [civil_ns(datetime(2027, 1, 1)) + quarter * 15 * MINUTE for quarter in range(365 * 96)]
    changes = [b for a, b in pairwise(year[::8]) if axis.offset(a) != axis.offset(b)]
    assert changes
    for change in changes:
        start, end = change - 4 * HOUR - 20 * MINUTE, change + 4 * HOUR + 10 * MINUTE
        found = clock_hours(covered([(start, end)]), axis, None)
        assert [(h.start, h.end) for h in found] == slow_rows(axis, start, end)


def test_recorded_and_usable_time_of_the_hours_add_up() -> None:
    start = at("2027-03-02T09:30:00")
    found = covered([(start, start + HOUR), (start + 2 * HOUR, start + 3 * HOUR)])
    # What is said to be usable counts only where it was recorded.
    good = np.array([start + 50 * MINUTE], np.int64), np.array([start + 130 * MINUTE], np.int64)
    rows = clock_hours(found, DENVER, good)
    assert [h.recorded_ns // MINUTE for h in rows] == [30, 30, 30, 30]
    assert [None if h.usable_ns is None else h.usable_ns // MINUTE for h in rows] == [0, 10, 10, 0]
    assert [h.usable_ns for h in clock_hours(found, DENVER, None)] == [None] * 4


def test_a_wrong_date_decades_away_makes_no_endless_table() -> None:
    start = at("1985-01-01T00:00:00")
    late = at("2027-03-02T09:30:00")
    found = covered([(start, start + HOUR), (late, late + 90 * MINUTE)])
    rows = clock_hours(found, DENVER, None)
    assert [DENVER.iso(r.start) for r in rows] == [
        "1985-01-01T00:00:00", "2027-03-02T09:00:00", "2027-03-02T10:00:00",
    ]  # fmt: skip
    assert sum(r.recorded_ns for r in rows) == found.recorded_ns
    assert len(nights(found, DENVER, None, 22 * 3600, 6 * 3600)) == 1


# Nights.


def nights_of(start: int, end: int, night: tuple[int, int] = (22, 6)) -> list[tuple[str, str]]:
    found = nights(covered([(start, end)]), DENVER, None, night[0] * 3600, night[1] * 3600)
    assert all(n.recorded_ns == n.end - n.start for n in found)
    return [(DENVER.iso(n.start)[5:16], DENVER.iso(n.end)[5:16]) for n in found]


def test_nights_are_clipped_to_the_span() -> None:
    got = nights_of(at("2027-03-02T03:00:00"), at("2027-03-04T23:15:00"))
    assert got == [
        ("03-02T03:00", "03-02T06:00"),
        ("03-02T22:00", "03-03T06:00"),
        ("03-03T22:00", "03-04T06:00"),
        ("03-04T22:00", "03-04T23:15"),
    ]


def test_a_night_across_a_change_of_the_clock_lasts_what_it_lasted() -> None:
    spring = covered([(at("2027-03-13T20:00:00"), at("2027-03-14T08:00:00"))])
    autumn = covered([(at("2027-11-06T20:00:00"), at("2027-11-07T08:00:00"))])
    for found, length in ((spring, 7), (autumn, 9)):
        (night,) = nights(found, DENVER, None, 22 * 3600, 6 * 3600)
        assert night.recorded_ns == night.end - night.start == length * HOUR


def test_a_night_that_ends_in_the_repeated_hour_takes_both() -> None:
    found = covered([(at("2027-11-06T20:00:00"), at("2027-11-07T08:00:00"))])
    (night,) = nights(found, DENVER, None, 22 * 3600, 90 * 60)
    assert night.end == at("2027-11-07T01:30:00", fold=1)
    assert night.recorded_ns == 4 * HOUR + 30 * MINUTE


def test_night_hours_within_one_day_need_no_midnight() -> None:
    got = nights_of(at("2027-03-02T12:00:00"), at("2027-03-03T12:00:00"), (1, 5))
    assert got == [("03-03T01:00", "03-03T05:00")]


def test_a_recording_by_day_has_no_night() -> None:
    assert nights_of(at("2027-03-02T06:00:00"), at("2027-03-02T22:00:00")) == []


@pytest.mark.parametrize("hours", [(-1, 5), (5, -1), (22 * 3600, 86_400), (86_400, 5)])
def test_a_time_outside_the_day_is_refused(hours: tuple[int, int]) -> None:
    with pytest.raises(ValueError, match="seconds of a day"):
        nights(covered([(0, HOUR)]), Axis(), None, *hours)


def test_usable_time_of_a_night_is_none_where_nothing_was_scanned() -> None:
    start = at("2027-03-02T20:00:00")
    found = covered([(start, start + DAY)])
    good = np.array([start], np.int64), np.array([start + 3 * HOUR], np.int64)
    (night,) = nights(found, DENVER, good, 22 * 3600, 6 * 3600)
    assert night.usable_ns == HOUR
    (night,) = nights(found, DENVER, None, 22 * 3600, 6 * 3600)
    assert night.usable_ns is None


def test_the_coverage_of_a_study_is_that_of_its_counted_files() -> None:
    card, pc = piece("card/a.edf", (0, 3), copy="A"), piece("pc/a.edf", (2, 4), copy="B")
    found = study_coverage(Case([card, pc]).study(), NS)
    assert (found.first_start, found.last_end) == (BASE, BASE + 4 * HOUR)
    assert (found.recorded_ns, found.overlap_ns) == (4 * HOUR, HOUR)
    assert [(c.name, c.recorded_ns, c.only_here_ns) for c in found.copies] == [
        ("A", 3 * HOUR, 2 * HOUR),
        ("B", 2 * HOUR, HOUR),
    ]


def test_a_study_without_recorded_time_has_no_coverage() -> None:
    with pytest.raises(NothingReadable) as error:
        study_coverage(Case([piece("a.edf", (1, 1))]).study(), NS)
    assert str(error.value).startswith("S-2041: no counted file holds recorded time")


def test_more_gaps_than_are_measured_are_refused_and_no_fewer(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    runs = [(2 * hour, 2 * hour + 1) for hour in range(4)]
    study = Case([piece("a.edf", *runs)]).study()
    monkeypatch.setattr(timeline, "MOST_GAPS", 3)
    assert len(study_coverage(study, HOUR).gaps) == 3
    monkeypatch.setattr(timeline, "MOST_GAPS", 2)
    with pytest.raises(BeyondLimit, match="S-2041: the files have 3 gaps together; no more than 2"):
        study_coverage(study, HOUR)
    monkeypatch.setattr(timeline, "MOST_GAPS", 0)
    assert study_coverage(study, HOUR + 1).gaps == ()


def test_a_span_beyond_400_days_lists_only_the_nights_and_hours_that_hold_time() -> None:
    """One wrong date in a file must not make rows without end."""
    axis, night = Axis(), (22 * 3600, 6 * 3600)
    longest = covered([(0, HOUR), (400 * DAY - HOUR, 400 * DAY)])
    # 1 Jan 1970 00:00 is inside a night: that of the day before, and 400 more end with the span.
    assert len(nights(longest, axis, None, *night)) == 401
    assert len(clock_hours(longest, axis, None)) == 400 * 24
    longer = covered([(0, HOUR), (400 * DAY - HOUR, 400 * DAY + 1)])
    held = nights(longer, axis, None, *night)
    assert [(n.start, n.end) for n in held] == [
        (0, 6 * HOUR),
        (399 * DAY + 22 * HOUR, 400 * DAY + 1),
    ]
    assert [h.start for h in clock_hours(longer, axis, None)] == [
        0,
        400 * DAY - HOUR,
        400 * DAY,
    ]


def test_each_segment_names_the_copies_that_hold_time_in_it() -> None:
    found = measure_coverage(
        [track([(0, 4), (100, 110), (200, 210)], "A"), track([(2, 9), (50, 60), (201, 205)], "B")],
        20,
    )
    assert [(s.start, s.end, s.recorded_ns, s.copies) for s in found.segments] == [
        (0, 9, 9, ("A", "B")),
        (50, 60, 10, ("B",)),
        (100, 110, 10, ("A",)),
        (200, 210, 10, ("A", "B")),
    ]


@pytest.mark.parametrize("floor", [0, -1])
def test_a_gap_floor_of_nothing_is_refused(floor: int) -> None:
    with pytest.raises(ValueError, match="longer than nothing"):
        covered([(0, 5)], floor)


def test_a_night_may_begin_or_end_at_midnight_or_last_a_day() -> None:
    coverage, axis = covered([(-HOUR, DAY + 1)]), Axis()

    def listed(start: int, end: int) -> Spans:
        return [(n.start, n.end) for n in nights(coverage, axis, None, start, end)]

    assert listed(0, 6 * 3600) == [(0, 6 * HOUR), (DAY, DAY + 1)]
    assert listed(22 * 3600, 0) == [(-HOUR, 0), (22 * HOUR, DAY)]
    assert listed(0, 0) == [(-HOUR, 0), (0, DAY), (DAY, DAY + 1)]


def test_usable_and_clean_time_are_told_by_hour_and_by_night() -> None:
    coverage, axis = covered([(0, 2 * HOUR)]), Axis()
    usable = np.array([0]), np.array([90 * MINUTE])
    clean = np.array([HOUR - MINUTE]), np.array([HOUR + MINUTE])
    hours = clock_hours(coverage, axis, usable, clean)
    assert [(h.usable_ns, h.clean_ns) for h in hours] == [(HOUR, MINUTE), (30 * MINUTE, MINUTE)]
    [night] = nights(coverage, axis, usable, 22 * 3600, 6 * 3600, clean)
    assert (night.recorded_ns, night.usable_ns, night.clean_ns) == (
        2 * HOUR,
        90 * MINUTE,
        2 * MINUTE,
    )


def test_a_night_that_two_runs_of_a_long_span_share_is_listed_once() -> None:
    apart = covered([(0, HOUR), (2 * HOUR, 3 * HOUR), (500 * DAY, 500 * DAY + 1)])
    found = nights(apart, Axis(), None, 22 * 3600, 6 * 3600)
    assert [(n.start, n.recorded_ns) for n in found] == [(0, 2 * HOUR), (499 * DAY + 22 * HOUR, 1)]
