"""Gaps and bad stretches as annotations, read back by mne."""

from __future__ import annotations

from datetime import UTC, datetime
from pathlib import Path

import mne
import numpy as np
import pytest
from helpers_signal import Chan, noise, recording_bytes, scan
from msgspec.structs import replace

from auditor.core.clock import civil_ns
from auditor.core.units import NS
from auditor.model import BadStretch, Cause, Coverage, Gap, SignalFacts
from auditor.outputs.marks import marks

START = civil_ns(datetime(2027, 3, 2, 9, 30))
NONE = np.empty(0, np.int64)
LOW = Cause("power_exhausted", "witness")


def coverage(*gaps: tuple[int, int], start: int = START) -> Coverage:
    listed = tuple(Gap(start + a, start + b) for a, b in gaps)
    return Coverage(start, start + 9000 * NS, 0, 0, 0, 0, 0, 0, (), listed, (), NONE, NONE)


def signal(*stretches: BadStretch) -> SignalFacts:
    return SignalFacts(scanned=True, needed_channels=8, bad_stretches=stretches)


def read(tmp_path: Path, text: str) -> mne.Annotations:
    path = tmp_path / "marks.txt"
    path.write_text(text, encoding="utf-8")
    return mne.read_annotations(path)


def test_what_is_written_is_what_mne_reads(tmp_path: Path) -> None:
    flat = BadStretch(START + 5 * NS, START + 65 * NS, "flat", ("EEG C3-Ref", "T7"))
    few = BadStretch(START + 3000 * NS, START + 4000 * NS, "few_channels", ())
    text = marks(
        coverage((100 * NS, 350 * NS + 1), (700 * NS, 701 * NS)),
        (LOW, LOW),
        signal(flat, few),
        START,
    )
    found = read(tmp_path, text)
    assert found.orig_time == datetime(2027, 3, 2, 9, 30, tzinfo=UTC)
    assert found.onset.tolist() == [5, 100, 700, 3000]
    assert found.duration.tolist() == [60, pytest.approx(250.000000001, abs=1e-9), 1, 1000]
    assert found.description.tolist() == [
        "BAD_flat EEG C3-Ref T7", "BAD_gap power_exhausted", "BAD_gap power_exhausted",
        "BAD_few_channels",
    ]  # fmt: skip


def test_a_start_within_a_second_stays_in_the_onsets(tmp_path: Path) -> None:
    start = START + 394_531_200
    found = read(tmp_path, marks(coverage((NS, 2 * NS), start=start), (LOW,), signal(), start))
    assert found.orig_time == datetime(2027, 3, 2, 9, 30, tzinfo=UTC)
    assert found.onset.tolist() == [pytest.approx(1.3945312, abs=1e-9)]


def test_civil_start_is_written_whatever_the_axis(tmp_path: Path) -> None:
    # With a time zone the axis is UTC; mne takes the civil stamp of a file for UTC as it stands.
    found = read(tmp_path, marks(coverage((NS, 2 * NS)), (LOW,), signal(), START - 7 * 3600 * NS))
    assert found.orig_time == datetime(2027, 3, 2, 2, 30, tzinfo=UTC)
    assert found.onset.tolist() == [1]


def test_without_marks_mne_reads_an_empty_list(tmp_path: Path) -> None:
    assert len(read(tmp_path, marks(coverage(), (), signal(), START))) == 0


@pytest.mark.parametrize(
    "label",
    [
        "C3,0,BAD_x",
        "C3\n1,2,evil",
        "C3 # comment",
        "µV Ω",
        '"C3"',
        "=HYPERLINK()",
        "\u202eC3",
        "a\0b",
    ],
)
def test_hostile_labels_stay_in_their_column(tmp_path: Path, label: str) -> None:
    bad = BadStretch(START + NS, START + 2 * NS, "flat", (label, "C4"))
    after = BadStretch(START + 5 * NS, START + 6 * NS, "mains", ("O1",))
    text = marks(coverage(), (), signal(bad, after), START)
    assert text.isascii()
    found = read(tmp_path, text)
    assert found.onset.tolist() == [1, 5]
    assert found.description[0].startswith("BAD_flat ")
    assert found.description[0].endswith(" C4")
    assert found.description[1] == "BAD_mains O1"


def test_marks_lie_on_the_samples_when_mne_opens_the_recording(tmp_path: Path) -> None:
    dead = noise(120, 256)
    dead[30 * 256 : 75 * 256] = 0
    path = tmp_path / "S-2041.edf"
    path.write_bytes(recording_bytes([Chan("EEG C3-Ref", 256, dead)]))
    found = scan(tmp_path)
    start = found.study.axis.civil(found.coverage.first_start)
    text = marks(found.coverage, (), found.facts, start)
    raw = mne.io.read_raw_edf(path, verbose="error")
    raw.set_annotations(read(tmp_path, text))
    (flat,) = [a for a in raw.annotations if a["description"].startswith("BAD_flat")]
    first, last = flat["onset"], flat["onset"] + flat["duration"]
    assert (first, last) == (30, 75)
    inside = raw.get_data(tmin=first, tmax=last)
    assert np.ptp(inside) == 0
    kept = raw.get_data(reject_by_annotation="omit", verbose="error")
    assert kept.shape[1] == 75 * 256


def test_an_unscanned_study_gives_its_gaps(tmp_path: Path) -> None:
    unscanned = replace(signal(), scanned=False)
    assert len(read(tmp_path, marks(coverage((NS, 5 * NS)), (LOW,), unscanned, START))) == 1
