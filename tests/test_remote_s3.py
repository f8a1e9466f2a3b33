"""Studies in an object store, read from a real S3-compatible server on the loopback interface."""

from __future__ import annotations

import gc
import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from helpers_cli import QUICK, codes, read, run, study
from helpers_s3 import BUCKET, S3Server, environment, s3, server
from helpers_studies import Amplifier, Clock, write_piece

import auditor
from auditor.core.errors import NothingReadable, UsageError
from auditor.core.units import NS
from auditor.inputs.remote import RemotePlace
from auditor.policy import load_policy
from auditor.study import build_study

__all__ = ["s3", "server"]

POLICY = load_policy()
ORDER = ("--ordered-hours", "24")
SMALL = Amplifier(rate=300)
"""8 channels and 1 s records of 4,800 bytes and a few for annotations: the gaps are not fetched."""


@pytest.fixture(scope="module", autouse=True)
def old_values() -> Iterator[None]:
    """What was there before is not looked through again after each test, which costs most of it."""
    gc.freeze()
    yield
    gc.unfreeze()


@pytest.fixture(autouse=True)
def no_leftovers(old_values: None) -> Iterator[None]:
    """Sessions that are left open are closed now, not in the middle of another test."""
    yield
    gc.collect()


def small_study(folder: Path, *, records: int = 12) -> Path:
    """Two files with an interruption and an event."""
    folder.mkdir(parents=True)
    write_piece(folder / "night-1.edf", (0, records), amplifier=SMALL, events=[(5, "Lights off")])
    write_piece(
        folder / "night-2.edf", (records, 2 * records), (2 * records + 30, 3 * records + 30),
        amplifier=SMALL,
    )  # fmt: skip
    return folder


def measured(document: dict[str, Any]) -> dict[str, Any]:
    """An audit without what may differ by the place: checksums, the time of making, one finding."""
    kept = {k: v for k, v in document.items() if k not in ("tool", "findings", "files")}
    kept["files"] = [{**file, "sha256": None} for file in document["files"]]
    kept["findings"] = [f for f in document["findings"] if f["code"] != "remote_study"]
    return kept


def fetched(document: dict[str, Any]) -> tuple[int, int, int]:
    """Bytes fetched, bytes stored and reads, as the audit states them."""
    [found] = [f for f in document["findings"] if f["code"] == "remote_study"]
    assert found["severity"] == "info"
    match = re.fullmatch(r"(\d+) of (\d+) bytes in (\d+) reads", found["observed"])
    assert match is not None
    return int(match[1]), int(match[2]), int(match[3])


# ---------------------------------------------------------------- what is measured


def test_a_day_in_an_object_store_is_measured_from_a_few_percent_of_its_bytes(
    tmp_path: Path, s3: S3Server, capsys: pytest.CaptureFixture[str]
) -> None:
    # 24 hourly files as a recorder writes them; long records keep 24 h small enough for a test.
    folder = tmp_path / "S-2041"
    folder.mkdir()
    for hour in range(24):
        at = hour * 3600
        runs = [(at, at + 1200), (at + 2160, at + 3600)] if hour == 15 else [(at, at + 3600)]
        write_piece(
            folder / f"hour-{hour:02d}.edf", *runs, amplifier=Amplifier(rate=10), record_s=240,
            events=[(at + 10, "Impedance check")],
        )  # fmt: skip
    url = s3.upload(folder, "returned/S-2041")

    status, remote = study(url, tmp_path / "remote", *ORDER)
    local_status, local = study(folder, tmp_path / "local", *ORDER, "--signal", "off")
    assert measured(remote) == measured(local)
    assert status == local_status
    assert remote["coverage"]["recorded_s"] == 24 * 3600 - 960
    assert [gap["duration_s"] for gap in remote["coverage"]["gaps"]] == [960]
    assert len(remote["annotations"]) == 24

    got, stored, reads = fetched(remote)
    size = sum(p.stat().st_size for p in folder.iterdir())
    assert stored == size
    assert got == s3.sent  # the server counts as we do
    assert reads == s3.ranges
    with capsys.disabled():
        print(
            f"\n24 h in 24 files, {stored:,} bytes stored: {got:,} fetched ({got / stored:.2%}) "
            f"in {reads:,} reads"
        )
    annotation_bytes = sum(f["records"] * 120 for f in remote["files"])
    headers = 24 * 256 * 10
    assert got < annotation_bytes + headers + 24 * 512
    assert got < 0.02 * stored


