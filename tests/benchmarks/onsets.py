"""How long all record onsets of a day take, against the least possible and against mne.

    python tests/benchmarks/onsets.py [--hours 24] [--folder FOLDER] [--rounds 9]

Makes an EDF+D file of 32 channels at 256 Hz with 20 gaps (24 h: 1.4 GB), reads it, and prints
ratios measured in the same run, best of the rounds:

- the floor: positioned reads of the same annotation bytes, nothing parsed;
- the reader: header, every record's start, all annotations, findings;
- mne: ``read_raw_edf`` without loading the signals.

Goals: at most 1.2 times the floor, at most a quarter of mne, under 100 MB of memory above the
interpreter with its imports (measured in a process of its own). The file is removed at the end.
"""

from __future__ import annotations

import argparse
import os
import resource
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

import numpy as np

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_edf import Sig, edf, onset_text  # noqa: E402

from auditor.edf import read_recording  # noqa: E402
from auditor.edf.electrodes import electrode_name  # noqa: E402

CHANNELS, RATE, GAPS, WIDTH = 32, 256, 20, 120


def make(path: Path, hours: float) -> np.ndarray:
    """Write the file; returns each record's onset in nanoseconds."""
    count = int(hours * 3600)
    onsets = np.arange(count, dtype=np.int64)
    for gap in range(1, GAPS + 1):
        onsets[count * gap // (GAPS + 1) :] += 60 * gap
    names = (
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
        "T7",
        "T8",
        "P7",
        "P8",
    )
    signals = [
        Sig(f"EEG {names[i % 16]}-{'Ref' if i < 16 else 'Avg'}", RATE) for i in range(CHANNELS)
    ]
    header = edf([], signals=signals, annotation_bytes=WIDTH, fields={"record count": str(count)})
    noise = (
        np.random.default_rng(7).integers(-500, 500, (64, CHANNELS * RATE), dtype="<i2").tobytes()
    )
    size = CHANNELS * RATE * 2
    with path.open("wb") as file:
        file.write(header)
        for first in range(0, count, 64):
            block = []
            for i in range(min(64, count - first)):
                block.append(noise[i * size : (i + 1) * size])
                block.append(
                    (onset_text(int(onsets[first + i])) + b"\x14\x14\0").ljust(WIDTH, b"\0")
                )
            file.write(b"".join(block))
        file.flush()
        os.fsync(file.fileno())
    return onsets * 10**9


def floor(path: Path, count: int) -> None:
    """Read the annotation bytes of every record and throw them away."""
    fd = os.open(path, os.O_RDONLY)
    stride = CHANNELS * RATE * 2 + WIDTH
    first = 256 * (CHANNELS + 2) + CHANNELS * RATE * 2
    for at in range(first, first + count * stride, stride):
        os.pread(fd, WIDTH, at)
    os.close(fd)


def best(actions: list[Callable[[], object]], rounds: int) -> list[float]:
    """The shortest time of each action in seconds; in turns, so that a busy spell hits all."""
    times = [[float("inf")] for _ in actions]
    for _ in range(rounds):
        for action, taken in zip(actions, times, strict=True):
            started = time.perf_counter()
            action()
            taken.append(time.perf_counter() - started)
    return [min(taken) for taken in times]


def peak_mb(path: Path) -> float:
    """Memory that reading takes above the interpreter with its imports, in a fresh process."""
    out = subprocess.run(
        [sys.executable, __file__, "--peak", path], check=True, capture_output=True, text=True
    )
    return float(out.stdout)


def print_peak(path: Path) -> None:
    """Print the growth of the highest resident size, in MB."""
    electrode_name("EEG Fp1")  # imports what the reader imports
    before = resident(highest=False)
    recording = read_recording(path, path.name)
    assert recording.records
    print((resident(highest=True) - before) / 1024)


def resident(*, highest: bool) -> int:
    """Resident size in kB, now or its highest since the last call for now."""
    reset, status = Path("/proc/self/clear_refs"), Path("/proc/self/status")
    if not reset.exists():  # elsewhere the highest since the start must do
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    if not highest:
        reset.write_text("5")
    key = "VmHWM:" if highest else "VmRSS:"
    return int(next(x for x in status.read_text().splitlines() if x.startswith(key)).split()[1])


def main() -> None:
    """Make, measure, print, remove."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--hours", type=float, default=24)
    parser.add_argument("--folder", type=Path, default=None)
    parser.add_argument("--rounds", type=int, default=9)
    parser.add_argument("--peak", type=Path, default=None, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.peak:
        print_peak(given.peak)
        return
    import mne

    electrode_name("EEG Fp1")
    with tempfile.TemporaryDirectory(dir=given.folder) as folder:
        path = Path(folder) / "study.edf"
        onsets = make(path, given.hours)
        recording = read_recording(path, "study.edf")
        assert recording.findings == ()
        assert (recording.offsets_ns == onsets).all()
        least, mine, theirs = best(
            [
                lambda: floor(path, len(onsets)),
                lambda: read_recording(path, "study.edf"),
                lambda: mne.io.read_raw_edf(path, verbose="error"),
            ],
            given.rounds,
        )
        memory = peak_mb(path)
        print(f"file: {path.stat().st_size / 1e9:.2f} GB, {len(onsets)} records, {GAPS} gaps")
    print(f"floor (reads alone)      {least * 1000:8.1f} ms")
    print(f"all onsets, this reader  {mine * 1000:8.1f} ms")
    print(f"opening, mne {mne.__version__:11} {theirs * 1000:8.1f} ms")
    print(f"reader / floor: {mine / least:.2f}   (goal: at most 1.2)")
    print(f"reader / mne:   {mine / theirs:.2f}   (goal: at most 0.25)")
    print(f"peak memory above imports: {memory:.0f} MB   (goal: under 100)")


if __name__ == "__main__":
    main()
