"""The minimum of the order: band of the ordered time against what was recorded.

Limits: more than 2 h is not needed (2:00:00 is long-term), 12, 26, 36, 50, 60, 74 and 84 h must be
passed (the code set's bands since 2020, sources in the policy; the split of totals is our reading).
"""

from __future__ import annotations

import pytest
from helpers_billing import POLICY, bill, coverage_of, hms, order
from hypothesis import given
from hypothesis import strategies as st
from msgspec.structs import replace

from auditor.billing.limits import measure_minimum
from auditor.core.units import HOUR
from auditor.model import Minimum

# (ordered, recorded, met, short in seconds, above in seconds, text)
TABLE = [
    ("2:00:00", "1:59:00", False, 60, 0, "1:00 under the 2-hour minimum"),
    ("2:00:00", "1:59:59", False, 1, 0, "0:01 under the 2-hour minimum"),
    ("2:00:00", "2:00:00", True, 0, 0,
     "exactly on the 2-hour minimum, 10:00:00 below the 12:00:00 limit"),
    ("2:00:00", "2:01:00", True, 0, 60,
     "1:00 above the 2-hour minimum, 9:59:00 below the 12:00:00 limit"),
    ("24:00:00", "11:59:00", False, 60, 0, "1:00 under the 12:00:00 limit"),
    ("24:00:00", "12:01:00", True, 0, 60,
     "1:00 above the 12:00:00 limit, 13:59:00 below the 26:00:00 limit (one day and 2 h)"),
    ("48:00:00", "35:59:00", False, 60, 0,
     "1:00 under the 36:00:00 limit (one day and 12 h)"),
    ("48:00:00", "36:01:00", True, 0, 60,
     "1:00 above the 36:00:00 limit (one day and 12 h), 13:59:00 below the 50:00:00 limit "
     "(two days and 2 h)"),
    ("48:00:00", "50:00:00", True, 0, 50400,
     "14:00:00 above the 36:00:00 limit (one day and 12 h), exactly on the 50:00:00 limit "
     "(two days and 2 h)"),
    ("72:00:00", "59:50:00", False, 600, 0,
     "10:00 under the 60:00:00 limit (two days and 12 h)"),
    ("72:00:00", "72:00:00", True, 0, 43200,
     "12:00:00 above the 60:00:00 limit (two days and 12 h), 2:00:00 below the 74:00:00 limit "
     "(three days and 2 h)"),
    ("96:00:00", "83:00:00", False, 3600, 0,
     "1:00:00 under the 84:00:00 limit (three days and 12 h)"),
    ("1:00:00", "0:40:30", False, 30, 0, "0:30 under the 41-minute minimum"),
    ("0:30:00", "0:30:00", True, 0, 600,
     "10:00 above the 20-minute minimum, 11:00 below the 41-minute minimum"),
]  # fmt: skip


@pytest.mark.parametrize(("ordered", "recorded", "met", "short", "above", "text"), TABLE)
def test_the_minimum_names_the_limit_and_the_figure(
    ordered: str, recorded: str, met: bool, short: int, above: int, text: str
) -> None:
    minimum = _minimum(ordered, recorded)
    assert (minimum.met, minimum.text) == (met, text)
    assert (minimum.short_ns, minimum.above_ns) == (short * 10**9, above * 10**9)


@pytest.mark.parametrize("limit", ["12:00:00", "26:00:00", "36:00:00", "50:00:00", "60:00:00"])
def test_exactly_on_a_limit_that_must_be_passed_is_not_met(limit: str) -> None:
    ordered = hms(limit) + HOUR
    minimum = measure_minimum(ordered, hms(limit), POLICY.billing)
    assert (minimum.met, minimum.short_ns) == (False, 1)
    assert minimum.text.startswith(f"exactly on the {limit} limit")
    assert minimum.text.endswith(", which must be passed")
    assert measure_minimum(ordered, hms(limit) + 1, POLICY.billing).met


