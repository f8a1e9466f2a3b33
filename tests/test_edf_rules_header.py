"""A header that breaks a rule of EDF, EDF+ or BDF is found and the rule's field is named.

Rules 1 to 4, 14 and 15; those of dates are in ``test_edf_rules_start``, those of records and
annotations in ``test_edf_rules_records``.
Sources: EDF specification (edfplus.info/specs/edf.html), EDF+ specification
(edfplus.info/specs/edfplus.html; sections and numbers as there), the description of BDF
(biosemi.com/faq/file_format.htm). Each test says which rule it breaks.
"""

from __future__ import annotations

import re

import pytest
from helpers_edf import SIGNAL_FIELDS, Sig, edf, layout, with_bytes
from helpers_edf_source import UNREADABLE, codes, finding, read, refused, seconds

from auditor.core.units import NS
from auditor.edf import looks_like_recording
from auditor.model.codes.edf import CODES

GOOD = edf(onsets=[0, 1, 2], reserved="EDF+C")


@pytest.mark.parametrize("kind", ["EDF", "EDF+C", "EDF+D", "BDF", "BDF+C", "BDF+D"])
def test_a_file_that_keeps_every_rule_has_no_finding(kind: str) -> None:
    bdf, plain = kind.startswith("BDF"), "+" not in kind
    raw = edf(onsets=[0, 1, 2], bdf=bdf, plain=plain, reserved=None if plain else kind)
    recording = read(raw)
    assert recording.format == kind
    assert recording.findings == ()
    assert recording.sample_bytes == (3 if bdf else 2)
    assert seconds(recording) == [0, 1, 2]
    assert len(raw) == recording.data_offset + 3 * recording.record_bytes


# Rule 1: the layout (EDF specification, header record).


@pytest.mark.parametrize("length", [0, 1, 8, 255])
def test_1_a_file_shorter_than_a_header_is_refused_with_its_size(length: int) -> None:
    error = refused(GOOD[:length])
    assert error.code == ("too_short" if length else "empty")
    assert (f"has {length} byte" if length else "is empty") in str(error)


def test_1_a_file_that_is_no_recording_is_refused() -> None:
    error = refused(b"%PDF-1.7\n" + b"any text " * 100)
    assert error.code == "not_a_recording"
    assert "field 'version' at byte 0" in str(error)


def test_1_a_damaged_version_is_named_and_the_rest_read() -> None:
    recording = read(b"\1" + GOOD[1:])
    assert finding(recording, "version_wrong").severity == "problem"
    assert seconds(recording) == [0, 1, 2]


def test_1_every_field_lies_where_the_layout_says() -> None:
    sizes = [width for _, width in SIGNAL_FIELDS]
    assert sum(sizes) == 256
    channel = read(
        edf(
            onsets=[0],
            signals=[
                Sig("EEG Fp1"),
                Sig("EEG O2", 4, "mV", ("-3", "4"), ("-100", "200"), "cup", "HP:1Hz"),
            ],
        )
    ).channels[1]
    assert (channel.label, channel.transducer, channel.dimension, channel.prefilter) == (
        "EEG O2",
        "cup",
        "mV",
        "HP:1Hz",
    )
    assert (channel.physical_min, channel.physical_max) == (-3.0, 4.0)
    assert (channel.digital_min, channel.digital_max) == (-100, 200)
    assert (channel.samples_per_record, channel.offset, channel.electrode) == (4, 16, "O2")


# Rule 2: header length (EDF specification), characters and justification (EDF+ 2.1.3 no. 1).


def test_2_a_header_cut_short_is_refused_with_both_sizes() -> None:
    error = refused(GOOD[:1000])
    assert error.code == "too_short"
    assert "has 1000 bytes; its header alone takes 1024" in str(error)


