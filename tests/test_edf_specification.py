"""The EDF+ specification's own examples (edfplus.info/specs/edfplus.html), by section.

Read in a transcription of the specification; byte 20, 21 and 0 are written there as numbers.
"""

from __future__ import annotations

import pytest
from helpers_edf import Sig, edf
from helpers_edf_source import codes, read, seconds

from auditor.core.clock import iso
from auditor.core.units import NS
from auditor.edf.annotations import parse_annotations
from auditor.edf.header import patient_subfields, recording_subfields
from auditor.model import PatientField, RecordingField

S = NS


def spelled(text: str) -> bytes:
    """The specification's spelling: {20}, {21} and {0} stand for single bytes."""
    return text.replace("{20}", "\x14").replace("{21}", "\x15").replace("{0}", "\0").encode()


def test_2_1_3_no_3_the_patient_field() -> None:
    assert patient_subfields("MCH-0234567 F 02-MAY-1951 Haagse_Harry") == PatientField(
        "MCH-0234567", "F", "02-MAY-1951", "Haagse Harry"
    )
    assert patient_subfields("X X X X") == PatientField()


def test_2_1_3_no_4_the_recording_field() -> None:
    assert recording_subfields("Startdate 02-MAR-2002 PSG-1234/2002 NN Telemetry03") == (
        RecordingField("02-MAR-2002", "PSG-1234/2002", "NN", "Telemetry03")
    )
    assert recording_subfields("Startdate X X X X") == RecordingField()


@pytest.mark.parametrize(
    ("text", "events"),
    [
        ("+180{20}Lights off{20}Close door{20}{0}", [(180 * S, None, "Lights off"), (180 * S, None, "Close door")]),
        ("+180{20}Lights off{20}{0}+180{20}Close door{20}{0}", [(180 * S, None, "Lights off"), (180 * S, None, "Close door")]),
        ("+1800.2{21}25.5{20}Apnea{20}{0}", [(1800_200_000_000, 25_500_000_000, "Apnea")]),
    ],
)  # fmt: skip
def test_2_2_2_annotation_lists(text: str, events: list[tuple[int, int | None, str]]) -> None:
    parsed = parse_annotations(spelled(text).ljust(60, b"\0"))
    assert [(x.onset_ns, x.duration_ns, t) for x in parsed.lists for t in x.texts] == events
    assert parsed.faults == ()
    assert parsed.time_keeping_ns is None


@pytest.mark.parametrize(
    ("text", "start"),
    [("+567{20}{20}", 567 * S), ("+0{20}{20}{0}", 0), ("+3456.789{20}{20}R-wave{20}", 3456_789_000_000)],
)  # fmt: skip
def test_2_2_4_time_keeping(text: str, start: int) -> None:
    parsed = parse_annotations(spelled(text).ljust(60, b"\0"))
    assert parsed.time_keeping_ns == start
    assert parsed.faults == ()


def test_3_1_two_records_of_an_evoked_potential() -> None:
    recording = read(
        edf(
            onsets=["0", "0.3"],
            duration="0.3",
            annotation_bytes=120,
            raw_annotations={
                (0, 0): spelled("+0{20}{20}Stimulus click 35dB both ears{20}Free text{20}{0}"
                                "-0.065{20}Pre-stimulus beep 1000Hz{20}{0}"),
                (1, 0): spelled("+0.3{20}{20}Stimulus click 35dB both ears{20}{0}"
                                "+0.235{20}Pre-stimulus beep 1000Hz{20}{0}"),
            },
        )
    )  # fmt: skip
    assert seconds(recording) == [0, 0.3]
    found = [(a.onset_ns, a.text) for a in recording.annotations]
    assert found == [
        (0, "Stimulus click 35dB both ears"),
        (0, "Free text"),
        (-65_000_000, "Pre-stimulus beep 1000Hz"),
        (300_000_000, "Stimulus click 35dB both ears"),
        (235_000_000, "Pre-stimulus beep 1000Hz"),
    ]
    # The two pre-stimulus notes stand in the records that follow them.
    assert codes(recording) == ["annotations_elsewhere"]
    assert recording.findings[0].text.startswith("2 of 5 annotations")


