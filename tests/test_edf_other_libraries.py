"""Files that general libraries write or carry, read here as there; and where those are wrong.

Where mne, pyedflib and edfio are right, recorded time, start and annotations agree with them.
Where they refuse a file or misread it, the test says so and checks against the bytes.
"""

from __future__ import annotations

import datetime
from pathlib import Path
from typing import Any

import numpy as np
import pyedflib
import pytest
from helpers_edf import Sig, edf, event
from helpers_edf_source import codes

from auditor.core.clock import civil_ns, iso
from auditor.core.units import NS
from auditor.edf import read_recording
from auditor.model import Recording

CARRIED = sorted((Path(pyedflib.__file__).parent / "tests" / "data").glob("*.[eb]df"))
START = datetime.datetime(2027, 3, 2, 9, 30)


def notes(recording: Recording) -> list[tuple[int, int | None, str]]:
    return sorted((a.onset_ns, a.duration_ns, a.text) for a in recording.annotations)


def test_pyedflib_carries_recordings() -> None:
    assert len(CARRIED) >= 7


@pytest.mark.parametrize("path", CARRIED, ids=lambda p: p.name)
def test_carried_files_agree_with_pyedflib(path: Path) -> None:
    mine = read_recording(path, path.name)
    with pyedflib.EdfReader(str(path)) as file:
        assert mine.records == file.datarecords_in_file
        assert mine.record_ns == round(file.datarecord_duration * NS)
        # A plain file's annotation signal is an ordinary one to pyedflib, and its events are lost;
        # here its bytes decide, and the finding 'plain_file_with_times' says so.
        plain = mine.format == "EDF"
        assert codes(mine, "problem", "caution") == []
        assert ("plain_file_with_times" in codes(mine)) == plain
        ordinary = [c for c in mine.channels if plain or not c.is_annotation]
        assert [c.label for c in ordinary] == file.getSignalLabels()
        assert [c.samples_per_record for c in ordinary] == [
            file.samples_in_datarecord(i) for i in range(len(ordinary))
        ]
        start = file.getStartdatetime()
        onsets, _, texts = file.readAnnotations()
    assert mine.start_civil_ns == civil_ns(start.replace(microsecond=0))
    first = int(mine.offsets_ns[0])
    if first:
        # 0.1.42 reads +0.3945312 as .039453 s: ten times too small. The bytes decide.
        assert b"+0.3945312\x14\x14\0" in path.read_bytes()
        assert first == 394_531_200
        assert start.microsecond == 39_453
    else:
        assert start.microsecond == 0
    if plain:
        assert len(texts) == 0
        assert [n[2] for n in notes(mine)] == ["Recording starts", "Recording ends"]
        return
    # pyedflib counts onsets from the first record, the file from the header's start.
    assert [n[2] for n in notes(mine)] == [t for _, t in sorted(zip(onsets, texts, strict=True))]
    for found, onset in zip(notes(mine), sorted(onsets), strict=True):
        assert abs(found[0] - first - round(onset * NS)) < 1_000_000 + first


@pytest.mark.parametrize("path", CARRIED, ids=lambda p: p.name)
def test_carried_files_agree_with_mne(path: Path) -> None:
    import mne

    mine = read_recording(path, path.name)
    read = mne.io.read_raw_bdf if path.suffix == ".bdf" else mne.io.read_raw_edf
    raw = read(path, verbose="error")
    assert round(raw.n_times / raw.info["sfreq"] * NS) == mine.records * mine.record_ns
    # mne calls the local time UTC and drops the fraction of the second.
    assert raw.info["meas_date"].replace(tzinfo=None).isoformat() == iso(mine.start_civil_ns)
    assert sorted(raw.annotations.description) == sorted(n[2] for n in notes(mine))


@pytest.mark.parametrize("path", CARRIED, ids=lambda p: p.name)
def test_carried_files_agree_with_edfio(path: Path) -> None:
    import edfio

    mine = read_recording(path, path.name)
    file = edfio.read_bdf(path) if path.suffix == ".bdf" else edfio.read_edf(path)
    assert file.num_data_records == mine.records
    assert round(file.data_record_duration * NS) == mine.record_ns
    first = int(mine.offsets_ns[0])
    found = sorted((a.onset, a.text) for a in file.annotations)
    assert [n[2] for n in notes(mine)] == [text for _, text in found]
    # edfio counts onsets from the first record, as floats.
    for mine_at, (theirs, _) in zip(notes(mine), found, strict=True):
        assert mine_at[0] - first == pytest.approx(theirs * NS, abs=1000)


