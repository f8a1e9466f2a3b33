"""Branch-guided fuzzing of everything that reads bytes of others (needs the [dev] extra's atheris).

    python tests/fuzz/guided.py TARGET --minutes 5 [--corpus FOLDER] [--keep FOLDER]
    python tests/fuzz/guided.py TARGET --replay FILE_OR_FOLDER...
    python tests/fuzz/guided.py all --replay

Targets: header, annotations, study (a file with its order and its log, changed together), order,
request (a FHIR ServiceRequest), log, orders (a list of orders), policy. Every input must end in
what the reader promises: a sound value, or an error of the family that says something. FOLDER takes
inputs that reach new branches; the small corpus of fixtures/fuzz is always read, and
``all --replay`` runs it. What breaks is written to the ``--keep`` folder, and the exit status is
not 0. ``--replay`` needs no fuzzing library.

A ``study`` is three parts, joined by the bytes of ``MARK``. It is changed with its form in mind (see
``Changes``), an order that is refused does not end it, and its outputs are made and looked through
where an outcome or a finding comes for the first time, else once in ``SELDOM`` times: they
cost six times what the audit of a small file does. A replay makes all of them.
"""

from __future__ import annotations

import argparse
import contextlib
import random
import sys
import tempfile
import zlib
from collections.abc import Callable, Iterator
from pathlib import Path

from msgspec.structs import replace

ROOT = Path(__file__).resolve().parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

from helpers_edf import MAIN_FIELDS, SIGNAL_FIELDS, layout, with_bytes  # noqa: E402

TARGETS = ("header", "annotations", "study", "order", "request", "log", "orders", "policy")
CORPUS = ROOT / "fixtures" / "fuzz"
MARK = b"\n=====\n"
LARGEST = 16_384
"""Bytes of one input: whatever a reader can do wrong shows in less."""
SELDOM = 24


def _imports(guided: bool) -> contextlib.AbstractContextManager[object]:
    if not guided:
        return contextlib.nullcontext()
    import atheris

    return atheris.instrument_imports(include=["auditor"])  # type: ignore[no-any-return]


def targets(guided: bool) -> dict[str, Callable[[bytes], None]]:
    """What each target does with one input."""
    with _imports(guided):
        from helpers_edf_invariants import check as check_recording
        from helpers_hostile import Folder
        from helpers_study_invariants import check as check_study

        from auditor.core.errors import AuditorError
        from auditor.edf.annotations import parse_annotations
        from auditor.edf.electrodes import electrode_name
        from auditor.inputs.logs import read_log
        from auditor.inputs.order import read_order
        from auditor.inputs.orders_list import OrderBook, read_orders
        from auditor.policy import load_policy
    electrode_name("EEG Fp1")  # the import behind it is no input's fault
    work = Path(
        tempfile.mkdtemp(prefix="guided-", dir="/dev/shm" if Path("/dev/shm").is_dir() else None)
    )

    def of_file(name: str, read: Callable[[Path], object]) -> Callable[[bytes], None]:
        def one(raw: bytes) -> None:
            path = work / name
            path.write_bytes(raw)
            said: AuditorError | None = None
            try:
                read(path)
            except AuditorError as error:
                said = error
            if said is not None:
                assert said.problem, "an error that says nothing"
                assert said.where, "an error that names nothing"
                assert len(str(said).encode("utf-8", "surrogatepass")) <= 2000, "a long error"

        return one

    known: set[str] = set()

    def study(raw: bytes) -> None:
        parts = [*raw.split(MARK, 2), b"", b""][:3]
        order = (".toml", parts[1]) if parts[1] else None
        made = Folder({b"a.edf": parts[0]}, order=order, logs={"checks.csv": parts[2]})
        number = zlib.crc32(raw)

        def shown(result: str) -> bool:
            words = set(result.split())
            fresh = not words <= known
            known.update(words)
            return fresh or not guided or number % SELDOM == 0

        for tried in (made, replace(made, order=None)):
            with tempfile.TemporaryDirectory(dir=work) as at:
                said = check_study(tried, Path(at), random.Random(number), shown=shown)
            if not said.startswith(("UsageError", "SettingsError")):
                break

    def orders(path: Path) -> None:
        read_orders(path)
        OrderBook(path, "America/Denver").unused()

    def logs(path: Path) -> None:
        read_log("monitoring", path)
        read_log("video", path)

    return {
        "header": lambda raw: (check_recording(raw), None)[1],
        "annotations": lambda raw: (parse_annotations(raw), None)[1],
        "study": study,
        "order": of_file("order.toml", read_order),
        "request": of_file("order.json", read_order),
        "log": of_file("checks.csv", logs),
        "orders": of_file("orders.csv", orders),
        "policy": of_file("policy.toml", load_policy),
    }


