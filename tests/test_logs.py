"""Logs of checks and of video: the usual variants are read, ambiguity asks, hostile cells are
harmless."""

from __future__ import annotations

from contextlib import suppress
from itertools import pairwise
from pathlib import Path

import pytest
from helpers_billing import civil
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from auditor.core.clock import Axis
from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, MINUTE, NS
from auditor.inputs.logs import MAX_BYTES, MAX_ROWS, read_checks, read_video
from auditor.model import Interval, MonitoringCheck
from auditor.policy.sourced import LogDates

AXIS = Axis()
START = civil(2027, 3, 2, 9, 30)
SPAN = Interval(START, START + 72 * HOUR)


def _checks(
    folder: Path, text: str | bytes, *, axis: Axis = AXIS, span: Interval = SPAN,
    dates: LogDates = "ask", patterns: tuple[str, ...] = (), name: str = "checks.csv",
) -> tuple[MonitoringCheck, ...]:  # fmt: skip
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_checks(path, axis, span, dates=dates, patterns=patterns)


def _iso(folder: Path, text: str | bytes, **told: object) -> list[str]:
    axis = told.get("axis", AXIS)
    assert isinstance(axis, Axis)
    return [axis.iso(c.at) for c in _checks(folder, text, **told)]  # type: ignore[arg-type]


def _refused(folder: Path, text: str | bytes, **told: object) -> str:
    with pytest.raises(SettingsError) as error:
        _checks(folder, text, **told)  # type: ignore[arg-type]
    assert error.value.action
    return str(error.value)


def _videos(folder: Path, text: str, **told: object) -> tuple[Interval, ...]:
    path = folder / "video.csv"
    path.write_text(text, encoding="utf-8")
    return read_video(path, AXIS, SPAN, **told)  # type: ignore[arg-type]


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


