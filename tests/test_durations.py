"""Durations as text: recorded rounds down, missing rounds up, nothing crosses a threshold."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.durations import clock, exact_seconds, hms, in_words, seconds
from auditor.core.units import DAY, HOUR, MINUTE, NS


@pytest.mark.parametrize(
    ("ns", "down", "up"),
    [
        (0, "0:00:00", "0:00:00"),
        (1, "0:00:00", "0:00:01"),
        (12 * HOUR - 1, "11:59:59", "12:00:00"),
        (72 * HOUR, "72:00:00", "72:00:00"),
        (100 * HOUR + 59 * NS, "100:00:59", "100:00:59"),
        (-90 * NS, "-0:01:30", "-0:01:30"),
    ],
)
def test_recorded_rounds_down_and_missing_rounds_up(ns: int, down: str, up: str) -> None:
    assert hms(ns) == down
    assert hms(ns, up=True) == up


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (47 * HOUR + 12 * MINUTE, "47 h 12 min"),
        (185 * NS, "3 min 5 s"),
        (250_000_000, "0.25 s"),
        (0, "0 s"),
        (HOUR, "1 h"),
        (90 * NS + 1, "1 min 30 s"),
        (-HOUR - 5 * NS, "-1 h 5 s"),
    ],
)
def test_a_duration_in_a_sentence_keeps_its_hours(ns: int, text: str) -> None:
    assert in_words(ns) == text


@pytest.mark.parametrize(
    ("ns", "text"),
    [
        (NS // 10, "0:00"),
        (5 * MINUTE + 10 * NS, "5:10"),
        (50 * MINUTE + 9 * NS, "50:09"),
        (HOUR, "1:00:00"),
        (20 * HOUR + 5 * NS, "20:00:05"),
    ],
)
def test_a_duration_under_an_hour_is_shown_without_hours(ns: int, text: str) -> None:
    assert clock(ns) == text


def test_what_is_missing_rounds_up_without_hours_and_in_words_too() -> None:
    assert clock(NS // 10, up=True) == "0:01"
    assert in_words(90 * NS + 1, up=True) == "1 min 31 s"


def test_whole_seconds_in_a_table_have_no_point() -> None:
    assert [exact_seconds(ns) for ns in (0, 5 * NS, -5 * NS)] == ["0", "5", "-5"]


@given(st.integers(0, 14 * DAY))
def test_shown_text_never_passes_the_duration(ns: int) -> None:
    def parsed(text: str) -> int:
        hours, minutes, secs = map(int, text.split(":"))
        return (hours * 3600 + minutes * 60 + secs) * NS

    assert parsed(hms(ns)) <= ns <= parsed(hms(ns, up=True))
    assert ns - parsed(hms(ns)) < NS


@given(st.integers(-14 * DAY, 40 * DAY))
def test_seconds_are_exact_to_the_nanosecond(ns: int) -> None:
    assert round(Decimal(seconds(ns)) * NS) == ns
    assert Decimal(exact_seconds(ns)) * NS == ns
