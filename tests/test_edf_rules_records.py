"""Records and annotations that break a rule of EDF+ or BDF+ are found and named.

Rules 5 to 10 and 16; those of the header are in ``test_edf_rules_header``. Source: EDF+
specification (edfplus.info/specs/edfplus.html; sections as there).
"""

from __future__ import annotations

import pytest
from helpers_edf import Sig, edf, event
from helpers_edf_source import codes, finding, read, seconds

from auditor.core.units import NS
from auditor.model import UnknownStart

# Rule 5: continuity and order (EDF+ 2.1.1 and 2.1.2).


def test_5_a_continuous_file_that_jumps_is_a_problem_and_its_starts_are_taken() -> None:
    recording = read(edf(onsets=[0, 1, 61, 62, 100], reserved="EDF+C"))
    found = finding(recording, "continuous_file_jumps")
    assert found.severity == "problem"
    assert "2 times, together 96.000 s, at most 59.000 s" in found.text
    assert "records 1 and 2" in found.where
    assert seconds(recording) == [0, 1, 61, 62, 100]


def test_5_an_interrupted_file_may_jump() -> None:
    assert read(edf(onsets=[0, 1, 61, 62, 100])).findings == ()


@pytest.mark.parametrize("onsets", [[0, 1, 2, 0, 1], [0, 1, 2, 2.5], [10.5, 0.5, 1.5]])
def test_5_starts_that_run_back_or_overlap_are_a_problem(onsets: list[float]) -> None:
    recording = read(edf(onsets=onsets))
    assert finding(recording, "onsets_run_backwards").severity == "problem"
    assert seconds(recording) == onsets


def test_5_a_single_start_that_cannot_be_is_placed_between_its_neighbours() -> None:
    recording = read(edf(onsets=[0, 1, 90002, 3, 4]))
    assert codes(recording) == ["onset_out_of_line"]
    assert finding(recording, "onset_out_of_line").observed == "90002.000 s"
    assert seconds(recording) == [0, 1, 2, 3, 4]


def test_a_lone_start_half_a_second_early_is_replaced_and_both_figures_are_given() -> None:
    recording = read(edf(onsets=[i if i != 50 else 49.5 for i in range(100)]))
    assert seconds(recording) == list(range(100))
    said = finding(recording, "onset_out_of_line").text
    assert "100 s recorded" in said
    assert "as stated, 99.5 s" in said


def test_5_a_slow_drift_of_a_continuous_file_is_told_with_its_sum() -> None:
    onsets = [f"{i * 1.0005:.4f}" for i in range(200)]
    assert codes(read(edf(onsets=onsets, reserved="EDF+C"))) == ["onsets_drift"]


# Rule 6: at least one annotation signal (EDF+ 2.2.1).


@pytest.mark.parametrize(("reserved", "severity"), [("EDF+C", "caution"), ("EDF+D", "problem")])
def test_6_a_file_without_its_annotation_signal_is_found(reserved: str, severity: str) -> None:
    recording = read(edf(records=3, plain=True, reserved=reserved))
    assert finding(recording, "time_keeping_absent").severity == severity
    assert seconds(recording) == [0, 1, 2]
    unknown = (UnknownStart(1, 2, NS, None),) if severity == "problem" else ()
    assert recording.unknown_starts == unknown


def test_6_a_label_written_otherwise_is_read_and_told() -> None:
    recording = read(edf(onsets=[0, 1], bdf=True, signal_fields={("label", 2): "EDF Annotations"}))
    assert recording.channels[2].is_annotation
    assert codes(recording) == ["header_form"]


# Rule 7: annotation lists (EDF+ 2.2.2).


@pytest.mark.parametrize(
    ("piece", "kind", "kept"),
    [
        (b"+1\x14Lights off", "closing bytes", ["Lights off"]),
        (b"+1\x14Lights off\x14", None, ["Lights off"]),
        (b"\0+1\x14Lights off\x14\0", "bytes 0 before or between", ["Lights off"]),
        (b"1\x14Lights off\x14\0", "without its sign", ["Lights off"]),
        (b"+1,5\x14Lights off\x14\0", "no signed number", []),
        (b"+1e3\x14Lights off\x14\0", "no signed number", []),
        (b"+1\x15-2\x14Lights off\x14\0", "no unsigned number", ["Lights off"]),
        (b"+" + b"9" * 30 + b"\x14Lights off\x14\0", "20 years", []),
        (b"+1\x15" + b"9" * 30 + b"\x14Lights off\x14\0", "20 years", ["Lights off"]),
        (b"Lights off\0", "closing bytes", []),
    ],
)  # fmt: skip
def test_7_each_broken_list_is_named_and_the_rest_kept(
    piece: bytes, kind: str | None, kept: list[str]
) -> None:
    recording = read(edf(onsets=[0, 1], events={1: [piece]}))
    assert [a.text for a in recording.annotations] == kept
    assert seconds(recording) == [0, 1]
    if kind is None:
        assert recording.findings == ()
    else:
        found = finding(recording, "annotations_malformed")
        assert kind in found.observed
        assert "record 1" in found.where


def test_7_a_list_that_crosses_the_record_is_named() -> None:
    full = b"+0\x14\x14\0" + b"+0.5\x14" + b"x" * 54
    recording = read(edf(onsets=[0, 1], raw_annotations={(0, 0): full}))
    assert "closing bytes" in finding(recording, "annotations_malformed").observed
    assert [a.text for a in recording.annotations] == ["x" * 54]


