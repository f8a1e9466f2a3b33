"""Second readers: every difference is explained by a fact of the file, or is a problem."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import compare_readers
import numpy as np
import pytest
from helpers_counted import counted
from helpers_studies import (
    Signal,
    append,
    cut_tail,
    set_field,
    write_piece,
)

from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.model import Recording
from auditor.study.second_readers import MOST_RECORDS, compare, process, read_second
from auditor.study.second_readers.known import our_figures
from auditor.study.second_readers.process import Answer, ReaderProcess

ROOT = Path(__file__).resolve().parent.parent


def read(path: Path) -> Recording:
    return read_recording(path, path.name)


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


def status_channel(path: Path) -> None:
    fast = Signal("Status", 64, "Boolean", "-8388608", "8388607", -8388608, 8388607)
    write_piece(path, (0, 20), fmt="BDF", extra=[fast])


AGREES, EXPLAINED, REFUSED = "agrees", "explained", "refused"
# What the file is, how it is made, and for each library the status and words of the reason.
KINDS: list[tuple[str, Make, tuple[str, str], tuple[str, str]]] = [
    ("sound.edf", plain(), (AGREES, ""), (AGREES, "")),
    ("sound_plain.edf", plain(fmt="EDF"), (AGREES, ""), (AGREES, "")),
    ("sound.bdf", plain(fmt="BDF+C"), (AGREES, ""), (AGREES, "")),
    ("long_records.edf", plain(record_s=2), (AGREES, ""), (AGREES, "")),
    ("one_gap.edf", pieces((0, 10), (100, 110)), (EXPLAINED, "none of the 1 jump"), (REFUSED, "marked EDF+D")),
    ("no_gap_d.edf", pieces((0, 20)), (AGREES, ""), (REFUSED, "marked EDF+D")),
    ("jump_c.edf", pieces((0, 10), (100, 110), fmt="EDF+C"), (EXPLAINED, "none of the 1 jump"), (REFUSED, "start exactly")),
    ("overlap.edf", pieces((0, 10), (5, 15)), (EXPLAINED, "5 s twice"), (REFUSED, "marked EDF+D")),
    ("half_second.edf", pieces((0.5, 20.5), fmt="EDF+C"), (EXPLAINED, "starts 0.5 s after"), (EXPLAINED, "ten times too small")),
    ("never_closed.edf", plain(count=-1), (AGREES, ""), (REFUSED, "never filled in")),
    ("count_too_small.edf", plain(count=15), (AGREES, ""), (EXPLAINED, "15 records that the header claims")),
    ("count_too_large.edf", plain(count=25), (AGREES, ""), (REFUSED, "claims 25 records")),
    ("cut.edf", then(plain(), lambda p: cut_tail(p, 100)), (AGREES, ""), (REFUSED, "19 whole ones")),
    ("padded.edf", padded("EDF+C", 5), (EXPLAINED, "5 record(s) of padding"), (AGREES, "")),
    ("padded_plain.edf", padded("EDF", 3), (EXPLAINED, "3 record(s) of padding"), (AGREES, "")),
    ("untimed_record.edf", plain(silent=[7]), (AGREES, ""), (REFUSED, "time-keeping")),
    ("bad_utf8.edf", bad_utf8, (REFUSED, "break the format"), (AGREES, "")),
    ("two_dates.edf", plain(recording="Startdate 03-MAR-2027 X X X"), (AGREES, ""), (REFUSED, "two different start dates")),
    ("two_dates_plain.edf", plain(fmt="EDF", recording="Startdate 03-MAR-2027 X X X"), (AGREES, ""), (EXPLAINED, "other of the two start dates")),
    ("colons.edf", then(plain(), lambda p: set_field(p, "start_time", "09:30:00")), (EXPLAINED, "midnight"), (REFUSED, "hh.mm.ss")),
    ("latin1.edf", then(plain(), lambda p: set_field(p, "patient", "P-2041 X X Z\xfcrich")), (AGREES, ""), (REFUSED, "ASCII")),
    ("patient_form.edf", then(plain(), lambda p: set_field(p, "patient", "P-2041")), (AGREES, ""), (REFUSED, "four parts")),
    ("recording_form.edf", plain(recording="invented"), (AGREES, ""), (REFUSED, "recording field")),
    ("header_bytes.edf", then(plain(), lambda p: set_field(p, "header_bytes", "99")), (REFUSED, "misstates its own length"), (REFUSED, "misstates its own length")),
    ("other_name.dat", plain(), (REFUSED, "ends in .edf"), (AGREES, "")),
    ("status.bdf", status_channel, (EXPLAINED, "status channel"), (AGREES, "")),
]  # fmt: skip


@pytest.mark.parametrize(("name", "make", "mne", "pyedflib"), KINDS, ids=[k[0] for k in KINDS])
def test_each_known_difference_is_told_with_its_reason(
    name: str,
    make: Make,
    mne: tuple[str, str],
    pyedflib: tuple[str, str],
    tmp_path: Path,
    readers: ReaderProcess,
) -> None:
    make(tmp_path / name)
    recording = read(tmp_path / name)
    for library, (status, words) in (("mne", mne), ("pyedflib", pyedflib)):
        answer = readers.ask(library, recording.path, recording.sample_bytes == 3, 60)
        result = compare(recording, library, "", answer)
        assert (library, result.status) == (library, status), result.reading.note
        assert words in result.reading.note
        agrees = {AGREES: True, REFUSED: None}
        if status in agrees:
            assert result.reading.agrees is agrees[status]


def test_no_row_of_the_table_over_the_fixtures_is_unexplained(readers: ReaderProcess) -> None:
    """The same rows as ``python tests/compare_readers.py fixtures`` writes, edfio included."""
    table = list(compare_readers.rows([ROOT / "fixtures"], readers))
    recordings = [p for p in (ROOT / "fixtures").iterdir() if p.suffix in (".edf", ".bdf", ".dat")]
    assert len(table) == len(recordings)
    assert {r.file: r.cells for r in table if r.unexplained} == {}
    assert {"agrees", "explained", "refused"} == {s for r in table for s, _ in r.cells.values()}


@pytest.fixture
def sound(tmp_path: Path) -> Recording:
    write_piece(tmp_path / "sound.edf", (0, 20), fmt="EDF+C")
    return read(tmp_path / "sound.edf")


def answer_of(recording: Recording, recorded: int = 0, start: int = 0, records: int = 0) -> Answer:
    """A library that reports our figures plus the given differences."""
    ours = our_figures(recording)
    return Answer(
        recorded_ns=ours.recorded_ns + recorded,
        start_civil_ns=ours.start_civil_ns + start,
        records=ours.records + records,
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


@pytest.mark.parametrize("library", ["mne", "pyedflib"])
def test_a_known_kind_of_file_does_not_excuse_another_number(library: str, tmp_path: Path) -> None:
    """A file with an overlap and a sub-second start: only the predicted figures are explained."""
    write_piece(tmp_path / "f.edf", (0.5, 10.5), (5.5, 15.5), fmt="EDF+C")
    recording = read(tmp_path / "f.edf")
    summed = Answer(20 * NS, recording.start_civil_ns, 20)
    assert compare(recording, "mne", "", summed).status == "explained"
    for wrong in (
        replace(summed, recorded_ns=18 * NS),
        replace(summed, records=19),
        replace(summed, start_civil_ns=recording.start_civil_ns + NS),
    ):
        assert compare(recording, library, "", wrong).status == "unexplained"


def test_records_that_our_own_reader_lost_are_not_taken_for_padding(
    sound: Recording, readers: ReaderProcess
) -> None:
    """If we dropped a record without having found padding, mne's count must not be explained away."""
    lost = replace(sound, offsets_ns=sound.offsets_ns[:-1])
    for library in ("mne", "pyedflib"):
        answer = readers.ask(library, sound.path, False, 60)
        assert compare(lost, library, "", answer).status == "unexplained"


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


