"""Write the table of our reading against mne, pyedflib and edfio, one row for each file.

    python tests/compare_readers.py [--csv] [PATH…]      (default: fixtures/ and the demo's studies)

Every cell says ``agrees``, or how the library differs and which facts of the file explain it. A
cell without such a fact says ``UNEXPLAINED``, and the command then ends with status 1.
"""

from __future__ import annotations

import argparse
import csv
import sys
import tempfile
from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct

ROOT = Path(__file__).resolve().parent.parent
for folder in (ROOT, ROOT / "tests"):
    if str(folder) not in sys.path:
        sys.path.insert(0, str(folder))

from helpers_edfio import EDFIO, ask_edfio  # noqa: E402

from auditor.core.durations import exact_seconds  # noqa: E402
from auditor.core.errors import RecordingError  # noqa: E402
from auditor.edf import read_recording  # noqa: E402
from auditor.study.second_readers import LIBRARIES, Answer, ReaderProcess, compare  # noqa: E402

READERS = (*LIBRARIES, "edfio")
SECONDS = 60


class Row(Struct, frozen=True):
    """One file: our figures in words, and for each reader (status, what it says)."""

    file: str
    ours: str
    cells: dict[str, tuple[str, str]]

    @property
    def unexplained(self) -> bool:
        return any(status not in ("agrees", "explained") for status, _ in self.cells.values())


def rows(paths: Sequence[Path], process: ReaderProcess) -> Iterator[Row]:
    """A row for every recording under ``paths`` (files or folders), in order of name."""
    for top in paths:
        files = sorted(p for p in top.rglob("*") if p.is_file()) if top.is_dir() else [top]
        for path in files:
            if path.suffix.lower() in (".edf", ".bdf") or path.name == "other_name.dat":
                name = str(path.relative_to(top)) if path != top else path.name
                yield row(path, name, process)


def row(path: Path, name: str, process: ReaderProcess) -> Row:
    """Our reading of one file against the others'."""
    bdf = path.read_bytes()[:1] == b"\xff"
    answers = {library: process.ask(library, path, bdf, SECONDS) for library in LIBRARIES}
    answers["edfio"] = ask_edfio(path, bdf)
    try:
        recording = read_recording(path, name)
    except RecordingError as error:
        return Row(name, f"unreadable: {error.problem}", _all_of_unreadable(error, answers))
    cells = {}
    for library in READERS:
        result = compare(recording, library, "", answers[library])
        cells[library] = (result.status, result.reading.note)
    summed = exact_seconds(recording.records * recording.record_ns)
    stated = f"{summed} s in {recording.records} records ({recording.format})"
    return Row(name, stated, cells)


def _all_of_unreadable(
    error: RecordingError, answers: dict[str, Answer]
) -> dict[str, tuple[str, str]]:
    """Of a file that we refuse: whoever refuses it too agrees; whoever reads it is told why not."""
    cells = {}
    for library, answer in answers.items():
        if answer.stopped is not None:
            cells[library] = ("no_answer", answer.stopped)
        elif answer.refused is not None:
            cells[library] = ("agrees", "Refuses the file too.")
        else:
            cells[library] = (
                "explained",
                f"Reads {exact_seconds(answer.recorded_ns or 0)} s from it; here it is named "
                f"unreadable because it {error.problem}.",
            )
    return cells


def _cell(status: str, note: str) -> str:
    word = status if status in ("agrees", "explained") else "UNEXPLAINED"
    rest = note.removeprefix("Agrees.").strip()
    return f"{word}: {rest}" if rest else word


def main() -> int:
    """Write the table to standard output."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("paths", nargs="*", type=Path)
    parser.add_argument("--csv", action="store_true", help="comma-separated instead of Markdown")
    arguments = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch, ReaderProcess() as process:
        paths = arguments.paths or [ROOT / "fixtures", *_demo(Path(scratch))]
        process.start()
        table = list(rows(paths, process))
        heads = [*(f"{n} {process.versions.get(n, '')}".strip() for n in LIBRARIES), EDFIO]
    lines = [[r.file, r.ours, *(_cell(*r.cells[library]) for library in READERS)] for r in table]
    header = ["file", "this auditor", *heads]
    if arguments.csv:
        csv.writer(sys.stdout).writerows([header, *lines])
    else:
        print("| " + " | ".join(header) + " |")
        print("| " + " | ".join("---" for _ in header) + " |")
        for line in lines:
            print("| " + " | ".join(cell.replace("|", "\\|") for cell in line) + " |")
    bad = [r.file for r in table if r.unexplained]
    print(
        f"{len(table)} files, {len(bad)} unexplained{': ' if bad else ''}{', '.join(bad)}",
        file=sys.stderr,
    )
    return 1 if bad or not table else 0


def _demo(scratch: Path) -> list[Path]:
    """The demo's studies, written into ``scratch`` (about 275 MB)."""
    from auditor.demo import make_demo

    make_demo(scratch)
    return [scratch / "studies"]


if __name__ == "__main__":
    raise SystemExit(main())
