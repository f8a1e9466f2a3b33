"""Speed and memory of the signal scan against a plain read of the same bytes, from one run.

    python tests/benchmarks/signal_scan.py                    # 24 h and 72 h EDF, 24 h BDF: 8 GB
    python tests/benchmarks/signal_scan.py --hours 1 4        # a quick look

Makes its data (32 channels, 256 Hz, records of 1 s, a time-keeping annotation in each), warms the
page cache, and prints each time beside its ratio to a plain read: one thread, positioned reads into
one reused buffer that starts on a page. Every figure is the best of several rounds, and the rounds
of all variants are interleaved, so that a busy machine disturbs them alike. mne and pyedflib read
the same signals in chunks of 600 s. pyedflib reads a part, since the whole would take minutes: the
time of opening is taken off before the rest is scaled, and added again.

It also asserts that every round of the scan marks the same seconds.
"""

from __future__ import annotations

import argparse
import json
import mmap
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import datetime
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from auditor.core.clock import Axis
from auditor.core.progress import Silent
from auditor.core.units import NS
from auditor.coverage.timeline import measure_coverage
from auditor.demo.writer import FileFormat, Header, Signal, Writer, annotation_signal
from auditor.edf import read_recording
from auditor.model import Recording, Study, StudyCopy, TimeMap, Track
from auditor.policy import load_policy
from auditor.policy.signal import SignalSettings
from auditor.signal import hum, nested, scan_study
from auditor.signal.reading import prepare
from auditor.signal.scan import scan_files
from auditor.signal.timekeeping import UNSTATED, stated_starts
from auditor.study.placing import place

LABELS = [
    "Fp1",
    "Fp2",
    "F3",
    "F4",
    "C3",
    "C4",
    "P3",
    "P4",
    "O1",
    "O2",
    "F7",
    "F8",
    "T3",
    "T4",
    "T5",
    "T6",
    "Fz",
    "Cz",
    "Pz",
    "A1",
    "A2",
    "FC1",
    "FC2",
    "CP1",
    "CP2",
    "PO3",
    "PO4",
    "FC5",
    "FC6",
    "CP5",
    "CP6",
    "Oz",
]
RATE = 256
BLOCK_S = 600
CHUNK_S = 600
PART_H = 2
SETTINGS = load_policy().signal
WITHOUT_HUM = SETTINGS.model_copy(update={"mains": "off"})


