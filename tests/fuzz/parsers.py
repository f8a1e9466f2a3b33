"""Runs damaged and invented bytes through header, annotations and record scan for a set time.

    python tests/fuzz/parsers.py --minutes 30 [--seed N] [--keep FOLDER]

Every input must end in a sound recording or an error of the family
(``helpers_edf_invariants.check``), and no single one may take longer than ``--seconds``. Inputs
that reach new lines of the reader are kept and changed further, so that the search goes deeper than
chance. The first input that breaks a rule is written to FOLDER, and the exit status is 1. Also
seeded with the files of the fixtures folder where it is there.
"""

from __future__ import annotations

import argparse
import random
import sys
import time
import tracemalloc
from pathlib import Path
from types import FrameType
from typing import Any

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_edf_invariants import bases, check, mutate  # noqa: E402

from auditor.edf.annotations import parse_annotations  # noqa: E402
from auditor.edf.electrodes import electrode_name  # noqa: E402

PIECES = [
    b"+",
    b"-",
    b".",
    b"0",
    b"1",
    b"59",
    b"\x14",
    b"\x15",
    b"\0",
    b"Lights off",
    b"\xff",
    b"\xc3\xa4",
    b" ",
    b"9" * 40,
]


class Lines:
    """The lines of the reader that an input runs through."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int]] = set()
        self.fresh = False

    def __call__(self, frame: FrameType, event: str, arg: Any) -> Any:
        if "auditor/edf" not in frame.f_code.co_filename:
            return None
        if event == "line":
            key = (frame.f_code.co_filename, frame.f_lineno)
            if key not in self.seen:
                self.seen.add(key)
                self.fresh = True
        return self


def main() -> int:
    """Fuzz until the time is up; 0 where nothing broke."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument(
        "--seconds", type=float, default=5.0, help="longest processor time of one input"
    )
    parser.add_argument("--inputs", type=int, help="stop after so many inputs")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    given = parser.parse_args()
    rng = random.Random(given.seed)
    pool = list(bases().values())
    pool += [p.read_bytes() for p in sorted((ROOT / "fixtures").glob("*.[eb]df"))]
    lines, runs, refused = Lines(), 0, 0
    electrode_name("EEG Fp1")  # the import behind it is no input's fault
    tracemalloc.start()
    until = time.monotonic() + given.minutes * 60
    while time.monotonic() < until and (given.inputs is None or runs < given.inputs):
        raw = mutate(rng.choice(pool), rng)
        started = time.process_time()
        tracemalloc.reset_peak()
        try:
            sys.settrace(lines if runs % 4 == 0 else None)
            result = check(raw)
            parse_annotations(b"".join(rng.choices(PIECES, k=rng.randrange(40))))
            sys.settrace(None)
            peak = tracemalloc.get_traced_memory()[1]
            assert time.process_time() - started < given.seconds, "took too long"
            assert peak < 64_000_000 + 100 * len(raw), f"took {peak} bytes of memory"
        except Exception as error:
            sys.settrace(None)
            given.keep.mkdir(parents=True, exist_ok=True)
            path = given.keep / f"{type(error).__name__}-{given.seed}-{runs}.edf"
            path.write_bytes(raw)
            print(f"run {runs}: {type(error).__name__}: {error}; input kept as {path}")
            raise
        runs += 1
        refused += result is None
        if lines.fresh:
            lines.fresh = False
            pool.append(raw)
    print(
        f"{runs} inputs in at most {given.minutes:g} minutes, seed {given.seed}: {refused} refused, "
        f"{runs - refused} read, {len(lines.seen)} lines reached, nothing broke"
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