@pytest.mark.parametrize(
    "kind", [pyedflib.FILETYPE_EDF, pyedflib.FILETYPE_EDFPLUS, pyedflib.FILETYPE_BDFPLUS]
)
def test_files_written_by_pyedflib_are_read_as_written(tmp_path: Path, kind: int) -> None:
    path = tmp_path / ("study.bdf" if kind == pyedflib.FILETYPE_BDFPLUS else "study.edf")
    rng = np.random.default_rng(1)
    with pyedflib.EdfWriter(str(path), 2, file_type=kind) as file:
        for i, (label, rate) in enumerate((("EEG C3", 128), ("EEG C4", 64))):
            file.setSignalHeader(
                i,
                {
                    "label": label,
                    "dimension": "uV",
                    "sample_frequency": rate,
                    "physical_min": -500,
                    "physical_max": 500,
                    "digital_min": -32768,
                    "digital_max": 32767,
                    "transducer": "",
                    "prefilter": "",
                },
            )
        file.setStartdatetime(START)
        if kind != pyedflib.FILETYPE_EDF:
            file.writeAnnotation(2.5, 1.25, "Augen öffnen")
            file.writeAnnotation(7, -1, "Lights off")
        file.writeSamples([rng.uniform(-400, 400, 128 * 20), rng.uniform(-400, 400, 64 * 20)])
    mine = read_recording(path, "study")
    assert mine.format == {pyedflib.FILETYPE_EDF: "EDF", pyedflib.FILETYPE_EDFPLUS: "EDF+C"}.get(
        kind, "BDF+C"
    )
    assert mine.records * mine.record_ns == 20 * NS
    assert iso(mine.start_civil_ns) == START.isoformat()
    if kind != pyedflib.FILETYPE_EDF:
        assert notes(mine) == [
            (2_500_000_000, 1_250_000_000, "Augen öffnen"),
            (7 * NS, None, "Lights off"),
        ]
    assert codes(mine, "problem", "caution") == []


@pytest.mark.parametrize("suffix", [".edf", ".bdf"])
@pytest.mark.parametrize("duration", [0.5, 1.0, 4.0])
def test_files_written_by_edfio_are_read_as_written(
    tmp_path: Path, suffix: str, duration: float
) -> None:
    import edfio

    values = np.random.default_rng(2).uniform(-100, 100, 100 * 12)
    events = [
        edfio.EdfAnnotation(3.25, 2.0, "Arousal"),
        edfio.EdfAnnotation(11, None, "Knopf gedrückt"),
    ]
    path = tmp_path / f"study{suffix}"
    kinds: dict[str, Any] = {
        ".edf": (edfio.Edf, edfio.EdfSignal),
        ".bdf": (edfio.Bdf, edfio.BdfSignal),
    }
    whole, one = kinds[suffix]
    whole(
        [one(values, 100, label="EEG Cz", physical_dimension="uV")],
        recording=edfio.Recording(startdate=START.date()),
        starttime=datetime.time(9, 30, 0, 250_000),
        data_record_duration=duration,
        annotations=events,
    ).write(path)
    mine = read_recording(path, "study")
    assert mine.records * mine.record_ns == 12 * NS
    assert iso(mine.start_civil_ns + int(mine.offsets_ns[0])) == "2027-03-02T09:30:00.250"
    first = int(mine.offsets_ns[0])
    assert [(n[0] - first, n[1], n[2]) for n in notes(mine)] == [
        (3_250_000_000, 2 * NS, "Arousal"),
        (11 * NS, None, "Knopf gedrückt"),
    ]
    assert codes(mine) == []


