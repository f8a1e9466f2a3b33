"""Which folders are copies of one study, and where a copy's files lie on the reference's line.

A copy is one device's output. Files of one device never share time, so folders whose files do are
looked at as copies, and proved by their samples (``matching``, else ``correlation``).
"""

from __future__ import annotations

import posixpath
import re
from collections import defaultdict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from auditor.core import intervals
from auditor.core.errors import BeyondLimit
from auditor.model import StudyFile
from auditor.policy.study import StudySettings
from auditor.study.leftovers import recorder_of
from auditor.study.placing import held, in_order, recorded_ns, start_of


@dataclass(slots=True)
class Device:
    """The files that one device seems to have written, placed by its own stamps."""

    folder: str
    recorder: str
    files: list[StudyFile] = field(default_factory=list)
    series: str = ""
    """What its files' names have in common, where two series in one folder share time."""

    @property
    def recorded_ns(self) -> int:
        """Its own recorded time."""
        return recorded_ns(self.files)

    @property
    def start(self) -> int:
        """Its first record's start by its own stamps."""
        return min((start_of(f) for f in self.files if f.interval), default=0)

    def held(self) -> intervals.Pair:
        """Its recorded time as a plain pair."""
        return held(self.files)


MOST_DEVICES = 100
"""A study has two or three copies; each is compared with all others."""


def devices(files: Sequence[StudyFile], settings: StudySettings) -> list[Device]:
    """``files`` by device, each in time order; devices by their start.

    Folders whose files share time are kept apart, at the outermost level at which that can be done
    (``card/day1`` and ``computer/day1``), else at the innermost (``day1/card``); folders of one
    series (``day1``, ``day2``) stay together.

    Raises ``BeyondLimit`` for more devices than any study has.
    """
    units = _units(files, settings)
    if len(units) == 1:
        return _finished(units)
    levels: tuple[Callable[[str], str], ...] = (
        lambda folder: folder.split("/", 1)[0],
        posixpath.basename,
        lambda folder: folder,
    )
    for level in levels:
        groups: dict[tuple[str, str, str], list[Device]] = defaultdict(list)
        for unit in units:
            groups[level(unit.folder), unit.recorder, unit.series].append(unit)
        if not any(_conflicting(group, settings) for group in groups.values()):
            break
    merged: list[Device] = []
    series: list[str] = []
    for group in sorted(map(_together, groups.values()), key=lambda d: (d.start, d.folder)):
        own = f"{_series(group.folder)}/{group.series}"
        for device, other in zip(merged, series, strict=True):
            if own == other and one_device(device, group, settings):
                device.files += group.files
                device.folder = common_folder(device.folder, group.folder)
                device.recorder = device.recorder or group.recorder
                break
        else:
            merged.append(group)
            series.append(own)
            if len(merged) > MOST_DEVICES:
                raise BeyondLimit(
                    "study",
                    f"more than {MOST_DEVICES} folders or recorders hold recordings that one "
                    "device cannot have made",
                    "Give the folder of one study; 'auditor batch' audits a folder of studies.",
                )
    return _finished(merged)


def _finished(found: list[Device]) -> list[Device]:
    for device in found:
        device.files = in_order(device.files)
    return sorted(found, key=lambda d: (d.start, d.folder))


def _units(files: Sequence[StudyFile], settings: StudySettings) -> list[Device]:
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
            units += _by_series(Device(folder, recorder, found), settings)
    return units


def _by_series(unit: Device, settings: StudySettings) -> list[Device]:
    """One folder's files, apart by the series of their names where that keeps shared time apart.

    Two devices' files are at times kept in one folder (``card1.edf`` beside ``pc1.edf``).
    """
    single = [Device(unit.folder, "", [f]) for f in unit.files if f.interval]
    if not _conflicting(single, settings):
        return [unit]
    groups: dict[str, list[StudyFile]] = defaultdict(list)
    for file in unit.files:
        groups[_series(posixpath.basename(file.recording.name))].append(file)
    parts = [Device(unit.folder, unit.recorder, files, name) for name, files in groups.items()]
    conflicts = any(
        _conflicting([Device("", "", [f]) for f in part.files], settings) for part in parts
    )
    return [unit] if len(parts) == 1 or conflicts else parts


