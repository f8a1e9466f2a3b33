"""Where a recording ends: padding, surplus, cut and blank records, against the header's count.

The size rule is the EDF specification's (header plus count times record length); that memory cards
hold zeros or bytes 255 where nothing was written is common practice, no source.
"""

from __future__ import annotations

import pytest
from helpers_edf import Sig, edf
from helpers_edf_source import Bytes, codes, read, seconds

from auditor.core.errors import RecordingError
from auditor.edf.tail import blank_records

ZERO = [Sig(samples=lambda record: [0] * 8), Sig("EEG Fp2", samples=lambda record: [0] * 8)]
ONES = [Sig(samples=lambda record: [-1] * 8), Sig("EEG Fp2", samples=lambda record: [-1] * 8)]
RECORD = 16 * 2 + 64
PLAIN = 16 * 2


@pytest.mark.parametrize("fill", [b"\0", b"\xff"])
@pytest.mark.parametrize("count", ["3", "-1"])
def test_padding_after_the_last_record_is_not_counted(fill: bytes, count: str) -> None:
    recording = read(edf(onsets=[0, 1, 2], fields={"record count": count}, tail=fill * RECORD * 4))
    assert seconds(recording) == [0, 1, 2]
    [found] = [f for f in recording.findings if f.code == "padding_at_end"]
    assert (found.severity, found.observed) == ("caution", f"{4 * RECORD} blank bytes")
    assert "records 3 to 6" in found.where


def test_padding_that_the_header_claims_is_a_problem_and_not_counted() -> None:
    recording = read(edf(onsets=[0, 1, 2], fields={"record count": "7"}, tail=b"\0" * RECORD * 4))
    assert seconds(recording) == [0, 1, 2]
    assert codes(recording) == ["padding_at_end"]
    assert codes(recording, "problem") == ["padding_at_end"]


def test_surplus_bytes_beyond_the_count_are_not_counted() -> None:
    recording = read(edf(onsets=[0, 1], tail=b"\x07" * RECORD * 2))
    assert seconds(recording) == [0, 1]
    assert codes(recording) == ["surplus_records"]


def test_surplus_and_padding_together_are_told_apart() -> None:
    raw = edf(
        onsets=[0, 1], fields={"record count": "-1"}, tail=b"\x07" * RECORD + b"\0" * RECORD * 3
    )
    recording = read(raw)
    assert seconds(recording) == [0, 1]
    assert codes(recording) == ["never_closed", "padding_at_end", "surplus_records"]
    assert [f.observed for f in recording.findings[1:]] == [
        f"{3 * RECORD} blank bytes",
        f"{RECORD} bytes of another kind",
    ]


def test_a_last_record_without_its_start_within_the_count_is_counted() -> None:
    recording = read(edf(onsets=[0, 1, None, None]))
    assert seconds(recording) == [0, 1, 2, 3]
    assert codes(recording, "problem") == ["record_start_unknown"]


def test_records_beyond_the_count_that_state_their_start_are_counted() -> None:
    recording = read(edf(onsets=[0, 1, 9, None], fields={"record count": "2"}))
    assert seconds(recording) == [0, 1, 9]
    assert codes(recording) == ["more_records_than_claimed", "surplus_records"]


@pytest.mark.parametrize("count", ["3", "-1", "x"])
def test_a_plain_file_loses_its_blank_tail_unless_the_count_claims_it(count: str) -> None:
    recording = read(
        edf(records=3, plain=True, fields={"record count": count}, tail=b"\0" * PLAIN * 2)
    )
    assert recording.records == 3
    assert "padding_at_end" in codes(recording, "caution")


def test_a_blank_tail_that_the_count_of_a_plain_file_claims_is_counted_with_both_figures() -> None:
    recording = read(
        edf(records=3, plain=True, fields={"record count": "4"}, tail=b"\0" * PLAIN * 2)
    )
    assert recording.records == 4
    assert codes(recording, "caution") == ["blank_records_counted", "padding_at_end"]
    [found] = [f for f in recording.findings if f.code == "blank_records_counted"]
    assert "4 records with it, 3 without" in found.text


def test_a_flat_plain_file_that_its_header_claims_is_counted() -> None:
    for signals in (ZERO, ONES):
        recording = read(edf(records=3, plain=True, signals=signals))
        assert recording.records == 3
        assert codes(recording) == ["blank_records_counted"]


@pytest.mark.parametrize("signals", [ZERO, ONES])
def test_a_file_of_nothing_but_padding_holds_no_recording(signals: list[Sig]) -> None:
    with pytest.raises(RecordingError) as caught:
        read(edf(records=3, plain=True, signals=signals, fields={"record count": "-1"}))
    assert caught.value.code == "nothing_recorded"


@pytest.mark.parametrize("cut", [0, 1, PLAIN - 1])
def test_a_file_without_a_whole_record_holds_no_recording(cut: int) -> None:
    raw = edf(records=1, plain=True)
    with pytest.raises(RecordingError) as caught:
        read(raw[: len(raw) - PLAIN + cut])
    assert caught.value.code == "nothing_recorded"
    assert f"{PLAIN} bytes" in str(caught.value)


def test_blank_records_inside_are_a_problem_though_their_place_is_known() -> None:
    raw = edf(onsets=range(10))
    at = 1024 + 4 * RECORD
    recording = read(raw[:at] + b"\0" * RECORD * 3 + raw[at + RECORD * 3 :])
    assert seconds(recording) == list(range(10))
    assert codes(recording, "problem") == ["blank_records_inside"]
    assert codes(recording, "caution") == ["time_keeping_restored"]


@pytest.mark.parametrize(("tail", "blank"), [(b"", 0), (b"\0" * 31, 0), (b"\0" * 32, 1), (b"\0" * 95, 2), (b"\1" + b"\0" * 95, 2), (b"\xff" * 64, 2), (b"\xff" * 32 + b"\0" * 32, 1)])  # fmt: skip
def test_only_whole_records_of_one_blank_value_are_blank(tail: bytes, blank: int) -> None:
    raw = b"\1" * 320 + tail
    raw = raw[len(raw) % 32 :]
    assert blank_records(Bytes(raw), 0, 32, len(raw) // 32) == blank


def test_a_blank_tail_is_searched_from_the_end_in_bounded_steps() -> None:
    raw = b"\1" * 4096 + b"\0" * (5 << 20)
    watched = Bytes(raw)
    assert blank_records(watched, 0, 4096, len(raw) // 4096) == (5 << 20) // 4096
    assert watched.reads < 10
