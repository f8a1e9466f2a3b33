"""The record scan: where each record lies, whatever the layout; what it touches; what it survives."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_edf import Sig, edf, event
from helpers_edf_source import Bytes, codes, read, seconds
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from auditor.core.errors import RecordingError
from auditor.core.units import NS
from auditor.edf import read_recording, reader, records, source
from auditor.edf.source import LocalFile, read_strided
from auditor.model import UnknownStart

SIGNALS = [Sig("EEG Fp1", 16), Sig("SpO2", 1, "%"), Sig("EEG O2", 7)]


@given(
    onsets=st.lists(st.integers(0, 10**15), min_size=1, max_size=40),
    bdf=st.booleans(),
    first=st.booleans(),
    signals=st.integers(1, 3),
    width=st.sampled_from([32, 60, 114]),
    through=st.sampled_from([0, 10_000]),
)
@settings(deadline=None, suppress_health_check=[HealthCheck.too_slow])
def test_every_start_is_read_exactly_in_any_layout(
    onsets: list[int], bdf: bool, first: bool, signals: int, width: int, through: int
) -> None:
    texts = [f"{o // 10**9}.{o % 10**9:09d}" for o in onsets]
    raw = edf(
        onsets=texts,
        bdf=bdf,
        signals=SIGNALS,
        annotation_bytes=width,
        annotation_first=first,
        annotation_signals=signals,
        duration="0.000001",
    )
    recording = read(Bytes(raw, through_bytes=through))
    assert recording.records == len(onsets)
    if "onset_out_of_line" not in codes(recording):
        assert recording.offsets_ns.tolist() == onsets
    assert recording.offsets_ns.dtype == np.int64


def test_only_annotation_bytes_are_touched() -> None:
    raw = edf(onsets=range(50), signals=[Sig("EEG Fp1", 8000)], annotation_signals=2)
    watched = Bytes(raw)
    recording = read(watched)
    for record in range(50):
        at = recording.data_offset + record * recording.record_bytes
        signal = slice(at + 1, at + 16_000)
        assert not any(watched.touched[signal])
        assert all(watched.touched[at + 16_000 : at + 16_000 + 128])


def test_annotations_of_several_signals_come_in_file_order() -> None:
    extra = {(0, 1): event(0.5, "second signal"), (1, 2): event(1.5, "third signal", duration=2)}
    raw = edf(
        onsets=[0, 1],
        annotation_signals=3,
        events={1: [event(1, "first signal")]},
        raw_annotations=extra,
    )
    recording = read(raw)
    assert [(a.record, a.text) for a in recording.annotations] == [
        (0, "second signal"), (1, "first signal"), (1, "third signal"),
    ]  # fmt: skip
    assert recording.annotations_total == 3
    assert recording.findings == ()


def test_time_keeping_comes_from_the_first_annotation_signal_alone() -> None:
    raw = edf(
        onsets=[0, 1],
        annotation_signals=2,
        raw_annotations={(i, 1): b"+99\x14\x14\0" for i in (0, 1)},
    )
    assert seconds(read(raw)) == [0, 1]


def test_a_plain_file_with_an_annotation_signal_stays_plain_and_its_starts_are_taken() -> None:
    raw = edf(onsets=["0.25", "1.25"], reserved="", events={0: [event(0.5, "Lights off")]})
    recording = read(raw)
    assert recording.format == "EDF"
    assert seconds(recording) == [0.25, 1.25]
    assert [a.text for a in recording.annotations] == ["Lights off"]
    assert codes(recording) == ["plain_file_with_times"]
    jumping = read(edf(onsets=[0, 1, 60], reserved=""))
    assert codes(jumping, "problem") == ["continuous_file_jumps"]


def test_unequal_rates_and_a_tenth_of_a_second() -> None:
    onsets = [f"{i / 10:.1f}" for i in range(100)]
    recording = read(edf(onsets=onsets, signals=SIGNALS, duration="0.1", reserved="EDF+C"))
    assert recording.record_ns == NS // 10
    assert recording.offsets_ns.tolist() == [i * NS // 10 for i in range(100)]
    assert [c.offset for c in recording.channels] == [0, 32, 34, 48]
    assert recording.findings == ()


def test_annotations_beyond_the_limit_are_counted_and_time_keeping_is_not_lost(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr(records, "MAX_KEPT", 5)
    raw = edf(
        onsets=range(0, 30, 3),
        annotation_bytes=120,
        events={i: [event(i, "a", "b"), event(i, "c")] for i in range(10)},
    )
    recording = read(raw)
    assert len(recording.annotations) == 5
    assert recording.annotations_total == 30
    assert seconds(recording) == list(range(0, 30, 3))


def test_annotation_text_beyond_the_limit_is_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(records, "MAX_KEPT_TEXT", 20)
    raw = edf(onsets=[0, 1, 2], events={i: [event(i, "x" * 15)] for i in range(3)})
    recording = read(raw)
    assert (len(recording.annotations), recording.annotations_total) == (2, 3)


def test_a_million_annotations_in_one_record_are_counted_within_bounds() -> None:
    one = event(0, "a")
    many = one * 100_000
    recording = read(edf(onsets=[0], annotation_bytes=len(many) + 16, events={0: [many]}))
    assert recording.annotations_total == len(recording.annotations) == 100_000
    wide = one * 200_000
    assert len(wide) > records.MAX_WIDTH
    cut = read(edf(onsets=[0], annotation_bytes=len(wide) + 16, events={0: [wide]}))
    assert "annotations_malformed" in codes(cut)
    assert seconds(cut) == [0]


def test_more_records_than_are_read_are_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(reader, "MAX_RECORDS", 10)
    with pytest.raises(RecordingError) as caught:
        read(edf(onsets=range(11)))
    assert caught.value.code == "too_many_records"
    assert "EDF field 'samples per record'" in str(caught.value)


# Bytes that cannot be read.


def record_range(raw: bytes, first: int, last: int) -> range:
    good = read(raw)
    at = good.data_offset + first * good.record_bytes
    return range(at, at + (last - first + 1) * good.record_bytes)


@pytest.mark.parametrize("through", [0, 10_000])
def test_an_io_error_in_the_middle_loses_those_records_alone(through: int) -> None:
    raw = edf(
        onsets=[*range(10), *range(20, 30)], events={3: [event(3, "lost")], 15: [event(25, "kept")]}
    )
    recording = read(Bytes(raw, bad=record_range(raw, 2, 4), through_bytes=through))
    assert seconds(recording) == [*range(10), *range(20, 30)]
    assert [a.text for a in recording.annotations] == ["kept"]
    [found] = [f for f in recording.findings if f.code == "bytes_unreadable"]
    assert found.severity == "problem"
    assert "3 of 20 records" in found.text
    assert "Input/output error" in found.text
    assert "time_keeping_restored" in codes(recording)


def test_an_io_error_beside_a_gap_leaves_the_start_unknown() -> None:
    raw = edf(onsets=[0, 1, 2, 50, 51])
    recording = read(Bytes(raw, bad=record_range(raw, 3, 3)))
    assert recording.unknown_starts == (UnknownStart(3, 3, 3 * NS, 50 * NS),)
    assert codes(recording, "problem") == ["bytes_unreadable", "record_start_unknown"]


def test_a_failing_disk_is_given_up_after_a_bounded_number_of_errors() -> None:
    raw = edf(onsets=range(5000), signals=[Sig(rate=2)], annotation_bytes=24)
    failing = Bytes(raw, bad=record_range(raw, 100, 4998))
    recording = read(failing)
    assert recording.records == 5000
    assert failing.reads < 1000
    assert "bytes_unreadable" in codes(recording, "problem")


def test_an_unreadable_header_is_refused_with_the_reason() -> None:
    raw = edf(onsets=[0])
    with pytest.raises(RecordingError) as caught:
        read(Bytes(raw, bad=range(300, 301)))
    assert caught.value.code == "cannot_be_read"
    assert "Input/output error" in str(caught.value)


class Shrinking(Bytes):
    """Says its first size, but ends early: a file cut while it is read."""

    @property
    def size(self) -> int:
        return len(self.raw) + 500


def test_a_source_that_ends_early_is_told() -> None:
    recording = read(Shrinking(edf(onsets=[0, 1, 2])))
    assert recording.records == 3
    assert "bytes_unreadable" in codes(recording, "problem")


# Local files.


@pytest.fixture
def study(tmp_path: Path) -> Path:
    path = tmp_path / "study.edf"
    path.write_bytes(edf(onsets=[0, 1, 5], events={1: [event(1, "Lights off")]}))
    return path


def test_a_local_file_reads_as_its_bytes_do_and_is_left_alone(study: Path) -> None:
    raw, before = study.read_bytes(), study.stat()
    study.chmod(0o400)
    mine, theirs = read_recording(study, "study.edf"), read(raw, "study.edf")
    assert mine.offsets_ns.tolist() == theirs.offsets_ns.tolist()
    assert (mine.annotations, mine.findings, mine.channels) == (
        theirs.annotations,
        theirs.findings,
        theirs.channels,
    )
    assert (mine.path, mine.name, mine.size_bytes) == (study, "study.edf", len(raw))
    assert study.read_bytes() == raw
    assert study.stat().st_mtime_ns == before.st_mtime_ns


@pytest.mark.parametrize("kind", ["missing", "folder", "pipe", "NUL"])
def test_what_is_no_readable_file_is_refused_and_never_waited_for(
    tmp_path: Path, kind: str
) -> None:
    import os

    path = tmp_path / ("a\0b" if kind == "NUL" else "study.edf")
    if kind == "folder":
        path.mkdir()
    elif kind == "pipe":
        os.mkfifo(path)
    with pytest.raises(RecordingError) as caught:
        read_recording(path, "study.edf")
    assert caught.value.code == "cannot_be_read"


@pytest.mark.parametrize("stride", [64, 600, 9000, 20_000])
@pytest.mark.parametrize("slow", [False, True])
def test_both_ways_to_read_stretches_give_the_same_bytes(
    tmp_path: Path, stride: int, slow: bool
) -> None:
    count, width, first = 700, 50, 333
    raw = (
        np.random.default_rng(7).integers(0, 256, first + stride * count, dtype=np.uint8).tobytes()
    )
    path = tmp_path / "bytes"
    path.write_bytes(raw)
    wanted = b"".join(raw[first + i * stride :][:width] for i in range(count))
    with LocalFile(path, "bytes") as file:
        file.slow_batches = 9 if slow else 0
        assert read_strided(file, first, width, stride, count) == wanted
    for through in (0, 1 << 20):
        assert (
            read_strided(Bytes(raw, through_bytes=through), first, width, stride, count) == wanted
        )
        short = read_strided(
            Bytes(raw[: first + stride * 10 + 20], through_bytes=through),
            first,
            width,
            stride,
            count,
        )
        assert short == wanted[: 10 * width + 20]


def test_a_file_that_is_slow_to_read_is_read_through(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    path = tmp_path / "study.edf"
    path.write_bytes(edf(onsets=range(1200), signals=[Sig(rate=5000)]))
    monkeypatch.setattr(source, "_SLOW_NS", 0)
    with LocalFile(path, "study.edf") as file:
        recording = read_recording(path, "study.edf", file)
        assert file.slow_batches >= 3
    assert seconds(recording) == list(range(1200))
