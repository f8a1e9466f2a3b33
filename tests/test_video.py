"""Video over recorded EEG time."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_billing import POLICY, coverage_of, hours, policy_from, stretch
from hypothesis import given
from hypothesis import strategies as st

from auditor.billing.video import measure_video
from auditor.core.units import HOUR, NS
from auditor.model import Interval, Video


def _video(*stretches: Interval, recorded: tuple[tuple[float, float], ...] = ((0, 10),)) -> Video:
    return measure_video(stretches, hours(*recorded), POLICY.video)


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
    assert "not documented" in video.note


def test_the_note_gives_both_times_and_the_limit() -> None:
    assert _video(stretch(0, 7)).note == (
        "7 h of 10 h recorded had video, 70.00 %; the codes with video need at least 80 %."
    )


def test_the_share_is_the_policys(tmp_path: Path) -> None:
    policy = policy_from(tmp_path, "[video]\nminimum = { share = 0.5, source = 'made up' }\n")
    assert measure_video([stretch(0, 5)], hours((0, 10)), policy.video).meets


@given(st.integers(1, 10**16), st.integers(0, 10**16))
def test_the_share_is_compared_in_whole_nanoseconds(recorded: int, held: int) -> None:
    video = measure_video([Interval(0, held)], coverage_of((0, recorded)), POLICY.video)
    assert video.recorded_ns == min(held, recorded)
    assert video.meets == (5 * video.recorded_ns >= 4 * recorded)
