"""Channel labels to electrodes."""

from __future__ import annotations

import mne
import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.edf.electrodes import _NAMES, as_labelled, electrode_name

OLDER = {"T3": "T7", "T4": "T8", "T5": "P7", "T6": "P8"}


def montage_names() -> list[str]:

    known = mne.channels.get_builtin_montages()
    name = "colin27_1005" if "colin27_1005" in known else "standard_1005"
    return mne.channels.make_standard_montage(name).ch_names


def test_every_name_of_the_1005_montage_is_known_in_any_case_and_written_form() -> None:
    names = montage_names()
    assert len(names) == len({n.lower() for n in names}) > 300
    for name in names:
        expected = OLDER.get(name, name)
        for label in (
            name, name.upper(), name.lower(), f"EEG {name}", f"EEG {name}-Ref", f"{name}-REF",
            f"eeg {name.upper()}-AVG", f"  {name} ", f"{name}.", f"EEG-{name}", f"EEG_{name}",
        ):  # fmt: skip
            assert electrode_name(label, "uV") == expected, label


@pytest.mark.parametrize(("older", "newer"), OLDER.items())
def test_older_temporal_names_are_the_same_place(older: str, newer: str) -> None:
    assert electrode_name(older) == electrode_name(newer) == newer
    assert electrode_name(f"EEG {older}-A1") == electrode_name(f"EEG {newer}-A1") == newer


@pytest.mark.parametrize(
    ("label", "expected"),
    [
        ("EEG Fpz-Cz", "Fpz-Cz"),  # the example of the EDF+ specification, standard texts
        ("EEG Pz-Oz", "Pz-Oz"),
        ("Fp1-F7", "Fp1-F7"),
        ("F7-T3", "F7-T7"),
        ("C3-A2", "C3"),
        ("C4-M1", "C4"),
        ("O1 - M2", "O1"),
        ("C3-(A1+A2)/2", "C3"),
        ("C3-A1A2", "C3"),
        ("C3:M2", "C3"),
        ("A1", "A1"),
        ("A1-A2", "A1-A2"),
        ("EEG M1-Ref", "M1"),
        ("EEG T1", "T1"),
        ("EEG Sp2-Ref", "Sp2"),
        ("EEG C3-CLE", "C3"),
    ],
)
def test_derivations_and_references(label: str, expected: str) -> None:
    assert electrode_name(label, "uV") == expected


@pytest.mark.parametrize(
    "label",
    [
        "ECG", "EKG", "ECG II", "ECG V2-Ref", "EMG chin", "EMG RAT", "EOG left", "EOG E1-M2", "E1",
        "E1-M2", "LOC", "ROC", "SaO2", "SpO2", "SaO2 finger", "Resp nasal", "Resp chest", "Temp",
        "Sound", "Light", "Button", "Event", "Event marker", "Marker", "Battery", "Status", "DC1",
        "X1", "Pulse", "HR", "Photic", "EDF Annotations", "BDF Annotations", "", " ", "-", "EEG",
        "EEG ", "EEG 1", "EEGFp1x", "Fp1-ECG", "C3-EMG", "Ref", "Gnd", "T1", "1", "Fp", "C", "z",
        "MEG 001", "ERG", "Accel X", "Impedance", "EEG Mark",
    ],
)  # fmt: skip
def test_anything_else_is_no_eeg(label: str) -> None:
    assert electrode_name(label, "uV") is None


@pytest.mark.parametrize("unit", ["%", "bpm", "degC", "mmHg", "C", "Boolean", "Hz", "kOhm", "m"])
def test_a_channel_in_another_unit_than_volts_is_no_eeg(unit: str) -> None:
    assert electrode_name("O2", unit) is None
    assert electrode_name("EEG C3-Ref", unit) is None


@pytest.mark.parametrize("unit", ["", " ", "uV", "UV", "µV", "μV", "mV", "nV", "V", "uV  "])
def test_volts_in_any_writing_are_eeg(unit: str) -> None:
    assert electrode_name("O2", unit) == "O2"


@given(st.text(max_size=20), st.text(max_size=8))
def test_hostile_labels_never_raise_and_give_only_names_that_are_standard(
    label: str, unit: str
) -> None:
    found = electrode_name(label, unit)
    if found is not None:
        more = {"T1", "T2", "Sp1", "Sp2", "Pg1", "Pg2"}
        assert set(found.split("-")) <= set(_NAMES.values()) | more


def test_an_older_name_is_never_given_back() -> None:
    assert not {electrode_name(n) for n in montage_names()} & set(OLDER)


@pytest.mark.parametrize(
    ("label", "shown"),
    [("EEG T3-Ref", "T3"), ("T7", "T7"), ("eeg t5", "T5"), ("EEG T3-T5", "T3-T5"), ("Fp1", "Fp1")],
)
def test_a_lab_reads_its_own_names_of_places(label: str, shown: str) -> None:
    electrode = electrode_name(label)
    assert electrode is not None
    assert as_labelled(label, electrode) == shown


def test_the_names_are_those_of_mnes_own_montage() -> None:
    # mne, standard_1005 (renamed colin27_1005 in later releases): the extended 10-20 system.
    from mne.channels import get_builtin_montages, make_standard_montage

    newer = "colin27_1005"
    name = newer if newer in get_builtin_montages() else "standard_1005"
    assert sorted(_NAMES.values()) == sorted(make_standard_montage(name).ch_names)