# Rule 8: time-keeping (EDF+ 2.2.4).


@pytest.mark.parametrize(
    "raw", [b"", b"+1\x14Lights off\x14\0", b"rubbish\0", b"+" + b"1" * 60 + b"\x14\x14\0"]
)
def test_8_a_record_without_its_start_is_placed_by_its_neighbours(raw: bytes) -> None:
    recording = read(edf(onsets=[0, 1, 2], raw_annotations={(1, 0): raw}))
    assert seconds(recording) == [0, 1, 2]
    assert finding(recording, "time_keeping_restored").severity == "caution"
    assert recording.unknown_starts == ()


def test_8_a_file_without_any_time_keeping_is_a_problem() -> None:
    for reserved in ("EDF+C", "EDF+D"):
        assert (
            finding(read(edf(onsets=[None] * 3, reserved=reserved)), "time_keeping_absent").severity
            == "problem"
        )


@pytest.mark.parametrize(
    ("first", "severity"),
    [("1", "caution"), ("-0.5", "caution"), ("60.5", "problem"), ("-3600", "problem")],
)
def test_8_a_first_onset_outside_the_first_second_is_told_and_taken(
    first: str, severity: str
) -> None:
    recording = read(edf(onsets=[first]))
    assert finding(recording, "first_onset_off").severity == severity
    assert seconds(recording) == [float(first)]


def test_8_a_subsecond_start_is_kept_to_the_nanosecond() -> None:
    recording = read(edf(onsets=["0.123456789", "1.123456789"], reserved="EDF+C"))
    assert recording.offsets_ns.tolist() == [123_456_789, 1_123_456_789]
    assert recording.findings == ()


# Rule 9: events count from the header's start, texts are UTF-8 (EDF+ 2.2.2 and 2.2.3).


def test_9_events_may_lie_before_the_start_and_in_other_records() -> None:
    raw = edf(
        onsets=[0, 1],
        events={0: [event("-0.065", "Beep"), event("77.5", "Später", duration="2.5")]},
    )
    recording = read(raw)
    found = [(a.onset_ns, a.duration_ns, a.text, a.record) for a in recording.annotations]
    assert found == [(-65_000_000, None, "Beep", 0), (77_500_000_000, 2_500_000_000, "Später", 0)]
    assert codes(recording) == ["annotations_elsewhere"]
    told = finding(recording, "annotations_elsewhere")
    assert (told.severity, told.text[:6]) == ("info", "2 of 2")


def test_9_text_that_is_not_utf_8_is_told_and_kept() -> None:
    recording = read(edf(onsets=[0, 1], events={1: [event(1, b"Anfall M\xfcde")]}))
    assert [a.text for a in recording.annotations] == ["Anfall M\\xfcde"]
    assert codes(recording) == ["annotation_not_utf8"]
    recording.annotations[0].text.encode("utf-8")


# Rule 10: files without ordinary signals (EDF+ 2.1.2).


def test_10_a_file_of_annotations_alone_records_no_time() -> None:
    recording = read(
        edf(onsets=[0], signals=[], duration="0", events={0: [event(5, "Lights off")]})
    )
    assert recording.record_ns == 0
    assert codes(recording) == ["annotation_only_file"]
    assert [a.onset_ns for a in recording.annotations] == [5 * NS]


def test_10_a_duration_above_0_in_such_a_file_is_told_and_not_counted() -> None:
    recording = read(edf(onsets=[0, 30], signals=[], duration="30"))
    assert recording.record_ns == 0
    assert finding(recording, "annotation_only_file").observed == "30.0 s"


def test_10_single_samples_of_an_interrupted_file_may_last_no_time() -> None:
    recording = read(edf(onsets=[0, 7], signals=[Sig(rate=1)], duration="0"))
    assert recording.record_ns == 0
    assert codes(recording) == ["point_samples"]


# Rule 16: a record without time-keeping right after a gap has no known start.


def test_16_a_start_that_nothing_tells_has_bounds_and_is_a_problem() -> None:
    recording = read(edf(onsets=[0, 1, None, None, 60, 61]))
    assert recording.unknown_starts == (UnknownStart(2, 3, 2 * NS, 58 * NS),)
    assert seconds(recording) == [0, 1, 2, 3, 60, 61]
    found = finding(recording, "record_start_unknown")
    assert found.severity == "problem"
    assert "2.000 s" in found.observed
    assert "58.000 s" in found.observed


def test_16_at_the_end_only_the_earliest_start_is_known() -> None:
    recording = read(edf(onsets=[0, 1, None]))
    assert recording.unknown_starts == (UnknownStart(2, 2, 2 * NS, None),)


def test_16_at_the_beginning_the_second_record_tells_it_in_a_continuous_file_alone() -> None:
    recording = read(edf(onsets=[None, "1.25", "2.25"], reserved="EDF+C"))
    assert seconds(recording) == [0.25, 1.25, 2.25]
    assert codes(recording) == ["time_keeping_restored"]
    interrupted = read(edf(onsets=[None, "1.25", "2.25"]))
    assert interrupted.unknown_starts == (UnknownStart(0, 0, 0, NS // 4),)
    late = read(edf(onsets=[None, "100", "101"]))
    assert late.unknown_starts == (UnknownStart(0, 0, 0, 99 * NS),)
