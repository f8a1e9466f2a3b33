"""Second readers: a difference is explained by a fact of the file, or is a caution; never more."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path

import compare_readers
import pytest
from helpers_counted import counted
from helpers_studies import (
    append,
    cut_tail,
    set_field,
    write_piece,
)
from msgspec.structs import replace

import auditor
from auditor.core.errors import RecordingError
from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.model import Finding, Recording, SecondReading, StudyFile
from auditor.study import second_readers
from auditor.study.second_readers import (
    LIBRARIES,
    WHOLE_BYTES,
    Answer,
    ReaderProcess,
    SecondReaders,
    compare,
    facts_of,
)

ROOT = Path(__file__).resolve().parent.parent


def read(path: Path) -> Recording:
    return read_recording(path, path.name)


def second(*files: StudyFile) -> tuple[tuple[SecondReading, ...], tuple[Finding, ...]]:
    with SecondReaders() as others:
        others.ask(files)
        return others.result()


@pytest.fixture(scope="module")
def readers() -> ReaderProcess:
    with ReaderProcess() as running:
        yield running


Make = Callable[[Path], object]


def plain(**changes: object) -> Make:
    return lambda path: write_piece(path, (0, 20), **{"fmt": "EDF+C", **changes})  # type: ignore[arg-type]


def then(make: Make, change: Callable[[Path], object]) -> Make:
    def made(path: Path) -> None:
        make(path)
        change(path)

    return made


def padded(fmt: str, records: int) -> Make:
    def made(path: Path) -> None:
        piece = write_piece(path, (0, 20), fmt=fmt)  # type: ignore[arg-type]
        append(path, bytes(piece.record_bytes * records))

    return made


def pieces(*runs: tuple[float, float], fmt: str = "EDF+D") -> Make:
    return lambda path: write_piece(path, *runs, fmt=fmt)  # type: ignore[arg-type]


def bad_utf8(path: Path) -> None:
    write_piece(path, (0, 20), fmt="EDF+C", events=[(3, "Lights off")])
    path.write_bytes(path.read_bytes().replace(b"Lights", b"L\xffghts"))


# What the file is, how it is made, the fact that explains whoever differs, and who does:
# (status, whether it gave numbers) for mne and for pyedflib.
AGREES, DIFFERS, REFUSES = ("agrees", True), ("explained", True), ("explained", False)
KINDS: list[tuple[str, Make, str, tuple[str, bool], tuple[str, bool]]] = [
    ("sound.edf", plain(), "", AGREES, AGREES),
    ("sound_plain.edf", plain(fmt="EDF"), "", AGREES, AGREES),
    ("sound.bdf", plain(fmt="BDF+C"), "", AGREES, AGREES),
    ("long_records.edf", plain(record_s=2), "", AGREES, AGREES),
    ("one_gap.edf", pieces((0, 10), (100, 110)), "do not follow", AGREES, REFUSES),
    ("no_gap_d.edf", pieces((0, 20)), "marked as discontinuous", AGREES, REFUSES),
    ("jump_c.edf", pieces((0, 10), (100, 110), fmt="EDF+C"), "do not follow", AGREES, REFUSES),
    ("overlap.edf", pieces((0, 10), (5, 15)), "do not follow", DIFFERS, REFUSES),
    ("half_second.edf", pieces((0.5, 20.5), fmt="EDF+C"), "whole second", DIFFERS, DIFFERS),
    ("never_closed.edf", plain(count=-1), "never closed", AGREES, REFUSES),
    ("count_too_small.edf", plain(count=15), "counts other records", AGREES, DIFFERS),
    ("count_too_large.edf", plain(count=25), "counts other records", AGREES, REFUSES),
    ("cut.edf", then(plain(), lambda p: cut_tail(p, 100)), "counts other records", AGREES, REFUSES),
    ("padded.edf", padded("EDF+C", 5), "counts other records", DIFFERS, AGREES),
    ("padded_plain.edf", padded("EDF", 3), "counts other records", DIFFERS, AGREES),
    ("untimed_record.edf", plain(silent=[7]), "break the format", AGREES, REFUSES),
    ("bad_utf8.edf", bad_utf8, "break the format", REFUSES, AGREES),
    ("latin1.edf", then(plain(), lambda p: set_field(p, "patient", "P-2041 X X Z\xfcrich")), "break the format", AGREES, REFUSES),
    ("header_bytes.edf", then(plain(), lambda p: set_field(p, "header_bytes", "99")), "break the format", REFUSES, REFUSES),
    ("other_name.dat", plain(), "usual ending", REFUSES, AGREES),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "make", "fact", "mne", "pyedflib"), KINDS, ids=[k[0] for k in KINDS]
)
def test_whoever_differs_is_explained_by_what_the_audit_found_of_the_file(
    name: str,
    make: Make,
    fact: str,
    mne: tuple[str, bool],
    pyedflib: tuple[str, bool],
    tmp_path: Path,
    readers: ReaderProcess,
) -> None:
    make(tmp_path / name)
    recording = read(tmp_path / name)
    assert any(fact in found for found in facts_of(recording)) or not fact
    for library, wanted in (("mne", mne), ("pyedflib", pyedflib)):
        answer = readers.ask(library, recording.path, recording.sample_bytes == 3, 60)
        result = compare(recording, library, "", answer)
        assert (result.status, answer.refused is None) == wanted, (library, result.reading.note)
        if wanted != AGREES:
            assert fact in result.reading.note
        assert result.reading.agrees is {AGREES: True, DIFFERS: False, REFUSES: None}[wanted]


def test_no_row_of_the_table_over_the_fixtures_is_unexplained(readers: ReaderProcess) -> None:
    """The same rows as ``python tests/compare_readers.py fixtures`` writes, edfio included."""
    table = list(compare_readers.rows([ROOT / "fixtures"], readers))
    recordings = [p for p in (ROOT / "fixtures").iterdir() if p.suffix in (".edf", ".bdf", ".dat")]
    assert len(table) == len(recordings)
    assert {r.file: r.cells for r in table if r.unexplained} == {}
    assert {"agrees", "explained"} == {s for r in table for s, _ in r.cells.values()}


@pytest.fixture
def sound(tmp_path: Path) -> Recording:
    write_piece(tmp_path / "sound.edf", (0, 20), fmt="EDF+C")
    return read(tmp_path / "sound.edf")


def answer_of(recording: Recording, recorded: int = 0, start: int = 0, records: int = 0) -> Answer:
    """A library that reports our figures plus the given differences."""
    return Answer(
        recorded_ns=recording.records * recording.record_ns + recorded,
        start_civil_ns=recording.start_civil_ns + int(recording.offsets_ns[0]) + start,
        records=recording.records + records,
    )


SAMPLE = NS // 16  # the helper's channels have 16 samples a second


@pytest.mark.parametrize("library", ["mne", "pyedflib"])
@pytest.mark.parametrize(
    ("changes", "status"),
    [
        ({}, "agrees"),
        ({"recorded": SAMPLE}, "agrees"),
        ({"recorded": -SAMPLE}, "agrees"),
        ({"recorded": SAMPLE + 1}, "unexplained"),
        ({"recorded": -SAMPLE - 1}, "unexplained"),
        ({"start": SAMPLE}, "agrees"),
        ({"start": SAMPLE + 1}, "unexplained"),
        ({"records": 1}, "unexplained"),
    ],
)
def test_agreement_is_to_within_one_sample_and_nothing_more(
    library: str, changes: dict[str, int], status: str, sound: Recording
) -> None:
    assert compare(sound, library, "", answer_of(sound, **changes)).status == status


def test_a_refusal_without_a_fact_behind_it_is_unexplained(sound: Recording) -> None:
    for words in (
        "OSError: The file is discontinuous and cannot be read",
        "OSError: the file is not EDF(+) or BDF(+) compliant (Filesize)",
        "OSError: the file is not EDF(+) or BDF(+) compliant (it contains format errors)",
        "Exception: something new",
    ):
        assert compare(sound, "pyedflib", "", Answer(refused=words)).status == "unexplained"


def test_a_librarys_words_are_shown_without_the_path_and_made_harmless(sound: Recording) -> None:
    words = f"OSError: {sound.path}: bad\x1b[2J '{sound.path}' \u202e"
    note = compare(sound, "pyedflib", "", Answer(refused=words)).reading.note
    assert str(sound.path.parent) not in note
    assert "bad\\x1b[2J 'the file' \\u202e" in note


def test_an_unexplained_difference_is_a_caution_that_names_both_figures(
    sound: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = answer_of(sound, recorded=3 * NS)
    monkeypatch.setattr(ReaderProcess, "ask", lambda *_, **__: wrong)
    readings, findings = second(counted(sound))
    assert [r.agrees for r in readings] == [False, False]
    assert [(f.code, f.severity) for f in findings] == [("second_reader_disagrees", "caution")] * 2
    assert "23 s" in findings[0].text
    assert "20 s" in findings[0].text
    assert findings[0].file == "sound.edf"


@pytest.mark.parametrize(
    "answer",
    [
        Answer(refused="Unheard: of"),
        Answer(recorded_ns=5 * NS, start_civil_ns=0, records=3),
        Answer(stopped="it crashed"),
    ],
    ids=["raises", "another duration", "dies"],
)
def test_whatever_a_library_says_the_outcome_and_the_numbers_stay(
    answer: Answer, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Over studies that are complete, in doubt and too short, with files of every kind."""
    for folder, hours in (("sound", "0.0055"), ("odd", "0.02"), ("short", "1")):
        (tmp_path / folder).mkdir()
        write_piece(tmp_path / folder / "a.edf", (0, 20), fmt="EDF+C")
        if folder == "odd":
            write_piece(tmp_path / folder / "b.edf", (100, 110), (200, 210), count=-1, fmt="EDF+D")
        without = auditor.audit_study(tmp_path / folder, ordered_hours=hours, second_readers=False)
        monkeypatch.setattr(ReaderProcess, "ask", lambda *_, **__: answer)
        beside = auditor.audit_study(tmp_path / folder, ordered_hours=hours)
        assert {r.library for r in beside.second_readers} == {"mne", "pyedflib"}
        assert beside.decision == without.decision
        assert beside.coverage.recorded_ns == without.coverage.recorded_ns
        assert not any(
            f.question or f.severity == "problem"
            for f in beside.findings
            if f.code.startswith("second_reader")
        )


