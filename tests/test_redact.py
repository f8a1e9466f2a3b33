"""``--redact``: no text of a file, an order, a log or a person stands in any output."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import get_args, get_origin

import jsonschema
import numpy as np
import pytest
from helpers_batch import EPOCH, one_by_one
from helpers_browser import page_texts
from helpers_cli import QUICK, read, run
from helpers_edf import Sig, edf, event
from msgspec import Struct
from playwright.sync_api import Browser

import auditor
from auditor.core.fields import Holds, fields_of
from auditor.model import Facts
from auditor.outputs.data import schema
from auditor.outputs.redact import CLASSES
from auditor.policy import load_policy

ELECTRODES = ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2")
# Invented people, places and numbers, one for each field that can hold text and each spelling.
SPOKEN = (
    "Pemberwick, Rosalind", "Rosalind Pemberwick", "PEMBERWICK", "r.pemberwick", "Rosie P",
    "1960-06-05", "05/06/1960", "06/05/60", "5 June 1960", "June 5th, 1960", "5.6.60", "19600605",
    "05JUN1960", "5-Jun-60", "MRN-4471823", "mrn 4471823", "4471823", "MRN4471823", "Zoë Müller",
    "Straßer", "STRASSER", "Weiß-Öhm", "room 12 ward Quarrel", "+1 555 0142", "Ng took a nap",
    "r.p@mail.invalid", "12 Larkspur Lane", "called by Tessalin", "Recording stopped by Ulverton",
    "battery low, told Corvane", "patient Dellamore unplugged", "push-button by Esterhaus",
)  # fmt: skip
FIELDS = {
    "patient code": "X7Q44K", "name": "Wexcombe", "born": "07-AUG-1961", "admission": "ADM-99812",
    "technician": "Tarrowby", "equipment": "Quorvex-9", "label": "Sorrelby ECG",
    "transducer": "Oskvarn", "prefilter": "Trelawn", "dimension": "uVkip", "folder": "Hob  Marsh",
    "file": "Nettlecross", "copy": "Vardenholt", "study id": "Larkmere 1960", "order code": "Z-88Y",
    "log": "Foxholme", "by": "Hallowby", "note": "Zimmerling", "bad row": "Kestrelton",
    "unreadable": "Dunmarrow", "junk": "Fenwhistle", "other file": "Gravesmoor",
    "other patient": "Ibbotsen", "other code": "QP-5531", "policy source": "Joorvik",
    "decided by": "Lindqvist", "decision note": "Marchbank", "corrected by": "Ottoline",
    "excluded": "Penhaligon", "order file": "Ravensworth",
}  # fmt: skip
assert len(SPOKEN) + len(FIELDS) >= 60


def write_study(root: Path) -> Path:
    """A study of which every text names somebody. Returns its order file."""
    folder = root / FIELDS["folder"]
    (folder / FIELDS["copy"]).mkdir(parents=True)
    signals = [Sig(f"EEG {e}-Ref") for e in ELECTRODES]
    signals.append(
        Sig(FIELDS["label"], dimension=FIELDS["dimension"], transducer=FIELDS["transducer"],
            prefilter=FIELDS["prefilter"])
    )  # fmt: skip
    own = f"{FIELDS['patient code']} F {FIELDS['born']} {FIELDS['name']}"
    told = (
        f"Startdate 13-APR-2027 {FIELDS['admission']} {FIELDS['technician']} {FIELDS['equipment']}"
    )
    name = folder / FIELDS["copy"] / f"{FIELDS['file']}.edf"
    name.write_bytes(
        edf(onsets=range(120), signals=signals, patient=own, recording=told, start_date="13.04.27",
            fields={"record count": "-1"}, annotation_bytes=400,
            events={1 + 2 * i: [event(1 + 2 * i, text)] for i, text in enumerate(SPOKEN)})
    )  # fmt: skip
    (folder / FIELDS["copy"] / f"{FIELDS['excluded']}.edf").write_bytes(
        edf(
            onsets=range(5),
            signals=signals,
            patient=own,
            start_date="13.04.27",
            start_time="11.00.00",
            recording=told,
        )
    )
    (folder / "other.edf").write_bytes(
        edf(onsets=[0, 1], signals=signals, patient=f"{FIELDS['other code']} M X "
            f"{FIELDS['other patient']}", start_date="12.04.27",
            recording="Startdate 12-APR-2027 X X N-3")
    )  # fmt: skip
    (folder / f"{FIELDS['unreadable']}.edf").write_bytes(b"0       " + FIELDS["junk"].encode())
    (folder / f"letter to {FIELDS['other file']}.txt").write_text("Dear")
    (folder / f"{FIELDS['log']}.csv").write_text(
        f"time,by,note\n2027-04-13T09:30:30,{FIELDS['by']},{FIELDS['note']}\n"
        f"{FIELDS['bad row']},x,y\n2027-04-13T09:31:00,{FIELDS['by']},\n"
    )
    order = root / f"{FIELDS['order file']}.toml"
    order.write_text(
        f'[order]\nordered_hours = 1\nstudy_id = "{FIELDS["study id"]}"\n'
        f'patient_code = "{FIELDS["order code"]}"\nmonitoring = "intermittent"\n'
        f'[files]\nexclude = ["{FIELDS["copy"]}/{FIELDS["excluded"]}.edf"]\n'
        f'[logs]\nmonitoring = "{FIELDS["folder"]}/{FIELDS["log"]}.csv"\n'
    )
    (root / "lab.toml").write_text(
        '[policy]\nname = "lab"\n[billing.setup]\ncode = "95700"\nminimum_channels = 8\n'
        f'else_code = "95999"\nsource = "checked by {FIELDS["policy source"]}"\nmark = "read"\n'
    )
    return order


def leaks(text: str) -> list[str]:
    """What of ``SPOKEN`` and ``FIELDS`` stands in ``text``, whole or by its telling parts."""
    parts = [w for t in SPOKEN for w in (t, *re.findall(r"[A-ZÄÖÜ][\w'-]{4,}|\d{5,}", t))]
    common = {"Recording", "recording"}
    words = [w for w in (*parts, *FIELDS.values()) if w not in common]
    folded = text.casefold()
    found = [w for w in words if w.casefold() in folded]
    return found + (["Ng"] if re.search(r"\bNg\b", text) else [])


def everything(folder: Path) -> str:
    """Every byte that was written, and every name."""
    parts = [str(p.relative_to(folder)) for p in folder.rglob("*")]
    parts += [p.read_bytes().decode("utf-8", "replace") for p in folder.rglob("*") if p.is_file()]
    return "\n".join(parts)


ARGUMENTS = ("--by", FIELDS["corrected by"])


@pytest.mark.parametrize("kind", ["--redact", "--redact=dates"])
def test_no_planted_identifier_stands_in_any_output(
    kind: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = write_study(tmp_path / "in")
    out = tmp_path / "out"
    folder = tmp_path / "in" / FIELDS["folder"]
    status = run(
        "study", folder, "--order", order, "--policy", tmp_path / "in" / "lab.toml",
        *ARGUMENTS, "--out", out, kind,
    )  # fmt: skip
    assert status == 1, capsys.readouterr().err
    printed = capsys.readouterr()
    assert leaks(everything(out) + printed.out + printed.err) == []
    if kind == "--redact=dates":
        text = everything(out)
        assert not re.search(r"2027-04-1|1[1-4] Apr(il)? 2027|Apr(il)? 1[1-4],? 2027", text)


def test_without_redaction_the_same_search_finds_them(tmp_path: Path) -> None:
    """The search above can fail: nearly every identifier stands in a plain audit's outputs."""
    order = write_study(tmp_path / "in")
    folder = tmp_path / "in" / FIELDS["folder"]
    run("study", folder, "--order", order, "--policy", tmp_path / "in" / "lab.toml", *ARGUMENTS,
        "--out", tmp_path / "out", *QUICK, "--quiet")  # fmt: skip
    text = everything(tmp_path / "out")
    assert sum(spoken in text for spoken in SPOKEN) >= len(SPOKEN) - 4  # escaped in JSON or HTML
    shown = {"file", "copy", "study id", "order code", "log", "by", "equipment",
             "unreadable", "label", "policy source", "corrected by", "excluded", "order file"}  # fmt: skip
    assert {k for k in shown if FIELDS[k] not in text} == set()


