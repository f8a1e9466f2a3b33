"""The simulator's files are what three libraries read, and the studies' truth is what was written."""

from __future__ import annotations

import warnings
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import helpers_cases as cases
import helpers_clocks as clocks
import numpy as np
import pytest
from helpers_studies import (
    BASE,
    EEG_8,
    Amplifier,
    Clock,
    append,
    civil,
    cut_tail,
    s,
    set_field,
    write_piece,
)
from helpers_truth import LEAN, faults

from auditor.core.units import NS
from auditor.demo.writer import (
    Event,
    Header,
    Signal,
    Writer,
    annotation_bytes,
    annotation_signal,
    date_field,
    onset_text,
    patient_field,
    recording_field,
)

EVENTS = [(10, "Lights off"), (90.5, "Electrode check", 4.25), (100, "Kontrolle ü")]
PLAIN = [(f, k) for f in ("EDF", "BDF") for k in (f, f + "+C")]


def written(tmp_path: Path, fmt: str, **more: object) -> tuple[Path, np.ndarray]:
    path = tmp_path / f"a.{fmt[:3].lower()}"
    write_piece(path, (0, 120), fmt=fmt, events=EVENTS if "+" in fmt else (), **more)  # type: ignore[arg-type]
    return path, Amplifier().samples(0, 120 * 16)


@pytest.mark.parametrize(("kind", "fmt"), [*PLAIN, ("EDF", "EDF+D"), ("BDF", "BDF+D")])
def test_mne_reads_the_samples_the_start_and_the_annotations(
    tmp_path: Path, kind: str, fmt: str
) -> None:
    import mne

    path, digital = written(tmp_path, fmt)
    read = mne.io.read_raw_edf if kind == "EDF" else mne.io.read_raw_bdf
    raw = read(path, verbose="error")
    assert raw.info["meas_date"].replace(tzinfo=None) == BASE
    microvolts = raw.get_data(units="uV")
    np.testing.assert_allclose(microvolts, digital.T / 10, atol=1e-6)
    if "+" in fmt:
        assert list(raw.annotations.description) == [e[1] for e in EVENTS]
        assert list(raw.annotations.onset) == [10, 90.5, 100]
        assert list(raw.annotations.duration) == [0, 4.25, 0]


@pytest.mark.parametrize(("kind", "fmt"), [*PLAIN, ("EDF", "EDF+D"), ("BDF", "BDF+D")])
def test_pyedflib_reads_digital_samples_exactly_and_refuses_what_is_marked_discontinuous(
    tmp_path: Path, kind: str, fmt: str
) -> None:
    import pyedflib

    path, digital = written(tmp_path, fmt)
    if fmt.endswith("D"):
        with pytest.raises(OSError, match="discontinuous"):
            pyedflib.EdfReader(str(path))
        return
    with pyedflib.EdfReader(str(path)) as file:
        assert file.getStartdatetime() == BASE
        assert file.datarecords_in_file == 120
        for channel in range(8):
            assert np.array_equal(file.readSignal(channel, digital=True), digital[:, channel])
        if "+" in fmt:
            onsets, durations, texts = file.readAnnotations()
            assert list(onsets) == [10, 90.5, 100]
            assert list(durations) == [-1, 4.25, -1]
            assert list(texts) == [e[1] for e in EVENTS]
            assert file.getPatientCode() == "P-2041"
            assert file.getEquipment() == "N-3_invented".replace("_", " ")


@pytest.mark.parametrize(("kind", "fmt"), [*PLAIN, ("EDF", "EDF+D"), ("BDF", "BDF+D")])
def test_edfio_reads_digital_samples_exactly(tmp_path: Path, kind: str, fmt: str) -> None:
    import edfio

    path, digital = written(tmp_path, fmt)
    file = (edfio.read_edf if kind == "EDF" else edfio.read_bdf)(path)
    assert datetime.combine(file.startdate, file.starttime) == BASE
    for channel, signal in enumerate(file.signals):
        assert np.array_equal(signal.digital, digital[:, channel])
    if "+" in fmt:
        assert [(a.onset, a.duration, a.text) for a in file.annotations] == [
            (10, None, "Lights off"),
            (90.5, 4.25, "Electrode check"),
            (100, None, "Kontrolle ü"),
        ]


