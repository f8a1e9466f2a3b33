"""Files that cannot be read as they were counted, threads, progress, interrupts."""

from __future__ import annotations

import signal
import threading
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from helpers_signal import POLICY, Chan, coverage_of, noise, recording_bytes

from auditor.core.progress import Progress
from auditor.core.units import NS
from auditor.edf.source import LocalFile
from auditor.model import Finding, Order, Recording, SignalFacts, Study
from auditor.policy import load_policy
from auditor.signal import reading, scan_study
from auditor.signal.timekeeping import UNSTATED, stated_starts
from auditor.study import build_study

RATE = 32
SECONDS = 60
RECORD = RATE * 2 + 60


@pytest.fixture
def study(tmp_path: Path) -> Study:
    raw = recording_bytes([Chan("C3", RATE, noise(SECONDS, RATE))], onsets=list(range(SECONDS)))
    (tmp_path / "a.edf").write_bytes(raw)
    return build_study([tmp_path], None, load_policy(), checksums=False)


def scanned(
    study: Study,
    opener: Callable[[Recording], LocalFile] | None = None,
    progress: Progress | None = None,
    workers: int = 2,
) -> tuple[SignalFacts, tuple[Finding, ...]]:
    chosen = {} if opener is None else {"opener": opener}
    coverage = coverage_of(study)
    order = Order(coverage.recorded_ns, "a test", minimum_channels=1)
    return scan_study(study, coverage, order, POLICY, progress=progress, workers=workers, **chosen)


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
    (finding,) = [f for f in findings if f.code == "samples_not_read"]
    assert finding.severity == "problem"
    start = 256 * 3 + 20 * RECORD
    assert f"between bytes {start} and {start + 2 * RECORD}" in finding.text


@pytest.mark.parametrize("huge", [False, True])
def test_a_file_cut_since_it_was_counted_is_a_problem_and_its_rest_is_used(
    study: Study, huge: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    if huge:
        monkeypatch.setattr(reading, "LARGEST_BLOCK", 10)
        monkeypatch.setattr(reading, "_CHANNEL_BYTES", 10 * RATE * 2)
    path = study.files[0].recording.path
    path.write_bytes(path.read_bytes()[: 256 * 3 + 40 * RECORD + 7])
    facts, findings = scanned(study)
    assert facts.usable_ns == 40 * NS
    assert {f.code for f in findings if f.severity == "problem"} == {
        "samples_not_read", "samples_changed"
    }  # fmt: skip


def test_a_file_that_is_gone_is_a_problem_and_nothing_of_it_is_usable(study: Study) -> None:
    study.files[0].recording.path.unlink()
    facts, findings = scanned(study)
    assert facts.scanned
    assert facts.usable_ns == 0
    assert facts.channels[0].recorded_ns == SECONDS * NS
    (finding,) = [f for f in findings if f.severity == "problem"]
    assert finding.code == "samples_not_read"
    assert "cannot be opened" in finding.text


def test_one_unreadable_file_leaves_the_others(tmp_path: Path) -> None:
    for name, start in (("a", "09.30.00"), ("b", "09.31.00")):
        raw = recording_bytes([Chan("C3", RATE, noise(SECONDS, RATE))], start_time=start)
        (tmp_path / f"{name}.edf").write_bytes(raw)
    both = build_study([tmp_path], None, load_policy(), checksums=False)
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
    (finding,) = [f for f in findings if f.code == "samples_changed"]
    assert finding.text.startswith(f"{SECONDS} records state another start")


def test_a_single_damaged_start_that_the_record_scan_set_right_is_no_change(tmp_path: Path) -> None:
    onsets = [float(i) for i in range(SECONDS)]
    onsets[30] = 3000.0
    raw = recording_bytes([Chan("C3", RATE, noise(SECONDS, RATE))], onsets=onsets)
    (tmp_path / "a.edf").write_bytes(raw)
    damaged = build_study([tmp_path], None, load_policy(), checksums=False)
    _, findings = scanned(damaged)
    assert "samples_changed" not in {f.code for f in findings}


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
def test_progress_adds_up_to_the_bytes_of_all_records(
    tmp_path: Path, duration: str, block: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "BLOCK_BYTES", block)
    rate = round(RATE * float(duration))
    for name, start in (("a", "09.30.00"), ("b", "10.30.00")):
        raw = recording_bytes(
            [Chan("C3", rate, noise(30, rate))], duration=duration, start_time=start
        )
        (tmp_path / f"{name}.edf").write_bytes(raw)
    study = build_study([tmp_path], None, load_policy(), checksums=False)
    progress = Counted()
    scanned(study, progress=progress)
    total = 2 * 30 * rate * 2
    assert progress.stages == [("signal", total)]
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
    monkeypatch.setattr(reading, "BLOCK_BYTES", RECORD)
    progress = Interrupting()
    with pytest.raises(KeyboardInterrupt):
        scanned(study, progress=progress, workers=workers)
    assert progress.done <= workers * RECORD
    assert not [t for t in threading.enumerate() if t.name.startswith("signal")]


class CtrlC(Counted):
    """Progress during which the terminal sends its interrupt signal to the main thread."""

    def __init__(self) -> None:
        super().__init__()
        self.main = threading.main_thread().ident
        self.sent = threading.Event()

    def advance(self, amount: int) -> None:
        super().advance(amount)
        if not self.sent.is_set():
            self.sent.set()
            assert self.main is not None
            signal.pthread_kill(self.main, signal.SIGINT)
        time.sleep(0.01)


def test_ctrl_c_in_the_middle_of_a_scan_ends_it_at_once(
    study: Study, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(reading, "BLOCK_BYTES", RECORD)
    progress = CtrlC()
    with pytest.raises(KeyboardInterrupt):
        scanned(study, progress=progress)
    assert progress.done < SECONDS * RECORD / 2
    # A thread that was being started when the signal came ends by itself, without another block.
    until = time.monotonic() + 10
    while [t for t in threading.enumerate() if t.name.startswith("signal")]:
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


@pytest.mark.parametrize(
    ("text", "starts"),
    [
        (b"+0\x14\x14\0", 0), (b"+259199\x14\x14\0", 259_199 * NS), (b"-3\x14\x14\0", -3 * NS),
        (b"+0.3945312\x14\x14\0+1\x14x\x14\0", 394_531_200), (b"+1.000000001\x14\x14", NS + 1),
        (b"+123456789.987654321\x14\x14", 123_456_789_987_654_321),
        (b"", None), (b"+1\x14Eyes open\x14\0", None), (b"1\x14\x14", None), (b"+\x14\x14", None),
        (b"+1.2.3\x14\x14", None), (b"+1e3\x14\x14", None), (b"+1\x150.5\x14\x14", None),
        (b"+1.0000000001\x14\x14", None), (b"+12345678901234567890\x14\x14", None), (b"+1\x14", None),
        (b"+ 1\x14\x14", None), (b"+-1\x14\x14", None), (b"+\xff1\x14\x14", None),
    ],
)  # fmt: skip
def test_stated_starts_are_read_or_left_to_the_full_parser(text: bytes, starts: int | None) -> None:
    stamps = np.array([list(text.ljust(24, b"\0")), list(b"+7\x14\x14".ljust(24, b"\0"))], np.uint8)
    assert stated_starts(stamps).tolist() == [UNSTATED if starts is None else starts, 7 * NS]