@pytest.mark.parametrize("suffix", [".edf", ".bdf"])
def test_files_exported_by_mne_are_read_as_exported(tmp_path: Path, suffix: str) -> None:
    import mne

    data = np.random.default_rng(3).uniform(-1e-4, 1e-4, (2, 200 * 15))
    raw = mne.io.RawArray(data, mne.create_info(["C3", "C4"], 200, "eeg"), verbose="error")
    raw.set_meas_date(START.replace(tzinfo=datetime.UTC))
    raw.set_annotations(
        mne.Annotations([4.5], [2.0], ["Seizure button"], orig_time=raw.info["meas_date"])
    )
    path = tmp_path / f"study{suffix}"
    mne.export.export_raw(path, raw, verbose="error")
    mine = read_recording(path, "study")
    assert mine.records * mine.record_ns == 15 * NS
    assert iso(mine.start_civil_ns) == START.isoformat()
    assert notes(mine) == [(4_500_000_000, 2 * NS, "Seizure button")]
    assert [c.electrode for c in mine.channels if not c.is_annotation] == ["C3", "C4"]
    assert codes(mine, "problem", "caution") == []


# Where they are wrong or refuse.


def test_a_gap_that_mne_does_not_show_and_pyedflib_refuses(tmp_path: Path) -> None:
    import mne

    path = tmp_path / "study.edf"
    onsets = [*range(10), *range(3600, 3610)]
    raw = edf(onsets=onsets, signals=[Sig(rate=64)], events={12: [event(3602, "Lights on")]})
    path.write_bytes(raw)
    mine = read_recording(path, "study")
    assert [o // NS for o in mine.offsets_ns.tolist()] == onsets
    assert raw.count(b"+3600\x14\x14\0") == 1  # the byte fact behind it
    theirs = mne.io.read_raw_edf(path, verbose="error")
    assert theirs.n_times / theirs.info["sfreq"] == 20  # 20 s of a span of an hour, no gap shown
    with pytest.raises(OSError, match="discontinuous"):
        pyedflib.EdfReader(str(path))


def test_a_file_never_closed_that_pyedflib_refuses(tmp_path: Path) -> None:
    path = tmp_path / "study.edf"
    path.write_bytes(edf(onsets=range(5), reserved="EDF+C", fields={"record count": "-1"}))
    mine = read_recording(path, "study")
    assert mine.records == 5
    with pytest.raises(OSError, match=r".+"):
        pyedflib.EdfReader(str(path))


def test_zero_padding_that_mne_counts_as_recording(tmp_path: Path) -> None:
    import mne

    path = tmp_path / "study.edf"
    raw = edf(
        onsets=range(5), reserved="EDF+C", fields={"record count": "-1"}, signals=[Sig(rate=64)]
    )
    record = (len(raw) - 768) // 5
    path.write_bytes(raw + b"\0" * record * 3)
    mine = read_recording(path, "study")
    assert mine.records == 5
    assert not any(raw[768 + 5 * record :])
    theirs = mne.io.read_raw_edf(path, verbose="error")
    assert theirs.n_times == 8 * 64


def test_a_record_count_too_small_hides_records_in_pyedflib(tmp_path: Path) -> None:
    path = tmp_path / "study.edf"
    path.write_bytes(edf(onsets=range(5), reserved="EDF+C", fields={"record count": "3"}))
    mine = read_recording(path, "study")
    assert mine.records == 5
    assert codes(mine) == ["more_records_than_claimed"]
    try:
        with pyedflib.EdfReader(str(path)) as file:
            seen = file.datarecords_in_file
    except OSError:
        seen = 0  # refused, in the releases that compare the size
    assert seen < mine.records


def test_thirds_of_a_second_that_edfio_calls_interrupted(tmp_path: Path) -> None:
    import edfio

    path = tmp_path / "study.edf"
    thirds = [f"{i / 3:.6f}" for i in range(30)]
    path.write_bytes(edf(onsets=thirds, duration="0.333333", reserved="EDF+C"))
    assert codes(read_recording(path, "study")) == []
    assert edfio.read_edf(path).num_data_records == 30


def test_text_that_is_not_utf_8_which_mne_refuses(tmp_path: Path) -> None:
    import mne

    path = tmp_path / "study.edf"
    path.write_bytes(
        edf(
            onsets=range(3),
            reserved="EDF+C",
            signals=[Sig(rate=64)],
            events={1: [event(1, b"M\xfcde")]},
        )
    )
    mine = read_recording(path, "study")
    assert [a.text for a in mine.annotations] == ["M\\xfcde"]
    with pytest.raises(Exception, match="invalid byte"):
        mne.io.read_raw_edf(path, verbose="error")
