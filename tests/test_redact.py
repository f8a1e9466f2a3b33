"""``--redact``: no patient code, name, birth date, or name of a file or folder in any output."""

from __future__ import annotations

from pathlib import Path

import jsonschema
import pytest
from helpers_cli import QUICK, read, run
from helpers_edf import Sig, edf, event

from auditor.outputs.data import schema

SIGNALS = tuple(Sig(f"EEG {name}") for name in ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2"))
# Invented people, spelled in the ways that turn up in returned studies.
IDENTIFIERS = (
    "P-2041", "Morgen", "Ada_Morgen", "Ada Morgen", "Morgen, Ada", "02-MAY-1951", "1951-05-02",
    "02.05.1951", "Quist", "ward-77", "P-2042", "Brandt", "zimmer9",
)  # fmt: skip


def write_study(folder: Path) -> None:
    """A study whose every name and text carries an identifier."""
    (folder / "card-Morgen").mkdir(parents=True)
    patient = "P-2041 F 02-MAY-1951 Ada_Morgen"
    recording = "Startdate 02-MAR-2027 ward-77 Quist N-3"
    (folder / "card-Morgen" / "Ada_Morgen 1951-05-02.edf").write_bytes(
        edf(
            onsets=[*range(30)],
            signals=SIGNALS,
            patient=patient,
            recording=recording,
            fields={"record count": "-1"},
            annotation_bytes=200,
            events={
                1: [event(1, "Patient Ada Morgen asleep")],
                2: [event(2, "P-2041 born 02.05.1951, called by Quist")],
                3: [event(3, "Recording stopped by Morgen, Ada")],
            },
        )
    )
    (folder / "other zimmer9.edf").write_bytes(
        edf(onsets=[0, 1], signals=SIGNALS, patient="P-2042 M X Brandt", start_date="01.03.27",
            recording="Startdate 01-MAR-2027 X X N-3")
    )  # fmt: skip
    (folder / "Ada_Morgen broken.edf").write_bytes(b"0       P-2041 Ada_Morgen")
    (folder / "letter to Morgen.txt").write_text("Dear Ada Morgen")


@pytest.fixture
def outputs(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> dict[str, str]:
    """Everything that a redacted run writes or prints, by name."""
    folder = tmp_path / "in" / "P-2041 Morgen"
    write_study(folder)
    order = tmp_path / "order.toml"
    order.write_text('[order]\nordered_hours = 1\nstudy_id = "S-2041"\npatient_code = "P-2041"\n')
    run("study", folder, "--order", order, "--out", tmp_path / "out", "--redact")
    printed = capsys.readouterr()
    texts = {p.name: p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir()}
    return {**texts, "stdout": printed.out, "stderr": printed.err}


def test_no_output_holds_an_identifier(outputs: dict[str, str]) -> None:
    assert {"audit.html", "audit.json", "files.csv", "stdout"} <= set(outputs)
    found = [
        (name, word)
        for name, text in outputs.items()
        for word in IDENTIFIERS
        if word.casefold() in text.casefold()
    ]
    assert found == []


def test_without_redaction_the_same_search_finds_them(tmp_path: Path) -> None:
    """The search above can fail: each identifier does stand in a plain audit's outputs."""
    folder = tmp_path / "P-2041 Morgen"
    write_study(folder)
    run("study", folder, "--out", tmp_path / "out", *QUICK, "--quiet")
    texts = "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir())
    for word in ("P-2041", "Ada Morgen", "Quist", "zimmer9", "02.05.1951", "card-Morgen"):
        assert word in texts


def test_the_facts_stay(tmp_path: Path) -> None:
    folder = tmp_path / "P-2041 Morgen"
    write_study(folder)
    for name, more in (("plain", ()), ("redacted", ("--redact",))):
        run("study", folder, "--out", tmp_path / name, *QUICK, "--quiet", *more)
    plain, redacted = read(tmp_path / "plain"), read(tmp_path / "redacted")
    assert redacted["coverage"]["recorded_s"] == plain["coverage"]["recorded_s"]
    assert redacted["coverage"]["gaps"] == plain["coverage"]["gaps"]
    assert [f["sha256"] for f in redacted["files"]] == [f["sha256"] for f in plain["files"]]
    assert [f["code"] for f in redacted["findings"]] == [f["code"] for f in plain["findings"]]
    assert [len(a["text"]) > 0 for a in redacted["annotations"]]
    assert redacted["tool"]["redacted"] is True
    assert redacted["study"]["patient_code"] is None


@pytest.mark.parametrize(
    ("name", "written"),
    [
        (b"Otto_Wei\xdf", "Weiß"),  # casefold makes 'ss' of it
        ("Zoë_Müller".encode(), "Müller"),  # UTF-8 in a header, where only ASCII belongs
        ("Zoë_Müller".encode("latin-1"), "Mu\u0308ller"),  # accent as a character of its own
        (b"Otto_Stra\xdfer", "STRASSER"),
    ],
)
def test_names_beyond_ascii_are_found_in_each_spelling(
    tmp_path: Path, name: bytes, written: str
) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.edf").write_bytes(
        edf(onsets=[0, 1], signals=SIGNALS, patient=(b"P-2041 F X " + name).decode("latin-1"),
            annotation_bytes=120, events={0: [event(0, f"{written} sleeps")]})
    )  # fmt: skip
    run("study", tmp_path / "in", "--out", tmp_path / "out", *QUICK, "--quiet", "--redact")
    (annotation,) = read(tmp_path / "out")["annotations"]
    assert annotation["text"] == "[withheld] sleeps"


def test_a_file_name_with_control_characters_is_withheld_as_shown(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    raw = edf(onsets=[0, 1], signals=SIGNALS, fields={"record count": "-1"})
    (tmp_path / "in" / "Ada\nQuist.edf").write_bytes(raw)
    run("study", tmp_path / "in", "--out", tmp_path / "out", *QUICK, "--quiet", "--redact")
    texts = "".join(p.read_text(encoding="utf-8") for p in (tmp_path / "out").iterdir())
    assert "Quist" not in texts
    assert "never_closed" in texts


@pytest.mark.parametrize("name", ["EDF", "card", "computer", "counted", "A", "utc", "review"])
def test_names_that_are_words_of_the_auditor_change_no_code(tmp_path: Path, name: str) -> None:
    (tmp_path / "in" / name).mkdir(parents=True)
    raw = edf(onsets=[*range(30)], signals=SIGNALS, reserved="EDF+C")
    (tmp_path / "in" / name / f"{name}.edf").write_bytes(raw)
    (tmp_path / "in" / f"{name}.txt").write_text("a note")
    order = tmp_path / "order.toml"
    order.write_text(
        '[order]\nordered_hours = 1\nmonitoring = "unmonitored"\ntimezone = "UTC"\n'
        '[power]\nbatteries = 2\nhours_per_battery = 30\nmode = "card+computer"\nmode_share = 0.9\n'
    )
    for out, more in (("plain", ()), ("redacted", ("--redact",))):
        run("study", tmp_path / "in", "--order", order, "--out", tmp_path / out, *QUICK, *more)
    plain, redacted = read(tmp_path / "plain"), read(tmp_path / "redacted")
    jsonschema.validate(redacted, schema())
    (file,) = redacted["files"]
    assert file["name"] == "file-0001.edf"
    for key in ("format", "role", "copy", "start", "start_utc"):
        assert file[key] == plain["files"][0][key]
    assert redacted["study"]["timezone"] == "UTC"
    assert [f["code"] for f in redacted["findings"]] == [f["code"] for f in plain["findings"]]
    assert redacted["power"]["lasts_s"] == plain["power"]["lasts_s"]
    assert redacted["coverage"]["segments"] == plain["coverage"]["segments"]


def test_a_short_name_does_not_garble_other_words(tmp_path: Path) -> None:
    (tmp_path / "in").mkdir()
    (tmp_path / "in" / "a.edf").write_bytes(
        edf(onsets=[0, 1], signals=SIGNALS, patient="P-2041 F X Ann_Lee",
            annotation_bytes=120, events={0: [event(0, "Ann sleeps; annotation")]})
    )  # fmt: skip
    run("study", tmp_path / "in", "--out", tmp_path / "out", *QUICK, "--quiet", "--redact")
    (annotation,) = read(tmp_path / "out")["annotations"]
    assert annotation["text"] == "[withheld] sleeps; annotation"
