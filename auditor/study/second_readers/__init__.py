"""Second readers: what mne and pyedflib report of the counted files, beside our own figures.

They never change a number. Where one differs or refuses, the reason is a fact of the file that our
own reader found, together with what the library is known to make of it; a difference without such
a reason is a ``problem`` finding. Recorded time, start and number of records are compared on the
file's own clock, to within one sample of its fastest channel.
"""

from __future__ import annotations

import time
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from auditor.core.clock import in_calendar, iso
from auditor.core.durations import exact_seconds
from auditor.core.text import printable
from auditor.model import Finding, Recording, SecondReading, StudyFile
from auditor.study.second_readers.known import BEHAVIOUR, Ours, laid_end_to_end, our_figures
from auditor.study.second_readers.process import LIBRARIES, Answer, ReaderProcess
from auditor.study.second_readers.refusals import explain_refusal

__all__ = ["VOCABULARY", "Compared", "compare", "read_second"]

VOCABULARY: dict[str, str] = {
    "second_reader_disagrees": "Another library reads a file differently and no known reason fits.",
    "second_reader_no_answer": "Another library crashed on a file or took too long with it.",
    "second_reader_skipped": "Files were not given to the second readers.",
}

Status = Literal["agrees", "explained", "refused", "unexplained", "no_answer"]

FILE_SECONDS = 60
"""Longest wait for one library on one file."""
STUDY_SECONDS = 180
"""After this long no further file is given to the second readers."""
MOST_RECORDS = 500_000
"""mne takes about 6 µs and 2 kB a record: 1.5 s and 480 MB for the 259,200 records of 72 h in
records of 1 s (measured on 2 cores, file in memory; pyedflib 0.25 s). Longer files are left out."""
MOST_BYTES = 16 << 30
"""mne reads a file with annotations to its end, so a larger one costs a second whole read."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One library's reading of one file and how it compares."""

    status: Status
    reading: SecondReading


def read_second(
    files: Sequence[StudyFile], *, enabled: bool = True
) -> tuple[tuple[SecondReading, ...], tuple[Finding, ...]]:
    """What the other libraries say of ``files``, in order, and what is to be looked at.

    Runs them in a process of their own: a file that crashes or hangs one costs that answer only.
    Files that would cost much are left out, and so are files not on this machine; one info finding
    says which. Raises nothing.
    """
    if not enabled or not files:
        return (), ()
    compared: list[Compared] = []
    findings: list[Finding] = []
    skipped: list[tuple[str, str]] = []
    begun = time.monotonic()
    with ReaderProcess() as process:
        for file in files:
            recording = file.recording
            reason = _too_costly(recording)
            if not reason and time.monotonic() - begun > STUDY_SECONDS:
                reason = f"the files before it took {STUDY_SECONDS} s"
            if not reason and not process.start():
                reason = "the libraries could not be started"
            if reason:
                skipped.append((recording.name, reason))
                continue
            ours = our_figures(recording)
            for library in LIBRARIES:
                answer = process.ask(
                    library, recording.path, recording.sample_bytes == 3, FILE_SECONDS
                )
                result = compare(
                    recording, library, process.versions.get(library, ""), answer, ours
                )
                compared.append(result)
                findings += _finding(result, recording)
    return tuple(c.reading for c in compared), (*findings, *_skipped(skipped))


def compare(
    recording: Recording, library: str, version: str, answer: Answer, ours: Ours | None = None
) -> Compared:
    """Compare one ``answer`` with our figures and explain it where it differs."""
    status, agrees, note = _judged(recording, library, answer, ours or our_figures(recording))
    reading = SecondReading(
        file=recording.name,
        library=library,
        version=version,
        recorded_ns=answer.recorded_ns,
        agrees=agrees,
        note=note,
        start_civil_ns=answer.start_civil_ns,
        records=answer.records,
    )
    return Compared(status, reading)


def _judged(
    recording: Recording, library: str, answer: Answer, ours: Ours
) -> tuple[Status, bool | None, str]:
    """Status, whether it agrees (``None`` without numbers), and the note."""
    if answer.stopped is not None:
        return "no_answer", None, f"Gave no answer: {answer.stopped}."
    if answer.refused is not None:
        fact = explain_refusal(library, answer.refused, recording)
        why = f": {fact}." if fact else ", for no known reason."
        words = _words(answer.refused, recording)
        status: Status = "refused" if fact else "unexplained"
        return status, None, f"Refused the file{why} (Its words: {words})"
    differences, unexplained = _differences(recording, library, answer, ours)
    jumps = laid_end_to_end(recording, ours)
    if unexplained:
        return "unexplained", False, " ".join((*differences, *unexplained))
    if differences:
        return "explained", False, " ".join((*differences, *([jumps] if jumps else [])))
    if jumps:
        return "explained", True, f"Agrees on the time recorded. {jumps}"
    return "agrees", True, "Agrees."


