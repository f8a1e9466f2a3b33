"""Every limit from 1:59 to 168 h at one minute below, on and above it, and the margins there.

``SPANS`` is the rule written out by hand: from the bands that were published for the codes of 2020
(limits read in S5 to S8 of the policy's sources; a remainder of more than 2 h beyond a whole day is
a 2-12 h unit: S3, S4) and, where they are silent, our inference (a remainder of more than 12 h is a
whole unit; technical limits as the professional ones). ``PUBLISHED`` names the answers that a
source itself gives.
"""

from __future__ import annotations

import pytest
from helpers_billing import POLICY, bill, coverage_of, hms, order, units
from msgspec.structs import replace

from auditor.billing.limits import (
    band_of,
    band_of_period,
    bands_words,
    changes_a_code,
    limit_words,
    margins,
    measure_minimum,
    period_margins,
    shorter_band,
    split_total,
    total_limits,
    unit_length,
    within,
)
from auditor.core.units import HOUR, MINUTE

SHORT, LONG = "95705", "95708"

# First and last whole minute of a span of totals; units of 12-26 h and of 2-12 h; the whole-study
# code; the code under 2 h. Every first minute but 2:00 is one minute past a limit.
SPANS = [
    ("0:00", "0:19", 0, 0, None, None),
    ("0:20", "0:40", 0, 0, None, "by state"),
    ("0:41", "1:00", 0, 0, None, "95812"),
    ("1:01", "1:59", 0, 0, None, "95813"),
    ("2:00", "12:00", 0, 1, None, None),
    ("12:01", "26:00", 1, 0, None, None),
    ("26:01", "36:00", 1, 1, None, None),
    ("36:01", "50:00", 2, 0, "95721", None),
    ("50:01", "60:00", 2, 1, "95721", None),
    ("60:01", "74:00", 3, 0, "95723", None),
    ("74:01", "84:00", 3, 1, "95723", None),
    ("84:01", "98:00", 4, 0, "95725", None),
    ("98:01", "108:00", 4, 1, "95725", None),
    ("108:01", "122:00", 5, 0, "95725", None),
    ("122:01", "132:00", 5, 1, "95725", None),
    ("132:01", "146:00", 6, 0, "95725", None),
    ("146:01", "156:00", 6, 1, "95725", None),
    ("156:01", "170:00", 7, 0, "95725", None),
]

# Limits of the codes, whole days, half days, and totals in between.
POINTS = [
    "0:20", "0:41", "1:01", "2:00", "3:07", "6:00", "12:00", "18:00", "24:00", "26:00", "30:00",
    "36:00", "40:00", "42:00", "48:00", "50:00", "54:00", "60:00", "65:00", "66:00", "70:00",
    "72:00", "74:00", "78:00", "84:00", "90:00", "96:00", "98:00", "102:00", "108:00", "114:00",
    "120:00", "122:00", "125:00", "132:00", "138:00", "144:00", "146:00", "150:00", "156:00",
    "160:00", "162:00", "168:00",
]  # fmt: skip

PUBLISHED = [
    ("3:07", "technical", SHORT, "AAPC Neurology & Pain Management Coding Alert (S5)"),
    ("65:00", "whole", "95723", "public code directory, entry 95723 (S8, secondary)"),
    ("70:00", "whole", "95723", "public code directory, entry 95723 (S8, secondary)"),
    ("72:00", "whole", "95723", "public code directory, entry 95723 (S8, secondary)"),
    ("0:45", "shorter", "95812", "AAPC, on the confusion about extended monitoring (S20)"),
]

CASES = [(point, step) for point in POINTS for step in (-1, 0, 1)]


def _minutes(text: str) -> int:
    hours, minutes = text.split(":")
    return int(hours) * 60 + int(minutes)


def _span(total: int) -> tuple[int, int, int, int, str | None, str | None]:
    (found,) = [
        (_minutes(first), _minutes(last), *rest)
        for first, last, *rest in SPANS
        if _minutes(first) <= total <= _minutes(last)
    ]
    return found  # type: ignore[return-value]


def test_there_are_129_cases_and_every_limit_is_among_them() -> None:
    assert len(set(CASES)) == len(CASES) == 129
    ends = {last for _, last, *_ in SPANS} - {"0:19", "0:40", "1:00", "1:59", "170:00"}
    assert ends | {"0:20", "0:41", "1:01", "2:00"} <= set(POINTS)


