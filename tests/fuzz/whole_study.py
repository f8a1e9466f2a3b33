"""Runs damaged and invented study folders through the whole audit for a set time.

    python tests/fuzz/whole_study.py --minutes 30 [--seed N] [--keep FOLDER] [--replay FOLDER]

Each input is a folder: files changed, spliced, renamed, copied and mixed with those of other
studies, with links, pipes and sockets between them, and with orders and logs of every kind. It is
audited in this process and must end in a sound audit or an error of the family
(``helpers_study_invariants.check``), within ``--seconds`` and ``--megabytes``. Inputs that reach
new lines of the auditor are kept and changed further. Each kind of failure is kept once in FOLDER,
as it was on disk and as a pickle that ``--replay`` runs; the exit status is 1 where there was one.
"""

from __future__ import annotations

import argparse
import pickle
import random
import resource
import shutil
import signal
import sys
import tempfile
import time
import traceback
from collections import Counter
from pathlib import Path
from types import FrameType
from typing import Any

from msgspec.structs import replace

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_hostile import Folder, fixtures, messy, requests, small_files, write  # noqa: E402
from helpers_hostile_damage import damaged  # noqa: E402
from helpers_study_invariants import check  # noqa: E402

_OWN = str(ROOT / "auditor")
_TRACED = 8
"""One run in so many is watched line by line, which makes it several times slower."""
_SECOND = 300
"""One run in so many has the second readers on: they start processes."""
_LARGEST_POOL = 3000


class TooLongError(BaseException):
    """Not an ``Exception``: nothing in between may swallow it."""


class Lines:
    """The lines of the auditor that an input runs through."""

    def __init__(self) -> None:
        self.seen: set[tuple[str, int]] = set()
        self.fresh = False

    def __call__(self, frame: FrameType, event: str, arg: Any) -> Any:
        name = frame.f_code.co_filename
        if not name.startswith(_OWN):
            return None
        if event == "line":
            key = (name, frame.f_lineno)
            if key not in self.seen:
                self.seen.add(key)
                self.fresh = True
        return self


def run_one(
    study: Folder, seed: str, *, seconds: float, megabytes: int, second: bool = False,
    lines: Lines | None = None,
) -> str:  # fmt: skip
    """The result of one input. Raises what broke; ``TooLongError`` after ``seconds``."""

    def stop(number: int, frame: FrameType | None) -> None:
        raise TooLongError(f"longer than {seconds} s")

    before = signal.signal(signal.SIGALRM, stop)
    signal.setitimer(signal.ITIMER_REAL, seconds * (5 if lines else 1) + (60 if second else 0))
    _forget_peak()
    start = _memory("VmRSS")
    try:
        with tempfile.TemporaryDirectory(prefix="whole-study-") as folder:
            if lines is not None:  # else whoever traces already, such as coverage, goes on
                sys.settrace(lines)
            try:
                result = check(study, Path(folder), random.Random(seed), second=second)
            finally:
                if lines is not None:
                    sys.settrace(None)
        grown = _memory("VmHWM") - start
        assert grown < megabytes * 1_000_000 + 20 * study.size, f"took {grown} bytes of memory"
        return result
    finally:
        signal.setitimer(signal.ITIMER_REAL, 0)
        signal.signal(signal.SIGALRM, before)


def _forget_peak() -> None:
    try:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    except OSError:
        return  # then the peak is that of the whole run: a looser bound


def _memory(key: str) -> int:
    try:
        for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
            if line.startswith(key + ":"):
                return int(line.split()[1]) * 1024
    except OSError:
        pass
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024


def keep(study: Folder, seed: str, error: BaseException, into: Path) -> Path:
    """Save the input that broke: a pickle to run again, and the folder as it was on disk."""
    into.mkdir(parents=True, exist_ok=True)
    at = into / f"{type(error).__name__}-{seed.replace(' ', '-')}"
    shutil.rmtree(at, ignore_errors=True)
    write(study, at)
    (at / "input.pickle").write_bytes(pickle.dumps((study, seed)))
    (at / "error.txt").write_text("".join(traceback.format_exception(error)), encoding="utf-8")
    return at


