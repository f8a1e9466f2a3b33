"""Lists of orders as labs keep them: dialects, headings by meaning, dates, one row one study."""

from __future__ import annotations

from contextlib import suppress
from datetime import date, datetime
from pathlib import Path

import openpyxl
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from auditor.core.clock import iso
from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, MINUTE
from auditor.inputs.orders_list import OrderBook, read_orders
from auditor.model import Order, StudyFolder

DAYS = (date(2027, 3, 2),)


def orders(
    folder: Path, text: str | bytes, *, name: str = "orders.csv", days: tuple[date, ...] = DAYS
) -> dict[str, Order | str]:
    """Study -> its order, or why it has none."""
    path = folder / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    found: dict[str, Order | str] = {}
    for study, row in read_orders(path)[0].items():
        try:
            found[study] = row.read(folder, name, days)
        except SettingsError as error:
            found[study] = str(error)
    return found


def one(folder: Path, text: str | bytes, **told: object) -> Order:
    (found,) = orders(folder, text, **told).values()  # type: ignore[arg-type]
    assert isinstance(found, Order), found
    return found


@pytest.mark.parametrize(
    "text",
    [
        "Study,Ordered hours,Hook-up,Video\nS-1,72,2027-03-02 09:30,no\n",
        "Study;Ordered Hours;Hook-up;Video\r\nS-1;72;02.03.2027 9:30;No\r\n",
        "STUDY\tHOURS ORDERED\tHOOK UP\tVIDEO\nS-1\t72 h\t2-Mar-2027 9:30 AM\tNO\n",
        "study|ordered_hours|hookup|video\nS-1|72.0|2027-03-02T09:30:00|false\n",
        "sep=;\nStudy;Ordered hours;Hook-up;Video\nS-1;72;2027-03-02 09:30;no\n",
        "\ufeffVideo , Folder , Ordered (h) , Hook-up time (local) , Physician\nN,S-1,72,3/2/2027 9:30 AM,-\n",
        '"Study","Ordered hours","Hook-up","Video"\n"S-1","72","3/2/27 9:30 am","n"\n',
        "\n\nStudy,Ordered days,Date,Time,Video\nS-1,3,3/2/2027,9:30 AM,no\n,,,,\n",
        "Study,Duration [days],Hook-up date,Hook-up time,Video ordered?\nS-1,3,2 March 2027,0930,no\n",
        "Study,Ordered,Start,Video\nS-1\\,72 hrs.,2027-03-02 09:30,no\n",
        "Study,Ordered,Start,Video\n\\S-1\\,3 days,2027-03-02 09:30,no\n",
    ],
)  # fmt: skip
def test_the_usual_dialects_and_headings_say_the_same(tmp_path: Path, text: str) -> None:
    (study,) = orders(tmp_path, text)
    assert study == "S-1"
    order = one(tmp_path, text)
    assert order.ordered_ns == 72 * HOUR
    assert order.hookup_civil_ns is not None
    assert iso(order.hookup_civil_ns) == "2027-03-02T09:30:00"
    assert order.video is False