@pytest.mark.parametrize(("point", "step"), CASES, ids=str)
def test_units_codes_and_margins_at_each_limit(point: str, step: int) -> None:
    total = _minutes(point) + step
    first, last, long, short, whole, shorter = _span(total)
    billing = bill(coverage_of((0, total * MINUTE)))
    assert units(billing.technical_totals) == {c: n for c, n in ((SHORT, short), (LONG, long)) if n}
    assert billing.professional.whole_study.code == whole
    assert billing.not_billable_ns == (0 if total >= 120 else total * MINUTE)

    margins = billing.total.to_next_ns, billing.total.exceed_next, billing.total.above_ns
    if total < 120:
        assert margins == ((120 - total) * MINUTE, False, 0)
    else:
        limit = 120 if first == 120 else first - 1  # all but 2:00 must be passed
        assert margins == ((last - total) * MINUTE, True, (total - limit) * MINUTE)

    if total >= 120:
        assert billing.shorter is None
    elif shorter == "by state":
        assert billing.shorter is not None
        assert (billing.shorter.code, billing.shorter.band) == (None, "20-40 min")
    else:
        assert billing.shorter is not None
        assert billing.shorter.code == shorter

    above = [limit for limit in (36, 60, 84) if total > limit * 60]
    beyond = [limit for limit in (36, 60, 84) if total <= limit * 60]
    report = billing.professional
    assert report.whole_above_ns == ((total - above[-1] * 60) * MINUTE if above else 0)
    assert report.whole_to_next_ns == ((beyond[0] * 60 - total) * MINUTE if beyond else None)


@pytest.mark.parametrize(("point", "step"), CASES, ids=str)
def test_the_minimum_of_an_order_lies_at_its_spans_lower_limit(point: str, step: int) -> None:
    ordered = _minutes(point) + step
    first, *_ = _span(ordered)
    met = measure_minimum(ordered * MINUTE, first * MINUTE, POLICY.billing)
    assert met.met
    if first == 0:
        assert met.ordered_band is None
        return
    below = measure_minimum(ordered * MINUTE, (first - 1) * MINUTE, POLICY.billing)
    assert not below.met
    on_limit = first > 120  # one minute below the span is the limit itself, which must be passed
    assert below.short_ns == (1 if on_limit else MINUTE)
    assert met.above_ns == (MINUTE if on_limit else 0)


@pytest.mark.parametrize(("total", "part", "code", "source"), PUBLISHED)
def test_published_answers(total: str, part: str, code: str, source: str) -> None:
    billing = bill(coverage_of((0, _minutes(total) * MINUTE)), given=order(24 * HOUR))
    given = {
        "technical": [u.code for u in billing.technical_totals],
        "whole": [billing.professional.whole_study.code],
        "shorter": [billing.shorter.code if billing.shorter else None],
    }
    assert given[part] == [code], source


# --- the parts that limits are found with, on a policy and on an invented scale --------------------

SETTINGS = POLICY.billing


@pytest.mark.parametrize(
    ("limit", "words"),
    [
        ("0:41:00", "the 41-minute minimum"),
        ("0:00:30", "the 0:00:30 limit"),
        ("2:00:00", "the 2-hour minimum"),
        ("12:00:00", "the 12:00:00 limit"),
        ("23:59:59", "the 23:59:59 limit"),
        ("24:00:00", "the 24:00:00 limit (one day)"),
        ("26:00:00", "the 26:00:00 limit (one day and 2 h)"),
        ("48:00:00", "the 48:00:00 limit (two days)"),
        ("74:00:00", "the 74:00:00 limit (three days and 2 h)"),
        ("98:00:00", "the 98:00:00 limit (four days and 2 h)"),
        ("122:00:00", "the 122:00:00 limit (five days and 2 h)"),
        ("146:00:00", "the 146:00:00 limit (six days and 2 h)"),
        ("170:00:00", "the 170:00:00 limit (seven days and 2 h)"),
        ("194:00:00", "the 194:00:00 limit (8 days and 2 h)"),
    ],
)
def test_a_limit_is_named_as_a_coder_names_it(limit: str, words: str) -> None:
    assert limit_words(hms(limit), SETTINGS) == words


