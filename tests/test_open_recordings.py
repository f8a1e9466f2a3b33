"""Open recordings that the pyedflib package carries, audited from end to end.

Check values and where they are published: pyedflib 0.1.42, tests/test_edfreader.py (the test named
beside each value). Values without such a test are marked 'read': pyedflib itself reports them when
it opens the file, here as the test runs.
"""

from __future__ import annotations

import json
import shutil
from importlib.metadata import files
from pathlib import Path

import pyedflib
import pytest
from helpers_counted import counted
from msgspec import Struct

from auditor.cli import parser as cli
from auditor.core.clock import iso
from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.study.second_readers import SecondReaders


class Published(Struct, frozen=True):
    """What is published of one file. ``rates``: samples per second of the ordinary signals."""

    name: str
    format: str
    records: int
    record_s: float
    seconds: int
    signals: int
    rates: tuple[float, ...]
    start: str
    annotations: int


OPEN = [
    # test_EdfReader: 600 records, 11 signals at 200 Hz, 120,000 samples each, annotations at 0 and
    # 600 s; start: read.
    Published("test_generator.edf", "EDF+C", 600, 1, 600, 11, (200.0,) * 11, "2011-04-04T12:57:02", 2),
    # test_EdfReader_BDF: 30 records, 30 s, 5 signals, their rates; start and annotations: read.
    Published("test_generator.bdf", "BDF+C", 30, 1, 30, 5, (1000, 800, 500, 975, 999), "2000-01-01T00:00:00", 0),
    # test_EdfReader_BDF_datarec_0_5: 60 records of 0.5 s; start and annotations: read.
    Published("test_generator_datarec_generator_0_5.bdf", "BDF+C", 60, 0.5, 30, 5, (2000, 1600, 1000, 1950, 1998), "2000-01-01T00:00:00", 0),
    # test_EdfReader_BDF_datarec_2: 15 records of 2 s, a fractional rate; start and annotations: read.
    Published("test_generator_datarec_generator_2.bdf", "BDF+C", 15, 2, 30, 5, (500, 400, 250, 487.5, 499.5), "2000-01-01T00:00:00", 0),
    # test_EdfReader_subsecond publishes a start at .039453: the fraction ten times too small. The
    # file's first onset is +0.3945312 (EDF+ specification, 2.2.4: +0.X is the fraction). Records
    # and annotations: read.
    Published("test_subsecond.edf", "EDF+C", 698, 1, 698, 1, (128.0,), "2020-01-24T04:05:56.394531200", 4),
    # test_read_annotations_utf8: the third annotation's text; records and annotations: read.
    Published("test_utf8.edf", "EDF+C", 698, 1, 698, 1, (128.0,), "2020-01-24T04:05:56.394531200", 5),
    # test_EdfReader_Legacy_Header_Info: plain EDF, its patient and recording fields; the rest: read.
    Published("test_legacy.edf", "EDF", 600, 1, 600, 11, (200.0,) * 11, "2011-04-04T12:57:02", 2),
]  # fmt: skip


def locate(name: str) -> Path:
    """The file in the installed package."""
    for file in files("pyedflib") or ():
        if file.name == name and "tests" in file.parts:
            return Path(str(file.locate()))
    pytest.skip(f"this build of pyedflib does not carry {name}")


@pytest.mark.parametrize("known", OPEN, ids=lambda k: k.name)
def test_an_open_recording_is_read_as_published(known: Published) -> None:
    path = locate(known.name)
    recording = read_recording(path, known.name)
    ordinary = [c for c in recording.channels if not c.is_annotation]
    assert recording.format == known.format
    assert recording.records == known.records
    assert recording.record_ns == round(known.record_s * NS)
    assert recording.records * recording.record_ns == known.seconds * NS
    assert len(ordinary) == known.signals
    rates = tuple(c.samples_per_record * NS / recording.record_ns for c in ordinary)
    assert rates == known.rates
    assert iso(recording.start_civil_ns + int(recording.offsets_ns[0])) == known.start
    assert recording.annotations_total == known.annotations
    assert [f for f in recording.findings if f.severity == "problem"] == []


@pytest.mark.parametrize("known", OPEN, ids=lambda k: k.name)
def test_what_was_read_is_what_pyedflib_reports_as_the_test_runs(known: Published) -> None:
    recording = read_recording(locate(known.name), known.name)
    with pyedflib.EdfReader(str(locate(known.name))) as reader:
        assert reader.datarecords_in_file == recording.records
        assert reader.getFileDuration() == known.seconds
        if (
            "+" in known.format
        ):  # pyedflib takes the annotation signal of a plain file for a channel
            assert len(reader.readAnnotations()[0]) == recording.annotations_total
            assert reader.signals_in_file == known.signals


def test_the_published_annotations_are_found_at_their_published_times() -> None:
    recording = read_recording(locate("test_generator.edf"), "f")
    assert [a.onset_ns for a in recording.annotations] == [0, 600 * NS]
    utf8 = read_recording(locate("test_utf8.edf"), "f")
    assert utf8.annotations[2].text == "中文测试八个字"


def test_the_published_fields_of_the_plain_file_are_read() -> None:
    header = read_recording(locate("test_legacy.edf"), "f").header
    assert header.patient == "Legacy patient description"
    assert header.recording == "Legacy recording description"


def test_pyedflib_still_reads_the_sub_second_as_its_own_test_publishes_it_or_as_the_file_says() -> (
    None
):
    with pyedflib.EdfReader(str(locate("test_subsecond.edf"))) as reader:
        assert reader.getStartdatetime().microsecond in (39453, 394531)


@pytest.mark.parametrize("known", OPEN, ids=lambda k: k.name)
def test_an_open_recording_is_audited_from_end_to_end(known: Published, tmp_path: Path) -> None:
    """One file as a whole study: the audit states the published length, and both readers agree."""
    study = tmp_path / "study"
    study.mkdir()
    shutil.copy(locate(known.name), study / known.name)
    out = tmp_path / "out"
    status = cli.main(["study", str(study), "--ordered-hours", "1", "--out", str(out), "--quiet"])
    assert status == 1  # ten minutes or less do not cover an hour
    audit = json.loads((out / "audit.json").read_text(encoding="utf-8"))
    assert audit["coverage"]["recorded_s"] == known.seconds
    assert audit["coverage"]["span_s"] == known.seconds
    assert audit["coverage"]["first_start"] == known.start
    assert audit["coverage"]["gaps"] == []
    assert audit["shortfall"]["short_s"] == 3600 - known.seconds
    (file,) = audit["files"]
    assert (file["name"], file["format"]) == (known.name, known.format)
    assert (file["records"], file["annotations"]) == (known.records, known.annotations)
    assert file["channels"] - known.signals in (0, 1)
    assert [r["recorded_s"] for r in audit["second_readers"]] == [known.seconds] * 2
    codes = {f["code"] for f in audit["findings"]}
    assert not codes & {"second_reader_disagrees", "second_reader_no_answer"}
    assert (out / "audit.html").read_bytes().lower().startswith(b"<!doctype html>")


def test_second_readers_agree_on_open_recordings_or_differ_in_the_sub_second_alone() -> None:
    recordings = [counted(read_recording(locate(known.name), known.name)) for known in OPEN]
    with SecondReaders() as others:
        others.ask(recordings)
        readings, findings = others.result()
    assert findings == ()
    assert [reading.file for reading in readings] == [k.name for k in OPEN for _ in range(2)]
    for known, reading in zip([k for k in OPEN for _ in range(2)], readings, strict=True):
        assert reading.agrees is ("." not in known.start), reading.note
