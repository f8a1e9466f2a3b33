"""What the benchmarks share: large recordings written quickly, and one measured run of a program."""

from __future__ import annotations

import os
import resource
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
from msgspec import Struct

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_signal import LIMITS_16, LIMITS_24, Chan, recording_bytes  # noqa: E402

LABELS = [
    "Fp1",
    "Fp2",
    "F7",
    "F3",
    "Fz",
    "F4",
    "F8",
    "T3",
    "C3",
    "Cz",
    "C4",
    "T4",
    "T5",
    "P3",
    "Pz",
    "P4",
    "T6",
    "O1",
    "O2",
    "AF3",
    "AF4",
    "FC1",
    "FC2",
    "CP1",
    "CP2",
    "PO3",
    "PO4",
    "FT9",
    "FT10",
    "F1",
    "F2",
    "C1",
]
_PIECE = 600
"""Seconds of signal that a file repeats; its annotations do not repeat."""
_STAMP = 60

AUDIT = (
    "import importlib, sys\n"
    "try: main = importlib.import_module('auditor.cli.parser').main\n"
    "except ModuleNotFoundError: main = importlib.import_module('auditor.cli').main  # before\n"
    "try: main(['study', *sys.argv[1:], '--force', '--quiet'])\n"
    "except SystemExit: pass\n"
    "print(open('/proc/self/io').read(), open('/proc/self/status').read())"
)
"""One audit in a process that tells at its end how many bytes it read, and its peak memory: what
the system tells of a child begins with its parent's."""
SHA256 = (
    "import hashlib, sys\n"
    "for name in sys.argv[1:]:\n"
    "    digest, buffer = hashlib.sha256(), bytearray(1 << 20)\n"
    "    with open(name, 'rb', buffering=0) as file:\n"
    "        while count := file.readinto(buffer): digest.update(memoryview(buffer)[:count])"
)
"""The floor: SHA-256 of the same files by a loop of plain reads."""


class Run(Struct, frozen=True):
    """One run of a program: seconds on the clock and of the processor, bytes asked for, peak kB."""

    wall: float
    cpu: float
    read: int
    peak_kb: int


def recording(
    path: Path,
    hours: float,
    *,
    channels: int = 32,
    rate: int = 256,
    worst: bool = False,
    gap_every: int = 0,
    start_time: str = "09.30.00",
) -> Path:
    """Write an EDF+D or (by the name) BDF+D file of records of 1 s; its path.

    ``worst`` data stand at a limit in a third of all samples, so every second needs all that is
    ever looked at. ``gap_every`` puts a gap of 2 s after so many records.
    """
    bdf = path.suffix == ".bdf"
    limits = LIMITS_24 if bdf else LIMITS_16
    rng = np.random.default_rng(1)
    at = np.arange(_PIECE * rate) / rate
    rows = []
    for number, label in enumerate(LABELS[:channels]):
        wave = 200 * rng.standard_normal(len(at)) + 200 * np.sin(2 * np.pi * (2 + number % 5) * at)
        if worst:
            wave = np.where(rng.random(len(at)) < 0.33, limits[1], wave)
        rows.append(Chan(label, rate, np.round(wave).astype(np.int64), digital=limits))
    raw = recording_bytes(rows, onsets=range(_PIECE), bdf=bdf, start_time=start_time)
    head = bytearray(raw[: 256 * (channels + 2)])
    body = np.frombuffer(raw[len(head) :], np.uint8).reshape(_PIECE, -1).copy()
    total = round(hours * 3600)
    head[236:244] = str(total).ljust(8).encode()
    with path.open("wb") as file:
        file.write(head)
        for first in range(0, total, _PIECE):
            some = body[: min(_PIECE, total - first)]
            for row in range(len(some)):
                onset = first + row + (2 * ((first + row) // gap_every) if gap_every else 0)
                stamp = f"+{onset}\x14\x14".encode().ljust(_STAMP, b"\0")
                some[row, -_STAMP:] = np.frombuffer(stamp, np.uint8)
            file.write(some.tobytes())
    return path


def run(code: str, *arguments: str | Path, python: str = sys.executable) -> Run:
    """Run ``code`` in a process of its own. Raises where it fails."""
    folder = Path(python).parent.parent.parent if python != sys.executable else ROOT
    environment = {k: v for k, v in os.environ.items() if k != "PYTHONDONTWRITEBYTECODE"}
    before, started = resource.getrusage(resource.RUSAGE_CHILDREN), time.perf_counter()
    with subprocess.Popen(
        [python, "-c", code, *map(str, arguments)],
        cwd=folder,
        env=environment,
        stdout=subprocess.PIPE,
        text=True,
    ) as child:
        assert child.stdout is not None
        text = child.stdout.read()
        child.wait()
    wall = time.perf_counter() - started
    if child.returncode:
        raise RuntimeError(f"the run ended with {child.returncode}")
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    cpu = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    words = (line.split() for line in text.splitlines())
    told = {word[0].rstrip(":"): word[1] for word in words if len(word) > 1}
    return Run(wall, cpu, int(told.get("rchar", 0)), int(told.get("VmHWM", 0)))


def best(runs: list[Run]) -> Run:
    """The best of several interleaved rounds, each figure by itself."""
    return Run(
        min(r.wall for r in runs),
        min(r.cpu for r in runs),
        min(r.read for r in runs),
        min(r.peak_kb for r in runs),
    )
