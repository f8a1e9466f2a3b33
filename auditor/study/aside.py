"""What is said of files that are not counted, and of what a person set by hand."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.clock import FIRST_START, LAST_START, Axis
from auditor.core.durations import hms
from auditor.core.text import Own, quantity
from auditor.core.units import DAY, NS
from auditor.model import Corrections, Finding, Order, Recording, StudyFile, finding
from auditor.model.codes.study import StudyCode
from auditor.study.belonging import Aside, by_code, patient_code
from auditor.study.placing import SHOWN, about_files, in_order, moved, recorded_ns


def aside_findings(
    aside: Sequence[Aside],
    counted: Sequence[StudyFile],
    hookup: int | None,
    axis: Axis,
) -> Iterator[Finding]:
    """One finding for each reason, one on doubtful dates, one on a card that was not cleared."""
    misdated = _with_other_dates(aside, counted)
    begun = min((f.start for f in counted if f.interval), default=None)
    earlier: list[StudyFile] = []
    for code in dict.fromkeys(a.code for a in aside):
        if code == "excluded_by_hand":  # told with what else was set by hand
            continue
        mine = [a for a in aside if a.code == code]
        files = in_order(a.file for a in mine)
        yield _one_reason(code, files, counted, hookup, axis, all(a.by_order for a in mine))
        if code not in ("default_date", "start_not_known", "test_recording") and begun is not None:
            earlier += [f for f in files if f.end <= begun and f.name not in misdated]
    if misdated:  # need not be from before the study
        recorded, other = recorded_ns(counted), recorded_ns([*counted, *misdated.values()])
        yield about_files(
            "date_may_be_wrong",
            [a.file for a in aside if a.file.name in misdated],
            other_recorded_ns=other,
            recorded=hms(recorded),
            with_them=hms(other),
        )
    if earlier:
        yield about_files("card_not_cleared", in_order(earlier))


def _with_other_dates(aside: Sequence[Aside], counted: Sequence[StudyFile]) -> dict[str, StudyFile]:
    """Files set aside for their time, by name, moved by the whole days after which they join a
    counted one. Files of one recording follow each other within seconds; chance does not.
    """
    timed = [f for f in counted if f.interval]
    found = {}
    for file in (a.file for a in aside if a.code in ("before_hookup", "far_in_time")):
        apart = [gap for f in timed for gap in (f.end - file.start, f.start - file.end)]
        days = [(gap, (gap + DAY // 2) // DAY * DAY) for gap in apart if file.interval]
        joining = [day for gap, day in days if day and abs(gap - day) <= 5 * NS]
        if joining:
            by = min(joining, key=abs)
            found[file.name] = moved(file, replace(file.map, anchor=file.map.anchor + by))
    return found


def _one_reason(
    code: StudyCode,
    files: Sequence[StudyFile],
    counted: Sequence[StudyFile],
    hookup: int | None,
    axis: Axis,
    by_order: bool,
) -> Finding:
    both = recorded_ns([*counted, *files])
    form = "majority" if code == "other_patient" and not by_order else ""
    codes = sorted({c for f in files if (c := patient_code(f.recording))})
    recorders = sorted(
        {r for f in files if (r := f.recording.header.recording_field.equipment or "")}
    )
    return about_files(
        code,
        files,
        form=form,
        severity="problem" if form else None,
        other_recorded_ns=None if code == "other_patient" and by_order else both,
        length=hms(recorded_ns(files)),
        when=Own(_when(files, axis)),
        codes=tuple(c.upper() for c in codes),
        recorder=tuple(recorders) or Own("not named"),
        hookup=Own("" if hookup is None else axis.said(hookup)),
        recorded=hms(recorded_ns(counted)),
        with_them=hms(both),
    )


def _when(files: Sequence[StudyFile], axis: Axis) -> str:
    spans = [f.interval for f in files if f.interval and f.recording.start_known]
    if not spans:
        return "not known"
    return f"{axis.said(min(s.start for s in spans))} to {axis.said(max(s.end for s in spans))}"


def patient_findings(
    files: Sequence[StudyFile], order: Order | None, where: str
) -> Iterator[Finding]:
    """Whether the files carry the order's patient code at all."""
    wanted, found = by_code(files, order)
    if wanted is None:
        return
    blank = found.get(None, [])
    if wanted not in found and len(found) > bool(blank):
        yield finding(
            "patient_code_not_found",
            where,
            others=quantity(len(files) - len(blank), "file"),
            blank=len(blank),
        )
    if blank:
        yield about_files("patient_code_missing", blank, where)


# ---------------------------------------------------------------- by hand


class ByHand(Struct, frozen=True):
    """A person's corrections as far as they name files that are there."""

    recordings: tuple[Recording, ...]
    """All recordings, with their clocks corrected."""
    excluded: frozenset[str]
    included: frozenset[str]
    clocks: frozenset[str]
    by: str
    unknown: tuple[str, ...]
    """Names that fit no file."""
    unmoved: tuple[str, ...]
    """Names of files whose start is not known, or would leave the years of recordings."""

    @property
    def any(self) -> bool:
        """Whether anything was corrected."""
        return bool(self.excluded or self.included or self.clocks)


def corrected(recordings: Sequence[Recording], wanted: Corrections) -> ByHand:
    """``recordings`` with the corrections of the order applied to those that they name."""
    known = {r.name for r in recordings}

    def plain(name: str) -> str:
        return name if name in known else name.replace("\\", "/").removeprefix("./")

    shifts = {plain(name): ns for name, ns in wanted.clock_ns}
    done = {
        r.name: replace(r, start_civil_ns=r.start_civil_ns + shifts[r.name])
        for r in recordings
        if r.name in shifts and r.start_known
    }
    done = {n: r for n, r in done.items() if FIRST_START <= r.start_civil_ns <= LAST_START}
    excluded = {plain(n) for n in wanted.exclude}
    included = {plain(n) for n in wanted.include}
    asked = [*wanted.exclude, *wanted.include, *(n for n, _ in wanted.clock_ns)]
    return ByHand(
        recordings=tuple(done.get(r.name, r) for r in recordings),
        excluded=frozenset(excluded & known),
        included=frozenset(included & known - excluded),
        clocks=frozenset(done),
        by=wanted.by,
        unknown=tuple(dict.fromkeys(n for n in asked if plain(n) not in known)),
        unmoved=tuple(n for n in shifts if n in known and n not in done),
    )


def by_hand_findings(
    hand: ByHand, files: Sequence[StudyFile], by_rules_ns: int, where: str
) -> Iterator[Finding]:
    """What was set by hand, by whom, and what the rules alone would have given."""
    recorded = hms(recorded_ns(f for f in files if f.role == "counted"))
    done = {"Set aside": hand.excluded, "Counted": hand.included, "Start corrected": hand.clocks}
    for what, which in done.items():
        mine = [f for f in files if f.name in which]
        if mine:
            yield about_files(
                "set_by_hand",
                mine,
                what=Own(what),
                by=f" by {hand.by}" if hand.by else Own(""),
                length=hms(recorded_ns(mine)),
                by_rules=hms(by_rules_ns),
                recorded=recorded,
            )
    if hand.unknown:
        yield finding("correction_without_file", where, names=hand.unknown[:SHOWN])
    if hand.unmoved:
        yield finding("correction_without_file", where, form="no_start", names=hand.unmoved[:SHOWN])