def test_cells_beyond_the_columns_are_refused_where_no_note_takes_them(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time,by\n2027-03-02T11:30,t,calm\n")
    assert "checks.csv line 2: has 3 cells where the first line names 2 columns" in text


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


def test_a_date_that_could_be_either_asks_with_row_and_column(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time,by\n02/03/2027 11:30,t\n")
    assert text.startswith("checks.csv line 2, column time: '02/03/2027 11:30' could be day 2 of ")
    assert "log_dates" in text


@pytest.mark.parametrize(
    ("dates", "text"), [("day_first", "02/03/2027 11:30"), ("month_first", "03/02/2027 11:30")]
)
def test_a_date_that_could_be_either_is_read_as_told(
    tmp_path: Path, dates: LogDates, text: str
) -> None:
    assert _iso(tmp_path, f"time\n{text}\n", dates=dates) == ["2027-03-02T11:30:00"]


def test_dates_in_two_orders_are_refused(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time\n13/03/2027 10:00\n03/14/2027 10:00\n")
    assert "line 3, column time" in text
    assert "another order than line 2" in text


@pytest.mark.parametrize(
    "cell",
    [
        "2027-02-30T10:00:00", "2027-13-01T10:00:00", "2027-03-02T24:00:00", "2027-03-02T10:60:00",
        "2027-03-02", "10", "10h30", "noon", "02.03.27 10:00", "2027-03-02T13:00:00 PM", "0:30 am", "9 am", "9:30 xm",
        "0000-00-00T00:00:00", "0001-01-01T00:00:00", "9999-12-31T23:59:59", "2027-03-02T10:00:00+99:99",
    ],
)  # fmt: skip
def test_what_is_no_time_is_refused_with_row_and_column(tmp_path: Path, cell: str) -> None:
    text = _refused(tmp_path, f"time,by\n2027-03-02T11:30,t\n{cell},t\n")
    assert text.startswith(f"checks.csv line 3, column time: '{cell}'")


def test_a_row_without_a_time_is_refused(tmp_path: Path) -> None:
    assert "line 2, column time: the empty cell" in _refused(tmp_path, "time,by\n,tech 4\n")


def test_a_date_far_from_the_recording_is_refused(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time\n2025-03-02T11:30:00\n")
    assert "more than a year from this recording" in text


@pytest.mark.parametrize(
    ("cell", "time"),
    [
        ("12:00 AM", "00:00:00"), ("12:30am", "00:30:00"), ("1:05 a.m.", "01:05:00"),
        ("11:59:59 AM", "11:59:59"), ("12:00 PM", "12:00:00"), ("12:59 pm", "12:59:00"),
        ("1:00 PM", "13:00:00"), ("11:59:59 p.m.", "23:59:59"),
    ],
)  # fmt: skip
def test_the_twelve_hour_clock_is_read(tmp_path: Path, cell: str, time: str) -> None:
    assert _iso(tmp_path, f"time\n3/2/2027 {cell}\n", dates="month_first") == [f"2027-03-02T{time}"]


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


def test_a_first_time_shortly_before_the_start_asks_for_its_date(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time\n09:15\n11:30\n")
    assert "line 2, column time" in text
    assert "before the start or on the next day" in text


def test_a_time_that_goes_back_a_little_asks(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time\n11:30\n11:10\n")
    assert "line 3, column time" in text
    assert "out of order" in text


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
    assert "came twice" in _refused(tmp_path, text, axis=DENVER, span=AUTUMN)
    text = "time\n2027-11-07T00:40-06:00\n2027-11-07T01:40-06:00\n2027-11-07T01:20\n"
    found = _checks(tmp_path, text, axis=DENVER, span=AUTUMN)
    assert [b.at - a.at for a, b in pairwise(found)] == [HOUR, 40 * MINUTE]


def test_an_offset_is_taken_where_the_zone_is_known(tmp_path: Path) -> None:
    text = "time\n2027-11-07T01:40-07:00\n2027-11-07T10:00:00Z\n"
    found = _checks(tmp_path, text, axis=DENVER, span=AUTUMN)
    assert [DENVER.iso_utc(c.at) for c in found] == ["2027-11-07T08:40:00Z", "2027-11-07T10:00:00Z"]


def test_an_offset_without_a_known_zone_is_refused(tmp_path: Path) -> None:
    assert "time zone is not known" in _refused(tmp_path, "time\n2027-03-02T11:30:00Z\n")


def test_a_time_that_no_clock_showed_is_refused(tmp_path: Path) -> None:
    span = Interval(DENVER.instant(civil(2027, 3, 13, 9)), DENVER.instant(civil(2027, 3, 15, 9)))
    text = _refused(tmp_path, "time\n2027-03-14T02:30\n", axis=DENVER, span=span)
    assert "never shown by a clock in America/Denver" in text


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
        ("2027-03-02T12:00,2027-03-02T11:00", "column end"),
        ("2027-03-02T12:00,2027-03-02T12:00", "does not lie after the start"),
        ("2027-03-02T12:00,", "the empty cell holds no time"),
        ("22:00,21:00", "earlier than the time before it"),
    ],
)
def test_a_stretch_that_does_not_end_after_it_starts_is_refused(
    tmp_path: Path, row: str, problem: str
) -> None:
    with pytest.raises(SettingsError) as error:
        _videos(tmp_path, f"start,end\n{row}\n")
    assert "video.csv line 2" in str(error.value)
    assert problem in str(error.value)


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
    text = _refused(tmp_path, "onset\tduration\ttrial_type\n60\t0\tcheck\n90\t0\teyes open\n")
    assert "2 kinds of event" in text


@pytest.mark.parametrize("onset", ["n/a", "", "abc", "nan", "1e99", "inf", "0x10"])
def test_an_onset_that_is_no_number_is_refused(tmp_path: Path, onset: str) -> None:
    text = _refused(tmp_path, f"onset\tduration\ttrial_type\n{onset}\t0\tcheck\n")
    assert "line 2, column onset" in text


def test_events_of_video_need_a_duration(tmp_path: Path) -> None:
    text = "onset\tduration\n0\t3600\n7200.25\t0.5\n"
    assert _videos(tmp_path, text) == (
        Interval(START, START + HOUR),
        Interval(START + 7200 * NS + NS // 4, START + 7200 * NS + 3 * NS // 4),
    )
    for duration in ("n/a", "0", "-5"):
        with pytest.raises(SettingsError, match="column duration"):
            _videos(tmp_path, f"onset\tduration\n0\t{duration}\n")


# --- hostile and broken files --------------------------------------------------------------------


@pytest.mark.parametrize(
    ("raw", "problem"),
    [
        (b"when,who\n2027-03-02T11:30,t\n", "does not name the columns time or onset"),
        (b"2027-03-02T11:30\n", "does not name the columns"),
        (b"time,time\n1,2\n", "names a column twice"),
        (b"time,by\n2027-03-02T11:30,\xfc\n", "byte 25 is not UTF-8 text"),
        (b'time,by\n2027-03-02T11:30,"open', "line 2"),
        (b'time,by\n"2027-03-02T11:30"x,t\n', "cannot be read as a table"),
        (b"time\n" + b"x" * 200_000, "cannot be read as a table"),
        (b"time\n" + b"\n" * MAX_BYTES, "larger than"),
        (b"time\n" + b"11:30\n" * (MAX_ROWS + 1), "more than"),
        (b"\xff\xfe\x00", "is not UTF-16 text"),
    ],
    ids=["other columns", "no header", "twice", "not UTF-8", "open quotes", "after quotes",
         "long cell", "large", "many rows", "broken UTF-16"],
)  # fmt: skip
def test_a_broken_log_is_refused_with_what_to_do(tmp_path: Path, raw: bytes, problem: str) -> None:
    assert problem in _refused(tmp_path, raw)


def test_a_missing_log_says_where_it_is_looked_for(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"cannot be read .*\[logs\]"):
        read_checks(tmp_path / "none.csv", AXIS, SPAN)


def test_hostile_cells_do_nothing_in_an_error(tmp_path: Path) -> None:
    text = _refused(tmp_path, "time\n\x1b[2J=cmd|'/c calc'!A1\u202e\n")
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
def test_any_bytes_are_checks_or_a_settings_error(tmp_path: Path, raw: bytes, head: bytes) -> None:
    path = tmp_path / "any.csv"
    path.write_bytes(head + raw)
    with suppress(SettingsError):
        found = read_checks(path, AXIS, SPAN)
        assert [c.at for c in found] == sorted(c.at for c in found)
        assert all(abs(c.at - START) < 5000 * 24 * HOUR for c in found)


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(st.integers(0, 72 * 3600 - 1), min_size=1, max_size=20))
def test_any_whole_second_written_as_iso_is_read_back(tmp_path: Path, seconds: list[int]) -> None:
    at = sorted(START + s * NS for s in seconds)
    text = "time\n" + "\n".join(AXIS.iso(a) for a in at)
    assert [c.at for c in _checks(tmp_path, text)] == at
