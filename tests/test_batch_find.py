"""Which folders of an archive are studies."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from helpers_edf import edf

from auditor.batch.find import find_studies


def put(path: Path, patient: str = "P-2041 X X X", date: str = "02.03.27") -> None:
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(edf(onsets=[0, 1], patient=patient, start_date=date))


def order(folder: Path, name: str = "order.toml") -> None:
    folder.mkdir(parents=True, exist_ok=True)
    (folder / name).write_text("[order]\nordered_hours = 24\n")


def keys(root: Path) -> list[str]:
    return [study.key for study in find_studies(root)]


def test_each_folder_with_recordings_is_a_study(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    put(tmp_path / "2027" / "S-2042" / "a.bdf", "P-2042 X X X")
    put(tmp_path / "2027" / "S-2043" / "a.edf", "P-2043 X X X")
    (tmp_path / "papers").mkdir()
    (tmp_path / "papers" / "letter.txt").write_text("no recording")
    assert keys(tmp_path) == ["2027/S-2042", "2027/S-2043", "S-2041"]


def test_card_and_computer_of_one_patient_are_one_study(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "card" / "a.edf", date="02.03.27")
    put(tmp_path / "S-2041" / "computer" / "b.edf", date="04.03.27")
    assert keys(tmp_path) == ["S-2041"]


@pytest.mark.parametrize(
    ("patient", "date"),
    [
        ("P-2042 X X X", "02.03.27"),  # another patient
        ("P-2041 X X X", "02.06.27"),  # the same patient months later
    ],
)
def test_folders_of_two_patients_or_of_two_times_are_two_studies(
    tmp_path: Path, patient: str, date: str
) -> None:
    put(tmp_path / "ward" / "one" / "a.edf")
    put(tmp_path / "ward" / "two" / "a.edf", patient, date)
    assert keys(tmp_path) == ["ward/one", "ward/two"]


def test_one_sub_folder_alone_keeps_its_name(tmp_path: Path) -> None:
    put(tmp_path / "2027" / "S-2041" / "a.edf")  # the first study of the year
    assert keys(tmp_path) == ["2027/S-2041"]


def test_a_folder_that_a_list_of_orders_names_is_a_study(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "card" / "a.edf", "P-2041 X X X")
    put(tmp_path / "S-2041" / "left" / "b.edf", "P-2039 X X X")
    put(tmp_path / "2027" / "S-2042" / "card" / "a.edf", "P-2042 X X X")
    found = find_studies(tmp_path, named=["S-2041", "2027/S-2042"])
    assert [s.key for s in found] == ["2027/S-2042", "S-2041"]
    assert keys(tmp_path) == ["2027/S-2042/card", "S-2041/card", "S-2041/left"]


def test_folders_that_name_no_patient_are_not_joined(tmp_path: Path) -> None:
    # EDF+ specification, additional specifications, item 3: X stands for unknown.
    put(tmp_path / "ward" / "one" / "a.edf", "X X X X")
    put(tmp_path / "ward" / "two" / "a.edf", "X X X X")
    assert keys(tmp_path) == ["ward/one", "ward/two"]


def test_children_of_the_root_are_never_joined(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    put(tmp_path / "S-2041-second" / "a.edf")
    assert keys(tmp_path) == ["S-2041", "S-2041-second"]


def test_an_order_makes_a_study_of_everything_below_it(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "card" / "a.edf", "P-2041 X X X")
    put(tmp_path / "S-2041" / "left" / "b.edf", "P-2039 X X X")
    order(tmp_path / "S-2041")
    order(tmp_path / "S-2044")  # ordered, and nothing came back
    studies = find_studies(tmp_path)
    assert [(s.key, s.order is not None) for s in studies] == [("S-2041", True), ("S-2044", True)]


def test_an_order_may_lie_beside_its_folder(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    order(tmp_path, "S-2041.toml")
    (study,) = find_studies(tmp_path)
    assert study.order == tmp_path / "S-2041.toml"


def test_the_labs_order_goes_before_the_hospitals_request(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    order(tmp_path / "S-2041")
    order(tmp_path / "S-2041", "order.json")
    (study,) = find_studies(tmp_path)
    assert study.order == tmp_path / "S-2041" / "order.toml"


def test_recordings_beside_study_folders_are_a_study_of_their_own(tmp_path: Path) -> None:
    put(tmp_path / "loose.edf")
    put(tmp_path / "ward" / "also.edf")
    put(tmp_path / "ward" / "S-2042" / "a.edf", "P-2042 X X X")
    order(tmp_path / "ward" / "S-2042")
    studies = {s.key: s.files for s in find_studies(tmp_path)}
    assert studies == {
        tmp_path.name: (tmp_path / "loose.edf",),
        "ward": (tmp_path / "ward" / "also.edf",),
        "ward/S-2042": (),
    }


def test_a_root_that_is_a_study_is_one(tmp_path: Path) -> None:
    put(tmp_path / "a.edf")
    put(tmp_path / "b.edf")
    (study,) = find_studies(tmp_path)
    assert (study.key, study.files) == (tmp_path.name, ())


def test_a_broken_recording_and_one_of_another_name_make_a_study(tmp_path: Path) -> None:
    (tmp_path / "S-2041").mkdir()
    (tmp_path / "S-2041" / "a.edf").write_bytes(b"broken")
    put(tmp_path / "S-2042" / "00000001.dat")
    assert keys(tmp_path) == ["S-2041", "S-2042"]


def test_links_and_the_output_are_left_out(tmp_path: Path) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    (tmp_path / "S-2041" / "loop").symlink_to(tmp_path)
    put(tmp_path / "out" / "copy" / "a.edf")
    found = find_studies(tmp_path, exclude=tmp_path / "out")
    assert [s.key for s in found] == ["S-2041"]


def test_a_name_that_is_not_utf8_is_a_key_that_can_be_written(tmp_path: Path) -> None:
    put(Path(str(tmp_path).encode().decode()) / "S-\udcff" / "a.edf")
    assert keys(tmp_path) == ["S-\\xff"]


def test_a_folder_that_cannot_be_listed_is_not_passed_over(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    put(tmp_path / "S-2041" / "a.edf")
    (tmp_path / "ward" / "S-2042").mkdir(parents=True)
    real = os.scandir

    def refusing(path: Path) -> object:
        if Path(path).name == refused:
            raise PermissionError(13, "Permission denied", str(path))
        return real(path)

    monkeypatch.setattr("auditor.batch.find.os.scandir", refusing)
    refused = "S-2042"
    assert keys(tmp_path) == ["S-2041", "ward/S-2042"]
    refused = tmp_path.name
    with pytest.raises(PermissionError):
        keys(tmp_path)


def test_a_study_at_the_bottom_of_very_deep_folders_is_found(tmp_path: Path) -> None:
    put(tmp_path.joinpath(*["d"] * 50) / "a.edf")
    (study,) = find_studies(tmp_path)
    assert not study.files
    assert tmp_path.joinpath(*["d"] * 50).is_relative_to(study.folder)
