"""The order file: nothing is guessed, every error names key and line."""

from __future__ import annotations

import hashlib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from auditor.core.clock import iso
from auditor.core.errors import SettingsError
from auditor.core.units import HOUR
from auditor.inputs.order import order_with, read_order
from auditor.model import Corrections, Order, PowerSetup

FULL = """\
[order]
study_id = "S-2041"
patient_code = "P-2041"
ordered_hours = 72
hookup = 2027-03-02T09:30:00
timezone = "America/Denver"
video = false
monitoring = "intermittent"
minimum_channels = 8
still_recording = true
reports = "end"
[power]
batteries = 2
hours_per_battery = 36
external_hours = 0
mode = "card"
mode_share = 1.0
spare_batteries = 1
charges = [1.0, 0.9]
[files]
exclude = ["old/003.edf"]
include = ["0007.edf"]
clock = {"0002.edf" = "+1:00:00", "0003.edf" = "-0:30"}
by = "night technologist"
[logs]
monitoring = "checks.csv"
video = "video.csv"
"""

# 2027-03-02T09:30:00 as the standard library counts it.
HOOKUP = round(datetime(2027, 3, 2, 9, 30, tzinfo=UTC).timestamp()) * 10**9


def read(folder: Path, text: str) -> Order:
    path = folder / "order.toml"
    path.write_text(text, encoding="utf-8")
    return read_order(path)


