"""A recording as the counted file of a study that holds nothing else."""

from __future__ import annotations

from auditor.model import Recording, StudyFile, TimeMap


def counted(recording: Recording) -> StudyFile:
    """The file in its place; its clock is the study's."""
    starts = recording.start_civil_ns + recording.offsets_ns
    return StudyFile(
        recording=recording,
        role="counted",
        reason="",
        copy="A",
        map=TimeMap(recording.start_civil_ns),
        run_starts=starts,
        run_ends=starts + recording.record_ns,
        records_ns=recording.records * recording.record_ns,
    )