def test_a_minimum_of_hours_and_minutes_is_named_in_full() -> None:
    lower = replace(SETTINGS.technical[0].lower, ns=2 * HOUR + 30 * MINUTE)
    first = replace(SETTINGS.technical[0], lower=lower)
    settings = replace(SETTINGS, technical=(first, *SETTINGS.technical[1:]))
    assert limit_words(2 * HOUR + 30 * MINUTE, settings) == "the 2:30:00 limit"


def _digit(ns: int) -> int:
    """Changes at 10 itself and just after 20."""
    return int(ns >= 10) + int(ns > 20)


@pytest.mark.parametrize(
    ("at", "expected"),
    [
        (0, (10, False, 0)),
        (9, (1, False, 0)),
        (10, (10, True, 0)),
        (15, (5, True, 5)),
        (20, (0, True, 10)),
        (21, (None, False, 1)),
        (30, (None, False, 10)),
    ],
)
def test_margins_on_an_invented_scale(at: int, expected: tuple[int | None, bool, int]) -> None:
    # Limits at which nothing changes (0, 5, 25) say nothing.
    found = margins(at, _digit, {0, 5, 10, 20, 25})
    assert (found.to_next_ns, found.exceed, found.above_ns) == expected


@pytest.mark.parametrize(
    ("one", "other", "changed"),
    [
        ("12:00:00", "12:00:01", True),
        ("12:00:01", "26:00:00", False),
        ("36:00:00", "36:00:01", True),
        ("0:40:00", "0:41:00", True),
        ("0:20:00", "0:40:59", False),
        ("0:10:00", "0:19:59", False),
        ("0:10:00", "2:00:00", True),
    ],
)
def test_whether_two_totals_differ_in_a_code(one: str, other: str, changed: bool) -> None:
    assert changes_a_code(hms(one), hms(other), SETTINGS) is changed


def test_a_whole_study_band_alone_changes_a_code() -> None:
    # Invented: the whole-study bands meet at 70 h, where the units (72 h: three) do not change.
    low, high, top = SETTINGS.professional_whole
    at = replace(low.upper, ns=70 * HOUR)
    bands = (replace(low, upper=at), replace(high, lower=replace(high.lower, ns=70 * HOUR)), top)
    settings = replace(SETTINGS, professional_whole=bands)
    assert changes_a_code(69 * HOUR, 71 * HOUR, settings)
    assert not changes_a_code(69 * HOUR, 71 * HOUR, SETTINGS)


def test_the_band_of_a_period_and_its_margins_beyond_the_longest() -> None:
    # A civil day of 25 h that takes 2 h more has 27 h, and is one 12-26 h unit all the same.
    assert band_of(SETTINGS.technical, 27 * HOUR) is None
    assert band_of_period(SETTINGS.technical, 27 * HOUR) == SETTINGS.technical[-1]
    assert band_of_period(SETTINGS.technical, HOUR) is None
    assert band_of_period((), HOUR) is None
    endless = replace(SETTINGS.technical[-1], upper=None)
    assert band_of_period((endless,), 13 * HOUR) == endless
    assert band_of_period((endless,), 12 * HOUR) is None
    found = period_margins(27 * HOUR, SETTINGS)
    assert (found.to_next_ns, found.above_ns) == (None, 15 * HOUR)


def test_what_a_longer_rest_would_join_is_the_limit_of_a_last_period() -> None:
    # Invented: up to 3 h join the period before. 2:30 in it make a unit once 3 h are passed.
    joins = replace(SETTINGS.leftover_joins, ns=3 * HOUR)
    found = period_margins(2 * HOUR + 30 * MINUTE, SETTINGS, joins)
    assert (found.to_next_ns, found.exceed, found.above_ns) == (30 * MINUTE, True, 0)
    found = period_margins(4 * HOUR, SETTINGS, joins)
    assert (found.to_next_ns, found.exceed, found.above_ns) == (8 * HOUR, True, HOUR)


@pytest.mark.parametrize(
    ("recorded", "band"),
    [
        ("0:19:59", None), ("0:20:59", "20-40 min"), ("0:40:59", "20-40 min"), ("0:41:00", "41-60 min"),
        ("1:01:00", "61-119 min"), ("1:59:59", "61-119 min"), ("2:00:00", None),
    ],
)  # fmt: skip
def test_short_recordings_by_whole_minutes(recorded: str, band: str | None) -> None:
    found = shorter_band(hms(recorded), SETTINGS)
    assert (found and found.name) == band