def seeds(target: str) -> Iterator[bytes]:
    """Well-formed inputs to begin with, besides the corpus."""
    from helpers_edf_invariants import bases

    fixtures = ROOT / "fixtures"
    order = (
        b'[order]\nstudy_id = "S-2041"\npatient_code = "P-2041"\nordered_hours = 0.01\n'
        b'hookup = 2027-03-02T09:30:00\ntimezone = "America/Denver"\nvideo = true\n'
        b'monitoring = "intermittent"\nminimum_channels = 1\n[files]\nexclude = ["b.edf"]\n'
        b'clock = {"a.edf" = "+1:00:00"}\n[power]\nbatteries = 2\nhours_per_battery = 30\n'
    )
    log = b"time,by,note\n2027-03-02 09:30:01,T-12,\n03/02/2027 9:30:10 AM,T-12,asleep\n"
    if target == "header":
        recordings = [p.read_bytes() for p in sorted(fixtures.glob("*.[eb]df"))]
        yield from (raw for raw in recordings if len(raw) <= LARGEST)
    elif target == "annotations":
        yield b"+0\x14\x14\0+1.5\x152\x14Lights off\x14Recording stopped\x14\0-0.5\x14x\x14\0\0"
    elif target == "study":
        logged = order.replace(b"[files]", b'[logs]\nmonitoring = "checks.csv"\n[files]')
        for raw in bases().values():
            yield MARK.join((raw, logged, log))
            yield MARK.join((raw, b"", b""))
    elif target == "order":
        yield order
    elif target == "request":
        yield from (p.read_bytes() for p in sorted((fixtures / "service-requests").glob("*.json")))
    elif target == "log":
        yield log
        yield b"start;end\n02.03.2027 09:30;02.03.2027 10:30\n"
    elif target == "orders":
        yield (
            b"study;ordered_hours;study_id;patient_code;hookup;batteries\n"
            b"S-2041;0.01;ST-1;P-2041;2027-03-02T09:29:00;2\nS-2042;24;;;;\n"
        )
    else:
        for path in sorted((ROOT / "auditor" / "policy").rglob("*.toml")):
            yield path.read_bytes()
        yield b"[coverage]\ngap_floor_s = 2\n[decision]\ntolerance_percent = 5\n"


