"""Each call by which an input is read fails once: that file is named, and nothing else is lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from helpers_batch import EPOCH, batch, make_study, one_by_one, worklist
from helpers_cli import QUICK, run
from helpers_faults import every_read_fault


@pytest.fixture(autouse=True)
def same_time(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


@pytest.mark.parametrize("forever", [False, True])
def test_whatever_read_fails_its_file_is_named_and_the_rest_is_audited(
    forever: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``forever``: every later call for the same file fails too, as on a bad spot of a card."""
    # What is written is another test's; what it says is in the JSON.
    folder = make_study(tmp_path, "S-2041", seconds=20, ordered_s=None)
    later = make_study(tmp_path, "later", seconds=24, ordered_s=None)
    raw = (later / "a.edf").read_bytes().replace(b"09.30.00", b"10.30.00")
    (folder / "b.edf").write_bytes(raw)
    order = tmp_path / "order.toml"
    order.write_text("[order]\nordered_hours = 0.005\n")
    named, whole, refused, number = 0, 0, 0, 0

    def step(number: int) -> int:
        out = tmp_path / "outputs" / str(number)
        return run("study", folder, "--order", order, "--out", out, *QUICK)

    for number, faults, status in every_read_fault(folder, step, forever):
        out = tmp_path / "outputs" / str(number)
        said = capsys.readouterr().err
        where = faults.failed[0].partition(" ")[2] if faults.failed else ""
        if status == 2:  # only where the folder itself cannot be looked at
            assert where == str(folder), (faults.failed, said)
            assert "should not happen" not in said
            assert said.startswith("auditor: "), said
            assert str(folder) in said or "reading or writing failed" not in said, said
            refused += 1
        else:
            document = json.loads((out / "audit.json").read_text("utf-8"))
            counted = {
                Path(f["name"]).name: f["recorded_s"]
                for f in document["files"]
                if f["role"] == "counted"
            }
            about = [
                f for f in document["findings"]
                if Path(where).name in f["where"] and f["severity"] != "info"
            ]  # fmt: skip
            lost = {"a.edf": 20, "b.edf": 24}.items() - counted.items()
            if not lost and not about:
                whole += 1  # told by another call as well, or only who belongs was asked
            else:
                assert about, (faults.failed, lost, document["findings"])
                assert {name for name, _ in lost} <= {Path(where).name}, (faults.failed, counted)
                named += 1
    assert number > 15
    assert named > 8
    assert refused <= 8  # the calls about the folder itself
    assert whole + named + refused == number


CHECKS = "time,by,note\n" + "".join(
    f"2027-03-02 09:30:{s:02d},T-12,seen\n" for s in range(0, 20, 4)
)
VIDEO = "start,end\n2027-03-02 09:30:00,2027-03-02 09:30:20\n"
ORDER = """[order]
study_id = "S-2041"
ordered_hours = 0.005
monitoring = "intermittent"
video = true
[logs]
monitoring = "checks.csv"
video = "video.csv"
"""


@pytest.mark.parametrize("forever", [False, True])
def test_whatever_read_of_an_order_a_log_or_a_policy_fails_its_file_is_named(
    forever: bool, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """All that the command line names must be there before the long scan begins."""
    folder = make_study(tmp_path, "S-2041", seconds=20, ordered_s=None)
    beside = tmp_path / "beside"
    beside.mkdir()
    texts = {"order.toml": ORDER, "checks.csv": CHECKS, "video.csv": VIDEO,
             "policy.toml": "[coverage]\ngap_floor_s = 2\n"}  # fmt: skip
    for name, text in texts.items():
        (beside / name).write_text(text)
    study = ("study", folder, "--order", beside / "order.toml", "--policy", beside / "policy.toml",
             *QUICK, "--signal", "off")  # fmt: skip
    assert run(*study, "--out", tmp_path / "sound") in (0, 1)
    sound = json.loads((tmp_path / "sound" / "audit.json").read_text("utf-8"))
    assert (sound["monitoring"]["checks"], sound["video"]["recorded_s"]) == (5, 20)
    refused: set[str] = set()

    def step(number: int) -> int:
        capsys.readouterr()
        return run(*study, "--out", tmp_path / "outputs" / str(number))

    for number, faults, status in every_read_fault(beside, step, forever):
        out = tmp_path / "outputs" / str(number)
        said = capsys.readouterr().err
        if not faults.failed:
            break
        name = Path(faults.failed[0].partition(" ")[2]).name
        if status == 2:
            assert said.startswith("auditor: "), said
            assert name in said, (faults.failed, said)
            assert "should not happen" not in said, (faults.failed, said)
            assert not out.exists()
            refused.add(name)
        else:  # told by another call as well
            document = json.loads((out / "audit.json").read_text("utf-8"))
            assert {k: v for k, v in document.items() if k != "tool"} == {
                k: v for k, v in sound.items() if k != "tool"
            }, faults.failed
    assert refused == set(texts)


def test_whatever_read_of_a_batchs_orders_fails_costs_no_study_but_its_own(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """Without its list of orders a batch does not start. Every other fault stays for ever."""
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    root, beside = tmp_path / "returned", tmp_path / "beside"
    folder = make_study(root, "S-2041", seconds=20, ordered_s=None)
    (folder / "order.toml").write_text(ORDER)
    (folder / "checks.csv").write_text(CHECKS)
    (folder / "video.csv").write_text(VIDEO)
    make_study(root, "S-2042", seconds=24, ordered_s=None, patient="P-2042", unit="N-7")
    beside.mkdir()
    (beside / "orders.csv").write_text("folder,study_id,ordered_hours\nS-2042,S-2042,0.006\n")
    seen: set[str] = set()
    for watched in (beside, folder / "order", folder / "checks"):

        def step(number: int, watched: Path = watched) -> int:
            capsys.readouterr()
            out = tmp_path / "outputs" / f"{watched.name}{number}"
            return batch(root, out, "--orders", beside / "orders.csv", *QUICK, "--signal", "off")

        number = 0
        for number, faults, status in every_read_fault(watched, step, None):
            out = tmp_path / "outputs" / f"{watched.name}{number}"
            said = capsys.readouterr().err
            assert "should not happen" not in said, (faults.failed, said)
            if not faults.failed:
                assert status in (0, 1)
                break
            if status == 2:
                assert watched == beside, (faults.failed, said)
                assert "orders.csv" in said
                seen.add("list")
            else:
                rows = {r["study"]: r for r in worklist(out)}
                assert rows["S-2042"]["recorded_s"] == 24, faults.failed
                row = rows["S-2041"]
                if watched.name == "order" and row["recorded_s"] != 20:
                    assert "order.toml" in row["error"], (faults.failed, row)
                    seen.add("order")
                elif watched != beside:  # a log costs neither the hours nor the other log
                    assert row["recorded_s"] == 20, (faults.failed, row)
                    if "log_not_taken" in row["reasons"]:
                        assert f"{watched.name}.csv" in row["headline"], (faults.failed, row)
                        seen.add(watched.name)
        assert number > 2
    assert seen == {"list", "order", "checks"}
