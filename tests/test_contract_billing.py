"""What outside users rely on: which published time limits the recorded time reaches.

Black-box: files come from a writer of this test's own, expected values are worked out by hand.
"""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from helpers_contract import (
    HOUR,
    START,
    Channel,
    codes,
    ordered,
    stamp,
    study,
    write,
)
from helpers_edf import event

# --- billing-time thresholds --------------------------------------------------------------------


def recorded(folder: Path, seconds: int, gap_minutes: tuple[int, int] | None = None) -> None:
    """Records of a minute, then of a second, one after another."""
    minutes, rest = divmod(seconds, 60)
    onsets = [60 * m for m in range(minutes)]
    if gap_minutes:
        onsets = [60 * (m if m < gap_minutes[0] else m + gap_minutes[1]) for m in range(minutes)]
    write(folder / "a.edf", kind="EDF+D", record="60", onsets=onsets, annotation_bytes=16)
    if rest:
        write(folder / "b.edf", start=stamp(START + timedelta(minutes=minutes)), record="1",
              records=rest, annotation_bytes=16)  # fmt: skip


@pytest.mark.parametrize(
    ("duration", "long", "short", "whole"),
    [  # (h, m, s), units of 12-26 h, units of 2-12 h, whole-study code without video
        ((1, 59, 59), 0, 0, None), ((2, 0, 0), 0, 1, None), ((12, 0, 0), 0, 1, None),
        ((12, 0, 1), 1, 0, None), ((26, 0, 0), 1, 0, None), ((26, 0, 1), 1, 1, None),
        ((36, 0, 0), 1, 1, None), ((36, 0, 1), 2, 0, "95721"), ((50, 0, 0), 2, 0, "95721"),
        ((50, 0, 1), 2, 1, "95721"), ((59, 50, 0), 2, 1, "95721"), ((60, 0, 0), 2, 1, "95721"),
        ((60, 0, 1), 3, 0, "95723"), ((72, 0, 0), 3, 0, "95723"), ((74, 0, 0), 3, 0, "95723"),
        ((84, 0, 0), 3, 1, "95723"), ((84, 0, 1), 4, 0, "95725"), ((125, 0, 0), 5, 1, "95725"),
    ],
    ids=str,
)  # fmt: skip
def test_technical_units_and_whole_study_code_follow_the_recorded_time(
    tmp_path: Path, duration: tuple[int, int, int], long: int, short: int, whole: str | None
) -> None:
    hours, minutes, seconds = duration
    recorded(tmp_path / "s", hours * HOUR + minutes * 60 + seconds)
    billing = study(tmp_path / "s", "--ordered-hours", "72").audit["billing"]
    expected = [("95705", short), ("95708", long)]
    found = [(unit["code"], unit["count"]) for unit in billing["technical_totals"]]
    assert found == [pair for pair in expected if pair[1]]
    assert billing["professional"]["whole_study"]["code"] == whole
    assert billing["setup"]["code"] == "95700"
    assert (billing.get("shorter") is None) == (hours >= 2)


def test_a_gap_never_counts_towards_a_unit(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 36 * HOUR, gap_minutes=(600, 14 * 60))
    audit = study(tmp_path / "s", "--ordered-hours", "50").audit
    assert (audit["coverage"]["recorded_s"], audit["coverage"]["span_s"]) == (36 * HOUR, 50 * HOUR)
    billing = audit["billing"]
    assert [p["recorded_s"] for p in billing["periods"]] == [10 * HOUR, 24 * HOUR, 2 * HOUR]
    assert billing["professional"]["whole_study"]["code"] is None


def checks(folder: Path, minutes: range) -> None:
    rows = [(START + timedelta(minutes=minute)).isoformat() for minute in minutes]
    (folder.parent / "checks.csv").write_text("time\n" + "".join(row + "\n" for row in rows))


