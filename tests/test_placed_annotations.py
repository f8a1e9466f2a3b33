"""The annotations of all files on the study axis, each event once."""

from __future__ import annotations

from helpers_stop import BASE, Case, piece
from msgspec.structs import replace

from auditor.core.units import HOUR, NS
from auditor.coverage.annotations import place_annotations
from auditor.model import Annotation, Finding, PlacedAnnotation, StudyFile


def noted(file: StudyFile, *notes: tuple[float, str], total: int | None = None) -> StudyFile:
    """``file`` with annotations, each at a second after its start."""
    kept = tuple(Annotation(round(at * NS), None, text, 0) for at, text in notes)
    recording = replace(
        file.recording, annotations=kept, annotations_total=len(kept) if total is None else total
    )
    return replace(file, recording=recording)


def placed(*files: StudyFile) -> tuple[tuple[PlacedAnnotation, ...], tuple[Finding, ...]]:
    case = Case(files)
    return place_annotations(case.study(), case.coverage())


def told(found: tuple[PlacedAnnotation, ...]) -> list[tuple[float, str, str, bool]]:
    return [((a.at - BASE) / NS, a.text, a.file, a.in_recording) for a in found]


def test_annotations_of_several_files_come_in_time_order() -> None:
    first = noted(piece("a.edf", (0, 1)), (5, "eyes open"), (5, "a cough"))
    later = noted(piece("b.edf", (1, 2)), (0, "lights off"))
    found, findings = placed(later, first)
    assert told(found) == [
        (5, "a cough", "a.edf", True),
        (5, "eyes open", "a.edf", True),
        (3600, "lights off", "b.edf", True),
    ]
    assert findings == ()


def test_an_annotation_keeps_its_length() -> None:
    file = piece("a.edf", (0, 1))
    lasting = (Annotation(NS, 3 * NS, "seizure", 0),)
    recording = replace(file.recording, annotations=lasting, annotations_total=1)
    found, _ = placed(replace(file, recording=recording))
    assert [a.duration_ns for a in found] == [3 * NS]


def test_the_same_text_at_the_same_second_of_another_copy_is_one_event() -> None:
    """Copies keep their annotations by clocks that may differ by part of a second."""
    pc = noted(
        piece("pc/a.edf", (0, 1), copy="B"),
        (9.4, "spike"), (10.4, "spike"), (11.4, "spike"), (20, "late"),
    )  # fmt: skip
    card = noted(piece("card/a.edf", (0, 1), copy="A"), (10.2, "spike"), (10.2, "other"))
    found, _ = placed(pc, card)
    assert told(found) == [
        (10.2, "other", "card/a.edf", True),
        (10.2, "spike", "card/a.edf", True),
        (20, "late", "pc/a.edf", True),
    ]
    apart = noted(piece("pc/a.edf", (0, 1), copy="B"), (8.9, "spike"), (12, "spike"))
    assert [at for at, *_ in told(placed(apart, card)[0])] == [8.9, 10.2, 10.2, 12]


def test_the_same_text_twice_in_one_copy_is_two_events() -> None:
    twice = noted(piece("a.edf", (0, 1)), (10, "spike"), (10.5, "spike"))
    assert len(placed(twice)[0]) == 2
    nowhere = noted(piece("a.edf", (0, 1), copy=None), (10, "spike"), (10.5, "spike"))
    assert len(placed(nowhere)[0]) == 2


def test_an_annotation_where_nothing_was_recorded_is_kept_and_told() -> None:
    edge = HOUR // NS
    broken = noted(
        piece("a.edf", (0, 1), (2, 3)),
        (-1, "before"), (0, "first"), (edge - 1, "last"), (edge, "in the gap"), (3 * edge, "after"),
    )  # fmt: skip
    found, findings = placed(broken)
    assert [(a.text, a.in_recording) for a in found] == [
        ("before", False), ("first", True), ("last", True), ("in the gap", False), ("after", False),
    ]  # fmt: skip
    [finding] = findings
    assert (finding.code, finding.where) == ("annotation_outside_recording", "a.edf")
    assert finding.text == (
        "3 of 5 annotations lie where nothing was recorded (in an interruption, before the first "
        "record or after the last). They are kept and change no duration. The first is at "
        "Tue 2 Mar 2027 09:29:59."
    )
    [one] = placed(noted(piece("a.edf", (0, 1)), (-1, "before")))[1]
    assert one.text.startswith("1 of 1 annotation lies where")


def test_annotations_that_were_not_kept_are_counted() -> None:
    _, findings = placed(noted(piece("a\u202eb.edf", (0, 1)), (1, "x"), (2, "y"), total=7))
    [finding] = findings
    assert (finding.code, finding.file) == ("annotations_beyond_limit", "a\u202eb.edf")
    assert finding.where == "a\\u202eb.edf"
    assert "holds 7 annotations, of which the first 2 are kept" in finding.text