def test_a_batch_its_worklist_and_its_history_hold_none_either(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)
    order = write_study(tmp_path / "in")
    folder = tmp_path / "in" / FIELDS["folder"]
    text = order.read_text().replace(f"{FIELDS['folder']}/", "")
    (folder / "order.toml").write_text(text)
    order.unlink()
    (tmp_path / "in" / FIELDS["unreadable"]).mkdir()
    (tmp_path / "in" / FIELDS["unreadable"] / "a.edf").write_bytes(b"junk")
    out = tmp_path / "out"
    lab = tmp_path / "in" / "lab.toml"
    batch = ("batch", tmp_path / "in", "--out", out, "--redact", "--policy", lab, *QUICK)
    assert run(*batch) == 1
    studies = json.loads((out / "worklist.json").read_text())["studies"]
    assert len(studies) == 2
    audited = next(s["study"] for s in studies if s["recorded_s"])
    assert run("decide", audited, "--outcome", "repeat", "--by", FIELDS["decided by"],
               "--note", FIELDS["decision note"], "--out", out) == 0  # fmt: skip
    assert run(*batch, "--resume") == 1
    assert run("trends", "--out", out) == 0
    printed = capsys.readouterr()
    shown = everything(out) + printed.out + printed.err
    assert leaks(shown) == []


