"""The options of ``auditor study``: which order is taken, and what stands in place of its keys."""

from __future__ import annotations

import hashlib
import os
from pathlib import Path

import pytest
from helpers_cli import codes, run, study
from helpers_edf import Sig, edf

import auditor.pipeline
from auditor.core.clock import iso
from auditor.core.errors import SettingsError, UsageError
from auditor.core.units import HOUR
from auditor.inputs.order import order_of_folder, order_with, read_order
from auditor.model import Corrections

CHANNELS = tuple(Sig(f"EEG {name}") for name in ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "O1", "O2"))
ORDER = '[order]\nordered_hours = 0.01\nstudy_id = "S-2041"\n'


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    made = tmp_path / "S-2041"
    made.mkdir()
    (made / "a.edf").write_bytes(edf(onsets=range(36), signals=CHANNELS))
    return made


def test_the_order_in_the_folder_is_taken_and_named(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "order.toml").write_text(ORDER)
    _, audit = study(folder, tmp_path / "out")
    assert audit["order"]["ordered_s"] == 36
    assert f"The order was taken from {folder / 'order.toml'}" in capsys.readouterr().out
    assert "other_files" not in codes(audit)  # it was read


def test_an_order_beside_the_folder_is_taken_but_not_before_one_in_it(folder: Path) -> None:
    beside = folder.parent / "S-2041.toml"
    beside.write_text(ORDER)
    assert order_of_folder(folder) == beside
    (folder / "order.json").write_text("{}")
    assert order_of_folder(folder) == folder / "order.json"
    (folder / "order.toml").write_text(ORDER)
    assert order_of_folder(folder) == folder / "order.toml"
    assert order_of_folder(folder.parent) is None


