"""What a start costs: the audit of one minute against importing what it cannot do without.

    python tests/benchmarks/start.py [--rounds 10]

Interleaved rounds, the best of each; ratios by the clock and by the processor.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from made import AUDIT, best, recording, run

_HELP = "from auditor.cli.parser import main; main(['--help'])"


def main() -> None:
    """Run the rounds and print the ratios."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--rounds", type=int, default=10)
    rounds = parser.parse_args().rounds
    with tempfile.TemporaryDirectory() as made:
        folder = Path(made) / "study"
        folder.mkdir()
        recording(folder / "a.edf", 1 / 60)
        options = ("--ordered-hours", "24", "--second-readers", "off")
        programs: dict[str, tuple[str | Path, ...]] = {
            "import numpy, jinja2": ("import numpy, jinja2",),
            "audit of one minute": (AUDIT, folder, "--out", Path(made) / "out", *options),
            "import mne": ("import mne",),
            "auditor --help": (_HELP,),
        }
        runs = {name: [run(str(code), *arguments)] for name, (code, *arguments) in programs.items()}
        for _ in range(rounds):
            for name, (code, *arguments) in programs.items():
                runs[name].append(run(str(code), *arguments))
    for name, floor in (
        ("audit of one minute", "import numpy, jinja2"),
        ("auditor --help", "import mne"),
    ):
        one, of = best(runs[name]), best(runs[floor])
        print(
            f"{name} / {floor}: {one.wall:.3f} s / {of.wall:.3f} s = {one.wall / of.wall:.2f} by "
            f"the clock, {one.cpu / of.cpu:.2f} by the processor"
        )


if __name__ == "__main__":
    main()
