"""From a returned folder to a study: what belongs, and where each file lies in time."""

from __future__ import annotations

import posixpath
from collections.abc import Sequence
from pathlib import Path

from msgspec.structs import replace

from auditor.core.clock import Axis
from auditor.core.errors import NothingReadable
from auditor.core.progress import Progress, Silent
from auditor.inputs.folder import Place
from auditor.model import Corrections, Finding, Order, Recording, Study
from auditor.policy import Policy
from auditor.policy.sections import StudySettings
from auditor.study import aside, clocks
from auditor.study.belonging import (
    Aside,
    hookup_instant,
    sort_by_channels,
    sort_by_hookup,
    sort_by_patient,
    sort_by_time,
    without,
)
from auditor.study.copies.devices import devices, recorder_of
from auditor.study.copies.match import copy_findings, match_copies
from auditor.study.intake import Intake, take_in
from auditor.study.overlaps import overlap_findings
from auditor.study.pieces import piece_findings, pieces_of
from auditor.study.placing import in_order, recorded_ns, set_aside
from auditor.study.sequence import in_sequence
from auditor.study.whole import whole_findings


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
    progress = progress or Silent()
    intake = take_in(paths, progress)
    hand = aside.corrected(intake.recordings, order.corrections if order else Corrections())
    if len(hand.excluded) == len(intake.recordings):
        raise NothingReadable(
            intake.name,
            "every recording in it is excluded by hand",
            "Take those of this study out of exclude in the order.",
        )
    study = _put_together(intake, hand, order, axis, policy.study, progress)
    by_rules = recorded_ns(study.counted)
    if hand.any:
        untouched = aside.corrected(intake.recordings, Corrections())
        alone = _put_together(intake, untouched, order, axis, policy.study, Silent())
        by_rules = recorded_ns(alone.counted)
    said = aside.by_hand_findings(hand, study.files, by_rules, intake.name)
    return replace(study, findings=(*study.findings, *said))


def _put_together(
    intake: Intake,
    hand: aside.ByHand,
    order: Order | None,
    axis: Axis,
    settings: StudySettings,
    progress: Progress,
) -> Study:
    """The study of the files that were taken in, with a person's corrections.

    Patient, time and channels say which files may belong; then samples, not stamps, say where each
    copy lies; then the hook-up says what was recorded before this patient was connected.
    """
    where, pinned = intake.name, hand.included
    hookups = axis.readings(order.hookup_civil_ns) if order and order.hookup_civil_ns else ()
    stamped = in_sequence(hand.recordings, axis, hookups, _one_folder)
    apart = [Aside(f, "excluded_by_hand") for f in stamped if f.name in hand.excluded]
    apart += sort_by_patient(without(stamped, apart), order, pinned)
    kept = without(stamped, apart)
    hookup = hookup_instant(order, axis, kept)
    near, far = sort_by_time(kept, order, hookup, settings, pinned)
    by_device = devices(near)
    apart += (a for d in by_device for a in sort_by_channels(d.files, pinned))
    found = [replace(d, files=tuple(without(d.files, apart))) for d in by_device]
    found = [d for d in found if d.files]

    copies = match_copies(found, far, hookup, settings, pinned, progress)
    # Folders that turned out to go on with the reference's belong into its sequence.
    reference = in_sequence(
        [f.recording for f in copies.copies[0].files],
        axis,
        () if hookup is None else (hookup,),
        lambda a, b: True,
    )
    reference = clocks.placed_by_length(reference, hookup)
    placed = in_order([*reference, *(f for c in copies.copies[1:] for f in c.files)])
    early = sort_by_hookup(placed, hookup, settings, pinned)
    counted = without(placed, early)
    copies = copies.with_files(counted)

    apart += [*copies.aside, *early]
    not_counted = [set_aside(a.file, a.code) for a in apart]
    reference = [f for f in counted if f.copy == "A"]
    pieces = pieces_of(counted, [f.name for f in not_counted], [u.name for u in intake.unreadable])
    changes, steps = clocks.change_findings(reference, counted, axis)
    findings: list[Finding] = [
        *intake.findings,
        *aside.patient_findings(stamped, order, where),
        *aside.aside_findings(apart, counted, hookup, axis),
        *copy_findings(copies, counted, axis, settings, where),
        *overlap_findings(
            [c.files for c in copies.copies],
            lambda a, b: any((a in later) != (b in later) for later in steps),
            where,
        ),
        *changes,
        *clocks.doubt_findings(reference, counted, axis, where),
        *clocks.undated_findings(counted, where),
        *piece_findings(pieces, counted, axis),
        *whole_findings(counted, order, axis, settings, where),
        *clocks.never_set_findings(counted, order, settings, where),
        *clocks.hookup_findings(counted, order, hookup, axis, settings),
    ]
    return Study(
        name=intake.name,
        root=intake.root,
        axis=axis,
        files=(*counted, *in_order(not_counted)),
        unreadable=intake.unreadable,
        copies=copies.told(),
        other_files=intake.other_files,
        findings=tuple(findings),
        pieces=pieces,
        hookup=hookup,
    )


def _one_folder(a: Recording, b: Recording) -> bool:
    """Whether two files seem to be of one device before anything else is known of them."""
    same = posixpath.dirname(a.name) == posixpath.dirname(b.name)
    return same and recorder_of(a) == recorder_of(b)