@pytest.mark.parametrize("kind", ["--redact", "--redact=dates"])
def test_the_facts_stay(kind: str, tmp_path: Path) -> None:
    order = write_study(tmp_path / "in")
    folder = tmp_path / "in" / FIELDS["folder"]
    common = ("study", folder, "--order", order, *QUICK, "--quiet")
    run(*common, "--out", tmp_path / "plain")
    run(*common, "--out", tmp_path / "redacted", kind)
    plain, redacted = read(tmp_path / "plain"), read(tmp_path / "redacted")
    jsonschema.Draft202012Validator(schema()).validate(redacted)
    for part in ("recorded_s", "span_s", "overlap_s", "longest_run_s", "dropouts"):
        assert redacted["coverage"][part] == plain["coverage"][part]
    assert redacted["decision"]["outcome"] == plain["decision"]["outcome"]
    states = [[a["state"] for a in d["decision"]["answers"]] for d in (plain, redacted)]
    assert states[0] == states[1]
    assert sorted(f["code"] for f in redacted["findings"]) == sorted(
        f["code"] for f in plain["findings"]
    )
    assert redacted["stop"]["likely_cause"] == plain["stop"]["likely_cause"]
    assert [f["sha256"] for f in redacted["files"]] == [f["sha256"] for f in plain["files"]]
    assert redacted["monitoring"]["checks"] == plain["monitoring"]["checks"]
    labels = [c["label"] for c in redacted["signal"]["channels"]]
    assert labels[:8] == list(ELECTRODES)  # T3 stays T3
    if kind == "--redact=dates":
        first = (plain["coverage"]["first_start"], redacted["coverage"]["first_start"])
        assert first[0][10:] == first[1][10:]  # the time of day stays, the date does not
        assert first[0][:10] != first[1][:10]


def test_dates_move_by_whole_weeks_and_keep_the_time_of_day_over_a_change_of_the_clocks(
    tmp_path: Path,
) -> None:
    """America/Denver went from 02:00 to 03:00 on Sunday 14 March 2027 (IANA database)."""
    from datetime import datetime

    folder = tmp_path / "S"
    folder.mkdir()
    (folder / "a.edf").write_bytes(
        edf(onsets=range(0, 8 * 3600, 60), duration="60", signals=[Sig("EEG Fp1", 60)],
            recording="Startdate 13-MAR-2027 X X N-3", start_date="13.03.27",
            start_time="22.00.00")
    )  # fmt: skip
    arguments = ("study", folder, "--ordered-hours", "8", "--hookup", "2027-03-13T22:00:00",
                 "--timezone", "America/Denver", *QUICK)  # fmt: skip
    run(*arguments, "--out", tmp_path / "plain", "--quiet")
    run(*arguments, "--out", tmp_path / "moved", "--quiet", "--redact=dates")
    plain, moved = read(tmp_path / "plain"), read(tmp_path / "moved")
    places = [("coverage", "first_start"), ("coverage", "last_end"), ("order", "hookup"),
              ("order", "planned_end"), ("shortfall", "window_start")]  # fmt: skip
    for part, key in places:
        before, after = (datetime.fromisoformat(told[part][key]) for told in (plain, moved))
        assert (before.weekday(), before.time()) == (after.weekday(), after.time())
        assert (before - after).days % 7 == 0
        assert before != after
    assert moved["coverage"]["recorded_s"] == 8 * 3600
    assert moved["decision"]["outcome"] == plain["decision"]["outcome"]
    for key, length in plain["shortfall"].items():
        assert not key.endswith("_s") or moved["shortfall"][key] == length, key