def test_readings_carry_version_time_start_and_records(sound: Recording) -> None:
    readings, findings = second(counted(sound))
    assert findings == ()
    assert [r.library for r in readings] == ["mne", "pyedflib"]
    for reading in readings:
        assert (reading.recorded_ns, reading.records) == (20 * NS, 20)
        assert reading.start_civil_ns == sound.start_civil_ns
        assert reading.agrees is True
        assert reading.version[0].isdigit()


def test_switched_off_nothing_is_read(sound: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ReaderProcess, "start", lambda _: pytest.fail("was started"))
    assert SecondReaders(enabled=False).result() == ((), ())


def test_the_file_is_left_as_it_was(sound: Recording) -> None:
    before = sound.path.read_bytes(), sound.path.stat().st_mtime_ns
    second(counted(sound))
    assert (sound.path.read_bytes(), sound.path.stat().st_mtime_ns) == before


# Hostile files: the process may die, the audit may not.

DYING = """
import json, os, sys, time
print(json.dumps({"mne": "0", "pyedflib": "0"}), flush=True)
for line in sys.stdin:
    path = json.loads(line)["path"]
    if "crash" in path:
        os.abort()
    if "hang" in path:
        time.sleep(60)
    if "noise" in path:
        print("not an answer", flush=True)
    if "memory" in path:
        print(json.dumps({"stopped": "it ran out of memory"}), flush=True)
    print(json.dumps({"refused": "read"}), flush=True)
"""


