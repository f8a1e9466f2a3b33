"""From a returned folder to a study: what belongs, and where each file lies in time."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterator, Sequence
from pathlib import Path

from auditor.core.clock import Axis
from auditor.core.progress import Progress
from auditor.inputs.local import LocalPlace, Place, as_place
from auditor.model import Finding, Order, Recording, Study, StudyFile
from auditor.policy import Policy
from auditor.study import clocks, leftovers
from auditor.study.belonging import sort_by_channels, sort_by_time
from auditor.study.copies import devices
from auditor.study.copy_findings import NOT_MATCHED, copy_findings
from auditor.study.dates import date_findings, misdated
from auditor.study.intake import take_in
from auditor.study.merging import match_copies
from auditor.study.overlaps import overlap_findings
from auditor.study.pieces import piece_findings, pieces_of
from auditor.study.placing import in_order, set_aside
from auditor.study.sequence import in_sequence

__all__ = ["LocalPlace", "Place", "as_place", "build_study"]


def build_study(
    paths: Sequence[Path] | Place,
    order: Order | None,
    policy: Policy,
    *,
    timezone: str | None = None,
    progress: Progress | None = None,
) -> Study:
    """The study that lies under ``paths`` (folders searched to the bottom, or files; or a place).

    ``timezone`` (an IANA name) goes before the order's. ``Study.findings`` holds what concerns the
    folder, the copies and the clocks; findings of single files stay in ``Recording.findings`` and
    ``UnreadableFile.finding``.

    Raises ``NothingReadable`` where there is no readable recording, ``SettingsError`` for an
    unknown time zone.
    """
    axis = Axis(timezone or (order.timezone if order else None))
    settings = policy.study
    intake = take_in(paths, progress=progress)
    hookup = _hookup(order, axis)
    where = intake.name

    stamped = in_order(_by_stamps(intake.recordings, axis, hookup))
    sorting = leftovers.Sorting(kept=stamped)
    leftovers.sort_by_patient(sorting, order, where)
    far = sort_by_time(sorting, order, hookup, settings)
    found = devices(sorting.kept, settings)
    kept = [f.recording for f in sorting.kept]
    for device in found:
        sort_by_channels(device, sorting, settings)
        own = [f.recording for f in device.files]
        device.files = in_sequence(own, axis, hookup, kept)[0]
    for distant in far:
        recordings = [f.recording for f in distant.device.files]
        distant.device.files = in_sequence(recordings, axis, None)[0]
    matched = match_copies([d for d in found if d.files], far, sorting, hookup, settings, progress)

    # Folders that turned out to go on with the reference's belong into its sequence.
    reference, doubts = in_sequence([f.recording for f in matched.files["A"]], axis, hookup)
    matched.files["A"] = reference
    counted = in_order(matched.counted)
    changes, steps = clocks.change_findings(reference, counted, axis, settings)
    wrong = misdated(sorting, counted)
    aside = [
        *sorting.files_aside(),
        *(set_aside(f, NOT_MATCHED) for d in matched.not_matched for f in d.files),
    ]
    pieces = pieces_of(
        counted, [f.recording.name for f in aside], [u.name for u in intake.unreadable]
    )
    findings: list[Finding] = [
        *intake.findings,
        *leftovers.left_over_findings(sorting, counted, axis, {f.recording.name for f, _ in wrong}),
        *date_findings(wrong, counted),
        *copy_findings(matched, axis, settings, where),
        *overlap_findings(
            list(matched.files.values()),
            lambda a, b: any(step.explains(a, b) for step in steps),
            settings,
            where,
        ),
        *changes,
        *clocks.doubt_findings(doubts, reference, counted, axis, settings, where),
        *piece_findings(pieces, counted, axis),
        *clocks.never_set_findings(counted, order, settings, where),
        *clocks.hookup_findings(counted, order, hookup, axis, settings),
    ]
    return Study(
        name=intake.name,
        root=intake.root,
        axis=axis,
        files=(*counted, *in_order(aside)),
        unreadable=intake.unreadable,
        copies=tuple(matched.copies),
        other_files=intake.other_files,
        findings=tuple(findings),
        pieces=pieces,
    )


def _hookup(order: Order | None, axis: Axis) -> int | None:
    if order is None or order.hookup_civil_ns is None:
        return None
    return axis.instant(order.hookup_civil_ns)


def _by_stamps(
    recordings: Sequence[Recording], axis: Axis, hookup: int | None
) -> Iterator[StudyFile]:
    """Every file by its own stamp, each folder in its own sequence."""
    folders: dict[str, list[Recording]] = defaultdict(list)
    for recording in recordings:
        folders[recording.name.rpartition("/")[0]].append(recording)
    for found in folders.values():
        yield from in_sequence(found, axis, hookup, recordings)[0]