COUNTS = """
annotations_total batteries charges_ppm data_offset digital_max digital_min drift_ppb
dropouts_count files first header_bytes hourly index last minimum_channels mode_share_ppm
montage_channels needed_channels offset rate_den rate_num record record_bytes record_count records
sample_bytes samples_per_record signals size_bytes spare_batteries values
"""
LENGTHS = """
battery clean clock clock_offset dropouts duration earliest external flat gaps large latest length
longest_run mains offsets only_here onset ordered other_recorded overlap period record recorded
records saturated signal usable
"""


def test_every_number_of_the_facts_moves_with_the_dates_or_is_known_to_be_none() -> None:
    """A field that comes new must be said to be an instant, a count or a length."""
    fixed, seen = set(), set()

    def look(kind: type) -> None:
        seen.add(kind)
        for name, field in fields_of(kind).items():
            parts = list(within(field.kind))
            for part in parts:
                if isinstance(part, type) and issubclass(part, Struct) and part not in seen:
                    look(part)
            numbers = any(part is int or part is np.ndarray for part in parts)
            if numbers and field.holds is not Holds.INSTANT:
                fixed.add(name)

    def within(kind: object) -> Iterator[object]:
        yield get_origin(kind) or kind
        for part in get_args(kind):
            yield from within(part)

    look(Facts)
    assert len(seen) > 30
    assert fixed == {*COUNTS.split(), *(f"{name}_ns" for name in LENGTHS.split())}


def test_each_class_of_annotation_is_shown_by_words_of_its_own_class_and_no_other() -> None:
    patterns = load_policy().stop.patterns
    wider = {("technologist", "person"), ("patient", "person")}
    for name, words in CLASSES.items():
        matched = {
            other
            for other in CLASSES
            if any(re.search(p, words, re.IGNORECASE) for p in getattr(patterns, other))
        }
        assert name in matched, words
        assert {(name, other) for other in matched - {name}} <= wider, (name, matched)


@pytest.mark.parametrize(("before", "seen"), [(0, True), (350, True), (470, True), (490, False)])
def test_a_long_annotation_says_the_same_with_and_without_redaction(
    before: int, seen: bool, tmp_path: Path
) -> None:
    """Patterns look at the first 500 characters, whoever asks: so the end keeps its cause."""
    text = "x " * (before // 2) + "Recording stopped by T-12 (Pemberwick)"
    raw = edf(onsets=range(30), signals=[Sig("EEG Fp1", 16)], annotation_bytes=600,
              events={28: [event(28.5, text)]})  # fmt: skip
    folder = tmp_path / "S-2041"
    folder.mkdir()
    (folder / "a.edf").write_bytes(raw)
    ends = {}
    for name, more in (("plain", ()), ("redacted", ("--redact",))):
        run("study", folder, "--ordered-hours", "1", "--out", tmp_path / name, *QUICK, *more)
        ends[name] = read(tmp_path / name)["stop"]
        assert (ends[name]["likely_cause"] == "stopped_by_technologist") == seen
    for key in ("kind", "likely_cause", "rank"):
        assert ends["plain"][key] == ends["redacted"][key]
    page = (tmp_path / "redacted" / "audit.html").read_text("utf-8")
    assert "Pemberwick" not in page
    assert ("[text withheld]" in page) == (not seen)


@pytest.mark.browser
def test_a_page_printed_to_pdf_holds_none(tmp_path: Path, browser: Browser) -> None:
    order = write_study(tmp_path / "in")
    folder = tmp_path / "in" / FIELDS["folder"]
    run("study", folder, "--order", order, *QUICK, "--out", tmp_path / "out", "--redact", "--quiet")
    pdf = tmp_path / "page.pdf"
    with browser.new_context() as context:
        page = context.new_page()
        page.goto((tmp_path / "out" / "audit.html").as_uri())
        page.pdf(path=pdf)
    text = "\n".join(page_texts(pdf))
    assert len(text) > 1000
    assert leaks(text) == []


def test_redacted_audits_of_the_python_interface_are_of_the_same_making(tmp_path: Path) -> None:
    """The value itself holds no text of the input, whatever renders it."""
    order = write_study(tmp_path / "in")
    from auditor.inputs.order import read_order
    from auditor.outputs.redact import redacted
    from auditor.pipeline import Options, examine

    facts = examine(
        [tmp_path / "in" / FIELDS["folder"]],
        order=read_order(order),
        policy=load_policy(),
        options=Options(second_readers=False),
    )
    assert leaks(repr(redacted(facts, load_policy(), Options()))) == []
    assert auditor.__version__
