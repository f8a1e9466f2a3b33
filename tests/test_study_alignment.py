"""The arithmetic of putting a copy on the reference's line; settings; files that hold no time."""

from __future__ import annotations

from datetime import datetime
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from helpers_studies import Amplifier, civil, write_piece
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.errors import SettingsError
from auditor.core.units import HOUR, MINUTE, NS
from auditor.demo.writer import Header, Writer, annotation_signal
from auditor.model import TimeMap
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.study.alignment import Fit, _Offsets, fit
from auditor.study.correlation import _peak, line
from auditor.study.matching import Anchor, spread
from auditor.study.placing import place, recorded_ns

POLICY = load_policy()
AMPLIFIER = Amplifier(rate=8, labels=("C3", "C4"))


@pytest.fixture(scope="module")
def recording(tmp_path_factory: pytest.TempPathFactory):
    """A continuous recording of one hour."""
    root = tmp_path_factory.mktemp("one")
    write_piece(root / "a.edf", (0, 3600), amplifier=AMPLIFIER, fmt="EDF")
    return build_study([root], None, POLICY).counted[0].recording


@given(
    ppm=st.integers(-500, 500),
    shift=st.integers(-(10**6) * NS, 10**6 * NS),
    offsets=st.lists(st.integers(0, 3599), min_size=1, max_size=6, unique=True),
)
def test_anchors_that_count_samples_are_met_to_the_nanosecond(
    recording, ppm: int, shift: int, offsets: list[int]
) -> None:
    ratio = Fraction(10**6 + ppm, 10**6)
    hits = [Anchor(o * NS, shift + round(o * NS * ratio), ratio, NS // 8) for o in sorted(offsets)]
    found: Fit = fit(place(recording, TimeMap(0)), hits)
    assert found.misfit_ns <= 1
    assert Fraction(found.map.rate_num, found.map.rate_den) == ratio
    for hit in hits:
        assert abs(found.map.instant(hit.offset_ns) - hit.instant) <= 1


@given(
    points=st.lists(
        st.tuples(st.integers(0, 10**15), st.integers(-(10**12), 10**12)),
        min_size=1,
        max_size=8,
        unique_by=lambda p: p[0],
    ),
    at=st.integers(-(10**15), 2 * 10**15),
)
def test_a_clock_offset_between_two_points_lies_between_theirs(
    points: list[tuple[int, int]], at: int
) -> None:
    known = _Offsets(points)
    ordered = sorted(points)
    for stamped, offset in ordered:
        assert known.at(stamped) == offset
    low = [p for p in ordered if p[0] <= at]
    high = [p for p in ordered if p[0] > at]
    if low and high:
        ends = sorted((low[-1][1], high[0][1]))
        assert ends[0] <= known.at(at) <= ends[1]


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(2, 50))
def test_places_are_spread_from_end_to_end(first: int, length: int, points: int) -> None:
    found = spread(first, first + length, points)
    assert found[0] == first
    assert found[-1] == first + length or length == 0
    assert found == sorted(set(found))
    assert len(found) <= points


@given(slope=st.integers(-400, 400), start=st.integers(-(10**12), 10**12))
def test_a_line_through_exact_points_is_theirs(slope: int, start: int) -> None:
    points = [(h * HOUR, start + h * HOUR * slope // 10**6) for h in range(0, 73, 6)]
    x0, y0, x1, y1 = line(points)
    assert (x0, x1) == (0, 72 * HOUR)
    assert abs(y0 - points[0][1]) <= 10_000  # doubles, of offsets of hours: microseconds
    assert abs(y1 - points[-1][1]) <= 10_000


def test_the_peak_is_found_between_samples_and_a_periodic_signal_has_a_second() -> None:
    rng = np.random.default_rng(3)
    smooth = np.convolve(rng.normal(size=4000), np.ones(9) / 9, "same")
    at, coefficient, second = _peak(smooth, smooth[1234:1734] * 5 + 100, 20)
    assert abs(at - 1234) < 0.01
    assert coefficient > 0.999
    assert second < 0.5
    wave = np.sin(np.arange(4000) / 10)
    _, coefficient, second = _peak(wave, wave[1234:1734], 20)
    assert coefficient - second < 0.01


def test_a_flat_signal_correlates_with_nothing() -> None:
    assert _peak(np.zeros(500), np.arange(100.0), 5)[1] == 0.0
    assert _peak(np.arange(500.0), np.zeros(100), 5)[1] == 0.0


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ("copy_search_s = [60, 60]", "copy_search_s"),
        ("copy_search_s = []", "copy_search_s"),
        ('default_dates = ["2000-01-01"]', "default_dates"),
        ("copy_points = 1", "copy_points"),
        ("channel_share = 1.5", "channel_share"),
        ("far_apart_hours = 0", "far_apart_hours"),
        ("before_hookup_s = -1", "before_hookup_s"),
        ("unheard_of = 1", "unheard_of"),
    ],
)
def test_impossible_settings_are_refused_by_name(tmp_path: Path, text: str, key: str) -> None:
    path = tmp_path / "policy.toml"
    path.write_text(f'[policy]\nname = "x"\npublisher = "x"\nchecked = "x"\n[study]\n{text}\n')
    with pytest.raises(SettingsError, match=key):
        load_policy(path)


def annotations_only(path: Path, start: datetime) -> None:
    """An EDF+ file without ordinary signals: record duration 0 (EDF+ specification, 2.1.2)."""
    header = Header(
        "EDF+C", start, (annotation_signal("EDF+C", 60),), record_duration="0",
        patient="P-2041 X X X", recording="Startdate X X X X",
    )  # fmt: skip
    with Writer(path, header) as writer:
        writer.write(np.empty((1, 0), np.int16), np.zeros(1, np.int64))


def test_a_file_of_annotations_is_counted_and_holds_no_time(tmp_path: Path) -> None:
    start = datetime(2027, 3, 2, 9, 30)
    for folder in ("card", "notes"):
        (tmp_path / folder).mkdir()
    write_piece(tmp_path / "card" / "a.edf", (0, 60), amplifier=AMPLIFIER)
    annotations_only(tmp_path / "notes" / "events.edf", start)
    study = build_study([tmp_path], None, POLICY)
    assert [f.role for f in study.files] == ["counted", "counted"]
    assert [c.name for c in study.copies] == ["A"]
    assert recorded_ns(study.counted) == MINUTE
    events = next(f for f in study.files if f.recording.name == "notes/events.edf")
    assert events.interval is None
    assert events.records_ns == 0
    assert events.map.anchor == civil(start)
    assert study.findings == ()


def test_nothing_but_annotations_is_a_study_of_no_time(tmp_path: Path) -> None:
    annotations_only(tmp_path / "events.edf", datetime(2027, 3, 2, 9, 30))
    study = build_study([tmp_path], None, POLICY)
    assert recorded_ns(study.counted) == 0
    assert len(study.counted) == 1
