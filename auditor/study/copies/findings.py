"""What is said about copies: how they were matched, what is open, and how far clocks were off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from auditor.core.clock import Axis
from auditor.core.durations import exact_seconds, hms, in_words
from auditor.core.text import Own, quantity
from auditor.core.units import MINUTE, NS
from auditor.model import Finding, StudyFile, finding
from auditor.policy.study import StudySettings
from auditor.study.copies.alignment import Alignment
from auditor.study.copies.match import Copies, Copy
from auditor.study.placing import SHOWN, about_files, recorded_ns


def copy_findings(
    found: Copies, axis: Axis, settings: StudySettings, where: str
) -> Iterator[Finding]:
    """Findings on every copy but a single one."""
    if len(found.copies) > 1 or found.aside_for("copy_not_matched"):
        yield finding(
            "reference_clock",
            where,
            folder=_folder(found.copies[0]),
            why=Own(found.why),
            copies=quantity(len(found.copies), "copy counted", plural_noun="copies counted"),
        )
    counted = found.counted
    for copy in found.copies[1:]:
        if copy.alignment is not None:
            yield from _about(copy, copy.alignment, counted)
    moved = [(f, _moved(f, axis)) for f in counted if f.copy != "A"]
    far = [f for f, by in moved if by > settings.most_moved_ns]
    if far:
        most = max(by for _, by in moved)
        by, limit = in_words(most), in_words(settings.most_moved_ns)
        yield about_files("moved_far", far, where, by=by, limit=limit)


def _moved(file: StudyFile, axis: Axis) -> int:
    """How far a file lies from its stamp; 0 where it has none."""
    rec = file.recording
    if not rec.start_known or not rec.records:
        return 0
    first = file.start - int(rec.offsets_ns[0])
    return min(abs(first - reading) for reading in axis.readings(rec.start_civil_ns))


def _about(copy: Copy, found: Alignment, counted: Sequence[StudyFile]) -> Iterator[Finding]:
    folder = _folder(copy)
    yield finding(
        "copies_matched",
        folder,
        copy=Own(copy.name),
        folder=folder,
        other=Own(copy.via),
        count=quantity(found.places, "place"),
        clock=Own(
            _clock(found)
            if any(f.recording.start_known for f in copy.files)
            else "It states no start of its own."
        ),
    )
    if found.residual_ns > found.sample_ns:
        yield finding(
            "copy_clock_uneven",
            folder,
            severity="problem" if found.residual_ns > NS else "caution",
            copy=Own(copy.name),
            off=in_words(found.residual_ns, up=True),
            off_s=exact_seconds(found.residual_ns),
            sample=exact_seconds(found.sample_ns),
        )
    if found.open:
        yield _open(copy, found, counted)


def _open(copy: Copy, found: Alignment, counted: Sequence[StudyFile]) -> Finding:
    """Both figures for files whose place was not measured."""
    moved = {f.name: f for f in found.open}
    recorded = recorded_ns(counted)
    other = recorded_ns(moved.get(f.name, f) for f in counted)
    much = abs(other - recorded) >= MINUTE
    by = max(abs(moved[f.name].start - f.start)
             for f in found.files if f.name in moved)  # fmt: skip
    drift = found.drift_ppb is not None
    reading = "if its clock went on drifting" if drift else "if its clock was set elsewhere"
    text = (
        "Nothing is open: the clock was the same wherever it was measured."
        if not by
        else f"{hms(recorded)} was recorded so; {reading}, they lie {in_words(by, up=True)} "
        f"elsewhere, and {hms(other)} was recorded."
    )
    return finding(
        "copy_files_between",
        copy.name,
        severity="problem" if much else "info",
        other_recorded_ns=other if by else None,
        copy=Own(copy.name),
        files=quantity(len(moved), "file"),
        names=tuple(moved)[:SHOWN],
        open=Own(text),
        recorded=hms(recorded),
        with_them=hms(other),
    )


def _clock(found: Alignment) -> str:
    offset, last = found.offset_ns, found.last_offset_ns
    text = f"Its clock was {_ahead(offset)}"
    change = last - offset
    if found.over_ns > 0 and found.drift_ppb is None:
        return (
            f"{text} at the first common place and {_ahead(last)} at the last: one of the clocks "
            "was set in between."
        )
    if abs(change) > found.sample_ns:
        verb = "gained" if change > 0 else "lost"
        return (
            f"{text} at the first common place and {verb} {exact_seconds(abs(change))} s over "
            f"{hms(found.over_ns)}."
        )
    return f"{text} throughout."


def _ahead(ns: int) -> str:
    if not ns:
        return "the same"
    size = exact_seconds(abs(ns)) + " s" if abs(ns) < 2 * MINUTE else in_words(abs(ns))
    return f"{size} {'ahead' if ns > 0 else 'behind'}"


def _folder(copy: Copy) -> str:
    return copy.device.folder or Own("the study's own folder")
