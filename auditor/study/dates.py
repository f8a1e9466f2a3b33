"""Files set aside for their date that would follow a counted file, were the date another."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.core.durations import hms
from auditor.core.text import quantity
from auditor.core.units import DAY, NS
from auditor.inputs.folder import some_of
from auditor.model import Finding, StudyFile
from auditor.study.leftovers import Sorting
from auditor.study.placing import end_of, moved, names, recorded_ns, start_of

VOCABULARY = {
    "date_may_be_wrong": "Files whose time of day continues the study but whose date does not",
}

_EXACT = 5 * NS
"""Files of one recording follow each other within a few seconds; chance does not."""


def misdated(sorting: Sorting, counted: Sequence[StudyFile]) -> list[tuple[StudyFile, int]]:
    """Files set aside for their time, with the whole days after which they join a counted file."""
    timed = [f for f in counted if f.interval]
    found = []
    for word in ("ended_before_hookup", "far_in_time"):
        for file in sorting.aside.get(word, ()):
            steps = [_days(file, other) for other in timed] if file.interval else []
            known = [step for step in steps if step is not None]
            if known:
                found.append((file, min(known, key=abs)))
    return found


def _days(file: StudyFile, other: StudyFile) -> int | None:
    """How far ``file`` must be moved, in whole days (ns), to join ``other``; ``None`` if never."""
    for apart in (end_of(other) - start_of(file), start_of(other) - end_of(file)):
        days = (apart + DAY // 2) // DAY * DAY
        if days and abs(apart - days) <= _EXACT:
            return days
    return None


def date_findings(
    wrong: Sequence[tuple[StudyFile, int]], counted: Sequence[StudyFile]
) -> list[Finding]:
    """One finding on all ``misdated`` files, with both figures."""
    if not wrong:
        return []
    files = [f for f, _ in wrong]
    recorded = recorded_ns(counted)
    placed = [moved(f, type(f.map)(f.map.anchor + days)) for f, days in wrong]
    other = recorded_ns([*counted, *placed])
    return [
        Finding(
            "date_may_be_wrong",
            "problem",
            some_of(names(files), 3),
            f"{quantity(len(files), 'file')} would follow or precede a counted file without a "
            "break if only the date were another, as when a recorder's date does not advance at "
            f"midnight. As stamped, {hms(recorded)} was recorded; with the date put right, "
            f"{hms(other)}.",
            expected="a date that goes on with the study",
            observed=some_of(names(files)),
            action="Look at the recording and the diary to decide which reading is right.",
            file=files[0].recording.name if len(files) == 1 else None,
            other_recorded_ns=other,
        )
    ]