def test_every_number_is_that_of_the_same_study_on_this_machine(
    tmp_path: Path, s3: S3Server
) -> None:
    folder = small_study(tmp_path / "S-2042")
    (folder / "notes.txt").write_text("invented")
    (folder / "empty.edf").write_bytes(b"")
    (folder / "below").mkdir()
    write_piece(folder / "below" / "recording.dat", (300, 310), amplifier=SMALL)
    url = s3.upload(folder, "S-2042")
    _, local = study(folder, tmp_path / "local", *ORDER, "--signal", "off")
    _, remote = study(url, tmp_path / "remote", *ORDER)
    assert measured(remote) == measured(local)
    assert {f["name"] for f in remote["files"]} == {
        "night-1.edf", "night-2.edf", "below/recording.dat", "empty.edf"
    }  # fmt: skip
    assert all(f["sha256"] is None for f in remote["files"])


def test_the_samples_of_a_remote_study_are_scanned_when_asked_for(
    tmp_path: Path, s3: S3Server
) -> None:
    folder = small_study(tmp_path / "S-2042", records=10)
    url = s3.upload(folder, "S-2042")
    _, local = study(folder, tmp_path / "local", *ORDER)
    _, remote = study(url, tmp_path / "remote", *ORDER, "--signal", "full")
    assert remote["signal"]["scanned"]
    assert measured(remote) == measured(local)
    got, stored, _ = fetched(remote)
    assert got > 0.95 * stored


def test_without_being_asked_for_the_samples_stay_where_they_are(
    tmp_path: Path, s3: S3Server
) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042"), "S-2042")
    _, remote = study(url, tmp_path / "remote", *ORDER)
    assert not remote["signal"]["scanned"]
    assert "signal_not_scanned" in codes(remote)
    got, stored, _ = fetched(remote)
    assert got < 0.1 * stored


def test_copies_are_matched_through_the_same_range_reads(tmp_path: Path, s3: S3Server) -> None:
    folder = tmp_path / "S-2043"
    for name, clock, run_s in (
        ("card", Clock(), (0, 120)),
        ("computer", Clock(offset_ns=3 * NS), (60, 180)),
    ):
        (folder / name).mkdir(parents=True)
        write_piece(folder / name / "study.edf", run_s, amplifier=SMALL, clock=clock, record_s=2)
    local = build_study([folder], None, POLICY)
    place = RemotePlace([s3.upload(folder, "S-2043")])
    remote = build_study(place, None, POLICY)
    assert len(remote.copies) == 2
    assert remote.copies == local.copies
    assert abs((remote.copies[1].clock_offset_ns or 0) - 3 * NS) < NS // 300
    for mine, theirs in zip(remote.files, local.files, strict=True):
        assert mine.map == theirs.map
        assert np.array_equal(mine.run_starts, theirs.run_starts)
    told = dict(place.findings()[0].values)
    assert told["fetched_bytes"] == s3.sent < 0.5 * int(str(told["stored_bytes"]))


