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
from auditor.core.units import MINUTE, NS
from auditor.demo.writer import Header, Writer, annotation_signal
from auditor.model import TimeMap
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.study.copies.alignment import Fit, fit, offsets_at
from auditor.study.copies.samples import Anchor, spread
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
    ordered = sorted(points)
    for stamped, offset in ordered:
        assert offsets_at(ordered, stamped)[0] == offset
    low = [p for p in ordered if p[0] <= at]
    high = [p for p in ordered if p[0] > at]
    if low and high:
        ends = sorted((low[-1][1], high[0][1]))
        assert ends[0] <= offsets_at(ordered, at)[0] <= ends[1]


@given(st.integers(0, 10**6), st.integers(0, 10**6), st.integers(2, 50))
def test_places_are_spread_from_end_to_end(first: int, length: int, points: int) -> None:
    found = spread(first, first + length, points)
    assert found[0] == first
    assert found[-1] == first + length or length == 0
    assert found == sorted(set(found))
    assert len(found) <= points


@pytest.mark.parametrize(
    ("text", "key"),
    [
        ('default_dates = ["2000-01-01"]', "default_dates"),
        ("extra_share = 1.5", "extra_share"),
        ("silence_hours = 0", "silence_hours"),
        ("far_apart_hours = 0", "far_apart_hours"),
        ("test_recording_s = -1", "test_recording_s"),
        ("copy_points = 8", "copy_points"),
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
