"""The copies of a study: the reference, the copies matched to it, and what could not be matched."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

from auditor.core import intervals
from auditor.core.progress import Progress
from auditor.model import StudyCopy
from auditor.policy.study import StudySettings
from auditor.study.alignment import Alignment, align
from auditor.study.belonging import FarDevice
from auditor.study.copies import Device, choose_reference, common_folder, one_device
from auditor.study.copy_findings import Matched, copy_of
from auditor.study.leftovers import Sorting
from auditor.study.placing import in_order, names

_MAX_SEARCHES = 12
"""Searches in vain after which no more devices are looked at as copies: each reads much."""


def match_copies(
    found: Sequence[Device],
    far: Sequence[FarDevice],
    sorting: Sorting,
    hookup: int | None,
    settings: StudySettings,
    progress: Progress | None,
) -> Matched:
    """The reference as copy 'A', the others matched to it as 'B', 'C', … in order of their start.

    A device that matches nothing is never merged: one that names another recorder, or lies far
    away, goes to ``sorting`` as a left-over, any other to ``Matched.not_matched``.
    """
    if progress:
        progress.stage("Comparing copies", len(found) + len(far))
    chosen, why = choose_reference(found, hookup, settings)
    reference = found[chosen]
    matched = Matched(why=why)
    matched.files["A"] = reference.files
    matched.copies.append(
        StudyCopy(
            name="A",
            folder=reference.folder,
            reference=True,
            files=tuple(names(reference.files)),
            clock_offset_ns=0,
            drift_ppb=0,
            method=f"reference: {why}",
        )
    )
    if progress:
        progress.advance(1)
    searches = _MAX_SEARCHES
    for device in (d for i, d in enumerate(found) if i != chosen):
        anywhere = not _shares_time(device, reference)
        added = searches > 0 and _add(device, matched, settings, anywhere=anywhere)
        searches -= not added
        if device.series and not added:
            _take_back(device, reference, matched)
        elif not added:
            other = device.recorder and reference.recorder and device.recorder != reference.recorder
            if other:
                sorting.put_aside(device.files, "other_recorder", by_order=False)
            elif not _continue(device, reference, matched, settings):
                matched.not_matched.append(device)
        if progress:
            progress.advance(1)
    for distant in far:
        added = searches > 0 and _add(distant.device, matched, settings, anywhere=True)
        searches -= not added
        if not added:
            sorting.kept += distant.device.files
            sorting.put_aside(
                distant.device.files,
                distant.reason,
                by_order=distant.reason == "ended_before_hookup",
            )
        if progress:
            progress.advance(1)
    if len(matched.copies) == 1 and not matched.not_matched:
        matched.copies[0] = replace(matched.copies[0], method="the only copy")
    return matched


def _continue(device: Device, reference: Device, matched: Matched, settings: StudySettings) -> bool:
    """Take files that share no time with any copy as more of the reference's; false if they do."""
    counted = Device("", device.recorder, matched.counted)
    if not one_device(counted, device, settings):
        return False
    _take_back(device, reference, matched)
    return True


def _take_back(device: Device, reference: Device, matched: Matched) -> None:
    """Take a device's files as more of the reference's."""
    reference.files = in_order([*reference.files, *device.files])
    reference.folder = common_folder(reference.folder, device.folder)
    matched.files["A"] = reference.files
    matched.copies[0] = replace(
        matched.copies[0], folder=reference.folder, files=tuple(names(reference.files))
    )


def _shares_time(device: Device, reference: Device) -> bool:
    return bool(len(intervals.intersection(device.held(), reference.held())[0]))


def _add(device: Device, matched: Matched, settings: StudySettings, *, anywhere: bool) -> bool:
    """Put ``device`` beside the copies that it matches; false where it matches none."""
    name = _letter(len(matched.copies))
    for copy in matched.copies:
        try:
            alignment = align(
                device.files, matched.files[copy.name], name, settings, anywhere=anywhere
            )
        except OSError:
            alignment = None  # a file that cannot be read shows nothing; its finding says why
        if alignment is not None and device.series and not _moves(alignment):
            return False  # exported twice into one folder: duplicates, not a second device
        if alignment is not None:
            matched.via[name] = copy.name
            _keep(device, matched, name, alignment)
            return True
    return False


def _moves(alignment: Alignment) -> bool:
    return bool(alignment.offset_ns or alignment.last_offset_ns or alignment.residual_ns)


def _keep(device: Device, matched: Matched, name: str, alignment: Alignment) -> None:
    matched.files[name] = alignment.files
    matched.alignments[name] = alignment
    matched.copies.append(copy_of(name, device, alignment))


def _letter(index: int) -> str:
    """'A' … 'Z', then 'A2', 'B2', …"""
    turn, letter = divmod(index, 26)
    return chr(ord("A") + letter) + (str(turn + 1) if turn else "")
