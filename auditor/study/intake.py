"""The returned folder: which files read as recordings, which do not and why."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import NothingReadable, RecordingError
from auditor.core.progress import Progress
from auditor.core.text import Own, quantity
from auditor.inputs.checksums import with_likeness
from auditor.inputs.folder import FoundFile, Listing, Place, as_place
from auditor.model import Finding, Recording, UnreadableFile, finding
from auditor.study.placing import SHOWN


class Intake(Struct, frozen=True):
    """The readable recordings with what else was found. ``findings`` are those of the folder."""

    name: str
    root: Path
    recordings: tuple[Recording, ...]
    unreadable: tuple[UnreadableFile, ...]
    other_files: tuple[str, ...]
    findings: tuple[Finding, ...]


MOST_ANNOTATIONS = 500_000
"""Annotations kept of all files together; people write some hundreds in a study of a week."""


def take_in(paths: Sequence[Path] | Place, progress: Progress) -> Intake:
    """List and read every file under ``paths`` (folders or files here, or a place).

    Raises ``NothingReadable`` where no file is a readable recording; the message says why, file by
    file.
    """
    place = as_place(paths)
    listing = place.list_files()
    found = [f for f in listing.files if not f.in_trash]
    wanted = [f for f in found if f.named_as_recording or f.begins_as_recording]
    taken = {f.name for f in wanted}
    listing.others += [f.name for f in listing.files if f.name not in taken]
    progress.stage("Reading recordings", len(wanted))
    recordings: list[Recording] = []
    unreadable = [_unreadable(f, e) for f, e in listing.denied]
    refused = False
    room = MOST_ANNOTATIONS
    for file in wanted:
        try:
            recording = replace(place.read(file), state=file.state)
            if len(recording.annotations) > room:  # those left out stay counted, and are told
                recording = replace(recording, annotations=recording.annotations[:room])
            room -= len(recording.annotations)
            recordings.append(recording)
        except (RecordingError, OSError) as error:
            refused |= not isinstance(error, RecordingError) or error.code == "cannot_be_read"
            unreadable.append(_unreadable(file, error))
        progress.advance(1)
    if not recordings:
        raise _nothing(listing, unreadable, refused=refused)
    readable = {r.name for r in recordings}
    listing.findings += place.changes([f for f in wanted if f.name in readable])
    listing.findings += _about_others(listing)
    return Intake(
        name=listing.name,
        root=listing.root,
        recordings=with_likeness(recordings),
        unreadable=tuple(unreadable),
        other_files=tuple(sorted(listing.others)),
        findings=tuple(listing.findings),
    )


def _unreadable(file: FoundFile, error: RecordingError | OSError) -> UnreadableFile:
    if isinstance(error, RecordingError):
        problem, action = error.problem, error.action
    else:
        problem = f"cannot be read ({error.strerror or 'input or output error'})"
        action = "Check its permissions and the card, and copy it again."
    empty = file.size_bytes == 0
    problem = "is empty" if empty else problem
    # Most problems are told of the file, some of a field of its header.
    told = problem.startswith(("the ", "its ", "header field "))
    sentence = problem if told else f"it {problem}"
    return UnreadableFile(
        name=file.name,
        path=file.path,
        size_bytes=file.size_bytes,
        state=file.state,
        reason=f"{sentence[:1].upper()}{sentence[1:]}.",
        finding=finding(
            "empty_file" if empty else "unreadable_file",
            file.name,
            form="" if empty or file.named_as_recording else "begins",
            file=file.name,
            problem=sentence,
            name=file.name,
            advice=action or Own("Copy it from the card again."),
        ),
    )


def _about_others(listing: Listing) -> Iterator[Finding]:
    trash = [f.name for f in listing.files if f.in_trash and f.begins_as_recording]
    if trash:
        yield finding(
            "recordings_in_trash",
            listing.name,
            files=quantity(len(trash), "recording", "lies", "lie"),
            names=tuple(trash[:SHOWN]),
        )
    if listing.others:
        yield finding(
            "other_files",
            listing.name,
            files=quantity(len(listing.others), "file"),
            names=tuple(sorted(listing.others)[:SHOWN]),
        )


def _nothing(
    listing: Listing, unreadable: Sequence[UnreadableFile], *, refused: bool
) -> NothingReadable:
    denied = [f for f in listing.findings if f.code in ("cannot_open", "link_not_followed")]
    problem = "no recording was found (no file is named or begins as an EDF or BDF recording)"
    action = "Give the folder that was copied from the recorder's card."
    if unreadable:
        reasons = [f"{u.name}: {u.finding.observed}" for u in unreadable[:SHOWN]]
        more = len(unreadable) - SHOWN
        reasons += [f"and {more} more"] if more > 0 else []
        problem, action = f"no recording could be read ({'; '.join(reasons)})", listing.advice
        refused |= bool(listing.denied)
    elif denied:
        problem, action, refused = f"no recording was found ({denied[0].text})", "", True
    return NothingReadable(listing.where, problem, action, refused=refused)