def _together(units: Sequence[Device]) -> Device:
    folder = units[0].folder
    for unit in units[1:]:
        folder = common_folder(folder, unit.folder)
    recorder = next((u.recorder for u in units if u.recorder), "")
    return Device(folder, recorder, [f for u in units for f in u.files], units[0].series)


def common_folder(a: str, b: str) -> str:
    """The folder that holds both, or both named where that is the study's own folder."""
    if a == b:
        return a
    shared = []
    for x, y in zip(a.split("/"), b.split("/"), strict=False):
        if x != y:
            break
        shared.append(x)
    return "/".join(shared)


def _series(folder: str) -> str:
    """What the names of one series of folders have in common: all but their numbers."""
    return re.sub(r"\d+", "", folder).lower()


def one_device(a: Device, b: Device, settings: StudySettings) -> bool:
    """Whether one device can have written both: no time in common, no other recorder's name."""
    return _same_recorder(a, b) and not _conflict(a, b, settings)


def _same_recorder(a: Device, b: Device) -> bool:
    return not a.recorder or not b.recorder or a.recorder == b.recorder


def _conflicting(units: Sequence[Device], settings: StudySettings) -> bool:
    """Whether any two of ``units`` share too much time to be of one device."""
    pairs = [(d.held(), d) for d in units]
    pairs = sorted((h for h in pairs if len(h[0][0])), key=lambda h: (int(h[0][0][0]), h[1].folder))
    active: list[intervals.Pair] = []
    for pair, _ in pairs:
        active = [p for p in active if int(p[1][-1]) > int(pair[0][0])]
        if any(_shares(p, pair, settings) for p in active):
            return True
        active.append(pair)
    return False


def _conflict(a: Device, b: Device, settings: StudySettings) -> bool:
    """Whether the two share so much time that one device cannot have recorded both."""
    return _shares(a.held(), b.held(), settings)


def _shares(first: intervals.Pair, second: intervals.Pair, settings: StudySettings) -> bool:
    shared = intervals.total(intervals.intersection(first, second))
    shorter = min(intervals.total(first), intervals.total(second))
    return shared > 0 and shared * 1_000_000 >= settings.copy_overlap_ppm * shorter


# ---------------------------------------------------------------- reference


def choose_reference(
    found: Sequence[Device], hookup: int | None, settings: StudySettings
) -> tuple[int, str]:
    """The index of the device whose clock is the study's, and why, in words.

    The clock that agrees with the hook-up where only some do; else the recorder's own card; else
    the device that recorded longest; else the first by folder.
    """
    chosen = [i for i, d in enumerate(found) if d.recorded_ns] or list(range(len(found)))
    if len(chosen) == 1:
        return chosen[0], "the only copy"
    if hookup is not None:
        agreeing = [
            i for i in chosen if abs(found[i].start - hookup) <= settings.hookup_tolerance_ns
        ]
        if len(agreeing) == 1:
            return agreeing[0], "only its clock agrees with the hook-up of the order"
        chosen = agreeing or chosen
    cards = [i for i in chosen if _is_card(found[i].folder, settings)]
    if len(cards) == 1:
        return cards[0], "its folder is named as the recorder's own card"
    chosen = cards or chosen
    longest = max(found[i].recorded_ns for i in chosen)
    most = [i for i in chosen if found[i].recorded_ns == longest]
    if len(most) == 1:
        return most[0], "it recorded longest"
    return (
        min(most, key=lambda i: (found[i].folder, found[i].start)),
        "the first by folder, for nothing else tells the copies apart",
    )


def _is_card(folder: str, settings: StudySettings) -> bool:
    words = folder.lower()
    for mark in "/_-. ()":
        words = words.replace(mark, " ")
    return any(word.lower() in words.split() for word in settings.card_words)
