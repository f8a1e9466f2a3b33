"""The numbers of the pictures: places only, and nothing of the study is lost in them."""

from __future__ import annotations

from datetime import datetime
from itertools import pairwise

import helpers_audit as h
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.core.clock import Axis, civil_ns
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.model import Audit
from auditor.outputs.html.picture import (
    FULL,
    HEIGHT,
    LISTED,
    MAX_ROWS,
    Row,
    Skipped,
    draw,
    draw_channels,
    shares,
)

NOTHING = np.empty(0, dtype=np.int64)


def rows(audit: Audit) -> list[Row]:
    return [r for r in draw(audit).rows if isinstance(r, Row)]


def unzoned(*stretches: tuple[int, int], ordered: int | None = None) -> Audit:
    """An audit without a zone; stretches in hours after midnight of 2 March 2027."""
    start = civil_ns(datetime(2027, 3, 2))
    runs = [(start + a * HOUR, start + b * HOUR) for a, b in stretches]
    return h.build({"A": runs}, ordered=ordered, axis=Axis(None))


def test_a_row_is_one_civil_day_from_midnight_to_midnight() -> None:
    drawn = rows(unzoned((6, 30)))
    assert [(r.start % DAY, r.end - r.start) for r in drawn] == [(0, DAY), (0, DAY)]
    assert [(b.x, b.w) for b in drawn[0].lanes["recorded"]] == [(2500, 7500)]
    assert [(b.x, b.w) for b in drawn[1].lanes["recorded"]] == [(0, 2500)]


def test_a_gap_stands_at_its_own_place() -> None:
    (row,) = rows(unzoned((0, 6), (12, 24)))
    assert [(b.x, b.w) for b in row.lanes["gaps"]] == [(2500, 2500)]
    assert [(k.first, k.last, k.key) for k in row.links] == [(0, 0, "1")]


def test_a_gap_of_one_second_is_still_seen() -> None:
    start = civil_ns(datetime(2027, 3, 2))
    audit = h.build(
        {"A": [(start, start + HOUR), (start + HOUR + NS, start + DAY)]}, ordered=None, axis=Axis()
    )
    (row,) = rows(audit)
    assert len(row.lanes["gaps"]) == 1
    assert row.lanes["gaps"][0].w >= 10


def test_a_gap_over_midnight_has_a_link_on_both_days_and_the_first_is_the_way_back() -> None:
    picture = draw(unzoned((0, 20), (28, 48)))
    first, second = (r for r in picture.rows if isinstance(r, Row))
    assert first.links[0].key == "1"
    assert second.links[0].key.startswith("1-from-")
    assert picture.link_of_gap == {0: "1"}


@pytest.mark.parametrize("gaps", [130, 5000])
def test_links_stay_few_and_hold_every_gap_once(gaps: int) -> None:
    picture = draw(h.many_gaps(gaps=gaps, annotations=10))
    links = [k for r in picture.rows if isinstance(r, Row) for k in r.links]
    assert len(links) <= 120
    assert set(picture.link_of_gap) == set(range(min(gaps, LISTED)))
    assert {g for k in links for g in range(k.first, k.last + 1)} == set(range(gaps))
    held = sorted((k.first, k.last) for k in links if "-from-" not in k.key)
    assert held[0][0] == 0
    assert all(a[1] < b[0] for a, b in pairwise(held))


def test_nothing_is_drawn_outside_its_row() -> None:
    for scenario in ("normal", "two_copies", "everything", "many_gaps"):
        for row in rows(h.SCENARIOS[scenario]()):
            bars = [
                *row.lanes["recorded"],
                *row.lanes["gaps"],
                *row.lanes["unfilled"],
                *row.lanes["nights"],
                *row.lanes["ordered"],
            ]
            bars += [b for name, lane in row.lanes.items() if " by " in name for b in lane]
            assert all(b.x >= 0 and b.w > 0 for b in bars)
            assert all(b.x + b.w <= row.length + 12 for b in bars), scenario


def test_ordered_time_that_was_not_recorded_is_drawn_at_both_ends() -> None:
    start = civil_ns(datetime(2027, 3, 2, 9, 30))
    assert Axis("America/Denver").instant(start) == h.HOOKUP
    audit = h.build({"A": [(h.HOOKUP + HOUR, h.HOOKUP + 2 * HOUR)]}, ordered=4 * HOUR)
    (row,) = rows(audit)
    assert len(row.lanes["unfilled"]) == 2
    assert {f.text for f in row.flags} == {"first", "last", "hookup", "planned_end"}


def test_a_day_of_23_hours_is_shorter_and_has_its_own_hour_marks() -> None:
    # Clocks in America/Denver go forward on 14 March 2027 (IANA time zone database).
    drawn = {r.start: r for r in rows(h.many_gaps(gaps=3, annotations=10))}
    short = [r for r in drawn.values() if r.length < FULL]
    assert len(short) == 1
    assert short[0].end - short[0].start == 23 * HOUR
    assert short[0].length == FULL * 23 // 24
    assert [t.text for t in short[0].hours][-1] == "00:00"
    assert all(not r.hours for r in drawn.values() if r is not short[0])


def test_a_day_of_25_hours_sets_the_scale() -> None:
    # Clocks in America/Denver go back on 7 November 2027 (IANA time zone database).
    axis = Axis("America/Denver")
    start = axis.instant(civil_ns(datetime(2027, 11, 6, 12)))
    audit = h.build({"A": [(start, start + 48 * HOUR)]}, ordered=None, axis=axis)
    lengths = [r.length for r in rows(audit)]
    assert lengths == [9600, FULL, 9600]


