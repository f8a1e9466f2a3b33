"""Which files one device seems to have written.

A copy is one device's output. Files of one device never share time, so folders whose files do are
looked at as copies, and proved by their samples (``align``).
"""

from __future__ import annotations

import posixpath
import re
from collections import defaultdict
from collections.abc import Callable, Iterable, Sequence

from msgspec import Struct
from msgspec.structs import replace

from auditor.core import intervals
from auditor.core.errors import BeyondLimit
from auditor.core.text import plain_words
from auditor.inputs.folder import common_folder
from auditor.model import Recording, StudyFile
from auditor.study.placing import held, in_order, recorded_ns

MOST_DEVICES = 100
"""A study has two or three copies; each is compared with all others."""
_SHARED = 20
"""One device may seem to share one part in so many of its time, when its clock was put back;
folders that share more may be copies (common practice, no source)."""


class Device(Struct, frozen=True, eq=False):
    """The files that one device seems to have written, in time order, placed by its own stamps."""

    folder: str
    recorder: str
    files: tuple[StudyFile, ...]
    series: str = ""
    """What its files' names have in common, where two series in one folder share time."""

    @staticmethod
    def of(files: Iterable[StudyFile]) -> Device:
        """The device of ``files``, named by the folder that holds them all."""
        ordered = tuple(in_order(files))
        recorder = next((r for r in (recorder_of(f.recording) for f in ordered) if r), "")
        return Device(common_folder(posixpath.dirname(f.name) for f in ordered),
                      recorder, ordered)  # fmt: skip

    @property
    def recorded_ns(self) -> int:
        """Its own recorded time."""
        return recorded_ns(self.files)

    @property
    def start(self) -> int:
        """Its first record's start by its own stamps."""
        return min((f.start for f in self.files if f.interval), default=0)

    def held(self) -> intervals.Pair:
        """Its recorded time as a plain pair."""
        return held(self.files)

    def shares_time(self, other: Device) -> bool:
        """Whether any time is held by both."""
        return bool(len(intervals.intersection(self.held(), other.held())[0]))


def recorder_of(recording: Recording) -> str:
    """The recorder that the header names, for comparison; '' where it names none."""
    equipment = recording.header.recording_field.equipment
    return plain_words(equipment) if equipment and equipment.strip().upper() != "X" else ""


def devices(files: Sequence[StudyFile]) -> tuple[Device, ...]:
    """``files`` by device, devices by their start.

    Folders whose files share time are kept apart, at the outermost level at which that can be done
    (``card/day1`` and ``computer/day1``), else at the innermost (``day1/card``); folders of one
    series (``day1``, ``day2``) stay together.

    Raises ``BeyondLimit`` for more devices than any study has.
    """
    units = _units(files)
    levels: tuple[Callable[[str], str], ...] = (
        lambda folder: folder.split("/", 1)[0],
        posixpath.basename,
        lambda folder: folder,
    )
    groups = [[unit] for unit in units]
    for level in levels if len(units) > 1 else ():
        by_level: dict[tuple[str, str, str], list[Device]] = defaultdict(list)
        for unit in units:
            by_level[level(unit.folder), unit.recorder, unit.series].append(unit)
        groups = list(by_level.values())
        if not any(_conflicting(unit.files for unit in group) for group in groups):
            break
    merged: list[tuple[str, Device]] = []
    for device in sorted(map(_together, groups), key=lambda d: (d.start, d.folder)):
        own = f"{_series(device.folder)}/{device.series}"
        for index, (series, other) in enumerate(merged):
            if series == own and one_device(other, device):
                merged[index] = series, _together([other, device])
                break
        else:
            merged.append((own, device))
            if len(merged) > MOST_DEVICES:
                raise BeyondLimit(
                    "study",
                    f"more than {MOST_DEVICES} folders or recorders hold recordings that one "
                    "device cannot have made",
                    "Give the folder of one study; 'auditor batch' audits a folder of studies.",
                )
    return tuple(sorted((d for _, d in merged), key=lambda d: (d.start, d.folder)))


