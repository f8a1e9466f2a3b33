"""Each call by which an input is read fails once: that file is named, and nothing else is lost."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from helpers_batch import EPOCH, make_study
from helpers_cli import QUICK, run
from helpers_faults import ERRORS, READS, Faults, injected


@pytest.mark.parametrize("forever", [False, True])
def test_whatever_read_fails_its_file_is_named_and_the_rest_is_audited(
    forever: bool,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
) -> None:
    """``forever``: every later call for the same file fails too, as on a bad spot of a card."""
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    # What is written is another test's; what it says is in the JSON.
    folder = make_study(tmp_path, "S-2041", seconds=20, ordered_s=None)
    later = make_study(tmp_path, "later", seconds=24, ordered_s=None)
    raw = (later / "a.edf").read_bytes().replace(b"09.30.00", b"10.30.00")
    (folder / "b.edf").write_bytes(raw)
    order = tmp_path / "order.toml"
    order.write_text("[order]\nordered_hours = 0.005\n")
    named, whole, refused, number = 0, 0, 0, 1
    while True:
        out = tmp_path / "outputs" / str(number)
        faults = Faults(folder, number, ERRORS[number % len(ERRORS)])
        faults.same = forever
        with injected(faults, READS):
            status = run("study", folder, "--order", order, "--out", out, *QUICK)
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
        if not faults.failed:
            break
        number += 1
    assert number > 15
    assert named > 8
    assert refused <= 8  # the calls about the folder itself
    assert whole + named + refused == number
