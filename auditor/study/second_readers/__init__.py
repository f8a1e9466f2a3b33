"""Second readers: what mne and pyedflib report of the counted files, beside our own figures.

They never change a number and never the outcome. Where one differs from us or refuses a file, the
facts of the file that our own reader found are named; a difference that none of them explains is a
caution. Their error texts are shown and never interpreted: a release may word them anew. Recorded
time, start and number of records are compared on the file's own clock, to within one sample.
"""

from __future__ import annotations

import json
import os
import sys
import threading
import time
from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path
from queue import SimpleQueue
from typing import TYPE_CHECKING, Literal, NamedTuple

import msgspec

from auditor.core.clock import in_calendar, iso
from auditor.core.durations import exact_seconds
from auditor.core.intervals import total, union
from auditor.core.text import Own, printable
from auditor.core.units import NS
from auditor.model import Finding, FindingCode, Recording, SecondReading, StudyFile, finding

if TYPE_CHECKING:
    import subprocess

Status = Literal["agrees", "explained", "unexplained", "no_answer"]

LIBRARIES = ("mne", "pyedflib")
START_SECONDS = 60
_SCRIPT = Path(__file__).with_name("ask.py")
_ONE_THREAD = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
FILE_SECONDS = 60
"""Longest wait for one library on one file."""
STUDY_SECONDS = 180
"""After this long no further file is given to the second readers."""
WHOLE_BYTES = 64 << 20
"""Up to this size the libraries read a file's annotations too, and for them the file to its end. Of
a larger one they read the header, where all stands that is compared: a second whole read of large
files costs a lab more than it tells."""

_TELLING: dict[Status, FindingCode] = {
    "unexplained": "second_reader_disagrees",
    "no_answer": "second_reader_no_answer",
}


class Compared(NamedTuple):
    """What one library says of one file, and how it compares."""

    status: Status
    reading: SecondReading


class SecondReaders:
    """Asks the other libraries about files, beside the work of the audit.

    They run in a process of their own: a file that crashes or hangs one costs that answer only. It
    starts at once, so that they are loaded by the time that the files are known. Files not on this
    machine are left out, and those that come when much time is spent; one info finding says which.
    """

    def __init__(self, *, enabled: bool = True) -> None:
        self._compared: list[Compared] = []
        self._skipped: list[tuple[str, Own]] = []
        self._files: SimpleQueue[Sequence[StudyFile]] = SimpleQueue()
        self._thread = threading.Thread(target=self._ask, daemon=True) if enabled else None
        if self._thread is not None:
            self._thread.start()

    def __enter__(self) -> SecondReaders:
        return self

    def __exit__(self, *_: object) -> None:
        self._files.put(())  # where no files were ever named, nothing is waited for

    def ask(self, files: Sequence[StudyFile]) -> None:
        """Name the files, once."""
        self._files.put(files)

    def result(self) -> tuple[tuple[SecondReading, ...], tuple[Finding, ...]]:
        """Wait for the answers on the files named: each library's in order of the files, and what
        is to be said."""
        if self._thread is not None:
            self._thread.join()
        findings = [
            finding(
                _TELLING[status],
                printable(reading.file),
                file=reading.file,
                library=Own(f"{reading.library} {reading.version}".strip()),
                note=reading.note,
            )
            for status, reading in self._compared
            if status in _TELLING
        ]
        if self._skipped:
            reasons = dict.fromkeys(reason for _, reason in self._skipped)
            findings.append(
                finding(
                    "second_reader_skipped",
                    count=len(self._skipped),
                    files=tuple(printable(name, 60) for name, _ in self._skipped[:5]),
                    reasons=Own("; ".join(reasons)),
                )
            )
        return tuple(reading for _, reading in self._compared), tuple(findings)

    def _ask(self) -> None:
        with ReaderProcess() as process:
            process.start()
            files = self._files.get()
            begun = time.monotonic()
            for recording in (file.recording for file in files):
                # Unlike a path's own method it raises nothing, whatever the name holds.
                here = not recording.opener and os.path.isfile(recording.path)  # noqa: PTH113
                reason = "" if here else "not on this machine"
                if not reason and time.monotonic() - begun > STUDY_SECONDS:
                    reason = f"the files before it took {STUDY_SECONDS} s"
                if not reason and not process.start():
                    reason = "the libraries could not be started"
                if reason:
                    self._skipped.append((recording.name, Own(reason)))
                    continue
                for library in LIBRARIES:
                    answer = process.ask(
                        library,
                        recording.path,
                        recording.sample_bytes == 3,
                        FILE_SECONDS,
                        whole=recording.size_bytes <= WHOLE_BYTES,
                    )
                    version = process.versions.get(library, "")
                    self._compared.append(compare(recording, library, version, answer))