@pytest.mark.parametrize(
    ("name", "reason"),
    [("crash", "crashed"), ("hang", "longer than 1 s"), ("noise", "crashed"), ("memory", "memory")],
)
def test_a_library_that_dies_on_a_file_costs_that_answer_only(
    name: str, reason: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    script = tmp_path / "dying.py"
    script.write_text(DYING)
    monkeypatch.setattr(second_readers, "_SCRIPT", script)
    with ReaderProcess() as running:
        assert reason in (running.ask("mne", Path(name), False, 1).stopped or "")
        assert running.ask("mne", Path("next"), False, 20).refused == "read"


def test_an_answer_that_never_came_is_a_caution(
    sound: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ReaderProcess, "ask", lambda *_, **__: Answer(stopped="it crashed"))
    readings, findings = second(counted(sound))
    assert [r.agrees for r in readings] == [None, None]
    assert [(f.code, f.severity) for f in findings] == [("second_reader_no_answer", "caution")] * 2


def test_annotations_made_to_stall_a_library_are_stopped_in_time(
    tmp_path: Path, readers: ReaderProcess
) -> None:
    """Thousands of annotations that are begun and never ended make mne's search quadratic."""
    path = tmp_path / "stall.edf"
    write_piece(path, (0, 2), fmt="EDF+C", annotation_size=90_000)
    data = bytearray(path.read_bytes())
    data[-89_990:] = b"+1\x14" * 29_996 + b"\1\1"
    path.write_bytes(data)
    recording = read(path)
    assert recording.records == 2
    answer = readers.ask("mne", path, False, 1)
    assert answer.stopped == "it took longer than 1 s"
    assert compare(recording, "mne", "", answer).status == "no_answer"


def test_a_file_that_is_not_on_this_machine_is_left_out_and_named(sound: Recording) -> None:
    away = replace(sound, path=Path("/nowhere/at/all.edf"))
    readings, findings = second(counted(away))
    assert readings == ()
    assert [(f.code, f.severity) for f in findings] == [("second_reader_skipped", "info")]
    assert "not on this machine" in findings[0].text


def test_of_a_large_file_the_header_alone_is_read(
    tmp_path: Path, readers: ReaderProcess, monkeypatch: pytest.MonkeyPatch
) -> None:
    """mne refuses the annotations of a file that is not too large for them to be read."""
    bad_utf8(tmp_path / "a.edf")
    recording = read(tmp_path / "a.edf")
    asked = [readers.ask("mne", recording.path, False, 60, whole=w) for w in (True, False)]
    assert [compare(recording, "mne", "", a).status for a in asked] == ["explained", "agrees"]
    seen: list[bool] = []

    def ask(*_: object, whole: bool) -> Answer:
        seen.append(whole)
        return asked[1]

    monkeypatch.setattr(ReaderProcess, "ask", ask)
    readings, _ = second(*(counted(replace(recording, size_bytes=WHOLE_BYTES + n)) for n in (0, 1)))
    assert seen == [True, True, False, False]
    assert ["header alone: larger than 64 MiB" in r.note for r in readings] == [
        False, False, True, True,
    ]  # fmt: skip


def test_headers_alone_are_no_more_often_unexplained_than_whole_files(
    readers: ReaderProcess,
) -> None:
    """Both libraries over every fixture that this reader takes: figures as whole, or explained."""
    taken = 0
    for path in sorted((ROOT / "fixtures").glob("*.[eb]df")):
        try:
            recording = read(path)
        except RecordingError:
            continue
        for library in LIBRARIES:
            whole, header = (
                readers.ask(library, path, recording.sample_bytes == 3, 60, whole=w)
                for w in (True, False)
            )
            taken += 1
            if whole.refused is None and header != whole:
                assert library == "pyedflib"  # whose start is then the header's, to the second
                assert header == replace(whole, start_civil_ns=recording.start_civil_ns)
            assert compare(recording, library, "", header).status in ("agrees", "explained")
    assert taken > 60


def test_libraries_that_cannot_be_started_are_no_disaster(
    sound: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(second_readers, "_SCRIPT", tmp_path / "none.py")
    readings, findings = second(counted(sound))
    assert readings == ()
    assert "could not be started" in findings[0].text


def test_the_script_answers_in_json_whatever_the_libraries_print(tmp_path: Path) -> None:
    """Each answer is one line of JSON with numbers or a refusal."""
    write_piece(tmp_path / "f.edf", (0, 20), fmt="EDF+C")
    with ReaderProcess() as running:
        assert running.start()
        for path in ("f.edf", "none.edf"):
            answer = running.ask("pyedflib", tmp_path / path, False, 20)
            assert (answer.refused is None) == (path == "f.edf")
    assert json.dumps(running.versions)
