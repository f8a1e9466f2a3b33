"""Files that cannot be read as they were counted, threads, progress, interrupts."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path

import pytest
from helpers_signal import Chan, coverage_of, noise, recording_bytes
from helpers_signal import scanned as scanned_study
from msgspec.structs import replace

from auditor.core.progress import Progress
from auditor.core.units import NS
from auditor.edf.source import LocalFile
from auditor.model import Finding, Recording, SignalFacts, Study
from auditor.policy import load_policy
from auditor.signal import scan
from auditor.study import build_study

RATE = 32
SECONDS = 60
RECORD = RATE * 2 + 60


@pytest.fixture
def study(tmp_path: Path) -> Study:
    raw = recording_bytes([Chan("C3", RATE, noise(SECONDS, RATE))], onsets=list(range(SECONDS)))
    (tmp_path / "a.edf").write_bytes(raw)
    return build_study([tmp_path], None, load_policy())


def scanned(
    study: Study,
    opener: Callable[[Recording], LocalFile] | None = None,
    progress: Progress | None = None,
    workers: int = 2,
) -> tuple[SignalFacts, tuple[Finding, ...]]:
    if opener is not None:
        files = [
            replace(f, recording=replace(f.recording, opener=partial(opener, f.recording)))
            for f in study.files
        ]
        study = replace(study, files=tuple(files))
    found = scanned_study(study, coverage_of(study), workers=workers, progress=progress)
    return found.facts, found.findings


class BadSpot(LocalFile):
    """A file with bytes that the disk does not give back."""

    bad = range(256 * 3 + 20 * RECORD + 10, 256 * 3 + 22 * RECORD - 10)

    def __init__(self, recording: Recording) -> None:
        super().__init__(recording.path, recording.name)

    def read_into(self, offset: int, buffer: memoryview) -> int:
        if offset < self.bad.stop and offset + len(buffer) > self.bad.start:
            raise OSError(5, "Input/output error")
        return super().read_into(offset, buffer)


def test_a_bad_spot_costs_only_the_records_that_hold_it(study: Study) -> None:
    facts, findings = scanned(study, BadSpot)
    assert facts.usable_ns == (SECONDS - 2) * NS
    (finding,) = [f for f in findings if f.code == "not_read_to_the_end"]
    assert finding.severity == "problem"
    start = 256 * 3 + 20 * RECORD
    assert f"between bytes {start} and {start + 2 * RECORD}" in finding.text


@pytest.mark.parametrize("huge", [False, True])
def test_a_file_cut_since_it_was_counted_is_a_problem_and_its_rest_is_used(
    study: Study, huge: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if huge:
        monkeypatch.setattr(scan, "LARGEST_RECORD", 10)
        monkeypatch.setattr(scan, "_CHANNEL_BYTES", 10 * RATE * 2)
    path = study.files[0].recording.path
    path.write_bytes(path.read_bytes()[: 256 * 3 + 40 * RECORD + 7])
    facts, findings = scanned(study)
    assert facts.usable_ns == 40 * NS
    assert [f.code for f in findings if f.severity == "problem"] == ["changed_while_reading"]


def test_a_file_that_is_gone_is_a_problem_and_nothing_of_it_is_usable(study: Study) -> None:
    study.files[0].recording.path.unlink()
    facts, findings = scanned(study)
    assert facts.scanned
    assert facts.usable_ns == 0
    assert facts.channels[0].recorded_ns == SECONDS * NS
    (finding,) = [f for f in findings if f.severity == "problem"]
    assert finding.code == "changed_while_reading"
    assert "changed or vanished" in finding.text


def test_one_unreadable_file_leaves_the_others(tmp_path: Path) -> None:
    for name, start in (("a", "09.30.00"), ("b", "09.31.00")):
        raw = recording_bytes([Chan("C3", RATE, noise(SECONDS, RATE))], start_time=start)
        (tmp_path / f"{name}.edf").write_bytes(raw)
    both = build_study([tmp_path], None, load_policy())
    (tmp_path / "a.edf").unlink()
    facts, _ = scanned(both)
    assert facts.usable_ns == SECONDS * NS


def test_a_file_replaced_by_another_of_the_same_size_is_noticed(study: Study) -> None:
    path = study.files[0].recording.path
    raw = recording_bytes(
        [Chan("C3", RATE, noise(SECONDS, RATE))], onsets=[10 + i for i in range(SECONDS)]
    )
    assert len(raw) == path.stat().st_size
    path.write_bytes(raw)
    _, findings = scanned(study)
    assert [f.code for f in findings if f.severity == "problem"] == ["changed_while_reading"]


class Counted:
    """Progress that adds up what it is told."""

    def __init__(self) -> None:
        self.stages: list[tuple[str, int]] = []
        self.done = 0
        self._lock = threading.Lock()

    def stage(self, name: str, total: int) -> None:
        self.stages.append((name, total))

    def advance(self, amount: int) -> None:
        assert amount > 0
        with self._lock:
            self.done += amount


@pytest.mark.parametrize("duration", ["1", "0.5", "0.7", "4"])
@pytest.mark.parametrize("block", [1, 500, 1 << 20])
def test_progress_adds_up_to_the_bytes_of_all_files(
    tmp_path: Path, duration: str, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scan, "BLOCK_BYTES", block)
    rate = round(RATE * float(duration))
    for name, start in (("a", "09.30.00"), ("b", "10.30.00")):
        raw = recording_bytes(
            [Chan("C3", rate, noise(30, rate))], duration=duration, start_time=start
        )
        (tmp_path / f"{name}.edf").write_bytes(raw)
    study = build_study([tmp_path], None, load_policy())
    progress = Counted()
    scanned(study, progress=progress)
    total = sum(f.recording.size_bytes for f in study.files)
    assert progress.stages == [("Reading", total)]
    assert progress.done == total


class Interrupting(Counted):
    """Progress during which the user presses Ctrl-C."""

    def advance(self, amount: int) -> None:
        super().advance(amount)
        raise KeyboardInterrupt


@pytest.mark.parametrize("workers", [1, 2, 4])
def test_an_interrupt_stops_every_thread_and_passes_through(
    study: Study, workers: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scan, "BLOCK_BYTES", RECORD)
    progress = Interrupting()
    with pytest.raises(KeyboardInterrupt):
        scanned(study, progress=progress, workers=workers)
    assert progress.done <= 256 * 3 + workers * RECORD
    assert not [t for t in threading.enumerate() if t.name.startswith("read")]


class CtrlC(Counted):
    """Progress during which the terminal sends its interrupt signal to the main thread.

    The threads wait until it was taken, however busy the machine is.
    """

    def __init__(self) -> None:
        super().__init__()
        self.main = threading.main_thread().ident
        self.sent, self.taken = threading.Event(), threading.Event()
        self.before = signal.signal(signal.SIGINT, self.take)

    def take(self, number: int, frame: object) -> None:
        signal.signal(signal.SIGINT, self.before)
        self.taken.set()
        raise KeyboardInterrupt

    def advance(self, amount: int) -> None:
        super().advance(amount)
        if not self.sent.is_set():
            self.sent.set()
            assert self.main is not None
            signal.pthread_kill(self.main, signal.SIGINT)
        assert self.taken.wait(60)
        time.sleep(0.01)


def test_ctrl_c_in_the_middle_of_a_scan_ends_it_at_once(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(scan, "BLOCK_BYTES", RECORD)
    progress = CtrlC()
    with pytest.raises(KeyboardInterrupt):
        scanned(study, progress=progress)
    assert progress.done < SECONDS * RECORD / 2
    # A thread that was being started when the signal came ends by itself, without another block.
    until = time.monotonic() + 60
    while [t for t in threading.enumerate() if t.name.startswith("read")]:
        assert time.monotonic() < until
        time.sleep(0.01)


def test_files_are_closed_after_the_scan(study: Study) -> None:
    opened: list[LocalFile] = []

    def opener(recording: Recording) -> LocalFile:
        opened.append(LocalFile(recording.path, recording.name))
        return opened[-1]

    scanned(study, opener)
    assert opened
    for file in opened:
        with pytest.raises(OSError, match="Bad file descriptor"):
            file.read_into(0, memoryview(bytearray(1)))


def test_files_without_time_or_without_signals_are_left_out(tmp_path: Path, study: Study) -> None:
    recording = study.files[0].recording
    bare = replace(recording, channels=tuple(c for c in recording.channels if c.is_annotation))
    timeless = replace(recording, record_ns=0)
    empty = replace(recording, offsets_ns=recording.offsets_ns[:0])
    for other in (bare, timeless, empty):
        files = (replace(study.files[0], recording=other),)
        facts, _ = scanned(replace(study, files=files))
        assert facts.scanned
        assert facts.usable_ns == sum(c.recorded_ns for c in facts.channels) == 0