def compare(recording: Recording, library: str, version: str, answer: Answer) -> Compared:
    """One ``answer`` beside our figures of ``recording``."""
    facts = facts_of(recording)
    why = f" Of this file the audit found that {', and that '.join(facts)}." if facts else ""
    status: Status = "explained" if facts else "unexplained"
    agrees: bool | None = None
    if answer.stopped is not None:
        status, note = "no_answer", f"Gave no answer: {answer.stopped}."
    elif answer.refused is not None:
        note = f"Did not take the file: {_words(answer.refused, recording)}.{why}"
    elif differences := _differences(recording, answer):
        agrees, note = False, f"{' '.join(differences)}{why}"
    else:
        status, agrees, note = "agrees", True, "Agrees."
    if recording.size_bytes > WHOLE_BYTES:
        note += f" Asked for its header alone: larger than {WHOLE_BYTES >> 20} MiB."
    return Compared(
        status,
        SecondReading(
            file=recording.name,
            library=library,
            version=version,
            recorded_ns=answer.recorded_ns,
            agrees=agrees,
            note=note,
            start_civil_ns=answer.start_civil_ns,
            records=answer.records,
        ),
    )


def facts_of(recording: Recording) -> tuple[str, ...]:
    """What our own reader found in a file that other readers handle in ways of their own."""
    starts = recording.offsets_ns
    claimed = recording.header.record_count
    whole = (recording.size_bytes - recording.data_offset) // max(recording.record_bytes, 1)
    summed = len(starts) * recording.record_ns
    holes = len(starts) > 1 and int(starts.max() - starts.min()) != summed - recording.record_ns
    facts = {
        "its records do not follow one another without a break": holes,
        "it is marked as discontinuous": recording.format.endswith("+D"),
        "it was never closed": not recording.closed,
        "its header counts other records than it holds": recording.closed
        and not claimed == len(starts) == whole,
        "it does not start on a whole second": len(starts) > 0 and bool(starts[0] % NS),
        "its date field has no year": recording.header.start_date.lower().endswith("yy"),
        "it holds annotations and no signal": all(c.is_annotation for c in recording.channels),
        "its header or its annotations break the format's rules, as the findings say": any(
            f.severity != "info" for f in recording.findings
        ),
        "it does not have the usual ending of its name": not recording.name.lower().endswith(
            (".edf", ".bdf")
        ),
    }
    return tuple(words for words, holds in facts.items() if holds)