def test_second_readers_are_not_given_what_is_not_on_this_machine(
    tmp_path: Path, s3: S3Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    folder = small_study(tmp_path / "S-2042", records=4)
    url = s3.upload(folder, "S-2042")
    monkeypatch.chdir(folder)  # files of the same names lie here; they are not those
    assert run("study", url, "--out", tmp_path / "out", "--quiet") in (0, 1)
    document = read(tmp_path / "out")
    assert document["second_readers"] == []
    assert "second_reader_skipped" in codes(document)


def test_python_use_takes_a_url_too(tmp_path: Path, s3: S3Server) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042", records=4), "S-2042")
    audit = auditor.audit_study(url, ordered_hours=1, second_readers=False)
    assert audit.coverage.recorded_ns == 12 * NS
    assert not audit.signal.scanned


# ---------------------------------------------------------------- which files are taken


def test_a_prefix_takes_its_own_folder_and_no_other_that_begins_alike(
    tmp_path: Path, s3: S3Server
) -> None:
    (tmp_path / "a").mkdir()
    write_piece(tmp_path / "a" / "x.edf", (0, 4))
    s3.upload(tmp_path / "a", "S-204")
    s3.upload(tmp_path / "a", "S-2041")
    s3.put("S-204/", b"")  # stands for the folder
    found = build_study(RemotePlace([f"s3://{BUCKET}/S-204/"]), None, POLICY)
    assert [f.recording.name for f in found.files] == ["x.edf"]
    assert found.other_files == ()
    assert found.name == "S-204"


def test_single_files_may_be_named(tmp_path: Path, s3: S3Server) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042", records=4), "S-2042")
    one = build_study(RemotePlace([f"{url}/night-2.edf"]), None, POLICY)
    assert (one.name, [f.recording.name for f in one.files]) == ("S-2042", ["night-2.edf"])
    both = build_study(RemotePlace([f"{url}/night-2.edf", url]), None, POLICY)
    assert [f.recording.name for f in both.files] == ["night-1.edf", "night-2.edf"]


def test_keys_with_odd_characters_are_read(tmp_path: Path, s3: S3Server) -> None:
    piece = write_piece(tmp_path / "x.edf", (0, 4))
    names = ["a b.edf", "c?d#e.edf", "ü%20.edf", "f*[g].edf", "@h:i.edf"]
    for hour, name in enumerate(names):
        write_piece(piece.path, (hour * 100, hour * 100 + 4))
        s3.put(f"S-1/{name}", piece.path.read_bytes())
    found = build_study(RemotePlace([f"s3://{BUCKET}/S-1"]), None, POLICY)
    assert {f.recording.name for f in found.files} == set(names)


# ---------------------------------------------------------------- what goes wrong


def failed(capsys: pytest.CaptureFixture[str], *arguments: str | Path) -> str:
    """The one line of a command that ended with status 2."""
    assert run(*arguments) == 2
    error = capsys.readouterr().err
    assert error.startswith("auditor: ")
    assert error.count("\n") == 1
    return error


@pytest.mark.parametrize("url", [f"s3://{BUCKET}/S-9999", "s3://no-such-bucket/S-2041"])
def test_a_missing_bucket_or_study_is_wrong_use(
    url: str, s3: S3Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    error = failed(capsys, "study", url, "--out", tmp_path / "out")
    assert url in error
    assert "cannot be looked at: no such bucket" in error
    assert not (tmp_path / "out").exists()


def test_a_storage_that_refuses_access_says_so(
    s3: S3Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042", records=4), "S-2042")
    s3.deny = "S-2042"
    error = failed(capsys, "study", url, "--out", tmp_path / "out")
    assert "refuses access" in error
    assert "credentials" in error


def test_one_file_that_may_not_be_read_costs_that_file_only(tmp_path: Path, s3: S3Server) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042", records=4), "S-2042")
    s3.deny = "night-1"
    status, document = study(url, tmp_path / "out", *ORDER)
    assert status == 1
    roles = {f["name"]: f["role"] for f in document["files"]}
    assert roles == {"night-1.edf": "unreadable", "night-2.edf": "counted"}
    [found] = [f for f in document["findings"] if f["code"] == "unreadable_file"]
    assert (found["severity"], "refuses access" in found["text"]) == ("problem", True)


def test_a_connection_lost_in_the_middle_leaves_no_half_read_file(
    tmp_path: Path, s3: S3Server
) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042"), "S-2042")
    s3.cut_after = 2 + 1 + 12 + 12  # both heads, night-1 with its header, about half of night-2
    status, document = study(url, tmp_path / "out", *ORDER)
    assert status == 1
    roles = {f["name"]: f["role"] for f in document["files"]}
    assert roles == {"night-1.edf": "counted", "night-2.edf": "unreadable"}
    assert document["coverage"]["recorded_s"] == 12
    assert document["decision"]["outcome"] != "complete"
    [found] = [f for f in document["findings"] if f["code"] == "unreadable_file"]
    assert found["severity"] == "problem"
    assert "could not be fetched to the end" in found["text"]
    assert "connection" in found["action"]


def test_a_storage_that_gives_no_answer_ends_in_a_line(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    environment(monkeypatch, "http://127.0.0.1:9")  # the discard port: nobody listens
    error = failed(capsys, "study", f"s3://{BUCKET}/S-2041", "--out", tmp_path / "out")
    assert "cannot be looked at" in error
    assert "network" in error


def test_missing_credentials_are_named(
    tmp_path: Path, s3: S3Server, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.delenv("AWS_ACCESS_KEY_ID")
    monkeypatch.delenv("AWS_SECRET_ACCESS_KEY")
    with pytest.raises(NothingReadable, match="credentials"):
        build_study(RemotePlace([f"s3://{BUCKET}/S-2041"]), None, POLICY)


def test_a_file_written_again_meanwhile_is_a_problem(tmp_path: Path, s3: S3Server) -> None:
    folder = small_study(tmp_path / "S-2042", records=4)
    url = s3.upload(folder, "S-2042")
    again = write_piece(tmp_path / "again.edf", (0, 4), amplifier=Amplifier(rate=300, seed=2))

    def overwrite(count: int) -> None:
        if count == 10:
            s3.put("S-2042/night-1.edf", again.path.read_bytes())

    s3.on_range = overwrite
    found = build_study(RemotePlace([url]), None, POLICY).findings
    [changed] = [f for f in found if f.code == "changed_while_reading"]
    assert (changed.severity, changed.file) == ("problem", "night-1.edf")


# ---------------------------------------------------------------- what gives access stays secret


def test_the_query_of_a_url_reaches_no_output(
    tmp_path: Path, s3: S3Server, capsys: pytest.CaptureFixture[str]
) -> None:
    s3.upload(small_study(tmp_path / "S-2042", records=4), "S-2042")
    plain = f"{s3.url}/{BUCKET}/S-2042/night-2.edf"
    url = f"{plain}?X-Signature=hushhush"
    assert run("study", url, "--out", tmp_path / "out", *QUICK, *ORDER) == 1
    document = read(tmp_path / "out")
    assert [f["name"] for f in document["files"]] == ["night-2.edf"]
    assert document["study"]["name"] == "S-2042"
    texts = [p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir()]
    printed = capsys.readouterr()
    assert not any("hushhush" in text for text in (*texts, printed.out, printed.err))
    error = failed(capsys, "study", f"{plain}.none?X-Signature=hushhush", "--out", tmp_path / "no")
    assert "hushhush" not in error
    assert f"{plain}.none" in error
    assert (
        run("study", f"{plain}.none?X-Signature=hushhush", "--out", tmp_path / "no", "--debug") == 2
    )
    assert "hushhush" not in capsys.readouterr().err


def test_a_password_in_an_object_stores_url_is_refused_and_not_repeated(
    s3: S3Server, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    url = f"s3://INVENTED:hushhush@{BUCKET}/S-2041"
    for extra in ((), ("--debug",), ("--nonsense",)):
        assert run("study", url, "--out", tmp_path / "out", *extra) == 2
        printed = capsys.readouterr()
        assert "hushhush" not in printed.err + printed.out
    assert run("batch", url, "--out", tmp_path / "out") == 2
    assert "hushhush" not in capsys.readouterr().err
    with pytest.raises(UsageError, match="environment") as caught:
        auditor.audit_study(url)
    assert "hushhush" not in str(caught.value)
    assert not list(tmp_path.iterdir())


def test_a_redacted_audit_of_a_url_names_neither_bucket_nor_files(
    tmp_path: Path, s3: S3Server
) -> None:
    url = s3.upload(small_study(tmp_path / "S-2042", records=4), "returned/S-2042")
    _, document = study(url, tmp_path / "out", *ORDER, "--redact")
    text = json.dumps(document)
    assert not any(word in text for word in (BUCKET, "S-2042", "night-1", "returned"))