def make(path: Path, hours: int, fmt: FileFormat) -> None:
    """Noise like EEG, smoothed; one channel flat and one full of hum in every second ten minutes."""
    rng = np.random.default_rng(1)
    limits = (
        {"physical_min": "-838860", "physical_max": "838860", "digital_min": -8388608, "digital_max": 8388607}
        if fmt.startswith("BDF")
        else {}
    )  # fmt: skip
    signals = tuple(Signal(f"EEG {label}-Ref", RATE, **limits) for label in LABELS)  # type: ignore[arg-type]
    header = Header(fmt, datetime(2027, 3, 2, 9, 30), (*signals, annotation_signal(fmt, 60)))
    white = rng.standard_normal((len(LABELS), BLOCK_S * RATE + 8))
    smooth = np.cumsum(white, axis=1)
    smooth = (smooth[:, 8:] - smooth[:, :-8]) * 70
    clean = smooth.astype(np.int32 if fmt.startswith("BDF") else np.int16)
    bad = clean.copy()
    bad[4] = 3
    hum = 1500 * np.sin(2 * np.pi * 60 * np.arange(BLOCK_S * RATE) / RATE)
    bad[5] += np.round(hum).astype(bad.dtype)
    blocks = [
        block.reshape(len(LABELS), BLOCK_S, RATE).swapaxes(0, 1).reshape(BLOCK_S, -1)
        for block in (clean, bad)
    ]
    with Writer(path, header) as writer:
        for number in range(hours * 3600 // BLOCK_S):
            starts = (np.arange(BLOCK_S) + number * BLOCK_S) * NS
            writer.write(blocks[number % 2], starts)


def plain_read(path: Path) -> None:
    """The whole file into one reused buffer."""
    buffer, offset = mmap.mmap(-1, 2 << 20), 0
    handle = os.open(path, os.O_RDONLY)
    while got := os.preadv(handle, [buffer], offset):
        offset += got
    os.close(handle)


def one_pass(recording: Recording, settings: SignalSettings) -> int:
    """States of every second, and every record's onset, from one read; how many are marked."""
    scan = prepare(recording, settings)
    scan_files([scan], settings, 2, Silent())
    starts = stated_starts(scan.stamps)
    assert np.array_equal(starts, recording.offsets_ns)
    assert not (starts == UNSTATED).any()
    marked = int(np.count_nonzero(scan.flags))
    assert marked > 0
    return marked


def every_second_closely(recording: Recording) -> int:
    """As ``one_pass`` with hum, as if no second could be passed over (the worst signals)."""
    kept = nested._MANY, hum._SOME
    nested._MANY, hum._SOME = -1.0, 0.0  # type: ignore[misc]
    try:
        return one_pass(recording, SETTINGS)
    finally:
        nested._MANY, hum._SOME = kept  # type: ignore[misc]


def whole_scan(recording: Recording) -> None:
    """The room's own entry: scan, flat stretches, channels by hour, findings."""
    file = place(recording, TimeMap(recording.start_civil_ns), "A")
    copy = StudyCopy("A", "", True, (recording.name,))
    study = Study("S-2041", recording.path.parent, Axis(), (file,), (), (copy,))
    track = Track("A", file.run_starts, file.run_ends, file.records_ns)
    facts, _ = scan_study(study, measure_coverage([track], NS), 8, SETTINGS)
    assert facts.usable_ns == recording.records * NS


def by_mne(path: Path, seconds: int) -> None:
    """The first ``seconds`` in chunks through mne."""
    import mne

    read = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    raw = read(path, preload=False, verbose="error")
    for start in range(0, seconds, CHUNK_S):
        raw.get_data(start=start * RATE, stop=min(seconds, start + CHUNK_S) * RATE, verbose="error")


def by_pyedflib(path: Path, seconds: int) -> None:
    """The first ``seconds`` in chunks through pyedflib."""
    import pyedflib

    with pyedflib.EdfReader(str(path)) as reader:
        for start in range(0, seconds, CHUNK_S):
            count = (min(seconds, start + CHUNK_S) - start) * RATE
            for channel in range(len(LABELS)):
                reader.readSignal(channel, start * RATE, count)


def timed(work: Callable[[], None]) -> float:
    """Seconds that ``work`` takes."""
    start = time.perf_counter()
    work()
    return time.perf_counter() - start


def compare(path: Path, rounds: int) -> None:
    """Print the table of one file."""
    recording = read_recording(path, path.name)
    hours = recording.records / 3600
    variants: dict[str, Callable[[], object]] = {
        "plain read": lambda: plain_read(path),
        "onsets, flat, saturated": lambda: one_pass(recording, WITHOUT_HUM),
        "and hum, peak-to-peak": lambda: one_pass(recording, SETTINGS),
        "the same, no second passed over": lambda: every_second_closely(recording),
        "whole scan of a study": lambda: whole_scan(recording),
        "record scan (onsets alone)": lambda: read_recording(path, path.name).records,
    }
    best = dict.fromkeys(variants, float("inf"))
    marked: dict[str, set[object]] = {name: set() for name in variants}
    for _ in range(rounds):
        for name, work in variants.items():
            best[name] = min(best[name], timed(lambda: marked[name].add(work())))  # noqa: B023
    assert all(len(found) == 1 for found in marked.values()), marked
    plain = best["plain read"]
    print(f"\n{path.name}: {hours:g} h, {path.stat().st_size / 1e9:.2f} GB")
    for name, seconds in best.items():
        print(f"  {name:34} {seconds:8.3f} s   {seconds / plain:6.2f} x plain read")
    fast, scan = best["onsets, flat, saturated"], best["and hum, peak-to-peak"]
    for name, seconds, note in (
        ("mne", min(timed(lambda: by_mne(path, recording.records)) for _ in range(2)), ""),
        ("pyedflib", scaled(by_pyedflib, path, recording.records), f" (from {PART_H} h, scaled)"),
    ):
        print(
            f"  {name + ' in 600 s chunks':34} {seconds:8.3f} s   {seconds / fast:6.1f} x the scan"
            f", {seconds / scan:.1f} x with hum{note}"
        )
    print(f"  peak memory of the whole scan      {peak(path) / 1e6:8.1f} MB")


def scaled(read: Callable[[Path, int], None], path: Path, seconds: int) -> float:
    """Time for ``seconds`` of a file, from a part of it: opening once, and the rest in proportion."""
    part = min(seconds, PART_H * 3600)
    opening = min(timed(lambda: read(path, 0)) for _ in range(2))
    reading = min(timed(lambda: read(path, part)) for _ in range(2)) - opening
    return opening + reading * seconds / part


def peak(path: Path) -> float:
    """Peak resident bytes of a process of its own that does nothing but the whole scan."""
    run = subprocess.run(
        [sys.executable, __file__, "--child", str(path)], capture_output=True, text=True, check=True
    )
    return float(json.loads(run.stdout)["peak"])


def child(path: Path) -> None:
    """What ``peak`` runs."""
    whole_scan(read_recording(path, path.name))
    # The kernel's own high-water mark of this program; a process's maximum in rusage counts what
    # its parent held when it was started.
    status = Path("/proc/self/status").read_text(encoding="ascii")
    kilobytes = next(line.split()[1] for line in status.splitlines() if line.startswith("VmHWM"))
    print(json.dumps({"peak": int(kilobytes) * 1024}))


def main() -> None:
    """Make the files, compare, remove them."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawTextHelpFormatter
    )
    parser.add_argument("--hours", type=int, nargs="+", default=[24, 72])
    parser.add_argument("--bdf-hours", type=int, default=None, help="default: the first of --hours")
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--folder", type=Path, default=None, help="where to make the files")
    parser.add_argument("--child", type=Path, default=None, help=argparse.SUPPRESS)
    chosen = parser.parse_args()
    if chosen.child is not None:
        child(chosen.child)
        return
    print(f"{os.cpu_count()} cores, numpy {np.__version__}, best of {chosen.rounds} rounds")
    with tempfile.TemporaryDirectory(dir=chosen.folder) as folder:
        for hours in chosen.hours:
            path = Path(folder) / f"{hours}h.edf"
            make(path, hours, "EDF+C")
            compare(path, chosen.rounds)
            path.unlink()
        path = Path(folder) / f"{chosen.bdf_hours or chosen.hours[0]}h.bdf"
        make(path, chosen.bdf_hours or chosen.hours[0], "BDF+C")
        compare(path, chosen.rounds)


if __name__ == "__main__":
    main()
