"""Clocks: daylight-saving changes of the IANA database, resets, steps, and the hook-up."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from helpers_studies import Amplifier, Clock, civil, write_piece
from hypothesis import given
from hypothesis import strategies as st

from auditor.core.clock import Axis
from auditor.core.errors import SettingsError
from auditor.core.units import DAY, HOUR, MINUTE, NS
from auditor.model import Finding, Interval, Order, Study
from auditor.policy import load_policy
from auditor.study import build_study
from auditor.study.clocks import likely_step, transitions
from auditor.study.placing import recorded_ns

POLICY = load_policy()
AMPLIFIER = Amplifier(rate=2, labels=("C3",), smooth=2)
EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
ZONES = (
    "America/Denver",
    "Europe/Vienna",
    "Australia/Sydney",
    "Pacific/Auckland",
    "America/Santiago",
    "Australia/Lord_Howe",  # changes by half an hour
)
TRUE_TIME = Clock()


def changes(zone: str, year: int = 2027) -> list[tuple[datetime, timedelta]]:
    """(UTC moment, change of the offset) of every change in ``year``: the database asked minute by
    minute around each day whose ends differ."""
    info, found = ZoneInfo(zone), []
    day = datetime(year, 1, 1, tzinfo=UTC)
    while day.year == year:
        following = day + timedelta(days=1)
        if day.astimezone(info).utcoffset() != following.astimezone(info).utcoffset():
            for minute in range(24 * 60):
                a, b = day + timedelta(minutes=minute), day + timedelta(minutes=minute + 1)
                was, now = a.astimezone(info).utcoffset(), b.astimezone(info).utcoffset()
                assert was is not None
                assert now is not None
                if was != now:
                    found.append((b, now - was))
        day = following
    return found


CHANGES = [(zone, at, by) for zone in ZONES for at, by in changes(zone)]
SPRING = [c for c in CHANGES if c[2] > timedelta(0)]
AUTUMN = [c for c in CHANGES if c[2] < timedelta(0)]


def named(case: object) -> str:
    return str(case) if isinstance(case, str) else ""


def ns(moment: datetime) -> int:
    return (moment - EPOCH) // timedelta(microseconds=1) * 1000


def local(moment: datetime, zone: str) -> datetime:
    """The civil time of a clock that follows the zone."""
    return moment.astimezone(ZoneInfo(zone)).replace(tzinfo=None)


def unfollowed(moment: datetime, zone: str, since: datetime) -> datetime:
    """The civil time of a clock that was right at ``since`` and followed no change."""
    offset = since.astimezone(ZoneInfo(zone)).utcoffset()
    assert offset is not None
    return (moment + offset).replace(tzinfo=None)


def write_pieces(
    folder: Path, first: datetime, minutes: int, count: int, shows: Callable[[datetime], datetime]
) -> None:
    """``count`` files that join each other, each stamped as the clock ``shows`` its start."""
    for i in range(count):
        start = first + timedelta(minutes=minutes * i)
        write_piece(
            folder / f"{i:02d}.edf",
            (i * minutes * 60, (i + 1) * minutes * 60),
            amplifier=AMPLIFIER,
            clock=TRUE_TIME,
            record_s=10,
            start=shows(start),
        )


def audit(folder: Path, zone: str | None, **order: object) -> Study:
    ordered = Order(8 * HOUR, "order file", timezone=zone, **order)  # type: ignore[arg-type]
    return build_study([folder], ordered, POLICY)


def said(study: Study) -> dict[str, Finding]:
    return {f.code: f for f in study.findings}


def test_every_zone_changes_twice_and_lord_howe_by_half_an_hour() -> None:
    assert len(CHANGES) == 2 * len(ZONES)
    assert {abs(by) for zone, _, by in CHANGES if "Howe" in zone} == {timedelta(minutes=30)}


@pytest.mark.parametrize(("zone", "at", "by"), CHANGES, ids=named)
def test_the_changes_found_are_those_of_the_database(
    zone: str, at: datetime, by: timedelta
) -> None:
    span = Interval(ns(at) - 40 * DAY, ns(at) + 40 * DAY)
    assert transitions(Axis(zone), span) == [(ns(at), by // timedelta(microseconds=1) * 1000)]


@pytest.mark.parametrize(("zone", "at", "by"), CHANGES, ids=named)
def test_one_file_through_the_change_is_as_long_as_it_is(
    tmp_path: Path, zone: str, at: datetime, by: timedelta
) -> None:
    first = at - timedelta(hours=3)
    write_pieces(tmp_path, first, 7 * 60, 1, lambda t: local(t, zone))
    study = audit(tmp_path, zone)
    (file,) = study.counted
    assert file.interval == Interval(ns(first), ns(first) + 7 * HOUR)
    civil_length = study.axis.civil(file.interval.end) - study.axis.civil(file.interval.start)
    assert civil_length == 7 * HOUR + by // timedelta(microseconds=1) * 1000
    assert {f.code: f.severity for f in study.findings} == {"daylight_saving_change": "info"}


@pytest.mark.parametrize(("zone", "at", "by"), CHANGES, ids=named)
@pytest.mark.parametrize("minutes", [10, 50, 120])
def test_a_clock_that_follows_the_change_leaves_no_gap(
    tmp_path: Path, zone: str, at: datetime, by: timedelta, minutes: int
) -> None:
    """Ten-minute pieces start several times in the hour that exists twice, in both passes; of two
    files with one stamp the first by name comes first."""
    count = 8 * 60 // minutes
    first = at - timedelta(minutes=minutes * (count // 2)) + timedelta(minutes=5)
    write_pieces(tmp_path, first, minutes, count, lambda t: local(t, zone))
    study = audit(tmp_path, zone)
    assert [f.recording.name for f in study.counted] == [f"{i:02d}.edf" for i in range(count)]
    edges = [f.interval for f in study.counted]
    assert edges == [
        Interval(ns(first) + i * minutes * MINUTE, ns(first) + (i + 1) * minutes * MINUTE)
        for i in range(count)
    ]
    assert {f.severity for f in study.findings} == {"info"}
    assert "daylight_saving_change" in said(study)


@pytest.mark.parametrize(("zone", "at", "by"), CHANGES, ids=named)
@pytest.mark.parametrize("minutes", [50, 120])
def test_a_clock_that_does_not_follow_gives_both_figures(
    tmp_path: Path, zone: str, at: datetime, by: timedelta, minutes: int
) -> None:
    count = 8 * 60 // minutes
    first = at - timedelta(minutes=minutes * (count // 2)) + timedelta(minutes=5)
    write_pieces(tmp_path, first, minutes, count, lambda t: unfollowed(t, zone, first))
    study = audit(tmp_path, zone)
    found = said(study)["daylight_saving_not_followed"]
    true_length = count * minutes * MINUTE
    assert found.severity == "problem"
    assert found.other_recorded_ns == true_length
    if by > timedelta(0):
        lost = by // timedelta(microseconds=1) * 1000
        assert recorded_ns(study.counted) == true_length - lost
    else:
        assert recorded_ns(study.counted) == true_length
    assert "overlapping_recordings" not in said(study)


@pytest.mark.parametrize(("zone", "at", "by"), AUTUMN, ids=named)
@pytest.mark.parametrize("second_pass", [False, True])
def test_the_repeated_hour_is_read_as_what_joins_best(
    tmp_path: Path, zone: str, at: datetime, by: timedelta, second_pass: bool
) -> None:
    """One file ends in the repeated hour; the next starts a minute later in the same pass."""
    into = timedelta(minutes=10) if second_pass else timedelta(minutes=10) + by
    end = at + into
    write_piece(
        tmp_path / "a.edf", (0, 2 * 3600), amplifier=AMPLIFIER, record_s=10,
        start=local(end - timedelta(hours=2), zone),
    )  # fmt: skip
    write_piece(
        tmp_path / "b.edf", (7260, 7260 + 7200), amplifier=AMPLIFIER, record_s=10,
        start=local(end + timedelta(minutes=1), zone),
    )  # fmt: skip
    study = audit(tmp_path, zone)
    assert len(study.axis.readings(study.counted[1].recording.start_civil_ns)) == 2
    assert study.counted[1].interval == Interval(ns(end) + MINUTE, ns(end) + MINUTE + 2 * HOUR)
    found = said(study)["repeated_hour"]
    assert found.severity == "info"
    shift = -(by // timedelta(microseconds=1) * 1000)
    other = 4 * HOUR if not second_pass else 4 * HOUR - (shift - MINUTE)
    assert found.other_recorded_ns == other


def test_a_lone_file_in_the_repeated_hour_is_read_by_the_hookup(tmp_path: Path) -> None:
    zone, at, _ = next(c for c in AUTUMN if c[0] == "America/Denver")
    start = local(at + timedelta(minutes=20), zone)
    write_piece(tmp_path / "a.edf", (0, 3600), amplifier=AMPLIFIER, record_s=10, start=start)
    first = audit(tmp_path, zone)
    assert first.counted[0].interval == Interval(ns(at) - 40 * MINUTE, ns(at) + 20 * MINUTE)
    assert said(first)["repeated_hour"].severity == "caution"
    hookup = civil(local(at + timedelta(minutes=90), zone))
    second = audit(tmp_path, zone, hookup_civil_ns=hookup)
    assert second.counted[0].interval == Interval(ns(at) + 20 * MINUTE, ns(at) + 80 * MINUTE)


def test_the_first_file_in_the_repeated_hour_joins_what_follows(tmp_path: Path) -> None:
    zone, at, _ = next(c for c in AUTUMN if c[0] == "Europe/Vienna")
    first = at + timedelta(minutes=30)
    write_pieces(tmp_path, first, 60, 3, lambda t: local(t, zone))
    study = audit(tmp_path, zone)
    assert study.counted[0].interval == Interval(ns(first), ns(first) + HOUR)
    assert recorded_ns(study.counted) == 3 * HOUR


@pytest.mark.parametrize(("zone", "at", "by"), SPRING, ids=named)
def test_a_start_that_no_clock_shows_is_said(
    tmp_path: Path, zone: str, at: datetime, by: timedelta
) -> None:
    skipped = local(at - timedelta(minutes=1), zone) + timedelta(minutes=16)
    write_piece(tmp_path / "a.edf", (0, 3600), amplifier=AMPLIFIER, record_s=10, start=skipped)
    study = audit(tmp_path, zone)
    found = said(study)["skipped_hour"]
    assert found.severity == "caution"
    assert found.other_recorded_ns == HOUR
    assert study.counted[0].interval == Interval(ns(at) + 15 * MINUTE, ns(at) + 75 * MINUTE)


def test_the_argument_goes_before_the_orders_time_zone(tmp_path: Path) -> None:
    write_piece(tmp_path / "a.edf", (0, 60), amplifier=AMPLIFIER)
    order = Order(HOUR, "order file", timezone="America/Denver")
    study = build_study([tmp_path], order, POLICY, timezone="Europe/Vienna")
    assert study.axis == Axis("Europe/Vienna")
    with pytest.raises(SettingsError):
        build_study([tmp_path], order, POLICY, timezone="Mars/Olympus")


def test_without_a_zone_stamps_are_taken_as_they_stand_and_an_exact_hour_is_said(
    tmp_path: Path,
) -> None:
    zone, at, _ = next(c for c in SPRING if c[0] == "America/Denver")
    first = at - timedelta(hours=2)
    write_pieces(tmp_path, first, 60, 4, lambda t: local(t, zone))
    study = audit(tmp_path, None)
    assert recorded_ns(study.counted) == 4 * HOUR
    found = said(study)["hour_step"]
    assert found.severity == "caution"
    assert found.span is not None
    assert found.span.duration == HOUR


def regular(folder: Path, holes: dict[int, int], count: int = 8, minutes: int = 30) -> None:
    """Pieces of ``minutes`` that join but for ``holes`` (after piece i: so many seconds)."""
    start = datetime(2027, 3, 2, 9, 30)
    for i in range(count):
        write_piece(
            folder / f"{i}.edf", (0, minutes * 60), amplifier=AMPLIFIER, record_s=10, start=start
        )
        start += timedelta(minutes=minutes, seconds=holes.get(i, 0))


def test_a_hole_after_a_full_piece_may_be_a_stepped_clock(tmp_path: Path) -> None:
    regular(tmp_path, {3: 400})
    found = said(audit(tmp_path, None))
    assert set(found) == {"clock_may_have_stepped"}
    assert found["clock_may_have_stepped"].severity == "caution"


@pytest.mark.parametrize("missing", [1, 3])
def test_a_hole_of_whole_pieces_is_a_file_that_was_not_copied(tmp_path: Path, missing: int) -> None:
    regular(tmp_path, {3: missing * 1800})
    study = audit(tmp_path, "America/Denver")
    found = said(study)
    assert set(found) == {"piece_missing"}
    assert found["piece_missing"].severity == "problem"
    assert found["piece_missing"].other_recorded_ns == (8 + missing) * 30 * MINUTE


def test_pieces_a_second_or_two_apart_in_length_and_one_that_is_missing(tmp_path: Path) -> None:
    """36 files of two hours, each a second or two longer or shorter, without number 17."""
    start = datetime(2027, 3, 2, 9, 30)
    for number in range(1, 37):
        length = 7200 + (0, 1, -1, 2, -2)[number % 5]
        if number != 17:
            write_piece(
                tmp_path / f"{number:02d}.edf", (0, length), amplifier=AMPLIFIER, start=start
            )
        start += timedelta(seconds=length)
    study = audit(tmp_path, "America/Denver")
    (found,) = [f for f in study.findings if f.code == "piece_missing"]
    assert found.headline == "a file is missing between 16.edf and 18.edf (1:59:59)"
    assert found.question == "files"
    (missing,) = study.missing
    assert (missing.files, missing.schedule, missing.numbers) == (1, True, True)
    assert missing.duration == 7199 * NS


def test_irregular_pieces_raise_no_doubt_of_the_clock(tmp_path: Path) -> None:
    start = datetime(2027, 3, 2, 9, 30)
    for i, minutes in enumerate((30, 40, 20, 50, 30)):
        write_piece(
            tmp_path / f"{i}.edf", (0, minutes * 60), amplifier=AMPLIFIER, record_s=10, start=start
        )
        start += timedelta(minutes=minutes, seconds=500)
    assert said(audit(tmp_path, None)) == {}


@pytest.mark.parametrize(
    ("late", "severity", "word"),
    [
        (timedelta(minutes=29), None, ""),
        (timedelta(minutes=31), "caution", ""),
        (timedelta(hours=1), "caution", "time zone"),
        (timedelta(hours=-1), "caution", "time zone"),
        (timedelta(hours=12), "problem", "afternoon"),
        (timedelta(days=365), "problem", "date"),
        (timedelta(days=-1), "problem", "date"),
    ],
)
def test_a_start_far_from_the_hookup_is_said_with_both_readings(
    tmp_path: Path, late: timedelta, severity: str | None, word: str
) -> None:
    hookup = datetime(2027, 6, 1, 9, 30)
    write_pieces(
        tmp_path, (hookup + late).replace(tzinfo=UTC), 60, 3, lambda t: t.replace(tzinfo=None)
    )
    found = said(audit(tmp_path, None, hookup_civil_ns=civil(hookup)))
    if severity is None:
        assert found == {}
        return
    assert found["start_disagrees_with_hookup"].severity == severity
    assert word in found["start_disagrees_with_hookup"].text
    assert "ended Tue 1 Jun 2027 12:30:00 instead" in found["start_disagrees_with_hookup"].text


@given(st.integers(min_value=-(10**6) * NS, max_value=10**6 * NS))
def test_a_likely_step_is_the_same_forward_and_back(step: int) -> None:
    assert likely_step(step) == likely_step(-step)


def test_a_leap_day_and_a_new_year_join(tmp_path: Path) -> None:
    for name, first in (("leap", datetime(2028, 2, 28, 22)), ("year", datetime(2027, 12, 31, 22))):
        folder = tmp_path / name
        folder.mkdir()
        write_pieces(folder, first.replace(tzinfo=UTC), 60, 4, lambda t: t.replace(tzinfo=None))
        study = audit(folder, "Australia/Lord_Howe")
        assert recorded_ns(study.counted) == 4 * HOUR
        assert said(study) == {}


def test_a_study_that_was_truly_recorded_at_a_default_date_is_not_doubted(tmp_path: Path) -> None:
    first = datetime(2010, 1, 2, 9, 30)
    write_pieces(tmp_path, first.replace(tzinfo=UTC), 60, 3, lambda t: t.replace(tzinfo=None))
    assert said(audit(tmp_path, None, hookup_civil_ns=civil(first))) == {}
    assert set(said(audit(tmp_path, None))) == {"clock_never_set"}


@pytest.mark.parametrize("breaks", [(), (3,), None], ids=["joins", "gap", "one file"])
def test_a_change_that_no_joint_shows_to_be_followed_is_said(
    tmp_path: Path, breaks: tuple[int, ...] | None
) -> None:
    zone, at, _ = next(c for c in SPRING if c[0] == "America/Denver")
    if breaks is None:
        write_pieces(tmp_path, at - timedelta(hours=2), 240, 1, lambda t: local(t, zone))
    else:
        start = at - timedelta(hours=2)
        for i, after in enumerate((3, 0)):
            write_piece(
                tmp_path / f"{i}.edf", (i * 7200, i * 7200 + 7200), amplifier=AMPLIFIER,
                record_s=10, start=local(start, zone),
            )  # fmt: skip
            start += timedelta(hours=2, minutes=20 if after in breaks else 0)
    text = said(audit(tmp_path, zone))["daylight_saving_change"].text
    assert ("Nothing shows" in text) == (breaks != ())


def test_the_file_before_may_lie_in_another_folder(tmp_path: Path) -> None:
    """The second folder's only file starts in the second pass of the repeated hour."""
    zone, at, _ = next(c for c in AUTUMN if c[0] == "Europe/Vienna")
    for folder, start, first in (("evening", at - timedelta(hours=3), 0), ("night", at, 10_800)):
        (tmp_path / folder).mkdir()
        write_piece(
            tmp_path / folder / "a.edf", (first, first + 10_800), amplifier=AMPLIFIER,
            record_s=10, start=local(start, zone),
        )  # fmt: skip
    study = audit(tmp_path, zone)
    assert [f.interval for f in study.counted] == [
        Interval(ns(at) - 3 * HOUR, ns(at)),
        Interval(ns(at), ns(at) + 3 * HOUR),
    ]
    assert said(study)["repeated_hour"].severity == "info"
