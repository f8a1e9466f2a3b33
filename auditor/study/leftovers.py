"""Recordings that do not belong: another patient, another time, another recorder or channels.

A left-over file is set aside with its reason and never counted. Where the order decides, it is a
caution; where only the majority decides, a problem, since the majority may be wrong.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Collection, Iterable, Sequence
from dataclasses import dataclass, field

from auditor.core.clock import Axis
from auditor.core.text import quantity
from auditor.inputs.folder import some_of
from auditor.model import Finding, FindingCode, Order, PatientField, Recording, StudyFile
from auditor.policy.study import StudySettings
from auditor.study.placing import end_of, in_order, names, recorded_ns, set_aside, start_of
from auditor.study.samples import signal_channels

VOCABULARY = {
    "other_patient": "Files whose header names another patient; set aside",
    "patient_code_not_found": "No file carries the patient code of the order",
    "patient_code_missing": "Files without a patient code beside an order that has one",
    "ended_before_hookup": "Files that ended before the study can have begun; set aside",
    "far_in_time": "Files far from the rest in time; set aside",
    "default_date": "Files stamped with a date at which clocks start; set aside",
    "other_recorder": "Files of another recorder; set aside",
    "other_channel_set": "Files with another set of channels; set aside",
    "card_not_cleared": "Files of an earlier recording were still on the card",
}

REASONS = {
    "other_patient": "Other patient code: the header's patient code is not the one of this study.",
    "ended_before_hookup": "Ended before the hook-up: this study cannot have begun by then.",
    "far_in_time": "Far in time: days lie between this file and the rest of the study.",
    "default_date": "Default date: the clock was not set, so its place in time is not known.",
    "other_recorder": "Other recorder: the header names another recorder than the study's.",
    "other_channel_set": "Other channel set: most channels are not those of the study.",
}


@dataclass(slots=True)
class Sorting:
    """Files kept so far, and those set aside by reason word."""

    kept: list[StudyFile]
    aside: dict[FindingCode, list[StudyFile]] = field(default_factory=lambda: defaultdict(list))
    findings: list[Finding] = field(default_factory=list)
    by_order: set[str] = field(default_factory=set)
    """Reason words for which the order itself decided."""

    def put_aside(self, files: Iterable[StudyFile], word: FindingCode, *, by_order: bool) -> None:
        """Move ``files`` out of ``kept``."""
        gone = {f.recording.name for f in files}
        if not gone:
            return
        self.aside[word] += [f for f in self.kept if f.recording.name in gone]
        self.kept = [f for f in self.kept if f.recording.name not in gone]
        if by_order:
            self.by_order.add(word)

    def files_aside(self) -> list[StudyFile]:
        """The files set aside, with their reasons."""
        return [set_aside(f, REASONS[word]) for word, files in self.aside.items() for f in files]


# ---------------------------------------------------------------- patient


def patient_code(recording: Recording) -> str | None:
    """The patient code of the header, or ``None`` where it names none ('X' or blank).

    EDF+ keeps it in the first subfield of the patient field; of free text, as plain EDF holds it,
    the first word is taken (common practice, no source).
    """
    code = recording.header.patient_field.code
    if code is None and _is_free_text(recording):
        words = recording.header.patient.split()
        code = words[0] if words else None
    if code is None or code.strip().upper() in ("", "X"):
        return None
    return _plain(code)


def _plain(code: str) -> str:
    return " ".join(code.replace("_", " ").split()).casefold()


def _is_free_text(recording: Recording) -> bool:
    return recording.header.patient_field == PatientField()


def _names_patient(recording: Recording, wanted: str) -> bool:
    """Whether the header names the patient ``wanted``; in free text anywhere."""
    if patient_code(recording) == wanted:
        return True
    text = f" {_plain(recording.header.patient)} "
    return _is_free_text(recording) and f" {wanted} " in text


def sort_by_patient(sorting: Sorting, order: Order | None, where: str) -> None:
    """Set the files of other patients aside.

    With a code in the order, files with another code go. Without one, or where no file carries it,
    the code that holds the most time is the study's. A file without a code is no conflict.
    """
    codes: dict[str, list[StudyFile]] = defaultdict(list)
    blank = []
    wanted = _plain(order.patient_code) if order and order.patient_code else None
    for file in sorting.kept:
        code = patient_code(file.recording)
        if wanted is not None and _names_patient(file.recording, wanted):
            code = wanted
        if code is None:
            blank.append(file)
        else:
            codes[code].append(file)
    if wanted is not None and wanted not in codes and codes:
        sorting.findings.append(
            Finding(
                "patient_code_not_found",
                "problem",
                where,
                "No file carries the patient code of the order, so nothing shows that these "
                "recordings are the ordered patient's. They were measured all the same.",
                expected="the order's patient code in the patient field",
                observed=f"{quantity(sum(map(len, codes.values())), 'file')} with other codes, "
                f"{len(blank)} without one",
                action="Check that the right folder was given, and the code in the order.",
            )
        )
    if wanted is not None and blank:
        sorting.findings.append(
            Finding(
                "patient_code_missing",
                "caution",
                where,
                f"{quantity(len(blank), 'file', 'carries', 'carry')} no patient code, so that "
                "nothing shows whose recordings these are. They are counted.",
                expected="the order's patient code in the patient field",
                observed=some_of(names(blank)),
                action="Enter the patient code in the recorder before the next hook-up.",
            )
        )
    if len(codes) < 2:
        return

    def size(code: str) -> tuple[int, int, str]:
        # Of two groups of one size the later is the study: what is left over lay there before.
        return recorded_ns(codes[code]), max(start_of(f) for f in codes[code]), code

    main = wanted if wanted in codes else max(codes, key=size)
    others = [f for code, files in codes.items() if code != main for f in files]
    sorting.put_aside(others, "other_patient", by_order=main == wanted)


# ---------------------------------------------------------------- time


def clusters(files: Sequence[StudyFile], apart_ns: int) -> list[list[StudyFile]]:
    """Files in time order, split wherever a longer silence than ``apart_ns`` lies between."""
    groups: list[list[StudyFile]] = []
    end = 0
    for file in in_order(files):
        if groups and start_of(file) - end <= apart_ns:
            groups[-1].append(file)
            end = max(end, end_of(file))
        else:
            groups.append([file])
            end = end_of(file)
    return groups


def main_cluster(
    groups: Sequence[list[StudyFile]], hookup: int | None, ordered_ns: int, settings: StudySettings
) -> int:
    """The index of the group that is the study: the one at the hook-up, else the longest."""

    def size(index: int) -> tuple[int, bool, int]:
        # Of groups of one size the one whose clock was set is the study, then the later one.
        set_clock = not all(at_default_date(f, settings) for f in groups[index])
        return recorded_ns(groups[index]), set_clock, index

    longest = max(range(len(groups)), key=size)
    if hookup is None:
        return longest
    first, last = hookup - settings.before_hookup_ns, hookup + ordered_ns

    def distance(index: int) -> int:
        start = start_of(groups[index][0])
        end = max(end_of(f) for f in groups[index])
        return max(0, start - last, first - end)

    nearest = min(range(len(groups)), key=lambda i: (distance(i), -recorded_ns(groups[i]), i))
    # A clock that is wrong by weeks would make any group the nearest: then the longest is taken.
    return nearest if distance(nearest) <= settings.far_apart_ns else longest


def at_default_date(file: StudyFile, settings: StudySettings) -> bool:
    """Whether the start stamp lies just after a date at which clocks start."""
    start = file.recording.start_civil_ns
    return any(0 <= start - d < settings.default_date_ns for d in settings.default_starts)


def before_hookup(
    files: Sequence[StudyFile], hookup: int, settings: StudySettings
) -> list[StudyFile]:
    """Files that ended before the study can have begun.

    A file that another one follows without an interruption, and so on into the study, is its
    beginning, whatever the hook-up says; and where nothing would be left, the hook-up or the clock
    is wrong, not the files.
    """
    limit = hookup - settings.before_hookup_ns
    ordered = in_order(files)
    late = [f for f in ordered if end_of(f) > limit]
    if not recorded_ns(late):
        return []
    begun = min(start_of(f) for f in late if f.interval)
    early = [f for f in ordered if end_of(f) <= limit]
    for file in reversed(in_order(early)):
        if begun - end_of(file) <= settings.join_tolerance_ns and file.interval:
            begun = min(begun, start_of(file))
            early.remove(file)
    return early


# ---------------------------------------------------------------- recorder and channels


def recorder_of(recording: Recording) -> str:
    """The recorder that the header names, for comparison; '' where it names none."""
    equipment = recording.header.recording_field.equipment
    return _plain(equipment) if equipment and equipment.strip().upper() != "X" else ""


def other_channels(files: Sequence[StudyFile], settings: StudySettings) -> list[StudyFile]:
    """Files that share too few channels with the set that holds the most time.

    Files without any signal (annotations only) have no channel set to differ in.
    """
    sets: dict[frozenset[str], list[StudyFile]] = defaultdict(list)
    for file in files:
        keys = frozenset(signal_channels(file.recording))
        if keys:
            sets[keys].append(file)
    if len(sets) < 2:
        return []
    main = max(sets, key=lambda k: (recorded_ns(sets[k]), sorted(k)))
    return [
        f
        for keys, group in sets.items()
        if len(keys & main) * 1_000_000 < settings.channel_share_ppm * len(keys | main)
        for f in group
    ]


# ---------------------------------------------------------------- findings

_TEXTS: dict[FindingCode, tuple[str, str]] = {
    "other_patient": (
        "{files} with another patient's code {was} set aside; no time is counted from {them}.",
        "Handle this as another patient's data.",
    ),
    "ended_before_hookup": (
        "{files} {was} set aside for ending before the hook-up, when this study cannot have begun; "
        "no time is counted from {them}.",
        "If they belong to this study, correct the hook-up time in the order.",
    ),
    "far_in_time": (
        "{files}, days away from the rest of the study, {was} set aside; no time is counted from "
        "{them}.",
        "Check whether they belong to another study or the clock was wrong.",
    ),
    "default_date": (
        "{files}, stamped with a date at which a clock starts after it lost power, {was} set "
        "aside: when the recording was made is not known, so no time is counted from {them}.",
        "Look at the recording itself and the diary; set the clock at the next hook-up.",
    ),
    "other_recorder": (
        "{files} of another recorder than the rest of the study {was} set aside; no time is "
        "counted from {them}.",
        "Check whether the recorder was changed during the study.",
    ),
    "other_channel_set": (
        "{files} with mostly other channels than the rest of the study {was} set aside; no time is "
        "counted from {them}.",
        "Check whether they belong to another study or the montage was changed.",
    ),
}
_ONLY_BY_MAJORITY = (
    " What belongs to the study was decided by the larger part of the files, not by the order."
)


def left_over_findings(
    sorting: Sorting, counted: Sequence[StudyFile], axis: Axis, misdated: Collection[str]
) -> list[Finding]:
    """One finding for each reason, and one that the card was not cleared.

    ``misdated`` names files whose date is doubtful: they need not be from before the study.
    """
    findings = list(sorting.findings)
    begun = min((start_of(f) for f in counted if f.interval), default=None)
    earlier: list[StudyFile] = []
    for word, files in sorting.aside.items():
        if not files:
            continue
        sure = word in sorting.by_order
        text, action = _TEXTS[word]
        spans = [f.interval for f in files if f.interval]
        when = (
            f"{axis.iso(min(s.start for s in spans))} to {axis.iso(max(s.end for s in spans))}"
            if spans
            else "no recorded time"
        )
        own = word == "other_patient" and sure
        findings.append(
            Finding(
                word,
                "caution" if sure else "problem",
                some_of(names(files), 3),
                text.format(
                    files=quantity(len(files), "file"),
                    was="was" if len(files) == 1 else "were",
                    them="it" if len(files) == 1 else "them",
                )
                + ("" if sure else _ONLY_BY_MAJORITY),
                expected="only files of this study",
                observed=f"{some_of(names(files))}; {when}",
                action=action,
                file=files[0].recording.name if len(files) == 1 else None,
                other_recorded_ns=None if own else recorded_ns([*counted, *files]),
            )
        )
        if word != "default_date" and begun is not None:
            earlier += [f for f in files if end_of(f) <= begun and f.recording.name not in misdated]
    if earlier:
        findings.append(
            Finding(
                "card_not_cleared",
                "caution",
                some_of(names(in_order(earlier)), 3),
                f"The card was not cleared before the hook-up: {quantity(len(earlier), 'file')} "
                "from before this study came back with it. No time is counted from there, but it "
                "took up room.",
                expected="an empty card at the hook-up",
                observed=some_of(names(in_order(earlier))),
                action="Clear the card before every hook-up, after its study is safely stored.",
            )
        )
    return findings