def _units(files: Sequence[StudyFile]) -> list[Device]:
    """Files by folder and recorder; those that name no recorder go with the rest of the folder."""
    folders: dict[str, dict[str, list[StudyFile]]] = defaultdict(lambda: defaultdict(list))
    for file in files:
        rec = file.recording
        folders[posixpath.dirname(rec.name)][recorder_of(rec)].append(file)
    units = []
    for folder, recorders in folders.items():
        named = [r for r in recorders if r]
        if len(named) == 1 and "" in recorders:
            recorders[named[0]] += recorders.pop("")
        for recorder, found in recorders.items():
            units += _by_series(Device(folder, recorder, tuple(in_order(found))))
    return units


def _by_series(unit: Device) -> list[Device]:
    """One folder's files, apart by the series of their names where that keeps shared time apart.

    Two devices' files are at times kept in one folder (``card1.edf`` beside ``pc1.edf``).
    """
    if not _conflicting((f,) for f in unit.files):
        return [unit]
    groups: dict[str, list[StudyFile]] = defaultdict(list)
    for file in unit.files:
        groups[_series(posixpath.basename(file.name))].append(file)
    parts = [Device(unit.folder, unit.recorder, tuple(f), name) for name, f in groups.items()]
    conflicts = any(_conflicting((f,) for f in part.files) for part in parts)
    return [unit] if len(parts) == 1 or conflicts else parts


def _together(units: Sequence[Device]) -> Device:
    return replace(Device.of(f for u in units for f in u.files), series=units[0].series)


def _series(folder: str) -> str:
    """What the names of one series of folders have in common: all but their numbers."""
    return re.sub(r"\d+", "", folder).lower()


def one_device(a: Device, b: Device) -> bool:
    """Whether one device can have written both: no time in common, no other recorder's name."""
    same = not a.recorder or not b.recorder or a.recorder == b.recorder
    return same and not _shares(a.held(), b.held())


def _conflicting(groups: Iterable[Sequence[StudyFile]]) -> bool:
    """Whether any two of ``groups`` of files share too much time to be of one device."""
    pairs = sorted((p for p in map(held, groups) if len(p[0])), key=lambda p: int(p[0][0]))
    active: list[intervals.Pair] = []
    for pair in pairs:
        active = [p for p in active if int(p[1][-1]) > int(pair[0][0])]
        if any(_shares(p, pair) for p in active):
            return True
        active.append(pair)
    return False


def _shares(first: intervals.Pair, second: intervals.Pair) -> bool:
    shared = intervals.total(intervals.intersection(first, second))
    shorter = min(intervals.total(first), intervals.total(second))
    return shared > 0 and shared * _SHARED >= shorter


# ---------------------------------------------------------------- reference


def longest(found: Sequence[Device]) -> Device:
    """The device that recorded longest: the study's, where samples tell nothing else."""
    return min(found, key=lambda d: (-d.recorded_ns, d.start, d.folder))


def preferred(
    matched: Sequence[Device], hookup: int | None, tolerance_ns: int
) -> tuple[Device, str]:
    """Which of devices that hold the same samples gives the study's clock, and why, in words.

    The clock that agrees with the hook-up where only some do; else the recorder's own card; else
    the device that recorded longest; else the first by folder.
    """
    chosen = [d for d in matched if d.recorded_ns] or list(matched)
    if len(chosen) == 1:
        return chosen[0], "the only copy"
    if hookup is not None:
        agreeing = [
            d
            for d in chosen
            if any(abs(f.start - hookup) <= tolerance_ns for f in d.files if f.interval)
        ]
        if len(agreeing) == 1:
            return agreeing[0], "only its clock agrees with the hook-up of the order"
        chosen = agreeing or chosen
    cards = [d for d in chosen if _CARD & set(re.split(r"[/_\-. ()]+", d.folder.lower()))]
    if len(cards) == 1:
        return cards[0], "its folder is named as the recorder's own card"
    chosen = cards or chosen
    first = longest(chosen)
    if sum(d.recorded_ns == first.recorded_ns for d in chosen) == 1:
        return first, "it recorded longest"
    first = min(chosen, key=lambda d: (d.folder, d.start))
    return first, "the first by folder, for nothing else tells the copies apart"


_CARD = frozenset({"card", "sd", "recorder"})
"""Words in a folder's name that say it is the recorder's own card (common practice, no source)."""