@pytest.mark.parametrize("text", ["1025", "512", "x", "", "1E3", "99999999", "-1"])
def test_2_a_wrong_header_length_is_found_and_the_data_still_found(text: str) -> None:
    recording = read(edf(onsets=[0, 1], fields={"header bytes": text}))
    found = finding(recording, "header_length_wrong")
    assert found.severity == "caution"  # the records begin where they should: nothing is in doubt
    assert found.expected == "1024"
    assert seconds(recording) == [0, 1]


def test_2_a_longer_header_that_the_data_follow_is_believed() -> None:
    raw = edf(onsets=[0, 1], fields={"header bytes": "1280"})
    recording = read(raw[:1024] + b" " * 256 + raw[1024:])
    assert recording.data_offset == 1280
    assert seconds(recording) == [0, 1]
    assert finding(recording, "header_length_wrong").severity == "caution"


def test_2_a_wrong_header_length_that_nothing_settles_is_a_problem() -> None:
    raw = edf(records=2, plain=True, fields={"header bytes": "x"}, tail=b"123")
    assert finding(read(raw), "header_length_wrong").severity == "problem"


@pytest.mark.parametrize("text", ["EEG Fp\xe9", "EEG\tFp1", "EEG Fp1\0"])
def test_2_header_bytes_outside_printable_ascii_are_found(text: str) -> None:
    recording = read(edf(onsets=[0], signal_fields={("label", 1): text}))
    found = finding(recording, "header_not_ascii")
    assert f"label of signal 2 (byte {layout(GOOD, 'label', 1).start})" in found.observed


def test_2_text_that_is_not_left_justified_is_found() -> None:
    recording = read(edf(onsets=[0, 1], fields={"record count": "       2"}))
    assert "record count (byte 236)" in finding(recording, "header_form").observed
    assert codes(recording, "caution", "problem") == []


def test_2_the_patient_field_is_never_quoted() -> None:
    recording = read(edf(onsets=[0], patient="P-2041 F X M\xfcller"))
    assert "ller" not in repr(recording.findings)
    assert "patient (byte 8)" in finding(recording, "header_not_ascii").observed


# Rule 3: record count and file size (EDF+ 2.1.3 no. 10; the size by arithmetic).


def test_3_a_record_count_of_minus_one_is_a_file_never_closed() -> None:
    recording = read(edf(onsets=[0, 1, 2], fields={"record count": "-1"}))
    assert not recording.closed
    assert recording.records == 3
    assert finding(recording, "never_closed").severity == "caution"


def test_3_records_missing_from_the_file_are_a_problem_with_both_figures() -> None:
    found = finding(read(edf(onsets=[0, 1, 2], fields={"record count": "5"})), "records_missing")
    assert (found.severity, found.expected, found.observed) == ("problem", "5 records", "3 records")


def test_3_records_beyond_the_count_are_counted_and_told() -> None:
    recording = read(edf(onsets=[0, 1, 2], fields={"record count": "2"}))
    assert recording.records == 3
    found = finding(recording, "more_records_than_claimed")
    assert (found.severity, found.expected, found.observed) == ("caution", "2 records", "3 records")


def test_records_beyond_the_count_of_a_plain_file_put_the_number_in_doubt() -> None:
    # They state no start of their own, so nothing but their place shows that they are records.
    recording = read(edf(records=3, plain=True, fields={"record count": "2"}))
    assert recording.records == 3
    assert finding(recording, "more_records_than_claimed").severity == "problem"


@pytest.mark.parametrize("text", ["", "x", "1E2", "-2", "3.5", "nan"])
def test_3_a_count_that_is_none_is_told_and_the_bytes_counted(text: str) -> None:
    recording = read(edf(onsets=[0, 1, 2], fields={"record count": text}))
    assert recording.records == 3
    assert codes(recording, "caution", "problem") == ["record_count_unreadable"]