def _differences(
    recording: Recording, library: str, answer: Answer, ours: Ours
) -> tuple[list[str], list[str]]:
    """Sentences for differences of a known kind, and for all others."""
    known = BEHAVIOUR[library](recording, ours)
    explained: list[str] = []
    unexplained: list[str] = []
    if not _same(answer.recorded_ns, ours.recorded_ns, ours) or answer.records not in (
        None,
        ours.records,
    ):
        said = (
            f"It reports {_seconds(answer.recorded_ns)} in {answer.records} records, where this "
            f"audit measures {_seconds(ours.recorded_ns)} in {ours.records}"
        )
        expected = _same(answer.recorded_ns, known.recorded_ns, ours) and answer.records in (
            None,
            known.records,
        )
        if expected and known.why:
            explained.append(f"{said}: {'; '.join(known.why)}.")
        else:
            unexplained.append(f"{said}; no known reason fits.")
    if not _same(answer.start_civil_ns, ours.start_civil_ns, ours):
        said = (
            f"It starts the recording at {_moment(answer.start_civil_ns)}, this audit at "
            f"{_moment(ours.start_civil_ns)}"
        )
        if known.why_start and _same(answer.start_civil_ns, known.start_civil_ns, ours):
            explained.append(f"{said}: {'; '.join(known.why_start)}.")
        else:
            unexplained.append(f"{said}; no known reason fits.")
    return explained, unexplained


def _same(theirs: int | None, mine: int | None, ours: Ours) -> bool:
    if theirs is None or mine is None:
        return theirs is mine
    return abs(theirs - mine) <= ours.sample_ns


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


def _too_costly(recording: Recording) -> str:
    if recording.records > MOST_RECORDS:
        return f"more than {MOST_RECORDS:,} records"
    if recording.size_bytes > MOST_BYTES:
        return f"more than {MOST_BYTES >> 30} GiB"
    try:
        local = recording.opener is None and recording.path.is_file()
    except (OSError, ValueError):
        local = False
    return "" if local else "not on this machine"


def _finding(result: Compared, recording: Recording) -> tuple[Finding, ...]:
    reading = result.reading
    name = printable(recording.name)
    library = f"{reading.library} {reading.version}".strip()
    if result.status == "unexplained":
        return (
            Finding(
                code="second_reader_disagrees",
                severity="problem",
                where=name,
                text=f"The library {library} reads this file differently, and no known reason "
                f"fits: {reading.note} The audit's numbers are its own and stand on the file's "
                "bytes; until the difference is understood they are in doubt.",
                expected="The same recorded time, start and number of records, to one sample",
                observed=reading.note,
                action="Have the file looked at by a person who knows the format, and keep it.",
                file=recording.name,
            ),
        )
    if result.status == "no_answer":
        return (
            Finding(
                code="second_reader_no_answer",
                severity="caution",
                where=name,
                text=f"The library {library} could not check this file: {reading.note} The "
                "audit's numbers do not rest on it.",
                expected="An answer",
                observed=reading.note,
                action="Nothing to do; copy the file again if other findings doubt it.",
                file=recording.name,
            ),
        )
    return ()


def _skipped(skipped: list[tuple[str, str]]) -> tuple[Finding, ...]:
    if not skipped:
        return ()
    reasons = dict.fromkeys(reason for _, reason in skipped)
    names = ", ".join(printable(name, 60) for name, _ in skipped[:5])
    more = f" and {len(skipped) - 5} more" if len(skipped) > 5 else ""
    files = "1 file was" if len(skipped) == 1 else f"{len(skipped)} files were"
    return (
        Finding(
            code="second_reader_skipped",
            severity="info",
            where="study",
            text=f"{files} not given to the second readers ({names}{more}): {'; '.join(reasons)}. "
            "The audit's numbers do not rest on them.",
            expected="Every counted file read by mne and pyedflib too",
            observed=f"{len(skipped)} left out",
            action="Nothing to do.",
        ),
    )
