"""What is said about copies: how they were matched, and those that could not be."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field

from auditor.core.clock import Axis
from auditor.core.durations import exact_seconds, hms, in_words
from auditor.core.text import quantity
from auditor.inputs.folder import some_of
from auditor.model import Finding, StudyCopy, StudyFile
from auditor.policy.study import StudySettings
from auditor.study.alignment import Alignment
from auditor.study.copies import Device
from auditor.study.placing import names, recorded_ns

VOCABULARY = {
    "reference_clock": "Which copy's clock is the study's time line, and why",
    "copies_matched": "Copies that hold the same samples, put on one time line",
    "copies_matched_by_correlation": "Copies with different samples, matched by correlation",
    "copy_clock_uneven": "A copy whose clock did not run evenly against the reference",
    "copy_files_between": "Files of a copy that share nothing with the reference",
    "copy_not_matched": "Files for the same time that could not be matched; set aside",
}

NOT_MATCHED = (
    "Not matched: it covers the same time as the counted copy, but its samples are not the same."
)


@dataclass(slots=True)
class Matched:
    """The copies of a study: letters in order, with the devices that could not be matched."""

    copies: list[StudyCopy] = field(default_factory=list)
    files: dict[str, list[StudyFile]] = field(default_factory=dict)
    alignments: dict[str, Alignment] = field(default_factory=dict)
    via: dict[str, str] = field(default_factory=dict)
    """The copy that each copy was matched to."""
    not_matched: list[Device] = field(default_factory=list)
    """Devices that share time with the counted copies and were not matched."""
    why: str = ""

    @property
    def counted(self) -> list[StudyFile]:
        """All counted files."""
        return [f for files in self.files.values() for f in files]


def copy_of(name: str, device: Device, alignment: Alignment) -> StudyCopy:
    """The copy as it is told in the audit."""
    by_samples = alignment.coefficient is None
    even = alignment.residual_ns <= alignment.sample_ns
    if by_samples:
        method = f"the same samples at {alignment.places} places"
        confidence = "high" if even and alignment.places > 1 else "moderate"
    else:
        assert alignment.coefficient is not None
        method = (
            f"correlation on a common rate at {alignment.places} places "
            f"(coefficient at least {int(alignment.coefficient * 100) / 100:.2f})"
        )
        confidence = "moderate" if alignment.coefficient >= 0.97 and even else "low"
    return StudyCopy(
        name=name,
        folder=device.folder,
        reference=False,
        files=tuple(names(alignment.files)),
        clock_offset_ns=alignment.offset_ns,
        drift_ppb=alignment.drift_ppb,
        method=method,
        confidence=confidence,
    )


def copy_findings(
    matched: Matched, axis: Axis, settings: StudySettings, where: str
) -> Iterator[Finding]:
    """Findings on every copy but a single one."""
    if len(matched.copies) > 1 or matched.not_matched:
        reference = matched.copies[0]
        yield Finding(
            "reference_clock",
            "info",
            where,
            f"The study's time line is the clock of copy {reference.name} "
            f"({_folder(reference.folder)}): {matched.why}.",
            observed=quantity(len(matched.copies), "copy counted", plural_noun="copies counted"),
        )
    for copy in matched.copies[1:]:
        yield from _about(copy, matched.alignments[copy.name], matched.via[copy.name])
    if matched.not_matched:
        yield _not_matched(matched)


def _about(copy: StudyCopy, alignment: Alignment, other: str) -> Iterator[Finding]:
    clock = _clock(alignment)
    folder = _folder(copy.folder)
    if alignment.coefficient is None:
        yield Finding(
            "copies_matched",
            "info",
            folder,
            f"Copy {copy.name} ({folder}) holds the same samples as copy {other} at "
            f"{alignment.places} places. {clock} Its files were put on copy A's time line, and "
            "time that both hold counts once.",
            observed=copy.method,
        )
    else:
        yield Finding(
            "copies_matched_by_correlation",
            "caution",
            folder,
            f"Copy {copy.name} ({folder}) was sampled or scaled differently from copy {other}; the "
            f"two were matched by {copy.method}. {clock} Its files were put on copy A's time "
            f"line to about {in_words(alignment.sample_ns, up=True)}, and time that both hold "
            "counts once.",
            observed=copy.method,
            action="Compare an event that both copies show.",
        )
    if alignment.residual_ns > alignment.sample_ns:
        off = alignment.residual_ns
        yield Finding(
            "copy_clock_uneven",
            "problem" if off > 1_000_000_000 else "caution",
            folder,
            f"The clock of copy {copy.name} did not run evenly, or it lost samples: its files lie "
            f"within {in_words(off, up=True)} of their places, not within one sample. Time that "
            "only this copy holds is uncertain by as much at its edges.",
            expected=f"at most {exact_seconds(alignment.sample_ns)} s",
            observed=f"{exact_seconds(off)} s",
            action="Compare an event that both copies show near the time in question.",
        )
    if alignment.unplaced:
        yield Finding(
            "copy_files_between",
            "info",
            folder,
            f"Copy {other} holds nothing of {quantity(len(alignment.unplaced), 'file')} of copy "
            f"{copy.name}. Their time comes from the clock offset measured before and after.",
            observed=some_of(alignment.unplaced),
        )


def _clock(alignment: Alignment) -> str:
    offset, last = alignment.offset_ns, alignment.last_offset_ns
    text = f"Its clock was {_ahead(offset)}"
    change = last - offset
    if alignment.over_ns > 0 and alignment.drift_ppb is None:
        return (
            f"{text} at the first common place and {_ahead(last)} at the last, as when one of the "
            "clocks was set in between."
        )
    if abs(change) > alignment.sample_ns:
        verb = "gained" if change > 0 else "lost"
        return (
            f"{text} at the first common place and {verb} {exact_seconds(abs(change))} s over "
            f"{hms(alignment.over_ns)}."
        )
    return f"{text} throughout."


def _ahead(ns: int) -> str:
    if not ns:
        return "the same"
    size = exact_seconds(abs(ns)) + " s" if abs(ns) < 120 * 10**9 else in_words(abs(ns))
    return f"{size} {'ahead' if ns > 0 else 'behind'}"


def _not_matched(matched: Matched) -> Finding:
    counted = recorded_ns(matched.counted)
    files = [f for d in matched.not_matched for f in d.files]
    both = recorded_ns([*matched.counted, *files])
    return Finding(
        "copy_not_matched",
        "problem",
        some_of(names(files), 3),
        f"{quantity(len(files), 'file', 'covers', 'cover')} the same time as the counted copy (in "
        f"{_folders(matched.not_matched)}), but no samples could be matched. Nothing may count "
        f"twice, so {'it was' if len(files) == 1 else 'they were'} set aside: {hms(counted)} "
        "was recorded without; if it is one study and both clocks are right, it was "
        f"{hms(both)} in all.",
        expected="the same samples in both",
        observed=some_of(names(files)),
        action="Look at both recordings to decide whether they are of one patient and one study.",
        other_recorded_ns=both,
    )


def _folder(folder: str) -> str:
    return folder or "the study's own folder"


def _folders(devices: Sequence[Device]) -> str:
    return some_of(sorted({_folder(d.folder) for d in devices}))
