"""Which of a folder's recordings are of this study: patient, time, channels, hook-up.

Each rule takes files and returns those that go; nothing is changed in place.
What the order decides is sure; what only the larger part of the files decides may be wrong.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence

from msgspec import Struct

from auditor.core.clock import Axis
from auditor.core.text import plain_words
from auditor.core.units import DAY, HOUR
from auditor.model import Order, PatientField, Recording, SetAsideCode, StudyFile
from auditor.policy.sections import StudySettings
from auditor.study.copies.devices import Device, devices
from auditor.study.copies.samples import signal_channels
from auditor.study.placing import SEAMLESS, in_order, recorded_ns

_CHANNEL_SHARE = 2
"""Files that share less than one in so many channels have another set (common practice, no source).
"""
_SHORTLY = 2 * HOUR
"""A test is made while the electrodes go on, not the day before (common practice, no source)."""
_AFTER_DEFAULT = 7 * DAY
"""A start within this after a default date is of a clock never set (common practice, no source)."""


class Aside(Struct, frozen=True):
    """A file that is not counted, and why; ``by_order`` where the order told its patient."""

    file: StudyFile
    code: SetAsideCode
    by_order: bool = False


Far = tuple[SetAsideCode, Device]
"""Files far away by their stamps that may yet be a copy with a wrong clock; else set aside."""


def without(files: Iterable[StudyFile], gone: Iterable[Aside]) -> list[StudyFile]:
    """``files`` but those that are set aside."""
    apart = {a.file.name for a in gone}
    return [f for f in files if f.name not in apart]


# ---------------------------------------------------------------- patient


def patient_code(recording: Recording) -> str | None:
    """The patient code of the header, or ``None`` where it names none ('X' or blank).

    EDF+ keeps it in the first subfield of the patient field; of free text, as plain EDF holds it,
    the first word is taken (common practice, no source).
    """
    code = recording.header.patient_field.code
    if code is None and _is_free_text(recording):
        words = recording.header.patient.split()
        code = words[0] if words else None
    if code is None or code.strip().upper() in ("", "X"):
        return None
    return plain_words(code)


def _is_free_text(recording: Recording) -> bool:
    return recording.header.patient_field == PatientField()


def by_code(
    files: Iterable[StudyFile], order: Order | None
) -> tuple[str | None, dict[str | None, list[StudyFile]]]:
    """The order's code, and the files by theirs; the order's may stand anywhere in free text."""
    wanted = plain_words(order.patient_code) if order and order.patient_code else None
    found: dict[str | None, list[StudyFile]] = defaultdict(list)
    for file in files:
        rec = file.recording
        named = wanted is not None and (
            patient_code(rec) == wanted
            or (_is_free_text(rec) and f" {wanted} " in f" {plain_words(rec.header.patient)} ")
        )
        found[wanted if named else patient_code(rec)].append(file)
    return wanted, dict(found)


def sort_by_patient(
    files: Sequence[StudyFile], order: Order | None, pinned: Collection[str]
) -> list[Aside]:
    """Set the files of other patients aside, but those that a person counted (``pinned``).

    With a code in the order, files with another code go. Without one, or where no file carries it,
    the code that holds the most time is the study's. A file without a code is no conflict.
    """
    wanted, found = by_code(files, order)
    codes = {code: own for code, own in found.items() if code is not None}
    if len(codes) < 2:
        return []

    def size(code: str) -> tuple[int, int, str]:
        # Of two groups of one size the later is the study: what is left over lay there before.
        return recorded_ns(codes[code]), max(f.start for f in codes[code]), code

    main = wanted if wanted in codes else max(codes, key=size)
    others = [f for code, own in codes.items() if code != main for f in own if f.name not in pinned]
    return [Aside(f, "other_patient", by_order=main == wanted) for f in others]


# ---------------------------------------------------------------- time


def clusters(files: Iterable[StudyFile], apart_ns: int) -> list[list[StudyFile]]:
    """Files in time order, split wherever a silence of at least ``apart_ns`` lies between."""
    groups: list[list[StudyFile]] = []
    end = 0
    for file in in_order(files):
        if groups and file.start - end < apart_ns:
            groups[-1].append(file)
            end = max(end, file.end)
        else:
            groups.append([file])
            end = file.end
    return groups


def at_default_date(file: StudyFile, settings: StudySettings) -> bool:
    """Whether the start stamp lies just after a date at which clocks start."""
    start = file.recording.start_civil_ns
    return any(0 <= start - d < _AFTER_DEFAULT for d in settings.default_starts)


def hookup_instant(order: Order | None, axis: Axis, files: Sequence[StudyFile]) -> int | None:
    """The order's hook-up; in an hour that exists twice the reading nearest to a file's start."""
    if order is None or order.hookup_civil_ns is None:
        return None
    starts = [f.start for f in files]
    return min(
        axis.readings(order.hookup_civil_ns),
        key=lambda r: min((abs(s - r) for s in starts), default=0),
    )


def sort_by_time(
    files: Sequence[StudyFile],
    order: Order | None,
    hookup: int | None,
    settings: StudySettings,
    pinned: Collection[str],
) -> tuple[tuple[StudyFile, ...], tuple[Far, ...]]:
    """The files around the study, and those far from it in time, by device.

    A file whose clock was reset, or a copy whose date is wrong, lies far away by its stamps; one
    without a usable start lies nowhere. They belong only where another copy holds their samples.
    Where no file has a usable start, the longest is the study.
    """
    dated = [f for f in files if f.recording.start_known]
    undated = [f for f in files if not f.recording.start_known]
    if not dated:
        longest = min(undated, key=lambda f: (-recorded_ns([f]), f.name))
        undated.remove(longest)
        dated = [longest]
    far: list[Far] = [("start_not_known", Device.of([f])) for f in in_order(undated)]
    groups = clusters(dated, settings.far_apart_ns + 1)
    main = _main(groups, hookup, order.ordered_ns if order else 0, settings)
    near = list(groups[main])
    for index, group in enumerate(groups):
        if index != main:
            near += [f for f in group if f.name in pinned]
            rest = [f for f in group if f.name not in pinned]
            reset = all(at_default_date(f, settings) for f in group)
            early = hookup is not None and all(f.end < hookup for f in group)
            early = early and groups[main][-1].end >= (hookup or 0)
            code: SetAsideCode = (
                "default_date" if reset else "before_hookup" if early else "far_in_time"
            )
            far += [(code, device) for device in devices(rest)]
    return tuple(in_order(near)), tuple(far)


def _main(
    groups: Sequence[list[StudyFile]], hookup: int | None, ordered_ns: int, settings: StudySettings
) -> int:
    """The index of the group that is the study: the one at the hook-up, else the longest."""

    def size(index: int) -> tuple[int, bool, int]:
        # Of groups of one size the one whose clock was set is the study, then the later one.
        set_clock = not all(at_default_date(f, settings) for f in groups[index])
        return recorded_ns(groups[index]), set_clock, index

    longest = max(range(len(groups)), key=size)
    if hookup is None:
        return longest

    def distance(index: int) -> int:
        start = groups[index][0].start
        end = max(f.end for f in groups[index])
        return max(0, start - hookup - ordered_ns, hookup - end)

    nearest = min(range(len(groups)), key=lambda i: (distance(i), -recorded_ns(groups[i]), i))
    # A clock that is wrong by weeks would make any group the nearest: then the longest is taken.
    return nearest if distance(nearest) <= settings.far_apart_ns else longest


def sort_by_hookup(
    files: Sequence[StudyFile], hookup: int | None, settings: StudySettings, pinned: Collection[str]
) -> list[Aside]:
    """Set aside what ended before the hook-up: recorded before this patient was connected.

    ``files`` lie where the study's clock puts them. A file that goes on over the hook-up is counted
    whole, and so are the files before it that it continues without an interruption, as far back as
    the hook-up may be off. Where nothing would be left, the hook-up or the clock is wrong, not the
    files. A few minutes shortly before the hook-up are a test.
    """
    if hookup is None:
        return []
    ended = [f for f in in_order(files) if f.interval and f.end < hookup and f.name not in pinned]
    gone = {f.name for f in ended}
    stay = [f for f in files if f.name not in gone]
    if not recorded_ns(stay):
        return []
    joints = {f.copy: [g.start for g in stay if g.copy == f.copy] for f in ended}
    early = []
    for file in reversed(ended):
        own = joints[file.copy]
        goes_on = any(abs(s - file.end) <= SEAMLESS for s in own)
        if goes_on and file.start >= hookup - settings.hookup_tolerance_ns:
            own.append(file.start)
        else:
            early.append(file)
    test = recorded_ns(early) <= settings.test_recording_ns and all(
        hookup - f.end <= _SHORTLY for f in early
    )
    return [Aside(f, "test_recording" if test else "before_hookup") for f in early]


# ---------------------------------------------------------------- channels


def sort_by_channels(files: Sequence[StudyFile], pinned: Collection[str]) -> list[Aside]:
    """Set aside a device's files that share too few channels with those that hold the most time.

    Files without any signal (annotations only) have no channel set to differ in.
    """
    sets: dict[frozenset[str], list[StudyFile]] = defaultdict(list)
    for file in files:
        keys = frozenset(signal_channels(file.recording))
        if keys:
            sets[keys].append(file)
    main = max(sets, key=lambda k: (recorded_ns(sets[k]), sorted(k)), default=frozenset())
    return [
        Aside(f, "other_channel_set")
        for keys, group in sets.items()
        if len(keys & main) * _CHANNEL_SHARE < len(keys | main)
        for f in group
        if f.name not in pinned
    ]
