"""Which of a folder's recordings are of this study in time and channels."""

from __future__ import annotations

from dataclasses import dataclass

from auditor.model import FindingCode, Order
from auditor.policy.study import StudySettings
from auditor.study import leftovers
from auditor.study.copies import Device, devices
from auditor.study.placing import names, start_of


@dataclass(slots=True)
class FarDevice:
    """Files far away by their stamps that may yet be a copy with a wrong clock."""

    reason: FindingCode
    device: Device


def sort_by_time(
    sorting: leftovers.Sorting, order: Order | None, hookup: int | None, settings: StudySettings
) -> list[FarDevice]:
    """Set aside what ended before the study; what lies far from it in time is returned.

    A file whose clock was reset, or a copy whose date is wrong, lies far away by its stamps: such
    files are taken out of ``sorting.kept`` and returned with the reason for which they will be set
    aside unless another copy holds the same samples.
    """
    groups = leftovers.clusters(sorting.kept, settings.far_apart_ns)
    ordered = order.ordered_ns if order else 0
    main = leftovers.main_cluster(groups, hookup, ordered, settings)
    in_time = hookup is not None and (
        start_of(groups[main][0]) >= hookup - settings.before_hookup_ns
    )
    far: list[FarDevice] = []
    for index, group in enumerate(groups):
        if index != main:
            dated = all(leftovers.at_default_date(f, settings) for f in group)
            early = in_time and index < main
            word: FindingCode = (
                "default_date" if dated else "ended_before_hookup" if early else "far_in_time"
            )
            far += [FarDevice(word, device) for device in devices(group, settings)]
    apart = {name for f in far for name in names(f.device.files)}
    sorting.kept = [f for f in sorting.kept if f.recording.name not in apart]
    if hookup is not None:
        early_files = leftovers.before_hookup(sorting.kept, hookup, settings)
        sorting.put_aside(early_files, "ended_before_hookup", by_order=True)
    return far


def sort_by_channels(device: Device, sorting: leftovers.Sorting, settings: StudySettings) -> None:
    """Set a device's files with another channel set aside."""
    others = leftovers.other_channels(device.files, settings)
    sorting.put_aside(others, "other_channel_set", by_order=False)
    gone = set(names(others))
    device.files = [f for f in device.files if f.recording.name not in gone]
