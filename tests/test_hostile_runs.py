"""Command lines, folders for outputs, full disks, terminals and memory that somebody made to fail."""

from __future__ import annotations

import json
import os
import re
import socket
import stat
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from helpers_batch import make_study
from helpers_cli import QUICK, run, study
from helpers_edf import Sig, edf, layout
from helpers_hostile_folder import EIGHT, GOOD, LATER, ROOT, within
from helpers_study_invariants import CONTROLS, fingerprint

# ---------------------------------------------------------------- the command line


@pytest.mark.parametrize(
    "arguments",
    [
        ["study", "x" * 300],
        ["study", "\x1b[2J\nnowhere"],
        ["study", "STUDY", "--out", "y" * 300],
        ["study", "STUDY", "--order", "\x1b[2J"],
        ["study", "STUDY", "--policy", "\x1b[2J\udcff"],
        ["study", "STUDY", "--timezone", "\x1b[2J"],
        ["study", "STUDY", "--timezone", "../../../etc/passwd"],
        ["study", "STUDY", "--ordered-hours", "\x1b[2J"],
        ["study", "STUDY", "--\x1b[2J\udcff"],
        ["study", "STUDY", "--signal", "\x1b[2J"],
        ["\x1b[2J"],
        ["plan", "--ordered-hours", "1e999999999"],
    ],
)
def test_wrong_use_is_status_2_and_never_writes_to_the_terminal_raw(
    folder: Path, capsys: pytest.CaptureFixture[str], arguments: list[str]
) -> None:
    given = [str(folder) if a == "STUDY" else a for a in arguments]
    with within(60):
        assert run(*given) == 2
    captured = capsys.readouterr()
    assert captured.out == ""
    assert "should not happen" not in captured.err
    assert "Traceback" not in captured.err
    assert not CONTROLS.search(captured.err)


