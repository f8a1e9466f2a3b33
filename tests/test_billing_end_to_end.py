"""From files, an order and a log to the sentences that a billing clerk reads, in every output.

The study is invented: 72 h were ordered; the recording has a gap of 5 h on day two, and no check is
logged for 3 h of the recording that follows it.
"""

from __future__ import annotations

import contextlib
import io
import json
from html import unescape
from pathlib import Path

import pytest
from helpers_edf import Sig, edf

from auditor.cli.parser import main

MINUTE = 60
GAP = range(30 * 60, 35 * 60)  # minutes after the start
ELECTRODES = ("Fp1", "Fp2", "C3", "C4", "T7", "T8", "O1", "O2", "Cz")
CHECKS = [*range(2, 30, 2), 29.5, 36, 38, 40, *range(43, 72, 2)]  # hours; none from 40 to 43

ORDER = """
[order]
study_id = "S-2048"
patient_code = "P-2041"
ordered_hours = 72
hookup = 2027-03-02T09:30:00
timezone = "America/Denver"
video = false
monitoring = "intermittent"
[logs]
monitoring = "checks.csv"
"""


def _time_of(hours: float) -> str:
    minutes = int(hours * 60) + 9 * 60 + 30
    day, rest = divmod(minutes, 24 * 60)
    return f"2027-03-{2 + day:02d}T{rest // 60:02d}:{rest % 60:02d}:00"


@pytest.fixture(scope="module")
def outputs(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("S-2048")
    onsets = [m * MINUTE for m in range(72 * 60) if m not in GAP]
    signals = [Sig(f"EEG {name}", rate=2) for name in ELECTRODES]
    (folder / "s2048.edf").write_bytes(edf(onsets, signals=signals, duration="60"))
    (folder / "order.toml").write_text(ORDER, encoding="utf-8")
    log = "time;by;note\n" + "".join(f"{_time_of(h)};tech 4;\n" for h in CHECKS)
    (folder / "checks.csv").write_text(log, encoding="utf-8")
    out = folder / "out"
    terminal = io.StringIO()
    with contextlib.redirect_stdout(terminal):
        main(
            ["study", str(folder / "s2048.edf"), "--order", str(folder / "order.toml"),
             "--out", str(out), "--signal", "off"]
        )  # fmt: skip
    (out / "terminal.txt").write_text(terminal.getvalue(), encoding="utf-8")
    return out


# What the page and the JSON tell of single periods, and what stands in the terminal too.
OF_PERIODS = [
    "No documented check for 3 h of recording (Thu 4 Mar 2027 01:30:00 to Thu 4 Mar 2027 04:30:00): "
    "this period counts as unmonitored: 95708 in place of 95709.",
    "5 h of this period was not recorded and does not count.",
]
OF_THE_STUDY = ["1 of 32 intervals is 3:00, 1:00 over"]


@pytest.mark.parametrize("sentence", [*OF_PERIODS, *OF_THE_STUDY])
def test_the_period_and_what_falls_are_named_in_words(outputs: Path, sentence: str) -> None:
    assert sentence in json.dumps(json.loads((outputs / "audit.json").read_text(encoding="utf-8")))
    page = unescape((outputs / "audit.html").read_text(encoding="utf-8"))
    assert sentence in page
    terminal = (outputs / "terminal.txt").read_text(encoding="utf-8")
    assert (sentence in terminal) is (sentence in OF_THE_STUDY)


def test_the_json_gives_the_units_by_period_and_in_total(outputs: Path) -> None:
    billing = json.loads((outputs / "audit.json").read_text(encoding="utf-8"))["billing"]
    assert billing["technical_totals"] == [
        {"code": "95708", "count": 1},
        {"code": "95709", "count": 2},
    ]
    assert [p["recorded_s"] for p in billing["periods"]] == [86400, 68400, 86400]
    codes = [[u["code"] for u in p["technical"]["units"]] for p in billing["periods"]]
    assert codes == [["95709"], ["95708"], ["95709"]]
    whole = billing["professional"]["whole_study"]
    assert (whole["code"], whole["above_s"]) == ("95723", 7 * 3600)  # 67 h recorded, above 60 h
    study = [
        a for a in billing["interpretations"] if "lowers the level of the whole study" in a["if"]
    ]
    assert study[0]["technical_totals"] == [{"code": "95708", "count": 3}]
    assert billing["setup"]["code"] == "95700"


def test_where_a_restart_moves_the_clock_checks_and_video_follow_its_periods(
    tmp_path: Path,
) -> None:
    # 20 h, ten hours of nothing, and 30 h in a second file. With a clock of its own the second file
    # fills periods 3 and 4 (hours 30 to 54 and 54 to 60). No check from hour 31 to 35; video from
    # hour 30 on but for the last 6 h.
    for name, first, last in (("1.edf", 0, 20), ("2.edf", 30, 60)):
        day, clock = _time_of(first).split("T")
        date, time = f"{day[8:]}.03.27", clock.replace(":", ".")
        (tmp_path / name).write_bytes(
            edf([m * MINUTE for m in range((last - first) * 60)], duration="60", start_date=date,
                start_time=time, recording=f"Startdate {day[8:]}-MAR-2027 X X N-3",
                signals=[Sig(f"EEG {label}", rate=2) for label in ELECTRODES])
        )  # fmt: skip
    order = ORDER.replace("video = false", "video = true") + 'video = "video.csv"\n'
    (tmp_path / "order.toml").write_text(order, encoding="utf-8")
    checks = [*range(1, 20), 30.5, 31, 35, *range(36, 60)]
    log = "time;by;note\n" + "".join(f"{_time_of(h)};tech 4;\n" for h in checks)
    (tmp_path / "checks.csv").write_text(log, encoding="utf-8")
    film = f"start;end\n{_time_of(30)};{_time_of(54)}\n"
    (tmp_path / "video.csv").write_text(film, encoding="utf-8")
    policy = tmp_path / "policy.toml"
    policy.write_text(
        "[billing.restart]\nmoves_clock = true\nsource = 'made up'\n", encoding="utf-8"
    )
    out = tmp_path / "out"
    with contextlib.redirect_stdout(io.StringIO()):
        main(
            ["study", str(tmp_path), "--out", str(out), "--signal", "off", "--policy", str(policy)]
        )
    audit = json.loads((out / "audit.json").read_text(encoding="utf-8"))
    recorded = [(p["index"], p["recorded_s"] // 3600) for p in audit["billing"]["periods"]]
    assert recorded == [(1, 20), (2, 0), (3, 24), (4, 6)]
    assert [x["periods"] for x in audit["monitoring"]["lapses"]] == [[3]]
    assert [(p["index"], p["meets"]) for p in audit["video"]["periods"]] == [
        (1, False), (3, True), (4, False),
    ]  # fmt: skip
    levels = [p["monitoring"] for p in audit["billing"]["periods"]]
    assert levels == ["intermittent", None, "unmonitored", "intermittent"]
