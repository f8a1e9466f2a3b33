"""Every limit from 1:59 to 168 h at one minute below, on and above it, and the margins there.

``SPANS`` is the rule written out by hand: from the bands that were published for the codes of 2020
(limits read in S5 to S8 of the policy's sources; a remainder of more than 2 h beyond a whole day is
a 2-12 h unit: S3, S4) and, where they are silent, our inference (a remainder of more than 12 h is a
whole unit; technical limits as the professional ones). ``PUBLISHED`` names the answers that a
source itself gives.
"""

from __future__ import annotations

import pytest
from helpers_billing import POLICY, bill, coverage_of, order, units

from auditor.billing.limits import measure_minimum
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
