"""The fixtures: made again byte for byte, read as their truth says, and seen alike by others."""

from __future__ import annotations

import hashlib
import json
import os
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from auditor.core.errors import RecordingError
from auditor.edf import read_recording

ROOT = Path(__file__).parents[1]
FOLDER = ROOT / "fixtures"
TRUTH: list[dict[str, Any]] = json.loads((FOLDER / "truth.json").read_text("utf-8"))["files"]
READABLE = [t for t in TRUTH if t["readable"]]
UNREADABLE = [t for t in TRUTH if not t["readable"]]
CONTINUOUS = [
    t
    for t in READABLE
    if t["format"] in ("EDF", "EDF+C", "BDF", "BDF+C")
    and not t["problems"]
    and not t["cautions"]
    and t["record_ns"]
]
PYEDFLIB_REFUSES = {
    "record_third.edf": "format errors",  # onsets that are exact thirds beside 0.333333 s records
    "year_yy.edf": "startdate is incorrect",  # 'yy', which the EDF+ specification asks for
}
"""Well-formed fixtures that pyedflib 0.1.42 does not open, with its reason."""


def by_name(truth: dict[str, Any]) -> str:
    return str(truth["name"])


def digest(path: Path) -> str:
    return hashlib.sha256(path.read_bytes()).hexdigest()


def test_the_script_makes_every_fixture_byte_for_byte(tmp_path: Path) -> None:
    subprocess.run(
        [sys.executable, FOLDER / "make_fixtures.py", tmp_path],
        check=True,
        env={**os.environ, "PYTHONPATH": str(ROOT), "PYTHONDONTWRITEBYTECODE": "1"},
    )
    # Pictures in the README show pages; they are no input.
    other = (".py", ".md", ".png", "")
    kept = {p.name: digest(p) for p in FOLDER.iterdir() if p.suffix not in other}
    assert {p.name: digest(p) for p in tmp_path.iterdir()} == kept


def test_fixtures_stay_small_and_every_one_has_its_truth() -> None:
    files = [p for p in FOLDER.iterdir() if p.suffix in (".edf", ".bdf", ".dat")]
    assert sum(p.stat().st_size for p in files) < 2_000_000
    assert sorted(p.name for p in files) == sorted(map(by_name, TRUTH))


@pytest.mark.parametrize("truth", READABLE, ids=by_name)
def test_the_reader_measures_what_was_written(truth: dict[str, Any]) -> None:
    recording = read_recording(FOLDER / truth["name"], truth["name"])
    assert recording.format == truth["format"]
    assert recording.record_ns == truth["record_ns"]
    assert recording.records == truth["records"]
    assert recording.closed == truth.get("closed", True)
    start = np.datetime64(truth["start"], "ns").astype(np.int64)
    assert recording.start_civil_ns == start
    if truth["records"]:
        assert int(recording.offsets_ns[0]) == truth["first_onset_ns"]
    assert swept(recording.offsets_ns, recording.record_ns) == (
        truth["recorded_ns"],
        truth["span_ns"],
        truth["gaps"],
        truth["dropouts"],
    )
    found = [[a.onset_ns, a.duration_ns, a.text] for a in recording.annotations]
    assert sorted(map(repr, found)) == sorted(map(repr, truth["annotations"]))
    unknown = [[u.first, u.last, u.earliest_ns, u.latest_ns] for u in recording.unknown_starts]
    assert unknown == truth.get("unknown_starts", [])


def swept(
    onsets: np.ndarray[Any, np.dtype[np.int64]], record: int
) -> tuple[int, int, list[list[int]], list[int]]:
    """Recorded time, span, gaps and dropouts, by marking the union's ends one by one."""
    starts = sorted(int(o) for o in onsets)
    reach, holes = starts[0], []
    for start in starts:
        if start > reach:
            holes.append([reach, start])
        reach = max(reach, start + record)
    gaps = [h for h in holes if h[1] - h[0] >= 1_000_000_000]
    dropouts = [h[1] - h[0] for h in holes if h not in gaps]
    span = reach - starts[0]
    return span - sum(b - a for a, b in holes), span, gaps, [len(dropouts), sum(dropouts)]


@pytest.mark.parametrize("truth", READABLE, ids=by_name)
def test_the_reader_finds_each_fault_and_no_other(truth: dict[str, Any]) -> None:
    recording = read_recording(FOLDER / truth["name"], truth["name"])
    for severity in ("problem", "caution"):
        codes = {f.code for f in recording.findings if f.severity == severity}
        assert sorted(codes) == truth[f"{severity}s"]


@pytest.mark.parametrize("truth", UNREADABLE, ids=by_name)
def test_a_file_that_is_no_recording_is_refused_with_its_reason(truth: dict[str, Any]) -> None:
    with pytest.raises(RecordingError) as caught:
        read_recording(FOLDER / truth["name"], truth["name"])
    assert caught.value.code == truth["code"]
    assert truth["name"] in str(caught.value)


@pytest.mark.parametrize("truth", CONTINUOUS, ids=by_name)
def test_edfio_reads_the_well_formed_continuous_ones_alike(truth: dict[str, Any]) -> None:
    import edfio

    read = edfio.read_edf if truth["format"].startswith("EDF") else edfio.read_bdf
    file = read(FOLDER / truth["name"])
    assert file.num_data_records == truth["records"]
    found = [(round(a.onset * 1e9), a.text) for a in file.annotations]
    shift = truth["first_onset_ns"]
    expected = [(a[0] - shift, a[2]) for a in truth["annotations"]]
    assert sorted(found) == sorted(expected)


@pytest.mark.parametrize("truth", CONTINUOUS, ids=by_name)
def test_mne_reads_the_well_formed_continuous_ones_alike(truth: dict[str, Any]) -> None:
    import mne

    path = FOLDER / truth["name"]
    if path.suffix == ".dat":
        pytest.skip("mne goes by the file's name")
    read = mne.io.read_raw_edf if path.suffix == ".edf" else mne.io.read_raw_bdf
    raw = read(path, verbose="error")
    assert round(raw.n_times / raw.info["sfreq"] * 1e9) == truth["recorded_ns"]
    assert raw.info["meas_date"].replace(tzinfo=None).isoformat() == truth["start"]
    assert sorted(raw.annotations.description) == sorted(a[2] for a in truth["annotations"])


@pytest.mark.parametrize("truth", CONTINUOUS, ids=by_name)
def test_pyedflib_reads_the_well_formed_continuous_ones_alike(truth: dict[str, Any]) -> None:
    import pyedflib

    if truth["name"] in PYEDFLIB_REFUSES:
        with pytest.raises(OSError, match=PYEDFLIB_REFUSES[truth["name"]]):
            pyedflib.EdfReader(str(FOLDER / truth["name"]))
        return
    with pyedflib.EdfReader(str(FOLDER / truth["name"])) as file:
        assert file.datarecords_in_file == truth["records"]
        assert file.getStartdatetime().replace(microsecond=0).isoformat() == truth["start"]
        # It goes by the header's mark: where that is missing, annotations are not looked for.
        expected = sorted(a[2] for a in truth["annotations"]) if "+" in truth["format"] else []
        assert sorted(file.readAnnotations()[2]) == expected
