"""Logs of checks and of video: the usual variants are read, ambiguity asks, hostile cells are
harmless."""

from __future__ import annotations

import os
from contextlib import suppress
from datetime import datetime, time
from itertools import pairwise
from pathlib import Path
from typing import Any

import openpyxl
import pytest
from helpers_billing import civil
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from auditor.core.clock import Axis, iso
from auditor.core.errors import SettingsError
from auditor.core.files import MOST_BYTES
from auditor.core.units import HOUR, MINUTE, NS
from auditor.inputs.logs import read_log
from auditor.inputs.placed_logs import place_log
from auditor.inputs.sheets import MOST_ROWS
from auditor.inputs.stamps import read_stamp
from auditor.model import Finding, Interval, LogKind, LogRead, MonitoringCheck
from auditor.policy.sourced import LogDates

AXIS = Axis()
START = civil(2027, 3, 2, 9, 30)
SPAN = Interval(START, START + 72 * HOUR)


def _placed(
    folder: Path, text: str | bytes, *, kind: LogKind = "monitoring", axis: Axis = AXIS,
    span: Interval = SPAN, dates: LogDates = "ask", patterns: tuple[str, ...] = (),
    name: str = "checks.csv",
) -> tuple[LogRead, tuple[Finding, ...]]:  # fmt: skip
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return place_log(read_log(kind, path), axis, span, dates, patterns)


def _checks(folder: Path, text: str | bytes, **told: Any) -> tuple[MonitoringCheck, ...]:
    read, findings = _placed(folder, text, **told)
    assert read.taken
    assert findings == ()
    return read.checks


def _iso(folder: Path, text: str | bytes, **told: Any) -> list[str]:
    axis = told.get("axis", AXIS)
    return [axis.iso(c.at) for c in _checks(folder, text, **told)]


def _one_row_less(folder: Path, text: str, rows: int, **told: Any) -> str:
    """What is said of the one row that is left out, while ``rows`` others are taken."""
    read, (left,) = _placed(folder, text, **told)
    assert read.taken
    assert len(read.checks) + len(read.intervals) == rows
    assert left.code == "log_rows_left_out"
    assert left.question == "billing"
    assert left.text.startswith("1 row of the ")
    assert "2027-03-02 09:30" in left.action
    return left.text


def _not_taken(folder: Path, text: str | bytes, **told: Any) -> str:
    """Why a log is not taken, as its finding says."""
    read, (why,) = _placed(folder, text, **told)
    assert not read.taken
    assert read.checks == ()
    assert read.intervals == ()
    assert why.code == "log_not_taken"
    assert why.question == "billing"
    assert why.action
    assert read.note.startswith("not taken: ")
    return why.text


def _videos(folder: Path, text: str, **told: Any) -> tuple[Interval, ...]:
    read, findings = _placed(folder, text, kind="video", name="video.csv", **told)
    assert read.taken
    assert findings == ()
    return read.intervals


# --- separators, headers, encodings --------------------------------------------------------------


@pytest.mark.parametrize(
    "text",
    [
        "time,by,note\n2027-03-02T11:30:00,tech 4,all well\n",
        "time;by;note\n2027-03-02T11:30:00;tech 4;all well\n",
        "time\tby\tnote\n2027-03-02T11:30:00\ttech 4\tall well\n",
        "Time , BY , Note\r\n2027-03-02 11:30 , tech 4 , all well\r\n",
        "\ufefftime,by,note\n2027-03-02T11:30,tech 4,all well",
        'note,"time",by\n"all well","2027-03-02T11:30:00.000","tech 4"\n\n',
        "\n\ntime,by,note,room\n2027-03-02T11:30:00,tech 4,all well,12\n,,,\n",
        "date,time,by,note\n2027-03-02,11:30,tech 4,all well\n",
        '"time";"by";"note"\n"2027-03-02T11:30:00";"tech 4";"all well"\n',
    ],
    ids=["comma", "semicolon", "tab", "case, spaces and CRLF", "byte-order mark", "quotes and order",
         "other columns and blank rows", "date apart", "semicolons and quotes"],
)  # fmt: skip
def test_the_usual_variants_say_the_same(tmp_path: Path, text: str) -> None:
    (check,) = _checks(tmp_path, text)
    assert (AXIS.iso(check.at), check.by, check.note) == (
        "2027-03-02T11:30:00", "tech 4", "all well",
    )  # fmt: skip
    assert check.source == "checks.csv"


