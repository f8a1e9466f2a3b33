"""Video over recorded EEG time."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import coverage_of, filmed, hms, hours, policy_from, stretch
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.units import HOUR, NS
from auditor.model import Interval, Video


def _video(*stretches: Interval, recorded: tuple[tuple[float, float], ...] = ((0, 10),)) -> Video:
    return filmed(*stretches, coverage=hours(*recorded))


@pytest.mark.parametrize("step", [NS, 1], ids=["a second", "a nanosecond"])
def test_exactly_the_share_is_enough_and_one_step_less_is_not(step: int) -> None:
    assert _video(stretch(0, 8)).meets
    assert _video(Interval(0, 8 * HOUR + step)).meets
    less = _video(Interval(0, 8 * HOUR - step))
    assert not less.meets
    assert less.fraction_ppm < 800_000  # the shown share never rounds up over the limit


def test_video_in_a_gap_does_not_count() -> None:
    video = _video(stretch(0, 10), recorded=((0, 4), (6, 10)))
    assert (video.recorded_ns, video.fraction_ppm) == (8 * HOUR, 1_000_000)


def test_video_outside_the_recording_does_not_count() -> None:
    assert _video(stretch(-5, 4), stretch(9, 20)).recorded_ns == 5 * HOUR


def test_video_logged_twice_counts_once() -> None:
    video = _video(stretch(0, 5), stretch(3, 6), stretch(3, 6))
    assert video.recorded_ns == 6 * HOUR
    assert video.stretches == (stretch(0, 6),)


def test_an_empty_log_documents_no_video() -> None:
    video = _video()
    assert (video.recorded_ns, video.meets, video.stretches) == (0, False, ())
    assert video.note == "The video log holds no video: video is not documented."


def test_the_note_gives_both_times_and_the_limit() -> None:
    assert _video(stretch(0, 7)).note == (
        "7 h of 10 h recorded had video, 70.00 %; at least 80 % is needed."
    )


def test_a_shown_share_is_rounded_down() -> None:
    # 2 of 3 h are 66.666… %.
    video = _video(stretch(0, 2), recorded=((0, 3),))
    assert video.fraction_ppm == 666_666
    assert video.note == "2 h of 3 h recorded had video, 66.66 %; at least 80 % is needed."


def test_the_share_is_the_policys(tmp_path: Path) -> None:
    policy = policy_from(tmp_path, "[video]\nminimum = { share = 0.5, source = 'made up' }\n")
    assert filmed(stretch(0, 5), coverage=hours((0, 10)), policy=policy).meets


@given(st.integers(1, 10**16), st.integers(0, 10**16))
def test_the_share_is_compared_in_whole_nanoseconds(recorded: int, held: int) -> None:
    video = filmed(Interval(0, held), coverage=coverage_of((0, recorded)))
    assert video.recorded_ns == min(held, recorded)
    assert video.meets == (5 * video.recorded_ns >= 4 * recorded)
    needed = video.recorded_ns + video.short_ns
    assert 5 * needed >= 4 * recorded
    assert video.meets or 5 * (needed - 1) < 4 * recorded, "no more than is missing"


@pytest.mark.parametrize(
    ("held", "short"), [("18:57:36", "0:14:24"), ("19:12:00", "0:00:00"), ("19:11:59", "0:00:01")]
)
def test_what_is_missing_to_the_share_is_given(held: str, short: str) -> None:
    # 80 % of 24 h is 19:12:00; 79 % is 18:57:36.
    video = _video(Interval(0, hms(held)), recorded=((0, 24),))
    assert video.short_ns == hms(short)


def test_each_period_has_its_share_and_what_is_left_over_counts_with_the_one_before() -> None:
    # 49:30 recorded: the last 1:30 has no video and joins day two, which has 20 of 25:30.
    coverage = coverage_of((0, hms("49:30:00")))
    video = filmed(stretch(0, 24), stretch(24, 44), coverage=coverage)
    assert [(p.index, p.meets) for p in video.periods] == [(1, True), (2, False)]
    assert video.periods[1].short_ns == hms("0:24:00")
    assert video.meets, "44 of 49:30 is 88 %"


def test_a_period_without_recorded_time_has_no_share() -> None:
    video = _video(stretch(0, 24), stretch(48, 60), recorded=((0, 24), (48, 60)))
    assert [p.index for p in video.periods] == [1, 3]
    assert [p.fraction_ppm for p in video.periods] == [1_000_000, 1_000_000]