def test_3_3_a_sleep_scoring_without_signals() -> None:
    text = (
        "+0{20}{20}Recording starts{20}{0}+0{21}660{20}Sleep stage W{20}{0}"
        "+120{20}Lights off{20}{0}+660{21}300{20}Sleep stage N1{20}{0}"
        "+742{20}Turning from right side on back{20}{0}"
        "+993.2{21}1.2{20}Limb movement{20}R+L leg{20}{0}+30210{20}Recording ends{20}{0}"
    )
    recording = read(
        edf(onsets=[0], signals=[], duration="0", annotation_bytes=600,
            raw_annotations={(0, 0): spelled(text)})
    )  # fmt: skip
    assert recording.record_ns == 0
    assert [a.text for a in recording.annotations][-3:] == [
        "Limb movement",
        "R+L leg",
        "Recording ends",
    ]
    assert recording.annotations[1].duration_ns == 660 * S
    assert codes(recording) == ["annotation_only_file"]


def test_3_4_an_onset_written_without_its_sign() -> None:
    # Section 3.4 (visual evoked potential) shows it without a sign, against section 2.2.2.
    parsed = parse_annotations(
        spelled("0.000{20}{20}{0}+0.010{20}Stimulus checkerboard left{20}{0}")
    )
    assert parsed.time_keeping_ns == 0
    assert parsed.faults == ("sign",)


def test_3_7_the_motor_nerve_conduction_file() -> None:
    texts = (
        "+0{20}{20}Stimulus right wrist 0.2ms x 8.2mA at 6.5cm from recording site{20}"
        "Response 7.2mV at 3.8ms{20}",
        "+10{20}{20}Stimulus right elbow 0.2ms x 15.3mA at 28.5cm from recording site{20}"
        "Response 7.2mV at 7.8ms (55.0m/s){20}",
    )
    muscle = Sig(
        "R APB",
        1000,
        "mV",
        ("-100", "100"),
        ("-2048", "2047"),
        "AgAgCl electrodes",
        "HP:3Hz LP:20kHz",
    )
    recording = read(
        edf(
            onsets=["0", "10"],
            signals=[muscle],
            duration="0.050",
            patient="MCH-0234567 F 02-MAY-1951 Haagse_Harry",
            recording="Startdate 02-MAR-2002 EMG561 BK/JOP Sony. MNC R Median Nerve.",
            start_date="17.04.01",
            start_time="11.25.00",
            reserved="EDF+D",
            annotation_bytes=120,
            raw_annotations={(i, 0): spelled(text) for i, text in enumerate(texts)},
        )
    )
    assert recording.data_offset == 768
    assert recording.record_ns == 50_000_000
    assert seconds(recording) == [0, 10]
    assert [a.onset_ns for a in recording.annotations] == [0, 0, 10 * S, 10 * S]
    assert recording.annotations[3].text == "Response 7.2mV at 7.8ms (55.0m/s)"
    assert recording.header.recording_field == RecordingField(
        "02-MAR-2002", "EMG561", "BK/JOP", "Sony."
    )
    # Its two dates disagree; the recording field's is taken and both are told.
    assert codes(recording) == ["start_date_conflict"]
    assert iso(recording.start_civil_ns) == "2002-03-02T11:25:00"
    assert recording.channels[0].electrode is None


def test_3_7_the_same_notes_as_four_lists() -> None:
    text = (
        "+10{20}{20}{0}+10{20}Stimulus_elbow{20}{0}+10{20}<EDF_XMLnote>\n<position>right elbow"
        "</position>\n</EDF_XMLnote>{20}{0}+10{20}<EDF_XMLnote>\n<measurements/></EDF_XMLnote>{20}{0}"
    )
    parsed = parse_annotations(spelled(text).ljust(300, b"\0"))
    assert parsed.time_keeping_ns == 10 * S
    assert [t.partition("\n")[0] for x in parsed.lists for t in x.texts if t] == [
        "Stimulus_elbow", "<EDF_XMLnote>", "<EDF_XMLnote>",
    ]  # fmt: skip
    assert parsed.faults == ()