class Changes:
    """Changes a study so that most of it still says something.

    One of the three parts at a time; in the file a field of the header within its width, annotation
    bytes within their record, or, one time in four, anything. ``change`` is the fuzzing library's
    own (bytes and their most number to bytes).
    """

    def __init__(self, change: Callable[[bytes, int], bytes]) -> None:
        self.change = change

    def __call__(self, raw: bytes, most: int, seed: int) -> bytes:
        """``raw`` changed, in at most ``most`` bytes."""
        rng = random.Random(seed)
        parts = [*raw.split(MARK, 2), b"", b""][:3]
        which = rng.choices((0, 1, 2), (6, 3, 2))[0]
        room = most - sum(map(len, parts)) - 2 * len(MARK) + len(parts[which])
        if room < 1:
            return self.change(raw, most)
        part = parts[which]
        parts[which] = self.file(part, rng, room) if which == 0 else self.change(part, room)
        return MARK.join(parts)

    def file(self, raw: bytes, rng: random.Random, most: int) -> bytes:
        """A recording changed in one place."""
        try:
            signals = max(0, int(raw[252:256]))
            fields = [layout(raw, name) for name, _ in MAIN_FIELDS]
            fields += [layout(raw, n, i) for n, _ in SIGNAL_FIELDS for i in range(min(signals, 40))]
        except ValueError:
            return self.change(raw, most)
        notes = [at for at in range(256 * (signals + 1), len(raw)) if raw[at] == 0x14]
        way = rng.random()
        if way < 0.4:
            # The main header decides more than a signal's fields, of which there are many.
            where = rng.choice(fields[: len(MAIN_FIELDS)] if rng.random() < 0.6 else fields)
            return with_bytes(
                raw, where, self.change(raw[where].rstrip(), where.stop - where.start)
            )
        if way < 0.75 and notes:
            at = max(0, rng.choice(notes) - rng.randrange(24))
            where = slice(at, min(len(raw), at + rng.randrange(4, 40)))
            fresh = self.change(raw[where], where.stop - where.start)
            return raw[:at] + fresh.ljust(where.stop - at, b"\0") + raw[where.stop :]
        return self.change(raw, most)


def replay(target: str, paths: list[Path]) -> None:
    """Run inputs once more. Raises what breaks."""
    every = targets(guided=False)
    for name in TARGETS if target == "all" else (target,):
        count = 0
        for path in paths or [CORPUS / name]:
            for file in sorted(path.iterdir()) if path.is_dir() else [path]:
                every[name](file.read_bytes())
                count += 1
        print(f"{name}: {count} inputs, nothing broke")


def main() -> int:
    """Fuzz one target until the time is up."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("target", choices=(*TARGETS, "all"))
    parser.add_argument("--minutes", type=float, default=1.0)
    parser.add_argument("--corpus", type=Path, default=None)
    parser.add_argument("--keep", type=Path, default=Path("fuzz-failures"))
    parser.add_argument("--replay", type=Path, nargs="*")
    given = parser.parse_args()
    if given.replay is not None:
        replay(given.target, given.replay)
        return 0
    import atheris

    run = targets(guided=True)[given.target]
    corpus = given.corpus or Path(tempfile.mkdtemp(prefix=f"corpus-{given.target}-"))
    corpus.mkdir(parents=True, exist_ok=True)
    given.keep.mkdir(parents=True, exist_ok=True)
    for number, raw in enumerate(seeds(given.target)):
        (corpus / f"seed-{number}").write_bytes(raw)
    kept = CORPUS / given.target
    options = [
        f"-max_total_time={max(1, int(given.minutes * 60))}", f"-max_len={LARGEST}",
        "-timeout=60", "-rss_limit_mb=2048", "-print_final_stats=1",
        f"-artifact_prefix={given.keep}/{given.target}-",
    ]  # fmt: skip
    words = (
        Path(__file__).parent / "dictionaries" / f"{_WORDS.get(given.target, given.target)}.dict"
    )
    if words.exists():
        options.append(f"-dict={words}")
    folders = [str(corpus), *([str(kept)] if kept.is_dir() else [])]
    # The library puts the function that works in its place only once it is set up.
    own = Changes(lambda raw, most: atheris.Mutate(raw, most))  # noqa: PLW0108
    form = {"custom_mutator": own} if given.target == "study" else {}
    atheris.Setup([sys.argv[0], *options, *folders], run, **form)
    atheris.Fuzz()
    return 0


_WORDS = {"annotations": "edf", "header": "edf", "study": "edf"}
"""Targets that share a dictionary."""


if __name__ == "__main__":
    sys.exit(main())