def test_a_spreadsheets_unicode_text_is_read(tmp_path: Path) -> None:
    text = "time\tby\n2027-03-02T11:30:00\tütz\n".encode("utf-16")
    assert _checks(tmp_path, text)[0].by == "ütz"


def test_only_the_time_is_needed(tmp_path: Path) -> None:
    (check,) = _checks(tmp_path, "time\n2027-03-02T11:30:00\n")
    assert (check.by, check.note) == ("", "")


def test_a_note_with_the_separator_in_it_is_one_note(tmp_path: Path) -> None:
    (check,) = _checks(tmp_path, "time,by,note\n2027-03-02T11:30,t,calm, asleep, cable checked\n")
    assert check.note == "calm, asleep, cable checked"


def test_a_row_with_cells_beyond_the_columns_is_left_out(tmp_path: Path) -> None:
    text = "time,by\n2027-03-02T11:30,t,calm\n2027-03-02T13:30,t\n"
    assert "Line 2, row: has 3 cells where the first row has 2." in _one_row_less(tmp_path, text, 1)


def test_a_spreadsheet_is_read_as_it_is(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    sheet = book.active
    assert sheet is not None
    for row in (
        ["Date", "Check time", "Tech", "Comments"],
        [datetime(2027, 3, 2), time(11, 30), "tech 4", "all well"],
        [datetime(2027, 3, 2), datetime(2027, 3, 2, 13, 30), "tech 4", None],
    ):
        sheet.append(row)
    book.save(tmp_path / "checks.xlsx")
    log = read_log("monitoring", tmp_path / "checks.xlsx")
    read, findings = place_log(log, AXIS, SPAN)
    assert findings == ()
    assert [AXIS.iso(c.at) for c in read.checks] == ["2027-03-02T11:30:00", "2027-03-02T13:30:00"]
    assert (read.checks[0].by, read.checks[0].note) == ("tech 4", "all well")


def test_checks_are_given_in_time_order(tmp_path: Path) -> None:
    found = _iso(tmp_path, "time\n2027-03-02T15:00:00\n2027-03-02T13:00:00\n")
    assert found == ["2027-03-02T13:00:00", "2027-03-02T15:00:00"]


def test_fractions_are_exact(tmp_path: Path) -> None:
    (check,) = _checks(tmp_path, "time;by\n2027-03-02T11:30:00,123456789;t\n")
    assert check.at == civil(2027, 3, 2, 11, 30) + 123_456_789


@pytest.mark.parametrize("text", ["", "\n\n", "time,by,note\n", "time\n\n , \n"])
def test_an_empty_log_holds_no_check(tmp_path: Path, text: str) -> None:
    assert _checks(tmp_path, text) == ()


# --- dates ---------------------------------------------------------------------------------------


def test_a_date_that_can_only_be_day_first_tells_it_for_the_whole_log(tmp_path: Path) -> None:
    span = Interval(civil(2027, 3, 11, 9), civil(2027, 3, 14, 9))
    text = "time\n12.03.2027 10:00\n12.03.2027 12:00\n13.03.2027 01:00\n"
    assert _iso(tmp_path, text, span=span)[0] == "2027-03-12T10:00:00"


def test_a_date_that_can_only_be_month_first_tells_it_for_the_whole_log(tmp_path: Path) -> None:
    span = Interval(civil(2027, 3, 11, 9), civil(2027, 3, 14, 9))
    text = "time\n03/12/2027 10:00\n03/13/2027 01:00\n"
    assert _iso(tmp_path, text, span=span) == ["2027-03-12T10:00:00", "2027-03-13T01:00:00"]


@pytest.mark.parametrize("cell", ["13/12/2027 10:00", "12/13/2027 10:00"])
def test_thirteen_beside_twelve_tells_the_order(tmp_path: Path, cell: str) -> None:
    span = Interval(civil(2027, 12, 13), civil(2027, 12, 14))
    assert _iso(tmp_path, f"time\n{cell}\n", span=span) == ["2027-12-13T10:00:00"]


def test_a_date_with_day_and_month_alike_needs_no_telling(tmp_path: Path) -> None:
    span = Interval(civil(2027, 3, 3, 9), civil(2027, 3, 4, 9))
    assert _iso(tmp_path, "time\n03/03/2027 10:00\n", span=span) == ["2027-03-03T10:00:00"]


# The recording runs from 2 March 2027 09:30 for 72 h. Every cell is one way to write 3 March, 2 pm.
SHAPES = [
    "2027-03-03T14:00:00", "2027-03-03 14:00", "2027/03/03 14:00", "2027.3.3 14:00",
    "20270303 14:00", "20270303 1400", "3-Mar-2027 14:00", "03-MAR-2027 2:00 PM",
    "3 March 2027 14:00", "March 3, 2027 2:00 pm", "Mar 3, 2027, 14:00", "3rd Mar 2027 14:00",
    "Wed 3 Mar 2027 14:00", "Wednesday, March 3, 2027 14:00", "03/03/2027 14:00", "03/03/27 2 PM",
    "3.3.27 14:00", "03-03-2027 14:00:00.000", "14:00 03/03/2027", "2:00 PM 3 Mar 2027",
    "3/3/2027 at 14:00", "3-Mar-27 14:00",
]  # fmt: skip


@pytest.mark.parametrize("cell", SHAPES)
def test_a_date_is_read_in_each_shape_that_people_write(tmp_path: Path, cell: str) -> None:
    assert _iso(tmp_path, f'time;by\n"{cell}";t\n') == ["2027-03-03T14:00:00"]


@pytest.mark.parametrize("cell", SHAPES[14:17])
def test_date_and_time_may_stand_apart(tmp_path: Path, cell: str) -> None:
    day, clock = cell.split(" ", 1)
    text = f"Date,Check time,Technologist\n{day},{clock},t\n"
    assert _iso(tmp_path, text) == ["2027-03-03T14:00:00"]


MAY = Interval(civil(2027, 5, 23, 8), civil(2027, 5, 24, 8))


@pytest.mark.parametrize("cell", ["23-May-2027 9:00", "05/23/27 9:00", "5/23/2027 9:00 AM",
                                  "23.05.2027 09:00", "23/5/27 0900", "27-05-23 09:00"])  # fmt: skip
def test_dates_are_read_in_the_order_that_lies_in_the_recording(tmp_path: Path, cell: str) -> None:
    assert _iso(tmp_path, f"time\n{cell}\n", span=MAY) == ["2027-05-23T09:00:00"]


@pytest.mark.parametrize(
    ("first", "cells"),
    [
        (civil(2027, 3, 2, 9), ["02/03/2027 11:30", "03/03/2027 08:00"]),  # day first
        (civil(2027, 3, 2, 9), ["03/02/2027 11:30", "03/03/2027 08:00"]),  # month first
        (civil(2027, 2, 3, 9), ["02/03/2027 11:30", "02/04/2027 08:00"]),
        (civil(2027, 2, 3, 9), ["03/02/2027 11:30", "04/02/2027 08:00"]),
    ],
)
def test_a_date_that_could_be_either_is_told_by_the_recording(
    tmp_path: Path, first: int, cells: list[str]
) -> None:
    text = "time\n" + "\n".join(cells)
    found = _checks(tmp_path, text, span=Interval(first, first + 24 * HOUR))
    assert [(c.at - first) // MINUTE for c in found] == [150, 23 * 60]


def test_two_orders_that_both_lie_in_the_recording_leave_the_log_untaken(tmp_path: Path) -> None:
    """A recording of 40 days, so that 4 May and 5 April... both lie in it."""
    span = Interval(civil(2027, 4, 1), civil(2027, 5, 11))
    text = _not_taken(tmp_path, "time,by\n05/04/2027 10:00,tech 4\n", span=span)
    assert "can be read in more than one way" in text
    assert "day first it begins on Mon 5 Apr 2027; month first it begins on Tue 4 May 2027" in text
    assert "05/04/2027 10:00 | tech 4" in text
    assert _iso(tmp_path, "time\n05/04/2027 10:00\n", span=span, dates="month_first") == [
        "2027-05-04T10:00:00"
    ]


def test_no_order_that_lies_in_the_recording_leaves_the_log_untaken(tmp_path: Path) -> None:
    text = _not_taken(tmp_path, "time,by\n17/09/2027 10:00,tech 4\n")
    assert (
        "no way to read its dates lies in the recording of Tue 2 Mar 2027 to Fri 5 Mar 2027" in text
    )
    assert "time | by, 17/09/2027 10:00 | tech 4" in text


TWELVE = [START + (2 * k + 1) * HOUR for k in range(12)]
DAY_SPAN = Interval(START, START + 24 * HOUR)


def _log(instants: list[int], axis: Axis = AXIS) -> str:
    return "time,by\n" + "".join(f"{axis.iso(at)},t\n" for at in instants)


@pytest.mark.parametrize(
    ("shift", "span", "words"),
    [
        (
            -365 * 24 * HOUR,
            DAY_SPAN,
            "all 12 checks are one year early (the first is of Mon 2 Mar 2026",
        ),
        (
            366 * 24 * HOUR,
            DAY_SPAN,
            "all 12 checks are one year late (the first is of Thu 2 Mar 2028",
        ),
        (-3 * 365 * 24 * HOUR, DAY_SPAN, "all 12 checks are 3 years early"),
        (-24 * HOUR, DAY_SPAN, "all 12 checks are one day early (the first is of Mon 1 Mar 2027"),
        (24 * HOUR, DAY_SPAN, "all 12 checks are one day late (the first is of Wed 3 Mar 2027"),
    ],
    ids=["a year early", "a year late", "three years early", "a day early", "a day late"],
)
def test_a_log_that_is_off_by_a_year_or_a_day_is_named_so(
    tmp_path: Path, shift: int, span: Interval, words: str
) -> None:
    text = _not_taken(tmp_path, _log([at + shift for at in TWELVE]), span=span)
    assert words in text
    assert "the recording begins on Tue 2 Mar 2027" in text


@pytest.mark.parametrize(("shift", "words"), [(-HOUR, "one hour early"), (HOUR, "one hour late")])
def test_a_log_that_is_off_by_an_hour_is_named_so(tmp_path: Path, shift: int, words: str) -> None:
    span = Interval(START, START + 50 * MINUTE)
    instants = [START + minutes * MINUTE + shift for minutes in (5, 25, 45)]
    assert f"all 3 checks are {words}" in _not_taken(tmp_path, _log(instants), span=span)


def test_a_long_log_that_is_a_day_off_is_not_taken_for_what_still_fits(tmp_path: Path) -> None:
    """Of 36 checks 24 lie in the recording by chance; all of them do a day later."""
    instants = [START + (2 * k + 1) * HOUR - 24 * HOUR for k in range(36)]
    assert "all 36 checks are one day early" in _not_taken(tmp_path, _log(instants))


def test_one_check_before_the_recording_is_no_doubt_about_the_log(tmp_path: Path) -> None:
    read, findings = _placed(tmp_path, _log([START - 10 * MINUTE, *TWELVE]), span=DAY_SPAN)
    assert read.taken
    assert findings == ()
    assert len(read.checks) == 13


@pytest.mark.parametrize(
    ("dates", "text"), [("day_first", "02/03/2027 11:30"), ("month_first", "03/02/2027 11:30")]
)
def test_a_date_that_could_be_either_is_read_as_told(
    tmp_path: Path, dates: LogDates, text: str
) -> None:
    assert _iso(tmp_path, f"time\n{text}\n", dates=dates) == ["2027-03-02T11:30:00"]


def test_dates_in_two_orders_leave_the_log_untaken(tmp_path: Path) -> None:
    text = _not_taken(tmp_path, "time\n13/03/2027 10:00\n03/14/2027 10:00\n")
    assert "day and month in different orders" in text


@pytest.mark.parametrize(
    "cell",
    [
        "2027-02-30T10:00:00", "2027-13-01T10:00:00", "2027-03-02T24:00:00", "2027-03-02T10:60:00",
        "2027-03-02", "10", "10h30", "noon", "2027-03-02T13:00:00 PM", "0:30 am", "9:30 xm",
        "0000-00-00T00:00:00", "0001-01-01T00:00:00", "9999-12-31T23:59:59",
        "2027-03-02T10:00:00+99:99", "31/31/2027 10:00", "3-Foo-2027 10:00", "2500",
        "2027-03-02T11:30:00Z",
    ],
)  # fmt: skip
def test_what_is_no_time_costs_its_row_which_is_named(tmp_path: Path, cell: str) -> None:
    text = _one_row_less(tmp_path, f"time,by\n2027-03-02T11:30,t\n{cell},t\n", 1)
    assert "Line 3" in text
    assert cell in text


def test_a_row_without_a_time_is_left_out(tmp_path: Path) -> None:
    text = _one_row_less(tmp_path, "time,by\n,tech 4\n2027-03-02T11:30,t\n", 1)
    assert "Line 2, column time: the empty cell holds no time" in text


def test_a_log_of_which_no_row_can_be_read_is_not_taken(tmp_path: Path) -> None:
    text = _not_taken(tmp_path, "time\nnoon\nmidnight\n")
    assert "none of its rows can be read" in text
    assert "Line 2, column time: 'noon' is no time that can be read." in text


@pytest.mark.parametrize(
    ("cell", "time"),
    [
        ("12:00 AM", "00:00:00"), ("12:30am", "00:30:00"), ("1:05 a.m.", "01:05:00"),
        ("11:59:59 AM", "11:59:59"), ("12:00 PM", "12:00:00"), ("12:59 pm", "12:59:00"),
        ("1:00 PM", "13:00:00"), ("11:59:59 p.m.", "23:59:59"),
    ],
)  # fmt: skip
def test_the_twelve_hour_clock_is_read(tmp_path: Path, cell: str, time: str) -> None:
    span = Interval(civil(2027, 3, 2), civil(2027, 3, 3))
    assert _iso(tmp_path, f"time\n3/2/2027 {cell}\n", span=span) == [f"2027-03-02T{time}"]


# --- times of day alone --------------------------------------------------------------------------


def test_times_alone_begin_on_the_day_of_the_start_and_pass_midnight(tmp_path: Path) -> None:
    text = "time\n11:30\n17:00\n23:45\n01:45\n09:00\n20:00\n02:00\n"
    assert _iso(tmp_path, text) == [
        "2027-03-02T11:30:00", "2027-03-02T17:00:00", "2027-03-02T23:45:00", "2027-03-03T01:45:00",
        "2027-03-03T09:00:00", "2027-03-03T20:00:00", "2027-03-04T02:00:00",
    ]  # fmt: skip


def test_a_first_time_half_a_day_before_the_start_is_the_next_day(tmp_path: Path) -> None:
    span = Interval(civil(2027, 3, 2, 23, 30), civil(2027, 3, 4))
    assert _iso(tmp_path, "time\n00:30\n02:30\n", span=span) == [
        "2027-03-03T00:30:00", "2027-03-03T02:30:00",
    ]  # fmt: skip


def test_a_first_time_shortly_before_the_start_needs_its_date(tmp_path: Path) -> None:
    text = _one_row_less(tmp_path, "time\n09:15\n11:30\n", 1)
    assert "Line 2: '09:15' is earlier in the day than the recording's start" in text


def test_a_time_that_goes_back_a_little_needs_its_date(tmp_path: Path) -> None:
    text = _one_row_less(tmp_path, "time\n11:30\n11:10\n", 1)
    assert "Line 3: '11:10' is earlier in the day than the row before" in text


def test_a_time_alone_follows_the_dated_row_before_it(tmp_path: Path) -> None:
    text = "time\n2027-03-03T22:00\n00:30\n2027-03-04T08:00\n10:00\n"
    assert _iso(tmp_path, text) == [
        "2027-03-03T22:00:00", "2027-03-04T00:30:00", "2027-03-04T08:00:00", "2027-03-04T10:00:00",
    ]  # fmt: skip


# --- time zones ----------------------------------------------------------------------------------

DENVER = Axis("America/Denver")  # clocks back on 2027-11-07 02:00, forward on 2027-03-14 02:00
AUTUMN = Interval(DENVER.instant(civil(2027, 11, 6, 20)), DENVER.instant(civil(2027, 11, 7, 20)))


def test_an_hour_that_came_twice_is_told_by_the_row_before(tmp_path: Path) -> None:
    text = "time\n2027-11-07T01:10\n2027-11-07T02:10\n"
    assert "came twice" in _one_row_less(tmp_path, text, 1, axis=DENVER, span=AUTUMN)
    text = "time\n2027-11-07T00:40-06:00\n2027-11-07T01:40-06:00\n2027-11-07T01:20\n"
    found = _checks(tmp_path, text, axis=DENVER, span=AUTUMN)
    assert [b.at - a.at for a, b in pairwise(found)] == [HOUR, 40 * MINUTE]


def test_an_offset_is_taken_where_the_zone_is_known(tmp_path: Path) -> None:
    text = "time\n2027-11-07T01:40-07:00\n2027-11-07T10:00:00Z\n"
    found = _checks(tmp_path, text, axis=DENVER, span=AUTUMN)
    assert [iso(c.at) for c in found] == ["2027-11-07T08:40:00", "2027-11-07T10:00:00"]  # UTC


def test_an_offset_without_a_known_zone_costs_its_row(tmp_path: Path) -> None:
    text = _one_row_less(tmp_path, "time\n2027-03-02T11:30:00Z\n2027-03-02T11:30:00\n", 1)
    assert "time zone is not known" in text


def test_a_time_that_no_clock_showed_costs_its_row(tmp_path: Path) -> None:
    span = Interval(DENVER.instant(civil(2027, 3, 13, 9)), DENVER.instant(civil(2027, 3, 15, 9)))
    text = "time\n2027-03-14T02:30\n2027-03-14T03:30\n"
    said = _one_row_less(tmp_path, text, 1, axis=DENVER, span=span)
    assert "never shown by a clock in America/Denver" in said


# --- video ---------------------------------------------------------------------------------------


def test_video_stretches_are_read(tmp_path: Path) -> None:
    found = _videos(tmp_path, "start;end\n2027-03-02T09:30;2027-03-02T21:00\n21:30;08:00\n")
    assert [(AXIS.iso(i.start), AXIS.iso(i.end)) for i in found] == [
        ("2027-03-02T09:30:00", "2027-03-02T21:00:00"),
        ("2027-03-02T21:30:00", "2027-03-03T08:00:00"),
    ]


@pytest.mark.parametrize(
    ("row", "problem"),
    [
        ("2027-03-02T12:00,2027-03-02T11:00", "column end: does not lie after the start"),
        ("2027-03-02T12:00,2027-03-02T12:00", "does not lie after the start"),
        ("2027-03-02T12:00,", "the empty cell holds no time"),
        ("22:00,21:00", "earlier in the day than the row before"),
    ],
)
def test_a_time_of_video_that_does_not_end_after_it_starts_costs_its_row(
    tmp_path: Path, row: str, problem: str
) -> None:
    text = f"start,end\n{row}\n2027-03-03T12:00,2027-03-03T13:00\n"
    said = _one_row_less(tmp_path, text, 1, kind="video", name="video.csv")
    assert "Line 2" in said
    assert problem in said


@pytest.mark.parametrize(
    "text",
    [
        "From;To\n02/03/2027 09:30;02/03/2027 21:00\n",
        "Start date,Start time,End date,End time\n3/2/2027,9:30 AM,3/2/2027,9:00 PM\n",
        "Video start,Video end\n2-Mar-2027 0930,2-Mar-2027 2100\n",
        "date,on,off\n2027-03-02,9:30,21:00\n",
    ],
)
def test_headings_of_video_are_told_by_meaning(tmp_path: Path, text: str) -> None:
    (found,) = _videos(tmp_path, text)
    assert (found.start - START, found.end - START) == (0, 11 * HOUR + 30 * MINUTE)


def test_video_that_is_a_year_off_is_named_so(tmp_path: Path) -> None:
    text = "start,end\n2026-03-02T09:30,2026-03-02T21:00\n"
    said = _not_taken(tmp_path, text, kind="video", name="video.csv")
    assert "1 time is one year early" in said


def test_an_empty_video_log_holds_no_stretch(tmp_path: Path) -> None:
    assert _videos(tmp_path, "start,end\n") == ()


# --- BIDS events ---------------------------------------------------------------------------------


def test_events_are_seconds_from_the_first_record(tmp_path: Path) -> None:
    text = "onset\tduration\ttrial_type\n7200\tn/a\tcheck\n14399.5\t0\tcheck\n"
    found = _checks(tmp_path, text, name="task-rest_events.tsv")
    assert [c.at - START for c in found] == [2 * HOUR, 14_399 * NS + NS // 2]


def test_only_events_of_the_policys_kinds_are_checks(tmp_path: Path) -> None:
    text = "onset\tduration\ttrial_type\n60\t0\tremote check\n90\t0\teyes open\n"
    found = _checks(tmp_path, text, patterns=("check",))
    assert [(c.at - START, c.note) for c in found] == [(60 * NS, "remote check")]


def test_events_of_several_kinds_without_a_pattern_ask(tmp_path: Path) -> None:
    text = _not_taken(tmp_path, "onset\tduration\ttrial_type\n60\t0\tcheck\n90\t0\teyes open\n")
    assert "2 kinds of event" in text


@pytest.mark.parametrize(
    "onset",
    ["n/a", "", "abc", "nan", "1e99", "inf", "0x10", "1e999999", "-1e999999", "1e9999999999"],
)
def test_an_onset_that_is_no_number_costs_its_row(tmp_path: Path, onset: str) -> None:
    text = f"onset\tduration\ttrial_type\n{onset}\t0\tcheck\n60\t0\tcheck\n"
    assert "Line 2, column onset" in _one_row_less(tmp_path, text, 1)


def test_events_of_video_need_a_duration(tmp_path: Path) -> None:
    text = "onset\tduration\n0\t3600\n7200.25\t0.5\n"
    assert _videos(tmp_path, text) == (
        Interval(START, START + HOUR),
        Interval(START + 7200 * NS + NS // 4, START + 7200 * NS + 3 * NS // 4),
    )
    for duration in ("n/a", "0", "-5", "1e999999"):
        said = _one_row_less(tmp_path, f"onset\tduration\n0\t{duration}\n0\t60\n", 1, kind="video")
        assert "column duration" in said


# --- hostile and broken files --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "problem"),
    [
        (b"when,sign\n2027-03-02T11:30,t\n", "does not name the columns time"),
        (b"2027-03-02T11:30\n", "does not name the columns time"),
        (b"time,Check time\n1,2\n", "it has two columns that mean time"),
        (b"time\n" + b"11:30\n" * (MOST_ROWS + 1), "more than"),
        (b"\xff\xfe\x00", "is not UTF-16"),
        (b"time,by\n\x00\x00", "holds bytes that are no text"),
        (b"PK\x03\x04nothing", "cannot be read as a workbook"),
    ],
    ids=["other columns", "no header", "twice", "many rows", "broken UTF-16", "no text", "no zip"],
)  # fmt: skip
def test_a_broken_log_is_not_taken(tmp_path: Path, raw: bytes, problem: str) -> None:
    assert problem in _not_taken(tmp_path, raw)


@pytest.mark.parametrize("bad", ['2027-03-02T12:30,"open', '"2027-03-02T12:30"x,t', "x" * 200_000])
def test_a_broken_row_costs_that_row(tmp_path: Path, bad: str) -> None:
    text = f"time,by\n2027-03-02T11:30,t\n{bad}\n2027-03-02T13:30,t\n"
    assert "Line 3" in _one_row_less(tmp_path, text, 2)


def test_what_an_old_spreadsheet_writes_is_read(tmp_path: Path) -> None:
    (check,) = _checks(tmp_path, "time,by\n2027-03-02T11:30,ütz\n".encode("cp1252"))
    assert check.by == "ütz"


def test_a_missing_log_says_where_it_is_looked_for(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"\[logs\] monitoring.*cannot be read"):
        read_log("monitoring", tmp_path / "none.csv")


def test_a_log_larger_than_people_write_is_refused_at_once(tmp_path: Path) -> None:
    path = tmp_path / "large.csv"
    with path.open("wb") as file:
        file.truncate(MOST_BYTES + 1)
    with pytest.raises(SettingsError, match="larger than 64 MiB"):
        read_log("monitoring", path)


def test_a_device_a_pipe_or_a_folder_is_refused_at_once(tmp_path: Path) -> None:
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    for path, words in ((Path("/dev/zero"), "a device"), (pipe, "a pipe"), (tmp_path, "a folder")):
        with pytest.raises(SettingsError, match=words):
            read_log("monitoring", path)


def test_hostile_cells_do_nothing_in_a_finding(tmp_path: Path) -> None:
    text = _not_taken(tmp_path, "time\n\x1b[2J=cmd|'/c calc'!A1\u202e\n")
    assert "\x1b" not in text
    assert "\u202e" not in text


def test_hostile_texts_are_kept_short_and_as_they_are(tmp_path: Path) -> None:
    (check,) = _checks(
        tmp_path, f"time,by,note\n2027-03-02T11:30,=HYPERLINK(1),{'<script>' * 1000}\n"
    )
    assert check.by == "=HYPERLINK(1)"
    assert len(check.note) == 500


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.binary(max_size=200), st.sampled_from([b"", b"time\n", b"time,by\n", b"onset\n"]))
def test_any_bytes_are_placed_or_not_taken(tmp_path: Path, raw: bytes, head: bytes) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(head + raw)
    read, findings = place_log(read_log("monitoring", path), AXIS, SPAN)
    assert [c.at for c in read.checks] == sorted(c.at for c in read.checks)
    assert all(abs(c.at - START) < 5000 * 24 * HOUR for c in read.checks)
    assert read.taken != ("log_not_taken" in [f.code for f in findings])


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.text(max_size=70), st.text(max_size=20))
def test_any_text_is_a_stamp_or_a_value_error(text: str, beside: str) -> None:
    with suppress(ValueError):
        stamp = read_stamp(text, beside)
        assert stamp.dates or stamp.clock_ns is not None


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 72 * 3600 - 1), min_size=1, max_size=20))
def test_any_whole_second_written_as_iso_is_read_back(tmp_path: Path, seconds: list[int]) -> None:
    at = sorted(START + s * NS for s in seconds)
    text = "time\n" + "\n".join(AXIS.iso(a) for a in at)
    assert [c.at for c in _checks(tmp_path, text)] == at