def test_edfio_sees_which_of_two_discontinuous_files_has_a_gap(tmp_path: Path) -> None:
    import edfio

    whole = write_piece(tmp_path / "a.edf", (0, 20), (20, 40))
    gap = write_piece(tmp_path / "b.edf", (0, 20), (21, 41))
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        assert edfio.read_edf(whole.path).is_continuous
        assert not edfio.read_edf(gap.path).is_continuous


def test_onsets_and_annotations_are_written_as_section_2_2_of_the_edf_plus_specification_says() -> (
    None
):
    # EDF+ specification 2.2.2: '+180' 20 'Lights off' 20 0; '+1800.2' 21 '25.5' 20 'Apnea' 20 0
    # and 2.2.4: '+567' 20 20 0 keeps the time of a record.
    assert annotation_bytes(Event(180 * NS, "Lights off")) == b"+180\x14Lights off\x14\x00"
    event = Event(1800 * NS + 200_000_000, "Apnea", 25 * NS + 500_000_000)
    assert annotation_bytes(event) == b"+1800.2\x1525.5\x14Apnea\x14\x00"
    assert annotation_bytes(Event(567 * NS, "")) == b"+567\x14\x14\x00"
    assert onset_text(-1) == b"-0.000000001"
    assert onset_text(0) == b"+0"


def test_header_subfields_are_written_as_the_edf_plus_specification_says() -> None:
    # EDF+ specification, additional specifications, items 2 to 4.
    assert patient_field("MCH-0234567", sex="F", birth="02-MAY-1951", name="Haagse Harry") == (
        "MCH-0234567 F 02-MAY-1951 Haagse_Harry"
    )
    day = datetime(2002, 3, 2)
    assert recording_field(day, administration="EMG561", equipment="Telemetry03") == (
        "Startdate 02-MAR-2002 EMG561 X Telemetry03"
    )
    assert date_field(datetime(1985, 1, 2)) == "02.01.85"
    assert date_field(datetime(2084, 1, 2)) == "02.01.84"
    assert date_field(datetime(2085, 1, 2)) == "02.01.yy"


def test_a_full_record_passes_its_event_on_to_the_next(tmp_path: Path) -> None:
    header = Header("EDF+C", BASE, (Signal("EEG C3", 4), annotation_signal("EDF+C", 40)))
    with Writer(tmp_path / "a.edf", header) as writer:
        events = [Event(0, "twenty characters ab"), Event(1, "twenty characters cd")]
        writer.write(np.zeros((2, 4), np.int16), [0, NS], events)
    raw = (tmp_path / "a.edf").read_bytes()[768:]
    first, second = raw[:48], raw[48:]
    assert b"characters ab" in first
    assert b"characters cd" in second
    assert b"characters cd" not in first


def test_a_clock_shows_true_time_with_offset_and_drift() -> None:
    clock = Clock(s(37.25), 7716)
    assert clock.shows(0) == s(37.25)
    hours_72 = s(72 * 3600)
    assert clock.shows(hours_72) - hours_72 == pytest.approx(s(39.25), abs=100_000)


def test_stamps_hold_whole_seconds_and_the_first_onset_the_rest(tmp_path: Path) -> None:
    piece = write_piece(tmp_path / "a.edf", (10, 20), clock=Clock(s(37.25)))
    assert piece.start_civil == civil(BASE + timedelta(seconds=47))
    assert piece.offsets_ns[0] == s(0.25)
    assert piece.first_civil == civil(BASE, s(47.25))
    assert piece.end_civil == civil(BASE, s(57.25))
    assert b"09.30.47" in piece.path.read_bytes()[:256]


def test_damage_does_to_the_bytes_what_it_says(tmp_path: Path) -> None:
    piece = write_piece(tmp_path / "a.edf", (0, 10))
    size = piece.path.stat().st_size
    assert size == piece.header_bytes + 10 * piece.record_bytes
    cut_tail(piece.path, 7)
    append(piece.path, b"xy")
    set_field(piece.path, "record_count", "-1")
    raw = piece.path.read_bytes()
    assert len(raw) == size - 5
    assert raw[236:244] == b"-1      "
    assert raw.endswith(b"xy")