def test_3_a_partial_last_record_is_told_with_its_bytes() -> None:
    raw = edf(onsets=[0, 1, 2])
    recording = read(raw[:-10])
    assert recording.records == 2
    assert finding(recording, "partial_last_record").observed == "86 bytes more"
    assert finding(recording, "partial_last_record").severity == "caution"
    # Cut in its last record, it lost no more than that record: one finding says so.
    assert "records_missing" not in codes(recording, "problem")


def test_3_bytes_after_the_last_record_are_told() -> None:
    recording = read(edf(onsets=[0, 1], tail=b"end of file"))
    assert recording.records == 2
    assert finding(recording, "trailing_bytes").observed == "11 bytes more"


# Rule 4: record duration (EDF specification; EDF+ 2.1.2 allows less than a second).


@pytest.mark.parametrize(
    ("text", "ns"),
    [("1", NS), ("0.1", NS // 10), ("0.333333", 333_333_000), ("30", 30 * NS), ("0.050", 50_000_000),
     ("1.", NS), (".25", NS // 4), ("+1", NS), ("0.000001", 1000), ("2.500000", 2_500_000_000)],
)  # fmt: skip
def test_4_any_duration_of_eight_characters_is_exact(text: str, ns: int) -> None:
    recording = read(edf(records=4, plain=True, duration="1", fields={"record duration": text}))
    assert recording.record_ns == ns
    assert recording.offsets_ns.tolist() == [0, ns, 2 * ns, 3 * ns]


@pytest.mark.parametrize(
    "text", ["0,5", "", "nan", "inf", "-1", "1E0", "0", "1 1", "\xb2", "0x10", "1_0"]
)
def test_4_a_plain_file_without_a_duration_is_refused_naming_the_field(text: str) -> None:
    error = refused(edf(records=3, plain=True, fields={"record duration": text}))
    assert error.code == "header_field_unreadable"
    assert "field 'record duration' (byte 244) holds no duration" in str(error)


@pytest.mark.parametrize("text", ["0,5", "", "nan", "-1", "1E0", "0"])
def test_4_the_records_own_starts_give_a_duration_that_the_header_lacks(text: str) -> None:
    recording = read(edf(onsets=[0, 0.5, 1, 1.5, 8], fields={"record duration": text}))
    assert recording.record_ns == NS // 2
    found = finding(recording, "record_duration_unreadable")
    assert (found.severity, found.observed) == ("problem", f"'{text}'")


def test_4_a_duration_that_the_starts_contradict_is_doubtful_with_both_figures() -> None:
    recording = read(edf(onsets=range(0, 40, 2), duration="1", reserved="EDF+C"))
    assert codes(recording) == ["record_duration_doubtful"]
    text = finding(recording, "record_duration_doubtful").text
    assert "20.000 s" in text
    assert "40.000 s" in text


def test_4_thirds_of_a_second_are_no_accusation_even_after_three_days() -> None:
    # 0.333333 for 1/3 s: 1/3 us a record (arithmetic); only the last hour is written here.
    thirds = [f"{(3 * 3600 * 71 + i) * 10**9 // 3 / 1e9:.9f}" for i in range(3600)]
    thirds[0] = "0.2"
    recording = read(
        edf(onsets=thirds, duration="0.333333", annotation_bytes=32, signals=[Sig(rate=2)])
    )
    assert codes(recording) == []
    continuous = [f"{i / 3:.6f}" for i in range(3600)]
    assert (
        codes(
            read(
                edf(onsets=continuous, duration="0.333333", reserved="EDF+C", signals=[Sig(rate=2)])
            )
        )
        == []
    )


@pytest.mark.parametrize("decimals", [0, 1, 2, 3, 6])
def test_4_starts_written_with_few_decimals_are_no_accusation(decimals: int) -> None:
    onsets = [f"{i / 3:.{decimals}f}" for i in range(300)]
    assert codes(read(edf(onsets=onsets, duration="0.333333", reserved="EDF+C"))) == []
    onsets[200:] = [f"{i / 3 + 7:.{decimals}f}" for i in range(200, 300)]
    recording = read(edf(onsets=onsets, duration="0.333333", reserved="EDF+C"))
    assert "1 time, together" in finding(recording, "continuous_file_jumps").text


def test_4_a_record_larger_than_recommended_is_mentioned() -> None:
    recording = read(edf(records=1, plain=True, signals=[Sig(rate=30721)]))
    assert finding(recording, "record_large").observed == "61442 bytes"
    assert codes(recording, "caution", "problem") == []


def test_4_a_record_of_more_than_an_hour_that_nothing_confirms_is_a_problem() -> None:
    assert codes(read(edf(records=2, plain=True, fields={"record duration": "7200"}))) == [
        "record_duration_unusual"
    ]
    assert codes(read(edf(onsets=[0, 7200], duration="7200"))) == []


def test_4_a_duration_that_makes_decades_is_refused() -> None:
    error = refused(edf(records=300, plain=True, fields={"record duration": "99999999"}))
    assert "field 'record duration' (byte 244) makes 300 records longer than" in str(error)


# Rule 14: numbers and scales (EDF+ 2.1.3 no. 5 to 7).


@pytest.mark.parametrize("text", ["-187,5", "nan", "inf", "", "1e999", "x", "--1", "\xb2", "1_0"])
@pytest.mark.parametrize("end", ["physical minimum", "physical maximum"])
def test_14_a_physical_limit_that_is_no_number_loses_the_scale_alone(end: str, text: str) -> None:
    recording = read(edf(onsets=[0], signal_fields={(end, 0): text}))
    assert f"{end} of signal 1 (byte " in finding(recording, "channel_scale_wrong").observed
    assert (
        str(recording.channels[0].physical_min) == str(recording.channels[0].physical_max) == "nan"
    )
    assert recording.channels[1].physical_max == 3200


@pytest.mark.parametrize("text", ["-1e3", "-1.5E+02", "-.5", "+7"])
def test_14_exponents_of_physical_limits_are_read(text: str) -> None:
    recording = read(edf(onsets=[0], signal_fields={("physical minimum", 0): text}))
    assert recording.channels[0].physical_min == float(text)


@pytest.mark.parametrize(
    ("field", "text"),
    [("digital maximum", "-32768"), ("digital maximum", "-40000"), ("digital maximum", "40000"), ("physical maximum", "-3200")],
)  # fmt: skip
def test_14_limits_that_cannot_be_scaled_by_are_found(field: str, text: str) -> None:
    recording = read(edf(onsets=[0], signal_fields={(field, 1): text}))
    assert "of signal 2 (byte " in finding(recording, "channel_scale_wrong").observed
    assert str(recording.channels[1].physical_min) == "nan"


def test_14_a_negative_gain_is_allowed() -> None:
    recording = read(edf(onsets=[0], signals=[Sig(physical=("3200", "-3200"))]))
    assert recording.findings == ()
    assert recording.channels[0].physical_min == 3200


@pytest.mark.parametrize("text", ["", "-8", "8.0", "8,0", "1E1", "x", "nan", "\xb2", "99999999"])
def test_14_samples_per_record_that_are_no_number_are_refused_by_name(text: str) -> None:
    error = refused(edf(onsets=[0], signal_fields={("samples per record", 1): text}))
    if text == "99999999":
        assert error.code == "nothing_recorded"
        assert "takes 2000000" in str(error)
    else:
        at = layout(GOOD, "samples per record", 1).start
        assert f"field 'samples per record of signal 2' (byte {at})" in str(error)


def test_14_a_channel_of_no_samples_is_told() -> None:
    recording = read(edf(onsets=[0], signals=[Sig(rate=0), Sig("EEG O1")]))
    assert codes(recording) == ["channel_without_samples"]


def test_14_signals_without_any_sample_hold_no_recording() -> None:
    error = refused(edf(records=1, plain=True, signals=[Sig(rate=0)]))
    assert error.code == "nothing_recorded"


@pytest.mark.parametrize("text", ["9999", "0", "-1", "", "x", "3.0", "1E0"])
def test_14_a_number_of_signals_that_cannot_be_is_taken_from_the_header_length(text: str) -> None:
    recording = read(with_bytes(GOOD, layout(GOOD, "signals"), text))
    found = finding(recording, "signal_count_wrong")
    assert (found.severity, found.expected, found.observed) == ("problem", "3", text)
    assert seconds(recording) == [0, 1, 2]


def test_14_a_number_of_signals_that_nothing_gives_is_refused_by_name() -> None:
    raw = edf(onsets=[0], fields={"signals": "9999", "header bytes": "x"})
    error = refused(raw)
    assert "field 'signals' (byte 252)" in str(error)
    assert "2560000" in str(error)


# Rule 15: BDF (the description of BDF; BDF+ by its author's description).


def test_15_three_bytes_a_sample_and_its_own_marks() -> None:
    recording = read(edf(onsets=[0, 1], bdf=True, signals=[Sig(digital=("-8388608", "8388607"))]))
    assert recording.findings == ()
    assert recording.channels[0].digital_max == 8_388_607


@pytest.mark.parametrize(
    ("bdf", "reserved", "severity"),
    [(False, "BDF+C", "problem"), (False, "24BIT", "problem"), (True, "EDF+C", "caution")],
)  # fmt: skip
def test_15_version_and_reserved_field_that_disagree_are_found(
    bdf: bool, reserved: str, severity: str
) -> None:
    recording = read(edf(onsets=[0, 1], bdf=bdf, reserved=reserved))
    assert finding(recording, "format_contradiction").severity == severity
    assert recording.sample_bytes == (3 if bdf else 2)
    assert seconds(recording) == [0, 1]


@pytest.mark.parametrize("reserved", ["", "48BIT"])
def test_15_a_bdf_file_without_its_mark_is_read_and_told(reserved: str) -> None:
    recording = read(edf(records=2, plain=True, bdf=True, reserved=reserved))
    assert (recording.format, recording.sample_bytes) == ("BDF", 3)
    assert finding(recording, "reserved_unknown").severity == "info"


@pytest.mark.parametrize("reserved", ["EDF+", "EDF+X", "BDF+"])
def test_15_a_mark_that_is_none_is_told_and_the_starts_taken(reserved: str) -> None:
    recording = read(edf(onsets=[0, 1, 9], reserved=reserved))
    assert "reserved_unknown" in codes(recording, "caution")
    assert seconds(recording) == [0, 1, 9]


# Every word has its meaning, and every file that begins as a recording is known as one.


def test_every_code_in_use_is_in_the_vocabulary() -> None:
    from pathlib import Path

    import auditor.edf as room

    used: set[str] = set()
    for path in Path(room.__file__).parent.glob("*.py"):
        text = path.read_text("utf-8")
        used |= set(re.findall(r'notes\.add\(\s*"(\w+)"', text))
        used |= set(re.findall(r'fields\.note\("(\w+)"', text))
        used |= set(re.findall(r'code ?= ?"(\w+)"', text))
    assert len(used) > 40
    assert used - CODES.keys() - UNREADABLE == set()


@pytest.mark.parametrize(
    "raw",
    [
        GOOD,
        edf(onsets=[0], bdf=True),
        edf(records=1, plain=True),
        edf(records=1, plain=True, bdf=True),
    ],
)
def test_a_recording_is_known_by_its_first_256_bytes(raw: bytes) -> None:
    assert looks_like_recording(raw[:256])
    assert not looks_like_recording(raw[:255])


@pytest.mark.parametrize(
    "raw",
    [
        b"",
        b"0       " + b"text " * 60,
        b"\0" * 512,
        b"0" * 512,
        bytes(range(256)) * 2,
        b"\xffBIOSEMI" + b"x" * 300,
    ],
)
def test_other_files_are_no_recordings(raw: bytes) -> None:
    assert not looks_like_recording(raw)