def kind_of(error: BaseException) -> str:
    """One failure's kind: where it was raised, and its type."""
    frames = traceback.extract_tb(error.__traceback__)
    own = [f for f in frames if str(ROOT) in f.filename] or list(frames)
    last = own[-1]
    return f"{type(error).__name__} at {Path(last.filename).name}:{last.lineno} in {last.name}"


def smaller(study: Folder, seed: str, kind: str, *, seconds: float, megabytes: int) -> Folder:
    """``study`` without the files and entries that the failure does not need."""
    for part in ("files", "odd", "logs"):
        for name in sorted(getattr(study, part)):
            held = {k: v for k, v in getattr(study, part).items() if k != name}
            tried = replace(study, **{part: held})
            try:
                run_one(tried, seed, seconds=seconds, megabytes=megabytes)
            except (Exception, TooLongError) as error:
                if kind_of(error) == kind:
                    study = tried
    return study


def search(
    *, seed: int, until: float, into: Path, seconds: float, megabytes: int,
    most: int | None = None, second_every: int = _SECOND, traced_every: int = _TRACED,
) -> tuple[int, Counter[str], dict[str, Path], Lines]:  # fmt: skip
    """Fuzz until the time ``until`` or ``most`` inputs.

    Returns the number of inputs, how often each result occurred, the kinds of failure with what was
    kept of each, and the lines reached.
    """
    rng, lines = random.Random(seed), Lines()
    results: Counter[str] = Counter()
    failures: dict[str, Path] = {}
    with tempfile.TemporaryDirectory(prefix="whole-study-seeds-") as folder:
        seeds = [*fixtures(), *small_files(), *requests(), *messy(Path(folder))]
    pool, runs = list(seeds), 0
    while time.monotonic() < until and (most is None or runs < most):
        name = f"{seed} {runs}"
        # The first runs are the seeds as they are.
        study = (
            seeds[runs]
            if runs < len(seeds) and most is None
            else damaged(rng.choice(pool), pool, rng)
        )
        watch = lines if traced_every and runs % traced_every == 0 else None
        second = bool(second_every) and runs % second_every == second_every - 1
        try:
            result = run_one(
                study, name, seconds=seconds, megabytes=megabytes, second=second, lines=watch
            )
            results[result] += 1
        except (Exception, TooLongError) as error:
            kind = kind_of(error)
            results[kind] += 1
            if kind not in failures:
                if not isinstance(error, TooLongError):
                    study = smaller(study, name, kind, seconds=seconds, megabytes=megabytes)
                failures[kind] = keep(study, name, error, into)
                print(
                    f"run {runs}: {kind}: {str(error)[:300]}; kept in {failures[kind]}", flush=True
                )
        runs += 1
        if lines.fresh:
            lines.fresh = False
            pool.append(study)
            if len(pool) > _LARGEST_POOL:
                del pool[len(seeds) + rng.randrange(_LARGEST_POOL // 2)]
    return runs, results, failures, lines


def main() -> int:
    """Fuzz until the time is up; 0 where nothing broke."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--seed", type=int, default=2027)
    parser.add_argument("--seconds", type=float, default=20.0, help="longest time for one input")
    parser.add_argument("--megabytes", type=int, default=250, help="most memory for one input")
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    parser.add_argument("--replay", type=Path, help="run what was kept in this folder once more")
    given = parser.parse_args()
    if given.replay:
        study, name = pickle.loads((given.replay / "input.pickle").read_bytes())
        print(run_one(study, name, seconds=given.seconds, megabytes=given.megabytes))
        return 0
    runs, results, failures, lines = search(
        seed=given.seed, until=time.monotonic() + given.minutes * 60, into=given.keep,
        seconds=given.seconds, megabytes=given.megabytes,
    )  # fmt: skip
    first = Counter[str]()
    for result, count in results.items():
        first[result.split(" ")[0]] += count
    print(
        f"{runs} inputs in {given.minutes:g} minutes, seed {given.seed}: {len(results)} distinct "
        f"outcomes ({', '.join(f'{n} {word}' for word, n in first.most_common())}), "
        f"{len(lines.seen)} lines reached, {len(failures)} kinds of failure"
    )
    for kind, path in failures.items():
        print(f"  {kind}: {results[kind]} times, kept in {path}")
    return 1 if failures else 0


if __name__ == "__main__":
    sys.exit(main())