@pytest.mark.parametrize(
    ("recorded", "longest_first", "names"),
    [
        ("26:00:00", True, ["12-26 h"]),
        ("28:00:00", True, ["12-26 h"]),
        ("28:00:01", True, ["12-26 h", "2-12 h"]),
        ("54:00:00", True, ["12-26 h", "12-26 h"]),
        ("54:00:00", False, ["12-26 h", "12-26 h", "2-12 h"]),
        ("60:00:01", False, ["12-26 h", "12-26 h", "12-26 h"]),
    ],
)
def test_units_of_a_total_in_the_order_in_which_they_were_recorded(
    recorded: str, longest_first: bool, names: list[str]
) -> None:
    length = unit_length(SETTINGS, longest_first=longest_first)
    assert length == (26 if longest_first else 24) * HOUR
    assert [b.name for b in split_total(hms(recorded), SETTINGS, length)] == names
    if not longest_first:
        assert [b.name for b in split_total(hms(recorded), SETTINGS)] == names


def test_bands_in_words() -> None:
    short, long = SETTINGS.technical
    assert bands_words([long, long, short]) == "2 x 12-26 h + 2-12 h"
    assert bands_words([short]) == "2-12 h"
    assert bands_words([]) == "no unit"


def test_a_limit_that_is_not_included_is_passed_by_its_own_time() -> None:
    joins = SETTINGS.leftover_joins
    assert within(joins, 2 * HOUR)
    assert not within(joins, 2 * HOUR + 1)
    open_end = replace(joins, included=False)
    assert within(open_end, 2 * HOUR - 1)
    assert not within(open_end, 2 * HOUR)


def test_the_longest_of_three_bands_is_the_last() -> None:
    # Invented: 2-12, 12-20 and 20-26 h.
    short, long = SETTINGS.technical
    at = replace(long.lower, ns=20 * HOUR)
    middle = replace(long, name="12-20 h", upper=replace(short.upper, ns=20 * HOUR))
    bands = short, middle, replace(long, name="20-26 h", lower=at)
    settings = replace(SETTINGS, technical=bands)
    assert unit_length(settings, longest_first=True) == 26 * HOUR
    assert [b.name for b in split_total(31 * HOUR, settings)] == ["20-26 h", "2-12 h"]
    assert [b.name for b in split_total(40 * HOUR, settings)] == ["20-26 h", "12-20 h"]
    assert band_of_period(bands, 27 * HOUR) == bands[2]
    assert band_of_period(bands[:1], 13 * HOUR) == short
    assert period_margins(19 * HOUR, settings).to_next_ns == HOUR


def test_from_the_long_term_minimum_on_no_shorter_band_holds() -> None:
    last = replace(SETTINGS.shorter[-1], to_minutes=130)
    settings = replace(SETTINGS, shorter=(*SETTINGS.shorter[:-1], last))
    assert shorter_band(2 * HOUR - 1, settings) == last
    assert shorter_band(2 * HOUR, settings) is None


def test_the_limit_last_met_is_the_one_at_which_something_changes() -> None:
    assert margins(12, lambda ns: ns >= 9, {9, 10}).above_ns == 3


def test_a_whole_number_of_periods_may_be_a_limit_itself() -> None:
    # Invented: periods of 12 h, and 12 h itself is in 12-26 h. 35 h are two units and 11 h in 2-12 h;
    # 36 h are three.
    short, long = SETTINGS.technical
    bands = (
        replace(short, upper=replace(short.upper, included=False)),
        replace(long, lower=replace(long.lower, included=True)),
    )
    period = replace(SETTINGS.period, ns=12 * HOUR)
    settings = replace(SETTINGS, technical=bands, period=period)
    found = margins(
        35 * HOUR,
        lambda ns: split_total(ns, settings),
        total_limits(35 * HOUR, settings, settings.period.ns),
    )
    assert (found.to_next_ns, found.exceed) == (HOUR, False)


def test_the_limit_last_met_may_be_a_whole_number_of_periods() -> None:
    # Invented: all but the last nanosecond of a period joins. 48 h are two units, a nanosecond less is
    # one, and 50 h are two.
    settings = replace(SETTINGS, leftover_joins=replace(SETTINGS.leftover_joins, ns=24 * HOUR - 1))
    limits = total_limits(50 * HOUR, settings, 24 * HOUR)
    found = margins(50 * HOUR, lambda ns: split_total(ns, settings), limits)
    assert found.above_ns == 2 * HOUR