def test_an_out_folder_with_any_name_is_named_harmlessly(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    out = folder.parent / os.fsdecode(b"\x1b[2Jout\xff")
    assert run("study", folder, "--out", out, *QUICK) == 1
    assert (out / "audit.json").exists()
    assert not CONTROLS.search(capsys.readouterr().out)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
@pytest.mark.parametrize("streams", [">/dev/full", ">&-", ">&- 2>&-", "| true"])
def test_an_output_that_takes_no_text_does_not_undo_the_audit(folder: Path, streams: str) -> None:
    out, status = folder.parent / "out", folder.parent / "status"
    command = f"'{sys.executable}' -m auditor study '{folder}' --out '{out}' {' '.join(QUICK)}"
    done = subprocess.run(
        ["bash", "-c", f"{command} {streams}; echo ${{PIPESTATUS[0]}} > '{status}'"],
        cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert status.read_text().strip() == "1"
    assert (out / "audit.json").exists()
    assert "should not happen" not in done.stderr
    assert "Exception ignored" not in done.stderr
    assert ("could not be printed" in done.stderr) == (streams == ">/dev/full")


def test_a_result_that_cannot_be_printed_is_status_2(tmp_path: Path) -> None:
    done = subprocess.run(
        ["bash", "-c", f"'{sys.executable}' -m auditor rules > /dev/full"],
        cwd=ROOT, capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "reading or writing failed" in done.stderr


def test_only_debug_shows_the_traceback_and_the_exit_status_stays(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    path = tmp_path / "\x1b[2Jnowhere"
    assert run("study", path) == 2
    plain = capsys.readouterr().err
    assert run("study", path, "--debug") == 2
    shown = capsys.readouterr().err
    assert "Traceback" not in plain
    assert "Traceback (most recent call last)" in shown
    assert shown.endswith(plain)
    assert not CONTROLS.search(shown)


# ---------------------------------------------------------------- outputs


def in_a_process(
    arguments: list[str], before: str = "", after: str = ""
) -> subprocess.CompletedProcess[str]:
    """``auditor ARGUMENTS`` in a process of its own that first runs the code ``before``."""
    script = f"import resource, os, sys\n{before}\nfrom auditor.cli.parser import main\nstatus = main({arguments!r})\n{after}\nsys.exit(status)"
    # What counts the lines that are run would meet the same limits of files and memory.
    uncounted = {name: v for name, v in os.environ.items() if not name.startswith("COVERAGE_")}
    return subprocess.run(
        [sys.executable, "-c", script], cwd=ROOT, capture_output=True, text=True, timeout=300,
        check=False, env=uncounted,
    )  # fmt: skip


@pytest.mark.parametrize("force", [False, True])
def test_a_disk_that_fills_up_leaves_the_old_audit_or_none(folder: Path, force: bool) -> None:
    """A limit on the size of a file: writing beyond it fails as on a full disk."""
    out = folder.parent / "out"
    if force:
        study(folder, out)
        (folder / "later.edf").write_bytes(LATER)
    before = fingerprint(out) if force else []
    result = in_a_process(
        ["study", str(folder), "--out", str(out), *QUICK, *(["--force"] if force else [])],
        "resource.setrlimit(resource.RLIMIT_FSIZE, (20_000, 20_000))",
    )
    assert result.returncode == 2
    assert "cannot be written" in result.stderr
    assert "Traceback" not in result.stderr
    assert [row[0:5] for row in fingerprint(out)] == before if force else not out.exists()
    assert sorted(p.name for p in folder.parent.iterdir()) == sorted(
        ["study", "out"] if force else ["study"]
    )


@pytest.mark.parametrize("umask", [0o000, 0o077, 0o777])
def test_outputs_are_the_owners_alone_whatever_the_umask(folder: Path, umask: int) -> None:
    out = folder.parent / "out"
    before = os.umask(umask)
    try:
        run("study", folder, "--out", out, *QUICK)
    finally:
        os.umask(before)
    assert stat.S_IMODE(out.stat().st_mode) == 0o700
    assert {stat.S_IMODE(p.stat().st_mode) for p in out.iterdir()} == {0o600}
    assert len(list(out.iterdir())) >= 6


def test_nothing_leaves_the_machine(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*given: Any, **more: Any) -> None:
        raise AssertionError("something reached for the network")

    monkeypatch.setattr(socket.socket, "connect", refuse)
    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    with within(300):
        assert run("study", folder, "--out", folder.parent / "out") == 1


def test_a_batch_over_hostile_folders_shows_their_names_as_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    root, out = tmp_path / "root", tmp_path / "out"
    root.mkdir()
    for name in (
        b"<zzq onclick=1>",
        b"=1+1",
        b"a\nb",
        b"\x1b[2J",
        b"\xff\xfe",
        "\u202ezzq".encode(),
        b"-zzq",
    ):
        (root / os.fsdecode(name)).mkdir()
        raw = edf(
            onsets=range(9),
            signals=EIGHT,
            patient="<zzq> X X =zzq",
            recording="Startdate 02-MAR-2027 X <zzq> =N-3",
        )
        (root / os.fsdecode(name) / "a.edf").write_bytes(raw)
    (root / "loop").symlink_to(".")
    os.mkfifo(root / "pipe.edf")
    (root / "bad").mkdir()
    (root / "bad" / "a.edf").write_bytes(GOOD[:200])
    with within(300):
        run("batch", root, "--out", out, "--workers", "1", *QUICK)
        names = [
            s["study"] for s in json.loads((out / "worklist.json").read_text("utf-8"))["studies"]
        ]
        run(
            "decide",
            names[0],
            "--outcome",
            "accept-short",
            "--by",
            "=zzq",
            "--note",
            "<zzq>\x1b[2J",
            "--out",
            out,
        )
        run("trends", "--out", out)
    captured = capsys.readouterr()
    assert len(names) == 8
    assert not CONTROLS.search(captured.out + captured.err)
    assert "should not happen" not in captured.err
    for path in out.rglob("*"):
        if path.suffix in (".html", ".json", ".csv"):
            text = path.read_text(encoding="utf-8")
            if path.suffix == ".json":
                json.loads(text)  # data: names stand there as they are
                continue
            assert not CONTROLS.search(text.replace("\n", ""))
            assert path.suffix != ".html" or "<zzq" not in text.lower()
            assert path.suffix != ".csv" or not re.search(r"(?m)(^|,)\"?[=+@]", text)
        if path.is_file():
            assert stat.S_IMODE(path.stat().st_mode) == 0o600
    assert {p.name for p in out.glob("*.html")} == {"index.html", "trends.html"}


# ---------------------------------------------------------------- memory


def peak_megabytes(folder: Path) -> float:
    """The peak memory of an audit in a process of its own."""
    result = in_a_process(
        ["study", str(folder), "--out", str(folder) + "-out", *QUICK, "--quiet", "--force"],
        after="print(resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024)",
    )
    assert "should not happen" not in result.stderr
    return float(result.stdout.split()[-1])


def claims() -> bytes:
    """2000 signals of 99999999 samples each, in a file that holds that header and little more."""
    raw = edf(records=1, plain=True, signals=[Sig(rate=1)] * 2000)
    at = layout(raw, "samples per record", 0).start
    return raw[:at] + b"99999999" * 2000 + raw[at + 8 * 2000 :]


def very_many_in_one_record() -> bytes:
    lists = b"+0.5\x14x\x14\0" * 400_000
    return edf(onsets=[0], signals=EIGHT, annotation_bytes=len(lists) + 20, events={0: [lists]})


def records_of_days() -> bytes:
    """90 kB that claim 350 records of a day each: a year of seconds, of eight channels."""
    return edf(records=350, plain=True, signals=EIGHT, duration="86400")


@pytest.fixture(scope="module")
def usual(tmp_path_factory: pytest.TempPathFactory) -> float:
    """The peak memory of an audit of one good file."""
    folder = tmp_path_factory.mktemp("usual") / "study"
    folder.mkdir()
    (folder / "good.edf").write_bytes(GOOD)
    return peak_megabytes(folder)


@pytest.mark.parametrize("log", ["/dev/zero", "pipe.csv"])
def test_a_log_that_never_ends_or_never_begins_keeps_no_batch_waiting(
    log: str, tmp_path: Path
) -> None:
    """It is not taken, and the audit's fingerprint does not wait for it either."""
    folder = make_study(tmp_path / "returned", "S-2041")
    os.mkfifo(tmp_path / "returned" / "pipe.csv")
    with (folder / "order.toml").open("a", encoding="utf-8") as file:
        file.write(f'[logs]\nmonitoring = "{log if log[0] == "/" else f"../{log}"}"\n')
    done = subprocess.run(
        [sys.executable, "-m", "auditor", "batch", tmp_path / "returned", "--out", tmp_path / "out",
         "--signal", "off", "--second-readers", "off", "--quiet"],
        capture_output=True, text=True, timeout=300, check=False,
    )  # fmt: skip
    assert done.returncode == 1, done.stderr
    (study,) = json.loads((tmp_path / "out" / "worklist.json").read_text("utf-8"))["studies"]
    assert study["recorded_s"] == 36


@pytest.mark.parametrize("make", [claims, very_many_in_one_record, records_of_days])
def test_memory_follows_what_a_file_holds_not_what_it_claims(
    folder: Path, usual: float, make: Callable[[], bytes]
) -> None:
    (folder / "hostile.edf").write_bytes(make())
    # Measured: 10 MB more for the claims, 70 MB more for 400,000 annotations in one record, 50 MB
    # more for records of days.
    assert peak_megabytes(folder) < usual + 120


# ---------------------------------------------------------------- limits


@pytest.mark.parametrize("name", ["n" * 4000, "\x1b" * 4000, "\u202e" * 3000])
def test_an_error_message_has_at_most_two_thousand_bytes(
    name: str, folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = folder / "order.toml"
    order.write_text(f"[order]\nordered_hours = 1\n{json.dumps(name)} = 1\n")
    for arguments in (("study", name), ("study", folder, "--order", order)):
        assert run(*arguments) == 2
        said = capsys.readouterr().err
        assert said.startswith("auditor: ")
        assert said.endswith((".\n", "\n"))
        assert len(said.encode()) <= 2000 + len("auditor: \n")
        assert not CONTROLS.search(said.replace("\n", ""))


def test_too_little_memory_is_one_sentence_and_status_2(folder: Path) -> None:
    """Whatever step meets the limit: 2 without an audit, never 1, and no traceback."""
    out = folder.parent / "out"
    statuses = []
    for megabytes in (5, 20, 60):
        before = (
            "import auditor.cli.commands, auditor.pipeline\n"
            "used = int(open('/proc/self/statm').read().split()[0]) * resource.getpagesize()\n"
            f"resource.setrlimit(resource.RLIMIT_AS, (used + {megabytes << 20},) * 2)"
        )
        done = in_a_process(["study", str(folder), "--out", str(out), "--force", *QUICK], before)
        assert "Traceback" not in done.stderr
        if done.returncode == 2:
            assert done.stderr.count("\n") == 1, done.stderr
            assert not out.exists()
        else:
            assert done.returncode == 1
            assert (out / "audit.json").exists()
        statuses.append(done.returncode)
    assert statuses[0] == 2
