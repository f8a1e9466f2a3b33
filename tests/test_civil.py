"""The study axis against the IANA database (zoneinfo), and exact times as text."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.clock import Axis, civil_datetime, civil_ns, day_text, iso
from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, MINUTE, NS

ZONES = (
    "America/Denver",
    "Europe/Vienna",
    "Australia/Lord_Howe",
    "Asia/Kathmandu",
    "America/Sao_Paulo",
)


@pytest.mark.parametrize(
    ("fraction", "text"),
    [
        (0, "2027-03-02T09:30:00"),
        (500_000_000, "2027-03-02T09:30:00.500"),
        (394_531_200, "2027-03-02T09:30:00.394531200"),
        (1, "2027-03-02T09:30:00.000000001"),
        (1000, "2027-03-02T09:30:00.000001"),
    ],
)
def test_a_time_is_written_with_as_many_digits_as_it_needs(fraction: int, text: str) -> None:
    assert iso(civil_ns(datetime(2027, 3, 2, 9, 30), fraction)) == text


def test_a_time_for_people_has_its_weekday_and_year_and_never_rounds_up() -> None:
    late = civil_ns(datetime(2027, 3, 2, 9, 30, 59), 999_999_999)
    assert Axis().said(late) == "Tue 2 Mar 2027 09:30:59"
    assert Axis("America/Denver").said(0) == "Wed 31 Dec 1969 17:00:00"
    assert day_text(late) == "Tue 2 Mar 2027"


def test_times_before_1970_keep_their_fraction() -> None:
    assert (
        iso(civil_ns(datetime(1969, 12, 31, 23, 59, 59), 250_000_000)) == "1969-12-31T23:59:59.250"
    )


def test_the_hour_that_exists_twice_has_two_readings_an_hour_apart() -> None:
    axis = Axis("America/Denver")
    first, second = axis.readings(civil_ns(datetime(2026, 11, 1, 1, 30)))
    assert second - first == HOUR
    assert axis.civil(first) == axis.civil(second)


def test_lord_howe_repeats_half_an_hour() -> None:
    # IANA: Australia/Lord_Howe goes from +11 to +10:30 on 2027-04-04 at 02:00.
    axis = Axis("Australia/Lord_Howe")
    first, second = axis.readings(civil_ns(datetime(2027, 4, 4, 1, 45)))
    assert second - first == 30 * MINUTE


def test_an_hour_that_is_skipped_continues_the_offset_before_it() -> None:
    axis = Axis("America/Denver")
    civil = civil_ns(datetime(2027, 3, 14, 2, 30))
    assert not axis.exists(civil)
    (reading,) = axis.readings(civil)
    assert axis.iso(reading) == "2027-03-14T03:30:00"


def test_the_reading_nearest_a_known_instant_is_taken() -> None:
    axis = Axis("America/Denver")
    civil = civil_ns(datetime(2026, 11, 1, 1, 30))
    first, second = axis.readings(civil)
    assert axis.instant(civil) == first
    assert axis.instant(civil, near=second + MINUTE) == second


def test_without_a_zone_stamps_are_taken_as_they_stand() -> None:
    axis = Axis()
    assert axis.readings(123) == (123,)
    assert axis.civil(123) == 123
    assert axis.offset(123) == 0


def test_an_unknown_zone_is_an_error_that_names_it() -> None:
    with pytest.raises(SettingsError, match="Mars/Olympus"):
        Axis("Mars/Olympus")


@given(
    zone=st.sampled_from(ZONES),
    moment=st.datetimes(datetime(1990, 1, 1), datetime(2060, 1, 1)),
    rest=st.integers(0, NS - 1),
)
def test_every_instant_survives_the_way_to_civil_time_and_back(
    zone: str, moment: datetime, rest: int
) -> None:
    axis = Axis(zone)
    instant = civil_ns(moment.replace(microsecond=0), rest)
    civil = axis.civil(instant)
    assert instant in axis.readings(civil)
    expected = moment.replace(microsecond=0, tzinfo=UTC).astimezone(ZoneInfo(zone))
    assert civil_datetime(civil).replace(microsecond=0) == expected.replace(tzinfo=None)
    assert (
        civil - instant == (expected.utcoffset() or timedelta()) // timedelta(microseconds=1) * 1000
    )
