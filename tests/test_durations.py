"""Durations as text: recorded rounds down, missing rounds up, nothing crosses a threshold."""

from __future__ import annotations

from decimal import Decimal

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.durations import exact_seconds, hms, in_words, seconds
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
    ],
)
def test_a_duration_in_a_sentence_keeps_its_hours(ns: int, text: str) -> None:
    assert in_words(ns) == text


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