def test_a_workbook_is_read_with_its_own_dates_and_numbers(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    notes = book.active
    assert notes is not None
    notes.title = "empty"
    sheet = book.create_sheet("orders")
    sheet.append(["Study ID", "Ordered hours", "Hook-up", "Video", "Monitoring", "Patient code"])
    sheet.append(["S-2041", 72, datetime(2027, 3, 2, 9, 30), True, "Intermittent", "P-2041"])
    sheet.append(["S-2042", "47.5 h", "3/5/2027 8:00", "yes", None, 2042])
    sheet.append([None] * 6)
    sheet.append(["S-2043", None, None, None, None, None])
    book.save(tmp_path / "orders.xlsx")
    found = read_orders(tmp_path / "orders.xlsx")[0]
    first = found["S-2041"].read(tmp_path, "orders.xlsx")
    assert (first.ordered_ns, first.video, first.monitoring) == (72 * HOUR, True, "intermittent")
    assert (first.study_id, first.patient_code) == ("S-2041", "P-2041")
    assert first.hookup_civil_ns is not None
    assert iso(first.hookup_civil_ns) == "2027-03-02T09:30:00"
    second = found["S-2042"].read(tmp_path, "orders.xlsx", (date(2027, 5, 3),))
    assert second.ordered_ns == 47 * HOUR + 30 * MINUTE
    assert second.patient_code == "2042"
    assert second.hookup_civil_ns is not None
    assert iso(second.hookup_civil_ns) == "2027-05-03T08:00:00"
    with pytest.raises(SettingsError, match=r"row 5, column Ordered hours: is missing"):
        found["S-2043"].read(tmp_path, "orders.xlsx")


@pytest.mark.parametrize(
    ("row", "says"),
    [
        ("S-1,many,,", ["row 2, column Ordered hours", "'many'", "Write it as in: 72"]),
        ("S-1,0,,", ["column Ordered hours", "more than 0"]),
        ("S-1,9000,,", ["column Ordered hours", "8784"]),
        ("S-1,72,noon,", ["column Hook-up", "'noon'", "2027-03-02T09:30"]),
        ("S-1,72,2027-03-02,", ["column Hook-up", "must be a date and a time of day"]),
        ("S-1,72,09:30,", ["column Hook-up", "must be a date and a time of day"]),
        ("S-1,72,31.2.2027 9:00,", ["column Hook-up", "no date of the calendar"]),
        ("S-1,72,2027-03-02T09:30Z,", ["column Hook-up", "without an offset"]),
        ("S-1,72,,perhaps", ["column Video", "'perhaps'", "true or false"]),
    ],
)
def test_a_wrong_cell_costs_its_study_and_is_named_with_the_form_wanted(
    tmp_path: Path, row: str, says: list[str]
) -> None:
    text = f"Study,Ordered hours,Hook-up,Video\n{row}\nS-2,48,2027-03-02 09:30,yes\n"
    found = orders(tmp_path, text)
    assert isinstance(found["S-2"], Order)
    why = found["S-1"]
    assert isinstance(why, str)
    for words in says:
        assert words in why


AMBIGUOUS = "Study,Ordered hours,Hook-up\nS-1,24,5/3/2027 9:00\n"


@pytest.mark.parametrize(
    ("day", "read"), [(date(2027, 3, 5), "2027-03-05"), (date(2027, 5, 3), "2027-05-03"),
                      (date(2027, 5, 4), "2027-05-03")]
)  # fmt: skip
def test_a_hook_up_that_could_be_either_is_told_by_the_studys_files(
    tmp_path: Path, day: date, read: str
) -> None:
    hookup = one(tmp_path, AMBIGUOUS, days=(day,)).hookup_civil_ns
    assert hookup is not None
    assert iso(hookup) == f"{read}T09:00:00"


def test_else_it_is_asked(tmp_path: Path) -> None:
    why = orders(tmp_path, AMBIGUOUS, days=())["S-1"]
    assert isinstance(why, str)
    assert "column Hook-up: has the value '5/3/2027 9:00': can be read in more than one" in why
    assert "2027-03-05 or 2027-05-03. Write it as in: 2027-03-02T09:30:00." in why


def test_a_second_row_of_a_study_costs_that_study_alone(tmp_path: Path) -> None:
    found = orders(tmp_path, "Study,Ordered hours\nS-1,24\nS-2,24\nS-1,48\n")
    assert isinstance(found["S-2"], Order)
    why = found["S-1"]
    assert isinstance(why, str)
    assert "row 4: gives a second order for S-1, after" in why
    assert "row 2" in why


def test_an_open_quotation_mark_costs_its_row(tmp_path: Path) -> None:
    text = 'Study,Ordered hours\nS-1,24\n"S-2,24\nS-3,48\n'
    (tmp_path / "orders.csv").write_text(text)
    rows, (told,) = read_orders(tmp_path / "orders.csv")
    assert set(rows) == {"S-1", "S-3"}
    assert told.endswith("row 3: a quotation mark is not closed")


def test_logs_and_power_may_stand_in_the_list(tmp_path: Path) -> None:
    order = one(
        tmp_path,
        "Study,Ordered hours,Batteries,Hours per battery,Mode,Monitoring log\n"
        "S-1,72,2,30,Card,checks/S-1.csv\n",
    )
    assert order.power is not None
    assert (order.power.batteries, order.power.battery_ns) == (2, 30 * HOUR)
    assert order.power.mode == "card"
    assert order.monitoring_log == str(tmp_path / "checks" / "S-1.csv")


def test_unmatched_rows_and_folders_are_named(tmp_path: Path) -> None:
    (tmp_path / "orders.csv").write_text("Study,Ordered hours\nS-1,24\nS-9,24\n,24\n")
    book = OrderBook(tmp_path / "orders.csv")
    studies = [StudyFolder(name, tmp_path / name, None) for name in ("S-1", "S-2")]
    book.expect(studies)
    first, second = (book.of(study) for study in studies)
    assert first[0] is not None
    assert first[0].sha256
    assert second == (None, None)
    assert book.unused() == ("S-9",)
    assert book.without == ["S-2"]
    (row,) = book.unnamed
    assert row.endswith("row 4: names no study")


def test_a_changed_row_has_another_checksum_and_an_unchanged_one_the_same(tmp_path: Path) -> None:
    first = one(tmp_path, "Study,Ordered hours\nS-1,24\n").sha256
    assert one(tmp_path, "Study;Ordered hours\nS-1;24\n").sha256 == first
    assert one(tmp_path, "Study,Ordered hours\nS-1,48\n").sha256 != first


def test_an_entry_of_a_toml_list_is_checked_like_an_order_file(tmp_path: Path) -> None:
    text = """
[[orders]]
study = "S-1"
ordered_hours = 24
hookup = 2027-03-02T09:30:00
[[orders]]
study = "S-2"
ordred_hours = 24
[[orders]]
study = "S-3"
ordered_hours = 24
hookup = 7
"""
    found = orders(tmp_path, text, name="orders.toml")
    assert isinstance(found["S-1"], Order)
    assert "Is ordered_hours meant?" in str(found["S-2"]) or "is missing" in str(found["S-2"])
    assert "orders[3]: hookup" in str(found["S-3"])


def test_a_damaged_workbook_is_one_clear_line(tmp_path: Path) -> None:
    (tmp_path / "orders.xlsx").write_bytes(b"PK\x03\x04" + b"\0" * 100)
    with pytest.raises(SettingsError, match="cannot be read as a workbook"):
        read_orders(tmp_path / "orders.xlsx")


HEADS = [
    b"",
    b"Study,Ordered hours,Hook-up,Video\n",
    b"study;ordered_hours;hookup;batteries;hours_per_battery;mode\n",
    b"Study ID\tDuration [days]\tDate\tTime\n",
]


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    st.sampled_from(HEADS),
    st.one_of(st.binary(max_size=200), st.text("S-1,;\t\n\"0123456789/.: hdAPM", max_size=200).map(str.encode)),
)  # fmt: skip
def test_any_bytes_are_a_list_of_orders_or_a_clear_error(
    tmp_path: Path, head: bytes, rest: bytes
) -> None:
    (tmp_path / "orders.csv").write_bytes(head + rest)
    with suppress(SettingsError):
        rows, _ = read_orders(tmp_path / "orders.csv")
        for study, row in rows.items():
            assert study
            with suppress(SettingsError):
                order = row.read(tmp_path, "orders.csv", DAYS)
                assert 0 < order.ordered_ns <= 366 * 24 * HOUR


@settings(suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.integers(0, 2000), st.integers(0, 255))
def test_a_workbook_with_any_byte_changed_is_read_or_a_clear_error(
    tmp_path: Path, at: int, byte: int
) -> None:
    book = openpyxl.Workbook()
    assert book.active is not None
    book.active.append(["Study", "Ordered hours"])
    book.active.append(["S-1", 72])
    path = tmp_path / "orders.xlsx"
    book.save(path)
    raw = bytearray(path.read_bytes())
    raw[at * len(raw) // 2001] = byte
    path.write_bytes(raw)
    with suppress(SettingsError):
        read_orders(path)