def test_an_unexplained_difference_is_a_problem_that_names_both_figures(
    sound: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    wrong = answer_of(sound, recorded=3 * NS)
    monkeypatch.setattr(ReaderProcess, "ask", lambda *_: wrong)
    readings, findings = read_second([counted(sound)])
    assert [r.agrees for r in readings] == [False, False]
    assert [(f.code, f.severity) for f in findings] == [("second_reader_disagrees", "problem")] * 2
    assert "23 s" in findings[0].text
    assert "20 s" in findings[0].text
    assert findings[0].file == "sound.edf"


def test_readings_carry_version_time_start_and_records(sound: Recording) -> None:
    readings, findings = read_second([counted(sound)])
    assert findings == ()
    assert [r.library for r in readings] == ["mne", "pyedflib"]
    for reading in readings:
        assert (reading.recorded_ns, reading.records) == (20 * NS, 20)
        assert reading.start_civil_ns == sound.start_civil_ns
        assert reading.agrees is True
        assert reading.version[0].isdigit()


def test_switched_off_nothing_is_read(sound: Recording, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ReaderProcess, "start", lambda _: pytest.fail("was started"))
    assert read_second([counted(sound)], enabled=False) == ((), ())


def test_the_file_is_left_as_it_was(sound: Recording) -> None:
    before = sound.path.read_bytes(), sound.path.stat().st_mtime_ns
    read_second([counted(sound)])
    assert (sound.path.read_bytes(), sound.path.stat().st_mtime_ns) == before


# Hostile files: the process may die, the audit may not.

DYING = """
import json, os, sys, time
print(json.dumps({"versions": {"mne": "0", "pyedflib": "0"}}), flush=True)
for line in sys.stdin:
    path = json.loads(line)["path"]
    if "crash" in path:
        os.abort()
    if "hang" in path:
        time.sleep(60)
    if "noise" in path:
        print("not an answer", flush=True)
    if "memory" in path:
        print(json.dumps({"refused": "out of memory", "limit": True}), flush=True)
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
    monkeypatch.setattr(process, "_SCRIPT", script)
    with ReaderProcess() as running:
        assert reason in (running.ask("mne", Path(name), False, 1).stopped or "")
        assert running.ask("mne", Path("next"), False, 20).refused == "read"


def test_an_answer_that_never_came_is_a_caution(
    sound: Recording, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(ReaderProcess, "ask", lambda *_: Answer(stopped="it crashed"))
    readings, findings = read_second([counted(sound)])
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
    readings, findings = read_second([counted(away)])
    assert readings == ()
    assert [(f.code, f.severity) for f in findings] == [("second_reader_skipped", "info")]
    assert "not on this machine" in findings[0].text


def test_a_file_of_very_many_records_is_left_out_and_the_others_are_read(sound: Recording) -> None:
    many = replace(sound, name="many.edf", offsets_ns=np.arange(MOST_RECORDS + 1, dtype=np.int64))
    readings, findings = read_second([counted(many), counted(sound)])
    assert {r.file for r in readings} == {"sound.edf"}
    assert f"{MOST_RECORDS:,} records" in findings[0].text
    assert "many.edf" in findings[0].text


def test_libraries_that_cannot_be_started_are_no_disaster(
    sound: Recording, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(process, "_SCRIPT", tmp_path / "none.py")
    readings, findings = read_second([counted(sound)])
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
