"""Many small studies in one batch: rate against a bare loop, memory, resume after one change.

    python tests/benchmarks/batch.py [--studies 2000] [--folder DIR] [--workers 2]
    python tests/benchmarks/batch.py --before PYTHON    # beside an older version's interpreter

The bare loop opens each file once on one core and reads its header and annotation bytes, nothing
else: no checksum, no samples, no output. Linux only (memory is read from /proc).
"""

from __future__ import annotations

import argparse
import contextlib
import random
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np

PROJECT = Path(__file__).resolve().parents[2]
sys.path.insert(0, str(PROJECT))

from auditor.core.units import NS  # noqa: E402
from auditor.demo.writer import (  # noqa: E402
    Event,
    Header,
    Signal,
    Writer,
    annotation_signal,
    patient_field,
    recording_field,
)

LABELS = ("Fp1", "Fp2", "C3", "C4", "T7", "T8", "O1", "O2")
RATE = 32
SECONDS = 300
CHUNK = 1 << 20


def make(root: Path, studies: int) -> int:
    """Write the studies, each one EDF+D file of five minutes with a gap, and its order; bytes."""
    noise = np.random.default_rng(2041).normal(0, 400, (SECONDS, RATE * len(LABELS)))
    samples = noise.astype(np.int16)
    chance = random.Random(2041)
    signals = (*(Signal(f"EEG {n}", RATE) for n in LABELS), annotation_signal("EDF+D", 64))
    total = 0
    for number in range(studies):
        start = datetime(2027, 3, 2, 9, 30) + timedelta(hours=number % 700)
        folder = root / f"2027-{number // 500}" / f"S-{number:05d}"
        header = Header(
            "EDF+D", start, signals,
            patient=patient_field(f"P-{number:05d}"),
            recording=recording_field(start, equipment=f"N-{number % 5}"),
        )  # fmt: skip
        records = SECONDS if chance.random() < 0.8 else SECONDS // 2
        onsets = np.arange(records, dtype=np.int64) * NS
        onsets[records // 3 :] += chance.randrange(0, 40) * NS
        with Writer(folder / "night.edf", header) as writer:
            writer.write(samples[:records], onsets, [Event(2 * NS, "Recording started")])
        (folder / "order.toml").write_text(
            f'[order]\nstudy_id = "S-{number:05d}"\npatient_code = "P-{number:05d}"\n'
            f"ordered_hours = {SECONDS / 3600:.9f}\n"
        )
        total += (folder / "night.edf").stat().st_size
    return total


def bare_loop(root: Path) -> tuple[int, float]:
    """Files, and seconds to open each and read its header and annotations."""
    paths = sorted(root.rglob("*.edf"))
    begun = time.perf_counter()
    for path in paths:
        with path.open("rb") as file:
            main = file.read(256)
            signals = int(main[252:256])
            header = file.read(256 * signals)
            counts = [int(header[216 * signals + 8 * i :][:8]) for i in range(signals)]
            notes = [header[16 * i :][:16].startswith(b"EDF Ann") for i in range(signals)]
            data = np.fromfile(file, np.uint8)
            record = 2 * sum(counts)
            table = data[: len(data) // record * record].reshape(-1, record)
            first = notes.index(True)
            at = 2 * sum(counts[:first])
            raw = table[:, at : at + 2 * counts[first]].tobytes()
            assert raw.count(b"\x14") >= 2 * len(table)
    return len(paths), time.perf_counter() - begun


def memory(pid: int) -> dict[int, int]:
    """Resident MB of a process and its descendants."""
    parents: dict[int, list[int]] = {}
    sizes: dict[int, int] = {}
    for entry in Path("/proc").iterdir():
        if entry.name.isdigit():
            with contextlib.suppress(OSError, ValueError):
                stat = (entry / "stat").read_text().rpartition(")")[2].split()
                parents.setdefault(int(stat[1]), []).append(int(entry.name))
                sizes[int(entry.name)] = int(stat[21]) * 4096 >> 20
    found, todo = {}, [pid]
    while todo:
        one = todo.pop()
        todo += parents.get(one, [])
        found[one] = sizes.get(one, 0)
    return found


def batch(
    root: Path, out: Path, workers: int, studies: int, *more: str, python: str = sys.executable
) -> tuple[float, str, list[dict[int, int]]]:
    """Seconds, what it said, and memory at a tenth, a half and near the end."""
    begun = time.perf_counter()
    process = subprocess.Popen(
        [python, "-m", "auditor", "batch", str(root), "--out", str(out),
         "--workers", str(workers), *more],
        stdout=subprocess.PIPE, text=True,
        cwd=PROJECT if python == sys.executable else Path(python).parents[2],
    )  # fmt: skip
    marks, seen = [studies // 10, studies // 2, studies * 97 // 100], []
    while process.poll() is None:
        if marks and (out / "audits").is_dir():
            done = sum(1 for p in (out / "audits").iterdir() if not p.name.startswith("."))
            if done >= marks[0]:
                seen.append(memory(process.pid))
                marks.pop(0)
        time.sleep(0.1)
    took = time.perf_counter() - begun
    assert process.stdout is not None
    return took, process.stdout.read(), seen


def page(out: Path) -> str:
    """How long the worklist takes to open and to filter in Chromium, where that is installed."""
    try:
        from playwright.sync_api import sync_playwright
    except ImportError:
        return "not measured"
    chromium = shutil.which("chromium")
    if chromium is None:
        return "not measured"
    with sync_playwright() as play:
        browser = play.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        view = browser.new_page()
        begun = time.perf_counter()
        view.goto((out / "index.html").as_uri())
        opened = time.perf_counter() - begun
        times = view.evaluate(
            """() => ["s-000", "repeat", "", "n-3 early"].map((text) => {
              const begun = performance.now();
              const words = document.getElementById("worklist-words");
              words.value = text;
              words.dispatchEvent(new Event("input", { bubbles: true }));
              document.body.getBoundingClientRect();
              return performance.now() - begun;
            })"""
        )
        browser.close()
    return f"opens in {opened:.2f} s, filters in {statistics.median(times):.0f} ms"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.split("\n")[0])
    parser.add_argument("--studies", type=int, default=2000)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--folder", type=Path)
    parser.add_argument("--before", help="the interpreter of an older version")
    arguments = parser.parse_args()
    folder = arguments.folder or Path(tempfile.mkdtemp(prefix="batch-benchmark-"))
    root, out = folder / "studies", folder / "out"
    try:
        size = make(root, arguments.studies)
        print(f"{arguments.studies} studies, {size / 1e6:.0f} MB")
        bare_loop(root)  # warms the page cache for both
        files, bare = bare_loop(root)
        print(f"bare loop: {files / bare:.0f} files a second on one core")
        older = 0.0
        if arguments.before:
            older, _, _ = batch(
                root, folder / "before", arguments.workers, arguments.studies,
                python=arguments.before,
            )  # fmt: skip
        took, said, seen = batch(root, out, arguments.workers, arguments.studies)
        print(said, end="")
        if older:
            print(f"before: {older:.1f} s; now {older / took:.2f} times that rate")
        rate = arguments.studies / took / arguments.workers
        print(
            f"batch: {took:.1f} s, {rate:.1f} studies a second a core; the bare loop is "
            f"{files / bare / rate:.0f} times as fast"
        )
        for share, sizes in zip(("10 %", "50 %", "97 %"), seen, strict=False):
            parent, *workers = sorted(sizes.items())
            print(f"memory at {share}: parent {parent[1]} MB, others {[m for _, m in workers]} MB")
        for name in ("index.html", "worklist.csv", "worklist.json", "history.sqlite"):
            print(f"{name}: {(out / name).stat().st_size / 1e6:.2f} MB")
        print(f"worklist: {page(out)}")
        changed = next(root.rglob("*.edf"))
        raw = bytearray(changed.read_bytes())
        raw[-1000] ^= 1
        changed.write_bytes(raw)
        again, said, _ = batch(root, out, arguments.workers, arguments.studies, "--resume")
        print(said.splitlines()[0])
        print(f"resume after one change: {again:.1f} s, {again / took:.3f} of the first run")
    finally:
        if arguments.folder is None:
            shutil.rmtree(folder, ignore_errors=True)


if __name__ == "__main__":
    main()
