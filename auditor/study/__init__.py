"""From a returned folder to a study: what belongs, and where each file lies in time."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from auditor.civil import Axis
from auditor.model import Order, Study, StudyCopy, StudyFile, TimeMap
from auditor.policy import Policy
from auditor.progress import Progress
from auditor.study.intake import take_in
from auditor.study.placing import place

__all__ = ["build_study"]


def build_study(
    paths: Sequence[Path],
    order: Order | None,
    policy: Policy,
    *,
    timezone: str | None = None,
    checksums: bool = True,
    progress: Progress | None = None,
) -> Study:
    """The study that lies under ``paths`` (folders searched to the bottom, or files).

    ``timezone`` (an IANA name) goes before the order's. ``Study.findings`` holds what concerns the
    folder, the copies and the clocks; findings of single files stay in ``Recording.findings`` and
    ``UnreadableFile.finding``.

    Raises ``NothingReadable`` where there is no readable recording, ``SettingsError`` for an
    unknown time zone.
    """
    axis = Axis(timezone or (order.timezone if order else None))
    intake = take_in(paths, checksums=checksums, progress=progress)
    files: list[StudyFile] = []
    end: int | None = None
    for recording in sorted(intake.recordings, key=lambda r: (r.start_civil_ns, r.name)):
        file = place(recording, TimeMap(axis.instant(recording.start_civil_ns, near=end)))
        files.append(file)
        end = file.interval.end if file.interval else end
    files.sort(key=lambda f: (f.interval.start if f.interval else f.map.anchor, f.recording.name))
    copy = StudyCopy(
        name="A", folder="", reference=True, files=tuple(f.recording.name for f in files)
    )
    return Study(
        name=intake.name,
        root=intake.root,
        axis=axis,
        files=tuple(files),
        unreadable=intake.unreadable,
        copies=(copy,),
        other_files=intake.other_files,
        findings=intake.findings,
    )
