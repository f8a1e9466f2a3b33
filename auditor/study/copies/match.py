"""The copies of a study: the one whose clock is the study's, those matched to it, and the rest.

What is said about them: how they were matched, what is open, and how far clocks were off.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.clock import Axis
from auditor.core.durations import exact_seconds, hms, in_words
from auditor.core.progress import Progress
from auditor.core.text import Own, quantity
from auditor.core.units import MINUTE, NS
from auditor.model import Finding, SetAsideCode, StudyCopy, StudyFile, finding
from auditor.policy.sections import StudySettings
from auditor.study.belonging import Aside, Far, without
from auditor.study.copies.alignment import Alignment, align
from auditor.study.copies.devices import Device, longest, one_device, preferred
from auditor.study.placing import about_files, in_order, recorded_ns

_MOST_SEARCHES = 12
"""Searches in vain after which no more devices are looked at as copies: each reads much."""


class Copy(Struct, frozen=True, eq=False):
    """One copy in its place; ``via`` is the copy that ``alignment`` was measured against."""

    name: str
    device: Device
    files: tuple[StudyFile, ...]
    alignment: Alignment | None = None
    via: str = ""

    def told(self, why: str) -> StudyCopy:
        """The copy as the audit tells it."""
        found, files = self.alignment, tuple(f.name for f in self.files)
        if found is None:
            return StudyCopy(self.name, self.device.folder, True, files, 0, 0, why)
        return StudyCopy(
            name=self.name,
            folder=self.device.folder,
            reference=False,
            files=files,
            clock_offset_ns=found.offset_ns,
            drift_ppb=found.drift_ppb,
            method=f"the same samples at {found.places} places",
        )


class Copies(Struct, frozen=True):
    """The copies, the reference first; ``why`` says why it is; ``aside`` matches nothing."""

    copies: tuple[Copy, ...]
    why: str
    aside: tuple[Aside, ...] = ()

    def with_files(self, counted: Sequence[StudyFile]) -> Copies:
        """The same with the files of each as they stand in ``counted``; none without any."""
        kept = [
            replace(c, files=tuple(f for f in counted if f.copy == c.name)) for c in self.copies
        ]
        return replace(self, copies=tuple(c for c in kept if c.files))

    def told(self) -> tuple[StudyCopy, ...]:
        """The copies as the audit tells them."""
        why = "the only copy" if self.only else f"reference: {self.why}"
        return tuple(c.told(why) for c in self.copies)

    @property
    def only(self) -> bool:
        """Whether there is, or seemed to be, but one."""
        return len(self.copies) == 1 and all(a.code != "copy_not_matched" for a in self.aside)


def match_copies(
    found: Sequence[Device],
    far: Sequence[Far],
    hookup: int | None,
    settings: StudySettings,
    pinned: Collection[str],
    progress: Progress,
) -> Copies:
    """The reference as copy 'A', the others matched to it as 'B', 'C', … in order of their start.

    The device that recorded longest is the study's; which of the devices that hold the same samples
    gives the clock is a preference. A device that matches nothing is set aside, unless it can be
    more of the reference's own files.
    """
    progress.stage("Comparing copies", len(found) + len(far))
    found = _by_folder(found)
    first = longest(found)
    matched = _matched_to(first, found)
    progress.advance(len(found))
    same = [c.device for c in matched]
    chosen, why = preferred(same, hookup, settings.hookup_tolerance_ns)
    if chosen is not first:
        again = _matched_to(chosen, same)
        if any(c.device is first for c in again):
            matched = again
        else:
            why = "it recorded longest"
    taken = {id(c.device) for c in matched}
    aside: list[Aside] = []
    other = matched[0].device.recorder
    for device in (d for d in found if id(d) not in taken):
        counted = Device("", other, tuple(f for c in matched for f in c.files))
        goes_on = one_device(counted, device)
        alien = bool(other) and device.recorder not in ("", other)
        code: SetAsideCode = "other_recorder" if alien else "copy_not_matched"
        gone = [] if goes_on else [Aside(f, code) for f in device.files if f.name not in pinned]
        aside += gone
        if more := without(device.files, gone):
            joined = Device.of([*matched[0].device.files, *more])
            matched[0] = replace(matched[0], device=joined, files=joined.files)
    searches = _MOST_SEARCHES
    for why_far, device in far:
        copy = _match(device, matched, anywhere=True) if searches > 0 else None
        if copy is not None:
            matched = [*matched, copy]
        else:
            searches -= 1
            aside += [Aside(f, why_far) for f in device.files]
        progress.advance(1)
    aside += [
        Aside(f, "placement_out_of_range")
        for c in matched
        for f in (c.alignment.outside if c.alignment else ())
    ]
    return Copies(tuple(matched), why, tuple(aside))


def _by_folder(found: Sequence[Device]) -> list[Device]:
    """Series of files in one folder are two devices only where samples show two clocks.

    Else they are one device's, exported twice into one folder or with its clock put back.
    """
    settled: list[Device] = []
    for device in sorted(found, key=lambda d: -d.recorded_ns):
        for index, other in enumerate(settled if device.series else ()):
            if other.series and (other.folder, other.recorder) == (device.folder, device.recorder):
                copy = _match(device, [Copy("A", other, other.files)], anywhere=False)
                if copy is None or copy.alignment is None or not copy.alignment.moves:
                    settled[index] = replace(
                        other, files=tuple(in_order([*other.files, *device.files]))
                    )
                    break
        else:
            settled.append(device)
    return sorted(settled, key=lambda d: (d.start, d.folder))


def _matched_to(reference: Device, found: Sequence[Device]) -> list[Copy]:
    """``reference`` as copy 'A' with every device that matches it, or one that does."""
    matched = [Copy("A", reference, reference.files)]
    left = [d for d in found if d is not reference]
    searches, before = _MOST_SEARCHES, 0
    while len(matched) > before and searches > 0:
        before = len(matched)
        for device in list(left):
            copy = _match(device, matched, anywhere=not device.shares_time(reference))
            if copy is None:
                searches -= 1
            else:
                matched.append(copy)
                left.remove(device)
    return matched


def _match(device: Device, copies: Sequence[Copy], *, anywhere: bool) -> Copy | None:
    """``device`` as one more copy, beside the first of ``copies`` that it matches."""
    letter = _letter(len(copies))
    for copy in copies:
        try:
            alignment = align(device.files, copy.files, letter, anywhere=anywhere)
        except OSError:
            alignment = None  # a file that cannot be read shows nothing; its finding says why
        if alignment is not None:
            return Copy(letter, device, alignment.files, alignment, copy.name)
    return None


def _letter(index: int) -> str:
    """'A' … 'Z', then 'A2', 'B2', …"""
    turn, letter = divmod(index, 26)
    return chr(ord("A") + letter) + (str(turn + 1) if turn else "")


# ---------------------------------------------------------------- findings


def copy_findings(
    found: Copies, counted: Sequence[StudyFile], axis: Axis, settings: StudySettings, where: str
) -> Iterator[Finding]:
    """Findings on every copy but a single one."""
    if not found.only:
        yield finding(
            "reference_clock",
            where,
            folder=_folder(found.copies[0]),
            why=Own(found.why),
            copies=quantity(len(found.copies), "copy counted", plural_noun="copies counted"),
        )
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
    by = max(abs(moved[f.name].start - f.start) for f in found.files if f.name in moved)
    drift = found.drift_ppb is not None
    return about_files(
        "copy_files_between",
        found.open,
        copy.name,
        severity="problem" if abs(other - recorded) >= MINUTE else "info",
        other_recorded_ns=other,
        copy=Own(copy.name),
        reading=Own("if its clock went on drifting" if drift else "if its clock was set elsewhere"),
        by=in_words(by, up=True),
        recorded=hms(recorded),
        with_them=hms(other),
    )


def _clock(found: Alignment) -> str:
    first, last = _ahead(found.offset_ns), _ahead(found.last_offset_ns)
    if abs(found.last_offset_ns - found.offset_ns) <= found.sample_ns:
        return f"Its clock was {first} throughout."
    how = "" if found.drift_ppb is not None else ": one of the clocks was set in between"
    return (
        f"Its clock was {first} at the first common place and {last} at the last, "
        f"{hms(found.over_ns)} later{how}."
    )


def _ahead(ns: int) -> str:
    if not ns:
        return "the same"
    size = exact_seconds(abs(ns)) + " s" if abs(ns) < 2 * MINUTE else in_words(abs(ns))
    return f"{size} {'ahead' if ns > 0 else 'behind'}"


def _folder(copy: Copy) -> str:
    return copy.device.folder or Own("the study's own folder")
