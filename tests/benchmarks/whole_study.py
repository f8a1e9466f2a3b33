"""Whole audits against SHA-256 of the same files, from one run.

    python tests/benchmarks/whole_study.py                    # 6 h of EDF+D, of BDF+D, of the worst
    python tests/benchmarks/whole_study.py --hours 72 --rounds 5
    python tests/benchmarks/whole_study.py --before PYTHON    # beside an older version's interpreter

Rounds of all variants are interleaved and each figure is the best of them, so that a busy machine
disturbs them alike; time of the processor is given beside time on the clock for the same reason.
The last line of a table gives bytes asked of the system as a ratio to the files' size, and peak
memory above that of the imports alone.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from pathlib import Path

from made import AUDIT, SHA256, Run, best, recording, run

_IMPORTS = (
    "import auditor.cli.commands, auditor.pipeline, auditor.outputs.publish\n"
    "print(open('/proc/self/status').read())"
)
_MNE = (
    "import sys, mne; mne.set_log_level('ERROR'); from pathlib import Path\n"
    "kind = mne.io.read_raw_bdf if sys.argv[1].endswith('bdf') else mne.io.read_raw_edf\n"
    "raw = kind(sys.argv[1]); step = int(600 * raw.info['sfreq'])\n"
    "for at in range(0, raw.n_times, step): raw.get_data(start=at, stop=min(at + step, raw.n_times))"
)
_KINDS = (("EDF+D", "a.edf", False), ("BDF+D", "a.bdf", False), ("worst case", "w.edf", True))


def main() -> None:
    """Make the files, run the rounds, print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--hours", type=float, default=6)
    parser.add_argument("--rounds", type=int, default=3)
    parser.add_argument("--before", help="the interpreter of an older version")
    chosen = parser.parse_args()
    with tempfile.TemporaryDirectory() as made:
        for kind, name, worst in _KINDS:
            folder = Path(made) / kind
            folder.mkdir()
            file = recording(folder / name, chosen.hours, worst=worst)
            _table(kind, file, chosen.rounds, chosen.before, Path(made) / "out")
            file.unlink()


def _table(kind: str, file: Path, rounds: int, before: str | None, out: Path) -> None:
    audit = (AUDIT, file.parent, "--ordered-hours", "24", "--out", out, "--second-readers")
    variants = {
        "SHA-256": (sys.executable, (SHA256, file)),
        "audit": (sys.executable, (*audit, "off")),
        "audit with second readers": (sys.executable, (*audit, "on")),
        "audit, samples not looked at": (sys.executable, (*audit, "off", "--signal", "off")),
        "mne reads the signals": (sys.executable, (_MNE, file)),
    }
    if before:
        variants["audit, before"] = (before, (*audit, "off"))
        variants["audit with second readers, before"] = (before, (*audit, "on"))
    runs: dict[str, list[Run]] = {name: [] for name in variants}
    imports = [run(_IMPORTS) for _ in range(rounds)]
    for _ in range(rounds):
        for name, (python, (code, *arguments)) in variants.items():
            runs[name].append(run(code, *arguments, python=python))
    floor, size = best(runs["SHA-256"]), file.stat().st_size
    print(f"\n{kind}, {size / 1e9:.2f} GB")
    print(
        f"{'':36} {'clock s':>8} {'ratio':>6} {'cpu s':>7} {'ratio':>6} {'bytes':>6} {'peak MB':>8}"
    )
    for name, several in runs.items():
        one = best(several)
        peak = (one.peak_kb - best(imports).peak_kb) / 1000
        read = f"{one.read / size:6.3f} {peak:8.0f}" if one.read else ""
        print(
            f"{name:36} {one.wall:8.2f} {one.wall / floor.wall:6.2f} {one.cpu:7.2f} "
            f"{one.cpu / floor.cpu:6.2f} {read}"
        )


if __name__ == "__main__":
    main()