def test_an_order_that_is_given_goes_before_one_in_the_folder(
    folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (folder / "order.toml").write_text(ORDER)
    other = tmp_path / "other.toml"
    other.write_text("[order]\nordered_hours = 2\n")
    _, audit = study(folder, tmp_path / "out", "--order", other)
    assert audit["order"]["ordered_s"] == 7200
    assert "The order was taken from" not in capsys.readouterr().out


def test_options_replace_single_keys(folder: Path, tmp_path: Path) -> None:
    (folder / "order.toml").write_text(
        '[order]\nordered_hours = 48\nvideo = true\nmonitoring = "continuous"\n'
        'hookup = 2027-03-02T08:00:00\n[files]\nexclude = ["x.edf"]\nby = "day shift"\n'
    )
    base = read_order(folder / "order.toml")
    order = order_with(
        base,
        {
            "ordered_hours": "24 h",
            "hookup": "2-Mar-2027 9:29 AM",
            "video": "No",
            "monitoring": "Intermittent",
            "still_recording": True,
            "exclude": ["y.edf"],
            "include": ["x.edf"],
            "clock": {"z.edf": "-0:30"},
            "by": "night shift",
        },
    )
    assert order is not None
    assert order.ordered_ns == 24 * HOUR
    assert order.hookup_civil_ns is not None
    assert iso(order.hookup_civil_ns) == "2027-03-02T09:29:00"
    assert (order.video, order.monitoring, order.still_recording) == (False, "intermittent", True)
    assert order.corrections == Corrections(
        ("y.edf",), ("x.edf",), (("z.edf", -HOUR // 2),), "night shift"
    )
    assert order_with(base, {}) == base
    assert order.sha256 == base.sha256  # the file that was read is still named


def test_the_command_line_gives_them_to_the_audit(folder: Path, tmp_path: Path) -> None:
    _, audit = study(
        folder, tmp_path / "out", "--ordered-hours", "0.01", "--hookup", "2027-03-02 09:30",
        "--video", "no", "--monitoring", "Unmonitored",
    )  # fmt: skip
    order = audit["order"]
    assert (order["hookup"], order["video"], order["monitoring"]) == (
        "2027-03-02T09:30:00", False, "unmonitored",
    )  # fmt: skip


@pytest.mark.parametrize(
    ("options", "says"),
    [
        (["--hookup", "yesterday"], "--hookup: has the value 'yesterday'"),
        (["--hookup", "5/3/2027 9:00"], "2027-03-05 or 2027-05-03"),
        (["--hookup", "2027-03-02"], "Write it as in: --hookup 2027-03-02T09:30"),
        (["--video", "perhaps"], "Write it as in: --video yes"),
        (["--monitoring", "often"], "'unmonitored', 'intermittent' or 'continuous'"),
        (["--clock", "a.edf"], "--clock 0002.edf=+1:00:00"),
        (["--clock", "a.edf=1 hour"], "a sign, hours, minutes and seconds"),
        (["--exclude", "a.edf", "--include", "a.edf"], "under exclude and under include"),
        (["--timezone", "Denver"], "Is America/Denver meant?"),
        (["--policy", "no-code"], "no policy of that name ships"),
    ],
)
def test_a_wrong_option_is_told_before_any_file_is_read(
    folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    options: list[str],
    says: str,
) -> None:
    monkeypatch.setattr(auditor.pipeline, "build_study", _never)
    out = tmp_path / "out"
    assert run("study", folder, "--ordered-hours", "1", "--out", out, *options) == 2
    assert says in capsys.readouterr().err
    assert not out.exists()


def _never(*_: object, **__: object) -> None:
    raise AssertionError("the recordings were read before a typing error was told")


@pytest.mark.parametrize("log", ["none.csv", "/dev/zero", "pipe", "."])
def test_a_log_that_cannot_be_opened_is_told_before_any_recording_is_read(
    folder: Path,
    tmp_path: Path,
    capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
    log: str,
) -> None:
    monkeypatch.setattr(auditor.pipeline, "build_study", _never)
    os.mkfifo(folder / "pipe")
    (folder / "order.toml").write_text(f'{ORDER}[logs]\nmonitoring = "{log}"\n')
    assert run("study", folder, "--out", tmp_path / "out") == 2
    error = capsys.readouterr().err
    assert "[logs] monitoring of the order" in error
    assert len(error.splitlines()) == 1


def test_options_of_an_order_need_an_order() -> None:
    with pytest.raises(UsageError, match=r"--hookup: belongs to an order.*--ordered-hours"):
        order_with(None, {"hookup": "2027-03-02 09:30"})
    with pytest.raises(UsageError, match="--so-far"):
        order_with(None, {"still_recording": True})
    assert order_with(None, {"hookup": None, "exclude": [], "still_recording": False}) is None
    with pytest.raises(SettingsError, match="without an offset"):
        order_with(None, {"ordered_hours": "1", "hookup": "2027-03-02T09:30-07:00"})


@pytest.mark.parametrize(
    ("zone", "asked"),
    [
        ("EST", True), ("MST", True), ("HST", True), ("UTC", True), ("Etc/GMT+5", True),
        ("EST5EDT", False), ("America/Denver", False), ("America/Phoenix", False),
    ],
)  # fmt: skip
def test_a_zone_that_is_no_place_and_has_no_summer_time_is_questioned(
    folder: Path, tmp_path: Path, zone: str, asked: bool
) -> None:
    (folder / "order.toml").write_text(f'{ORDER}timezone = "{zone}"\n')
    _, audit = study(folder, tmp_path / "out")
    assert ("timezone_without_summer_time" in codes(audit)) is asked


def test_the_policy_without_codes_gives_no_billing(folder: Path, tmp_path: Path) -> None:
    _, audit = study(
        folder, tmp_path / "out", "--ordered-hours", "0.01", "--monitoring", "intermittent",
        "--policy", "no-codes",
    )  # fmt: skip
    assert audit["billing"] is None
    assert audit["monitoring"]["ordered"] == "intermittent", "a fact that needs no code"
    assert audit["coverage"]["recorded_s"] == 36
    (answer,) = [a for a in audit["decision"]["answers"] if a["question"] == "billing"]
    assert answer["state"] == "yes"
    assert not [f for f in audit["findings"] if "code" in f["text"] and "95" in f["text"]]


def test_what_was_used_is_named_with_its_checksum(folder: Path) -> None:
    (folder / "checks.csv").write_text("time,by\n2027-03-02T09:30:10,t\n")
    (folder / "order.toml").write_text(
        f'{ORDER}monitoring = "intermittent"\n[logs]\nmonitoring = "checks.csv"\n'
    )
    audit = auditor.audit_study(folder, order=folder / "order.toml", second_readers=False)
    used = {entry.kind: entry for entry in audit.inputs}
    for kind, name in (("order", "order.toml"), ("monitoring", "checks.csv")):
        digest = hashlib.sha256((folder / name).read_bytes()).hexdigest()
        assert (used[kind].name, used[kind].sha256) == (name, digest)
    assert used["policy"].name == "us-long-term-eeg"
    assert "other_files" not in [f.code for f in audit.findings]
    (log,) = audit.logs.values()
    assert (log.name, log.taken, log.note) == ("checks.csv", True, "1 check read")


def test_a_log_that_is_a_year_off_is_named_so_and_the_study_is_audited(
    folder: Path, tmp_path: Path
) -> None:
    (folder / "checks.csv").write_text("time,by\n2026-03-02T09:30:10,t\n2026-03-02T09:30:20,t\n")
    (folder / "order.toml").write_text(
        f'{ORDER}monitoring = "intermittent"\n[logs]\nmonitoring = "checks.csv"\n'
    )
    status, audit = study(folder, tmp_path / "out")
    assert status == 1
    assert audit["coverage"]["recorded_s"] == 36
    (told,) = [f for f in audit["findings"] if f["code"] == "log_not_taken"]
    assert "all 2 checks are one year early (the first is of Mon 2 Mar 2026" in told["text"]


def test_an_onset_beyond_all_bounds_costs_its_row_and_the_study_is_audited(
    folder: Path, tmp_path: Path
) -> None:
    (folder / "checks.tsv").write_text("onset\tduration\n1e999999\t0\n10\t0\n")
    (folder / "order.toml").write_text(
        f'{ORDER}monitoring = "intermittent"\n[logs]\nmonitoring = "checks.tsv"\n'
    )
    _, audit = study(folder, tmp_path / "out")
    assert audit["coverage"]["recorded_s"] == 36
    (told,) = [f for f in audit["findings"] if f["code"] == "log_rows_left_out"]
    assert "Line 2, column onset: '1e999999' is no number of seconds" in told["text"]


def test_a_redacted_audit_holds_no_name_and_no_row_of_a_log(folder: Path, tmp_path: Path) -> None:
    (folder / "Pemberwick.csv").write_text("time,by\n17/09/2027 10:00,Rosalind P\n")
    (folder / "Pemberwick-video.csv").write_text(
        "start,end\n2027-03-02 09:30:00,2027-03-02 09:30:20\nRosalind P,noon\n"
    )
    (folder / "Pemberwick.toml").write_text(
        f'{ORDER}monitoring = "intermittent"\nvideo = true\n'
        '[logs]\nmonitoring = "Pemberwick.csv"\nvideo = "Pemberwick-video.csv"\n'
    )
    out = tmp_path / "out"
    _, audit = study(folder, out, "--order", folder / "Pemberwick.toml", "--redact")
    assert {"log_not_taken", "log_rows_left_out"} <= codes(audit)
    assert len(audit["inputs"]) == 4
    for path in out.iterdir():
        text = path.read_text(encoding="utf-8").lower()
        assert "pemberwick" not in text, path.name
        assert "rosalind" not in text, path.name
