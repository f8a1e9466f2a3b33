"""Starts that records do not state, against the truth that they hide.

Any file whose records do not overlap is made, some records lose their time-keeping, and what the
reader says of them is compared with what was lost.
"""

from __future__ import annotations

import tracemalloc
from itertools import pairwise

import numpy as np
import pytest
from helpers_edf import MAIN_FIELDS, SIGNAL_FIELDS, Sig, edf, pad
from helpers_edf_source import codes, read
from hypothesis import given, settings
from hypothesis import strategies as st

from auditor.core.errors import RecordingError
from auditor.core.units import NS
from auditor.edf import timing
from auditor.edf.notes import Notes
from auditor.edf.records import UNKNOWN
from auditor.edf.timing import check_order, settle

STEPS = st.lists(
    st.sampled_from([0, 0, 0, 0, 300_000_000, 1_000_000_000, 61_000_000_000, 7]),
    min_size=1,
    max_size=30,
)


@st.composite
def hidden(draw: st.DrawFn) -> tuple[list[int], list[int]]:
    """(true starts, the same with some unknown); the first begins within the first second."""
    record = NS
    first = draw(st.integers(0, NS - 1))
    truth = [first]
    for hole in draw(STEPS):
        truth.append(truth[-1] + record + hole)
    lost = draw(st.sets(st.integers(0, len(truth) - 1), max_size=len(truth) - 1))
    return truth, [UNKNOWN if i in lost else t for i, t in enumerate(truth)]


@settings(deadline=None)
@given(hidden())
def test_a_hidden_start_lies_within_the_bounds_that_are_given(
    case: tuple[list[int], list[int]],
) -> None:
    truth, stated = case
    notes = Notes("study.edf")
    offsets, unknown_starts = settle(np.array(stated, dtype=np.int64), NS, notes, continuous=False)
    said = offsets.tolist()
    assert len(said) == len(truth)
    doubtful = {i for u in unknown_starts for i in range(u.first, u.last + 1)}
    for i, (true, known, shown) in enumerate(zip(truth, stated, said, strict=True)):
        if known != UNKNOWN:
            assert shown == true
        elif i not in doubtful:
            # Restored: the neighbours leave the room to within rounding.
            assert abs(shown - true) <= timing.STEP_TOLERANCE_NS * (len(truth) + 1)
    for unknown in unknown_starts:
        assert all(stated[i] == UNKNOWN for i in range(unknown.first, unknown.last + 1))
        assert unknown.earliest_ns <= truth[unknown.first]
        assert unknown.latest_ns is None or truth[unknown.first] <= unknown.latest_ns
        assert said[unknown.first] == unknown.earliest_ns
    told = {f.code for f in notes.findings()}
    assert ("record_start_unknown" in told) == bool(unknown_starts)
    # Drawing never makes an overlap of a file that has none.
    assert all(b - a >= NS for a, b in pairwise(said))


@settings(deadline=None)
@given(
    st.lists(st.integers(-(10**12), 10**12), min_size=1, max_size=30),
    st.integers(1, 10**10),
    st.booleans(),
)
def test_any_sequence_of_starts_is_judged_in_a_few_findings(
    onsets: list[int], record: int, continuous: bool
) -> None:
    notes = Notes("study.edf")
    offsets, _ = settle(np.array(onsets, dtype=np.int64), record, notes, continuous=continuous)
    check_order(offsets, record, continuous=continuous, rounding_ns=0.0, notes=notes)
    seen = [f.code for f in notes.findings()]
    assert len(seen) == len(set(seen))
    said = offsets.tolist()
    back = any(b - a < record - NS for a, b in pairwise(said))
    if back:
        assert {"onsets_run_backwards", "record_duration_doubtful"} & set(seen)


def test_unknown_stretches_beyond_the_limit_are_counted(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(timing, "MAX_UNKNOWN", 3)
    onsets = [None if i % 2 else i * 5 for i in range(20)]
    recording = read(edf(onsets=onsets))
    assert len(recording.unknown_starts) == 3
    [found] = [f for f in recording.findings if f.code == "record_start_unknown"]
    assert "10 records do not state a start (in 10 places)" in found.text


# Claims take no memory before the file's size has been looked at.


@pytest.mark.parametrize(
    ("field", "text"),
    [("samples per record", "99999999"), ("digital maximum", "99999999"), ("physical maximum", "1e999")],
)  # fmt: skip
def test_claims_of_a_small_file_take_no_memory(field: str, text: str) -> None:
    raw = edf(
        onsets=[0, 1],
        signal_fields={(field, i): text for i in range(3)},
        fields={"record count": "99999999"},
    )
    read(edf(onsets=[0]))
    tracemalloc.start()
    try:
        codes(read(raw))
    except RecordingError as error:
        assert error.code == "nothing_recorded"  # noqa: PT017  either outcome is right
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert peak < 2_000_000


def test_9999_signals_are_read_where_the_file_really_has_them() -> None:
    count = 9999
    main = {"version": "0", "start date": "02.03.27", "start time": "09.30.00", "header bytes": str(256 * (count + 1)),
            "record count": "1", "record duration": "1", "signals": str(count)}  # fmt: skip
    fields = {"label": "EEG Fp1", "physical minimum": "-1", "physical maximum": "1", "digital minimum": "-9",
              "digital maximum": "9", "samples per record": "1"}  # fmt: skip
    raw = b"".join(pad(main.get(name, ""), width) for name, width in MAIN_FIELDS)
    raw += b"".join(pad(fields.get(name, ""), width) * count for name, width in SIGNAL_FIELDS)
    recording = read(raw + b"\1\0" * count)
    assert len(recording.channels) == count
    assert recording.records == 1
    assert codes(recording) == []


def test_thousands_of_faults_make_one_finding_each() -> None:
    rows = {(i, 0): b"+1\x14\x14" + bytes([0, 255, 0, 43, 0, 20]) * 8 for i in range(300)}
    signals = [Sig(f"EEG Fp1 \xe9{i}", 1, physical=("1,5", "x")) for i in range(300)]
    recording = read(edf(onsets=range(300), signals=signals, raw_annotations=rows))
    assert len(recording.findings) < 8
    assert max(len(f.text) + len(f.observed) for f in recording.findings) < 1500