def _differences(recording: Recording, answer: Answer) -> list[str]:
    """One sentence for each figure that is not ours, to within a sample of the fastest channel."""
    starts = recording.offsets_ns
    recorded = int(total(union(starts, starts + recording.record_ns)))
    first = recording.start_civil_ns + (int(starts.min()) if len(starts) else 0)
    fastest = max(
        (c.samples_per_record for c in recording.channels if not c.is_annotation), default=0
    )
    sample = -(-recording.record_ns // fastest) if fastest else NS // 1000

    def differs(theirs: int | None, ours: int) -> bool:
        return theirs is None or abs(theirs - ours) > sample

    found = []
    if differs(answer.recorded_ns, recorded) or answer.records not in (None, len(starts)):
        found.append(
            f"It reports {_seconds(answer.recorded_ns)} in {answer.records} records, where this "
            f"audit measures {_seconds(recorded)} in {len(starts)}."
        )
    if differs(answer.start_civil_ns, first):
        found.append(
            f"It starts the recording at {_moment(answer.start_civil_ns)}, this audit at "
            f"{_moment(first)}."
        )
    return found


def _seconds(ns: int | None) -> str:
    return "no time" if ns is None else f"{exact_seconds(ns)} s"


def _moment(civil_ns: int | None) -> str:
    if civil_ns is None:
        return "no time"
    return iso(civil_ns) if in_calendar(civil_ns) else "a time outside the calendar"


def _words(refused: str, recording: Recording) -> str:
    """The library's own words without the file's path, made harmless."""
    path = str(recording.path)
    return printable(refused.replace(f"{path}: ", "").replace(path, "the file"), 200)


# ---------------------------------------------------------------- the process


class Answer(msgspec.Struct, frozen=True):
    """What a library said of a file: numbers, or ``refused`` in its own (untrusted) words.

    ``stopped`` says why there is no answer at all: it took too long, crashed or ran out of memory.
    ``start_civil_ns`` is the start that the library reports, as civil time.
    """

    recorded_ns: int | None = None
    start_civil_ns: int | None = None
    records: int | None = None
    refused: str | None = None
    stopped: str | None = None


class ReaderProcess:
    """Runs ``ask.py``; started at the first question and again after each death."""

    def __init__(self) -> None:
        self._process: subprocess.Popen[bytes] | None = None
        self.versions: dict[str, str] = {}

    def __enter__(self) -> ReaderProcess:
        return self

    def __exit__(self, *_: object) -> None:
        self._end()

    def start(self) -> bool:
        """Start the process if it does not run; false where it cannot be started."""
        if self._process is not None:
            return True
        import subprocess

        try:
            # -P: the script's own folder stays out of the search path of the libraries it imports.
            self._process = subprocess.Popen(  # noqa: S603  our own script, no shell
                [sys.executable, "-P", str(_SCRIPT)],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                env={**os.environ, **dict.fromkeys(_ONE_THREAD, "1")},
            )
            line, _ = self._exchange(b"", START_SECONDS)
            self.versions = msgspec.json.decode(line, type=dict[str, str])
        except (OSError, msgspec.MsgspecError):
            self._end()
            return False
        return True

    def ask(
        self, library: str, path: Path, bdf: bool, seconds: float, *, whole: bool = True
    ) -> Answer:
        """What ``library`` says of ``path``, waiting at most ``seconds``. Never raises.

        Where not ``whole`` it reads the header and no annotations.
        """
        if not self.start():
            return Answer(stopped="it could not be started")
        question = {"library": library, "path": str(path), "bdf": bdf, "whole": whole}
        line, missing = self._exchange(json.dumps(question).encode() + b"\n", seconds)
        try:
            answer = msgspec.json.decode(line, type=Answer)
        except msgspec.MsgspecError:
            answer = Answer(stopped=missing)
        if answer.stopped is not None:
            self._end()
        return answer

    def _exchange(self, question: bytes, seconds: float) -> tuple[bytes, str]:
        """The line answered, empty where none came in time; and why it is none, in words."""
        process = self._process
        assert process is not None
        assert process.stdin is not None
        assert process.stdout is not None
        begun, line = time.monotonic(), b""
        timer = threading.Timer(seconds, process.kill)
        timer.daemon = True
        timer.start()
        with suppress(OSError):
            process.stdin.write(question)
            process.stdin.flush()
            line = process.stdout.readline()
        timer.cancel()
        late = time.monotonic() - begun >= seconds
        return line, f"it took longer than {seconds:.0f} s" if late else "it crashed"

    def _end(self) -> None:
        process, self._process = self._process, None
        if process is not None:
            process.kill()
            with suppress(OSError, ValueError):  # what was still to be written goes nowhere
                process.communicate()
            process.wait()