def test_empty_days_between_files_are_left_out_and_counted() -> None:
    picture = draw(unzoned((0, 5), (24 * 400, 24 * 400 + 5)))
    assert [type(r) for r in picture.rows] == [Row, Skipped, Row]
    skipped = picture.rows[1]
    assert isinstance(skipped, Skipped)
    assert skipped.days == 399


def test_a_study_of_many_days_is_cut_and_says_so() -> None:
    picture = draw(unzoned((0, 24 * 365)))
    assert picture.cut
    assert len(picture.rows) == MAX_ROWS
    assert not draw(unzoned((0, 24 * 14))).cut


def test_a_recording_of_a_century_is_drawn_without_walking_through_it() -> None:
    picture = draw(unzoned((0, 24), (24 * 36_500, 24 * 36_501)))
    assert len(picture.rows) == 3


def test_copies_show_what_each_fills() -> None:
    day_two = rows(h.two_copies())[1]
    assert not day_two.lanes["filled by A"]
    assert len(day_two.lanes["filled by B"]) == 1
    assert day_two.lanes["held by A"]
    assert day_two.lanes["held by B"]


def test_one_copy_needs_no_lane_of_its_own() -> None:
    assert all("held by A" not in r.lanes for r in rows(h.normal()))


def test_usable_time_is_unknown_where_the_signal_was_not_scanned() -> None:
    assert all(not r.lanes["usable"] for r in rows(h.signal_off()))
    assert all(r.lanes["usable"] for r in rows(h.normal()))


@given(st.lists(st.integers(0, 10**16), min_size=1, max_size=8))
def test_the_parts_of_the_bar_fill_it_exactly(parts: list[int]) -> None:
    widths = shares(parts)
    assert sum(widths) == (FULL if sum(parts) else 0)
    assert all((w > 0) == (p > 0) for w, p in zip(widths, parts, strict=True))


def test_a_part_of_a_second_is_still_seen_in_the_bar() -> None:
    assert shares([72 * HOUR, NS, 0]) == (FULL - 40, 40, 0)


def test_channels_show_signal_from_below_and_saturated_from_above() -> None:
    audit = unzoned((0, 3))
    channel = replace(
        audit.signal.channels[0],
        hourly=((HOUR, 0, 0, 0, 0), (HOUR // 2, HOUR // 2, 0, 0, 0), (0, 0, HOUR, 0, 0)),
    )
    picture = draw_channels(replace(audit, signal=replace(audit.signal, channels=(channel,))))
    assert picture is not None
    half = HEIGHT // 2
    assert picture.strips[0].signal == f"M0 0h1v{HEIGHT}h-1zM1 {half}h1v{half}h-1z"
    assert picture.strips[0].saturated == f"M2 0h1v{HEIGHT}h-1z"


def test_an_hour_without_recording_is_neither_live_nor_flat() -> None:
    picture = draw_channels(unzoned((0, 2), (5, 7)))
    assert picture is not None
    assert picture.unrecorded == f"M2 0h3v{HEIGHT}h-3z"


def test_artifact_lies_over_the_signal_and_is_at_most_all_of_it() -> None:
    audit = unzoned((0, 2))
    channel = replace(
        audit.signal.channels[0],
        hourly=((HOUR, 0, 0, HOUR // 4, HOUR // 4), (HOUR, 0, 0, HOUR, HOUR)),
    )
    picture = draw_channels(replace(audit, signal=replace(audit.signal, channels=(channel,))))
    assert picture is not None
    half = HEIGHT // 2
    assert picture.strips[0].artifact == f"M0 {half}h1v{half}h-1zM1 0h1v{HEIGHT}h-1z"


def test_a_whole_study_under_artifact_is_no_solid_green_picture() -> None:
    audit = unzoned((0, 3))
    none = replace(audit.signal, clean=(NOTHING, NOTHING))
    (row,) = rows(replace(audit, signal=none))
    assert row.lanes["artifact"] == row.lanes["usable"]
    signal = audit.signal
    all_clean = replace(signal, clean=signal.usable)
    assert rows(replace(audit, signal=all_clean))[0].lanes["artifact"] == ()


def test_a_second_of_artifact_is_still_seen() -> None:
    audit = unzoned((0, 1))
    assert audit.signal.usable is not None
    starts, ends = audit.signal.usable
    signal = replace(audit.signal, clean=(starts, ends - NS))
    ((bar,),) = (row.lanes["artifact"] for row in rows(replace(audit, signal=signal)))
    assert bar.w >= 10


def test_a_minute_of_flat_signal_leaves_a_full_strip_open() -> None:
    audit = unzoned((0, 1))
    channel = replace(audit.signal.channels[0], hourly=((HOUR - MINUTE, MINUTE, 0, 0, 0),))
    picture = draw_channels(replace(audit, signal=replace(audit.signal, channels=(channel,))))
    assert picture is not None
    assert picture.strips[0].signal == f"M0 1h1v{HEIGHT - 1}h-1z"


def test_eeg_channels_are_drawn_first_where_not_all_fit() -> None:
    audit = unzoned((0, 24 * 30))
    channels = (audit.signal.channels[-1], *audit.signal.channels[:-1]) * 3
    picture = draw_channels(replace(audit, signal=replace(audit.signal, channels=channels)))
    assert picture is not None
    assert len(picture.strips) < picture.total == len(channels)
    assert all(s.channel.is_eeg for s in picture.strips)