def test_a_full_order_file_is_read_key_by_key(tmp_path: Path) -> None:
    order = read(tmp_path, FULL)
    assert order.ordered_ns == 72 * HOUR
    assert (order.study_id, order.patient_code) == ("S-2041", "P-2041")
    assert order.hookup_civil_ns is not None
    assert iso(order.hookup_civil_ns) == "2027-03-02T09:30:00"
    assert order.timezone == "America/Denver"
    assert order.video is False
    assert order.monitoring == "intermittent"
    assert order.minimum_channels == 8
    assert order.power is not None
    assert (order.power.batteries, order.power.battery_ns, order.power.mode) == (
        2,
        36 * HOUR,
        "card",
    )
    assert order.power.mode_share_ppm == 1_000_000
    assert (order.power.spare_batteries, order.power.charges_ppm) == (1, (1_000_000, 900_000))
    assert order.monitoring_log == str(tmp_path / "checks.csv")
    assert order.corrections == Corrections(
        ("old/003.edf",),
        ("0007.edf",),
        (("0002.edf", HOUR), ("0003.edf", -HOUR // 2)),
        "night technologist",
    )
    assert (order.still_recording, order.reports) == (True, "end")
    assert order.name == "order.toml"
    assert order.sha256 == hashlib.sha256(FULL.encode()).hexdigest()


@pytest.mark.parametrize(
    ("line", "key", "value"),
    [
        ("ordered_hours = '48'", "ordered_ns", 48 * HOUR),
        ("ordered_hours = '47.5'", "ordered_ns", 47 * HOUR + HOUR // 2),
        ("ordered_hours = '48 h'", "ordered_ns", 48 * HOUR),
        ("ordered_hours = '48 Hours'", "ordered_ns", 48 * HOUR),
        ("monitoring = 'Intermittent'", "monitoring", "intermittent"),
        ("monitoring = ' CONTINUOUS '", "monitoring", "continuous"),
        ("video = 'yes'", "video", True),
        ("video = 'No'", "video", False),
        ("video = 'TRUE'", "video", True),
        ("video = 'false'", "video", False),
        ("minimum_channels = '8'", "minimum_channels", 8),
        ("still_recording = 'Yes'", "still_recording", True),
        ("reports = 'Daily'", "reports", "daily"),
        ("study_id = 2041", "study_id", "2041"),
        ("hookup = '2027-03-02 09:30'", "hookup_civil_ns", HOOKUP),
    ],
)
def test_words_are_taken_as_people_write_them(
    tmp_path: Path, line: str, key: str, value: object
) -> None:
    hours = "" if line.startswith("ordered") else "ordered_hours = 72\n"
    order = read(tmp_path, f"[order]\n{hours}{line}\n")
    assert getattr(order, key) == value


def test_no_figure_of_the_power_set_up_has_a_default(tmp_path: Path) -> None:
    order = read(tmp_path, "[order]\nordered_hours = 72\n[power]\nbatteries = '2'\n")
    assert order.power == PowerSetup(batteries=2)


def test_only_the_ordered_hours_are_needed(tmp_path: Path) -> None:
    order = read(tmp_path, "[order]\nordered_hours = 47.5\n")
    assert order.ordered_ns == 47 * HOUR + HOUR // 2
    assert order.video is None
    assert order.monitoring is None
    assert order.power is None


def test_a_third_of_an_hour_is_the_nearest_nanosecond(tmp_path: Path) -> None:
    assert (
        read(tmp_path, "[order]\nordered_hours = 0.333333333333\n").ordered_ns == 1_199_999_999_999
    )


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("[order]\nstudy_id = 'S'\n", ["ordered_hours", "missing"]),
        ("[order]\nordered_hours = 72\nordred = 1\n", ["line 3", "ordred", "not a key"]),
        ("[order]\nordered_hours = 72\n[powr]\nbatteries = 2\n", ["powr", "not a key"]),
        (
            "[order]\nordered_hours = 'three days'\n",
            ["line 2", "ordered_hours", "'three days'", "ordered_hours = 72"],
        ),
        ("[order]\nordered_hours = true\n", ["ordered_hours", "true"]),
        ("[order]\nordered_hours = 0\n", ["ordered_hours", "more than 0"]),
        ("[order]\nordered_hours = -72\n", ["ordered_hours", "-72"]),
        ("[order]\nordered_hours = nan\n", ["ordered_hours", "a number of hours from"]),
        ("[order]\nordered_hours = 9000\n", ["ordered_hours", "8784"]),
        (
            "[order]\nordered_hours = 72\nhookup = 2027-03-02T09:30:00Z\n",
            ["line 3", "offset", "timezone"],
        ),
        ("[order]\nordered_hours = 72\nhookup = 2027-03-02\n", ["hookup", "time of day"]),
        ("[order]\nordered_hours = 72\nhookup = 0001-01-01T00:00:00\n", ["hookup", "1900"]),
        ("[order]\nordered_hours = 72\nhookup = 9999-12-31T23:59:59\n", ["hookup", "2200"]),
        (
            "[order]\nordered_hours = 72\nhookup = 'Tuesday'\n",
            ["line 3", "hookup", "'Tuesday'", "hookup = 2027-03-02T09:30:00"],
        ),
        ("[order]\nordered_hours = 72\ntimezone = 'Mars/Olympus'\n", ["line 3", "Mars/Olympus"]),
        ("[order]\nordered_hours = 72\nvideo = 'maybe'\n", ["line 3", "video", "true or false"]),
        ("[order]\nordered_hours = 72\n[power]\nbateries = 2\n", ["Is batteries meant?"]),
        ("[order]\nordered_hours = 72\n[files]\nremove = ['a']\n", ["exclude, include, clock"]),
        (
            "[order]\nordered_hours = 72\n[files]\nclock = {'a.edf' = '1 hour'}\n",
            ["line 4", "'1 hour'", "a sign, hours, minutes", '"+1:00:00"'],
        ),
        (
            "[order]\nordered_hours = 72\n[files]\nexclude = ['a']\ninclude = ['a']\n",
            ["files", "'a' stands under exclude and under include"],
        ),
        ("[order]\nordered_hours = 72\nreports = 'weekly'\n", ["reports", "'daily' or 'end'"]),
        ("[order]\nordered_hours = 72\ntimezone = 'Denver'\n", ["is America/Denver meant"]),
        (
            "[order]\nordered_hours = 72\ntimezone = 'America/Denvr'\n",
            ["is America/Denver", "meant"],
        ),
        ("[order]\nordered_hours = 72\nmonitoring = 'sometimes'\n", ["monitoring", "sometimes"]),
        ("[order]\nordered_hours = 72\nminimum_channels = 0\n", ["minimum_channels", "0"]),
        ("[order]\nordered_hours = 72\n[power]\nbatteries = -1\n", ["line 4", "batteries"]),
        ("[order]\nordered_hours = 72\n[power]\nmode_share = 1.5\n", ["mode_share", "0 to 1"]),
        ("[order]\nordered_hours = 72\n[power]\nbatteries = 2\ncharges = [0.5]\n", ["charges"]),
        ("[order\nordered_hours = 72\n", ["TOML", "line 1"]),
        ("[order]\nordered_hours = 72\nordered_hours = 48\n", ["TOML"]),
    ],
)
def test_a_wrong_order_file_names_the_key_and_the_line_or_value(
    tmp_path: Path, text: str, says: list[str]
) -> None:
    with pytest.raises(SettingsError) as error:
        read(tmp_path, text)
    for words in ["order.toml", *says]:
        assert words in str(error.value)


def test_bytes_that_are_no_text_are_named(tmp_path: Path) -> None:
    path = tmp_path / "order.toml"
    path.write_bytes(b"[order]\nstudy_id = '\xff'\n")
    with pytest.raises(SettingsError, match="byte 20 is not UTF-8"):
        read_order(path)


def test_a_missing_order_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"absent\.toml.*cannot be read"):
        read_order(tmp_path / "absent.toml")


@pytest.mark.parametrize("text", ["72", "47.5", "0.5", "8784"])
def test_hours_on_the_command_line_are_exact(text: str) -> None:
    order = order_with(None, {"ordered_hours": text})
    assert order is not None
    assert order.ordered_ns == round(float(text) * 3600) * 1_000_000_000
    assert order.source == "command line"


@pytest.mark.parametrize(
    "text",
    ["", "abc", "0", "-1", "nan", "inf", "8785", "1e9", "367 d", "1e999999999", "1e-999999999",
     "8784.000000001", "9" * 50_000],
)  # fmt: skip
def test_hours_that_cannot_be_are_refused(text: str) -> None:
    with pytest.raises(SettingsError, match="--ordered-hours"):
        order_with(None, {"ordered_hours": text})