def test_noise_never_repeats_and_never_is_flat_or_saturated() -> None:
    data = Amplifier().samples(0, 16 * 3600)
    seconds = data.reshape(3600, 16, 8)
    assert (np.ptp(seconds, axis=1) > 100).all()
    assert abs(data.astype(int)).max() < 2000
    assert len(np.unique(seconds[:, :, 0], axis=0)) == 3600
    correlation = np.corrcoef(data.T)
    assert abs(correlation[~np.eye(8, dtype=bool)]).max() < 0.1


def test_two_copies_hold_the_same_samples_at_times_that_their_clocks_explain(
    tmp_path: Path,
) -> None:
    truth = cases.two_copies(tmp_path, hours=2)
    amplifier = LEAN
    # The computer's first file starts 3/8 s after the card's, at sample 3, stamped 37.25 s ahead.
    raw = (tmp_path / "computer/1.edf").read_bytes()
    channels = len(amplifier.labels)
    head = 256 * (1 + channels + 1)  # and the annotation signal's
    size = channels * amplifier.rate
    block = np.frombuffer(raw[head : head + 2 * size], "<i2").reshape(channels, amplifier.rate)
    assert np.array_equal(block.T, amplifier.samples(3, 8))
    assert raw[176:184] == b"09.30.37"
    assert raw[head + 2 * size :].startswith(b"+0.625")
    # The gap of 480 s from 1:02:00, of which the computer holds a quarter at either end.
    assert truth.gaps == ((civil(BASE, s(3840.375)), civil(BASE, s(4080.375))),)
    assert truth.recorded_ns == s(2 * 3600 - 240)


def test_the_half_rate_copy_holds_the_same_signal_and_never_the_same_samples(
    tmp_path: Path,
) -> None:
    cases.two_copies_rescaled(tmp_path, hours=2)
    import mne

    card, computer = (
        mne.io.read_raw_edf(tmp_path / f / "a.edf", verbose="error", preload=True)
        for f in ("card", "computer")
    )
    a = card.get_data()[0][10 * 32 :][: 60 * 32]
    b = computer.get_data()[0][: 60 * 16]
    # Two samples of the card for each of the computer's.
    assert np.corrcoef((a[0::2] + a[1::2]) / 2, b)[0, 1] > 0.99


@pytest.mark.parametrize(("zone", "at"), clocks.TRANSITIONS, ids=str)
def test_the_changes_of_clocks_are_those_of_the_iana_database(zone: str, at: datetime) -> None:
    info, moment = ZoneInfo(zone), at.replace(tzinfo=UTC)
    before = (moment - timedelta(microseconds=1)).astimezone(info).utcoffset()
    after = moment.astimezone(info).utcoffset()
    assert before != after


def test_stamps_across_a_change_are_the_walls_time(tmp_path: Path) -> None:
    truth = clocks.across_a_change(tmp_path, "America/Denver", datetime(2027, 3, 14, 9))
    stamps = [(tmp_path / n).read_bytes()[176:184] for n in truth.counted]
    # 00:00 standard time; two hours and ten minutes later the wall shows 03:10.
    assert stamps == [b"00.00.00", b"03.10.00"]


def test_faults_hold_for_exactly_their_seconds() -> None:
    change = faults(256, ("flat", [0], 3, 5), ("saturated", [1], 2.5, 4), ("hum", [2], 1, 9))
    loud = Amplifier(rate=256, labels=EEG_8, change=change)
    data, sound = loud.samples(512, 2048), Amplifier(rate=256, labels=EEG_8).samples(512, 2048)
    touched = data != sound
    for channel, (low, high) in enumerate(((3, 5), (2.5, 4), (1, 9))):
        first, last = max(0, low - 2) * 256, min(8, high - 2) * 256
        index = np.flatnonzero(touched[:, channel])
        assert first <= index[0] < first + 9
        assert last - 9 < index[-1] < last
    assert (data[256:768, 0] == 17).all()
    assert (data[128:512, 1] == 32767).all()
