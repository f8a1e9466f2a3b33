"""How an audit's cost grows with hours, gaps and files: the slope must be straight, in one run.

    python tests/benchmarks/growth.py
    python tests/benchmarks/growth.py --hours 6 24 72 168 --gaps 0 1000 100000 --files 1 300 3000

Each line gives the time of the processor, and what each further unit cost since the line above.
"""

from __future__ import annotations

import argparse
import tempfile
from collections.abc import Callable, Sequence
from pathlib import Path

from made import AUDIT, best, recording, run


def main() -> None:
    """Make the studies, one at a time, and print what each cost."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=int, nargs="*", default=[1, 6, 24])
    parser.add_argument("--gaps", type=int, nargs="*", default=[0, 1000, 10_000])
    parser.add_argument("--files", type=int, nargs="*", default=[1, 30, 300])
    parser.add_argument("--rounds", type=int, default=2)
    chosen = parser.parse_args()
    _grow("hours", chosen.hours, _hours, chosen.rounds)
    _grow("gaps", chosen.gaps, _gaps, chosen.rounds)
    _grow("files", chosen.files, _files, chosen.rounds)


def _hours(folder: Path, hours: int) -> None:
    recording(folder / "a.edf", hours)


def _gaps(folder: Path, gaps: int) -> None:
    seconds = max(3600, 2 * gaps)
    every = seconds // (gaps + 1) if gaps else 0
    recording(folder / "a.edf", seconds / 3600, channels=1, rate=8, gap_every=every)


def _files(folder: Path, files: int) -> None:
    one = recording(folder / "0000.edf", 60 / 3600, channels=8, rate=64)
    raw = bytearray(one.read_bytes())
    for number in range(files):
        minutes = 9 * 60 + 30 + number
        raw[168:184] = (
            f"{2 + minutes // 1440:02d}.03.27{minutes // 60 % 24:02d}.{minutes % 60:02d}.00".encode()
        )
        (folder / f"{number:04d}.edf").write_bytes(raw)


def _grow(
    unit: str, amounts: Sequence[int], make: Callable[[Path, int], None], rounds: int
) -> None:
    print(f"\n{unit:>8} {'cpu s':>8} {'peak MB':>8} {'ms for each more':>18}")
    before: tuple[int, float] | None = None
    for amount in amounts:
        with tempfile.TemporaryDirectory() as made:
            folder = Path(made) / "study"
            folder.mkdir()
            make(folder, amount)
            options = ("--ordered-hours", "24", "--out", Path(made) / "out")
            one = best(
                [run(AUDIT, folder, *options, "--second-readers", "off") for _ in range(rounds)]
            )
        more = (
            "" if before is None else f"{1000 * (one.cpu - before[1]) / (amount - before[0]):18.3f}"
        )
        print(f"{amount:8} {one.cpu:8.2f} {one.peak_kb / 1000:8.0f} {more}")
        before = (amount, one.cpu)


if __name__ == "__main__":
    main()