@pytest.mark.parametrize(
    ("minutes", "longest", "supported", "code"),
    [
        (range(0, 1441, 120), 7200, "intermittent", "95709"),
        (range(120, 1321, 120), 7200, "intermittent", "95709"),
        (range(121, 1441, 100), 7260, "unmonitored", "95708"),
        (range(0, 1319, 100), 8400, "unmonitored", "95708"),
        (range(0), None, None, "95708"),
    ],
    ids=["every two hours", "ends within two hours", "first late", "last early", "empty log"],
)
def test_intermittent_monitoring_needs_a_check_at_least_every_two_hours(
    tmp_path: Path, minutes: range, longest: float | None, supported: str | None, code: str
) -> None:
    recorded(tmp_path / "s", 24 * HOUR)
    checks(tmp_path / "s", minutes)
    order = ordered(tmp_path / "s", 24, '[logs]\nmonitoring = "checks.csv"\n', video="false",
                    monitoring='"intermittent"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    monitoring = audit["monitoring"]
    assert (monitoring["ordered"], monitoring["checks"]) == ("intermittent", len(minutes))
    assert (monitoring["longest_interval_s"], monitoring["supported"]) == (longest, supported)
    assert bool(monitoring["lapses"]) == (supported == "unmonitored")
    assert [u["code"] for u in audit["billing"]["technical_totals"]] == [code]


@pytest.mark.parametrize(
    ("minutes", "meets", "code"), [(1152, True, "95714"), (1151, False, "95708")]
)
def test_video_of_exactly_the_share_meets_it(
    tmp_path: Path, minutes: int, meets: bool, code: str
) -> None:
    recorded(tmp_path / "s", 24 * HOUR)
    end = (START + timedelta(minutes=minutes)).isoformat()
    (tmp_path / "v.csv").write_text(f"start,end\n{START.isoformat()},{end}\n")
    order = ordered(tmp_path / "s", 24, '[logs]\nvideo = "v.csv"\n', video="true",
                    monitoring='"unmonitored"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    assert audit["video"]["recorded_s"] == 60 * minutes
    assert audit["video"]["fraction"] == minutes / 1440
    assert audit["video"]["meets"] is meets
    assert audit["video"]["threshold"] == 0.8
    assert [u["code"] for u in audit["billing"]["technical_totals"]] == [code]


@pytest.mark.parametrize(
    ("minutes", "events", "code"),
    [(19, {}, None), (30, {20: [event("+1200", "Sleep N2")]}, "95819"),
     (45, {20: [event("+1200", "Sleep N2")]}, "95812"), (61, {}, "95813"), (119, {}, "95813")],
)  # fmt: skip
def test_under_two_hours_the_shorter_code_is_given(
    tmp_path: Path, minutes: int, events: dict[int, list[bytes]], code: str | None
) -> None:
    write(tmp_path / "s" / "a.edf", record="60", records=minutes, events=events)
    billing = study(tmp_path / "s", "--ordered-hours", "0.5").audit["billing"]
    assert billing["shorter"]["code"] == code
    assert billing["technical_totals"] == []


def test_without_video_and_monitoring_in_the_order_a_finding_says_so(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 3 * HOUR)
    audit = study(tmp_path / "s", "--ordered-hours", "3").audit
    assert codes(audit)["video_or_monitoring_not_stated"] == "info"
    answers = {a["question"]: a["state"] for a in audit["decision"]["answers"]}
    assert answers["billing"] == "yes", "nothing was asked for, so nothing is missing"


def test_another_payers_limits_need_a_policy_file_and_no_code(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 90 * 60)
    (tmp_path / "payer.toml").write_text(
        "[policy]\nname = 'other payer'\n[coverage]\ngap_floor_s = 60\n"
    )
    audit = study(
        tmp_path / "s", "--ordered-hours", "1.5", "--policy", tmp_path / "payer.toml"
    ).audit
    assert audit["tool"]["policy"]["name"] == "other payer"
    assert len(audit["tool"]["policy"]["sha256"]) == 64


def answer(audit: dict[str, Any]) -> tuple[str, str]:
    """State and sentence of the billing answer."""
    (found,) = [a for a in audit["decision"]["answers"] if a["question"] == "billing"]
    return found["state"], found["text"]


def test_one_minute_under_two_hours_is_no_by_its_minimum(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 119 * 60)
    order = ordered(tmp_path / "s", 2, monitoring='"unmonitored"', video="false")
    audit = study(tmp_path / "s", "--order", order).audit
    assert audit["billing"]["minimum"] == {
        "ordered_band": "2-12 h", "reached_band": "61-119 min", "met": False, "short_s": 60,
        "above_s": 0, "text": "1:00 under the 2-hour minimum",
    }  # fmt: skip
    state, text = answer(audit)
    assert state == "no"
    assert "1:00 under the 2-hour minimum" in text


def test_checks_every_125_minutes_are_one_line(tmp_path: Path) -> None:
    recorded(tmp_path / "s", 24 * HOUR)
    checks(tmp_path / "s", range(0, 1440, 125))
    order = ordered(tmp_path / "s", 24, '[logs]\nmonitoring = "checks.csv"\n', video="false",
                    monitoring='"intermittent"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    state, text = answer(audit)
    assert state == "look"
    assert "11 of 11 intervals are 2:05, 0:05 over" in text
    assert [p["monitoring"] for p in audit["billing"]["periods"]] == ["unmonitored"]
    assert audit["monitoring"]["log"]["taken"] is True


def test_dates_and_shares_stand_by_period(tmp_path: Path) -> None:
    # From Tuesday 2 March 2027 at 09:30; video on day one, and on day two for 18 of 24 h.
    recorded(tmp_path / "s", 48 * HOUR)
    end = (START + timedelta(hours=42)).isoformat()
    (tmp_path / "v.csv").write_text(f"start,end\n{START.isoformat()},{end}\n")
    order = ordered(tmp_path / "s", 48, '[logs]\nvideo = "v.csv"\n', video="true",
                    monitoring='"unmonitored"')  # fmt: skip
    audit = study(tmp_path / "s", "--order", order).audit
    dates = ["2027-03-02/2027-03-03", "2027-03-03/2027-03-04"]
    assert [p["date"] for p in audit["billing"]["periods"]] == dates
    assert [d["date"] for d in audit["billing"]["professional"]["each_day"]] == dates
    assert audit["billing"]["dates"] == "2027-03-02/2027-03-04"
    video = audit["video"]
    assert (video["meets"], video["short_s"]) == (True, 0)
    assert [(p["index"], p["fraction"], p["meets"]) for p in video["periods"]] == [
        (1, 1, True), (2, 0.75, False),
    ]  # fmt: skip
    assert [p["video"] for p in audit["billing"]["periods"]] == [True, False]
    state, text = answer(audit)
    assert state == "look"
    assert "eriod 2: 1:12:00 of video short of 80 %" in text


def test_ears_and_mastoids_are_no_set_up_channels(tmp_path: Path) -> None:
    labels = ("Fp1", "Fp2", "C3", "C4", "O1", "O2", "Cz", "A1", "M2")
    channels = [Channel(f"EEG {name}") for name in labels]
    write(tmp_path / "s" / "a.edf", record="60", records=180, channels=channels)
    setup = study(tmp_path / "s", "--ordered-hours", "3").audit["billing"]["setup"]
    assert (setup["code"], setup["supported"]) == ("95999", False)
    assert setup["note"].startswith(
        "7 of 8 needed EEG channels: 95999 in place of 95700. A1, M2 are references"
    )


def test_a_fixed_hour_leaves_time_that_no_code_covers(tmp_path: Path) -> None:
    # 09:30 to 05:30 two days later, periods from 20:00: 10:30, 24:00 and 9:30.
    recorded(tmp_path / "s", 44 * HOUR)
    (tmp_path / "lab.toml").write_text('[billing]\nother_period_start = "20:00"\n')
    audit = study(tmp_path / "s", "--ordered-hours", "44", "--policy", tmp_path / "lab.toml").audit
    (other,) = [i for i in audit["billing"]["interpretations"] if "20:00" in i["if"]]
    assert other["technical_totals"] == [
        {"code": "95705", "count": 1}, {"code": "95708", "count": 1},
    ]  # fmt: skip
    assert other["not_billable_s"] == 9.5 * HOUR
    assert answer(audit)[0] == "look", "the policy asks for it, and it lowers a code"