def test_bands_are_named_for_ordered_and_recorded_time() -> None:
    minimum = _minimum("72:00:00", "59:50:00")
    assert minimum.ordered_band == "3 x 12-26 h, whole study 60-84 h"
    assert minimum.reached_band == "2 x 12-26 h + 2-12 h, whole study 36-60 h"
    assert _minimum("2:00:00", "1:59:00").reached_band == "61-119 min"
    assert _minimum("2:00:00", "0:10:00").reached_band is None


def test_an_order_that_no_code_covers_has_no_minimum() -> None:
    minimum = _minimum("0:19:00", "0:15:00")
    assert (minimum.ordered_band, minimum.met) == (None, True)
    assert (minimum.short_ns, minimum.above_ns) == (0, 0)
    assert minimum.text == "no code covers the ordered 0:19:00: there is no minimum"


def test_what_a_study_that_goes_on_lacks_is_still_to_come() -> None:
    minimum = measure_minimum(hms("72:00:00"), hms("23:40:00"), POLICY.billing, so_far=True)
    assert minimum.text == "36:20:00 still to come to the 60:00:00 limit (two days and 12 h)"


HALF = 500_000_000


def test_what_is_missing_is_rounded_up_and_what_is_above_down() -> None:
    # Half a second into a second: 1:00.5 is missing to 2 h, 36:19:59.5 to 60 h, and 0:59.5 lies above
    # 2 h with 9:59:00.5 to 12 h.
    short = measure_minimum(2 * HOUR, hms("1:58:59") + HALF, POLICY.billing)
    assert short.text == "1:01 under the 2-hour minimum"
    going_on = measure_minimum(72 * HOUR, hms("23:40:00") + HALF, POLICY.billing, so_far=True)
    assert going_on.text == "36:20:00 still to come to the 60:00:00 limit (two days and 12 h)"
    above = measure_minimum(2 * HOUR, hms("2:00:59") + HALF, POLICY.billing)
    assert above.text == "0:59 above the 2-hour minimum, 9:59:01 below the 12:00:00 limit"


def test_a_code_of_minutes_ends_where_no_other_begins() -> None:
    # Invented: a policy without the code of 41 to 60 min; 20 to 40 whole minutes end before 41.
    shorter = POLICY.billing.shorter[::2]
    minimum = measure_minimum(
        hms("0:30:00"), hms("0:30:00"), replace(POLICY.billing, shorter=shorter)
    )
    assert minimum.text == "10:00 above the 20-minute minimum, 11:00 below the 41-minute minimum"


def test_billing_gives_the_minimum_of_the_recorded_time_where_there_is_an_order() -> None:
    billing = bill(coverage_of((0, hms("1:59:00"))), given=order(2 * HOUR))
    assert billing.minimum == _minimum("2:00:00", "1:59:00")


def test_billing_says_what_is_still_to_come_where_the_order_says_that_the_study_goes_on() -> None:
    given = replace(order(72 * HOUR), still_recording=True)
    minimum = bill(coverage_of((0, hms("23:40:00"))), given=given).minimum
    assert minimum is not None
    assert minimum.text == "36:20:00 still to come to the 60:00:00 limit (two days and 12 h)"


TIME = st.integers(0, 170 * HOUR)


@given(TIME, TIME)
def test_what_is_short_is_the_least_that_meets_the_minimum(ordered: int, recorded: int) -> None:
    minimum = measure_minimum(ordered, recorded, POLICY.billing)
    assert minimum.met == (minimum.short_ns == 0)
    if minimum.met:
        return
    assert not measure_minimum(ordered, recorded + minimum.short_ns - 1, POLICY.billing).met
    assert measure_minimum(ordered, recorded + minimum.short_ns + 1, POLICY.billing).met


@given(TIME, TIME)
def test_recording_what_was_ordered_always_meets_it(ordered: int, more: int) -> None:
    minimum = measure_minimum(ordered, ordered + more, POLICY.billing)
    assert minimum.met
    if minimum.ordered_band is not None:
        below = ordered + more - minimum.above_ns - 1
        assert not measure_minimum(ordered, below, POLICY.billing).met


def _minimum(ordered: str, recorded: str) -> Minimum:
    return measure_minimum(hms(ordered), hms(recorded), POLICY.billing)
