"""A file that breaks a rule of the format is named in the finished audit, with the rule's field.

``test_edf_rules`` looks at each rule in the reader, in every variant; this is the way from there to
the reader of the audit: one breaking file for each rule, beside a sound one. Sources: EDF
specification, EDF+ specification (sections and numbers as there), the description of BDF.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest
from helpers_cli import run, study
from helpers_edf import Sig, edf, event, layout, with_bytes

EIGHT = tuple(Sig(f"EEG {n}", 16) for n in ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2"))
LARGE = tuple(Sig(x.label, 5000) for x in EIGHT)
FIVE = range(5)


def made(**given: Any) -> bytes:
    """A file that breaks what ``given`` breaks, an hour after the sound one."""
    given.setdefault("onsets", FIVE)
    return edf(**{"signals": EIGHT, "start_time": "10.30.00", **given})


def plain(**given: Any) -> bytes:
    return made(onsets=None, records=5, plain=True, **given)


TAIL = b"\1" * 7
BROKEN = [
    ("1 layout: version", b"\1" + made()[1:], "version_wrong", "version"),
    ("1 layout: shorter than a header", made()[:200], "unreadable_file", "200 bytes"),
    ("2 header length", made(fields={"header bytes": "999"}), "header_length_wrong", "byte 184"),
    ("2 characters", made(signal_fields={("label", 1): "Fp\xe9"}), "header_not_ascii", "label of signal 2"),
    ("2 justification", made(fields={"record count": " 5"}), "header_form", "record count"),
    ("3 record count -1", made(fields={"record count": "-1"}), "never_closed", "byte 236"),
    ("3 size: missing", made(fields={"record count": "9"}), "records_missing", "byte 236"),
    ("3 size: truncated", made()[:-9], "partial_last_record", "after record 3"),
    ("3 size: surplus", made(tail=TAIL), "trailing_bytes", "7 bytes"),
    ("4 duration: unreadable", plain(fields={"record duration": "0,5"}), "unreadable_file", "record duration"),
    ("4 duration: wrong", made(onsets=range(0, 80, 4), reserved="EDF+C"), "record_duration_doubtful", "byte 244"),
    ("4 record size", made(signals=LARGE), "record_large", "80064 bytes"),
    ("5 uninterrupted", made(onsets=[0, 1, 9], reserved="EDF+C"), "continuous_file_jumps", "records 1 and 2"),
    ("5 order", made(onsets=[0, 9, 3, 4]), "onsets_run_backwards", "record 2"),
    ("6 annotation signal", plain(reserved="EDF+D"), "time_keeping_absent", "annotation signals"),
    ("7 list: separators", made(events={1: [b"+1\x14no end"]}), "annotations_malformed", "record 1"),
    ("7 list: onset", made(events={1: [b"+1,5\x14x\x14\0"]}), "annotations_malformed", "record 1"),
    ("8 time-keeping: absent", made(onsets=[None] * 5), "time_keeping_absent", "annotation signals"),
    ("8 time-keeping: one record", made(onsets=[0, 1, None, 3]), "time_keeping_restored", "1 record"),
    ("8 first onset", made(onsets=[7, 8]), "first_onset_off", "record 0"),
    ("9 UTF-8", made(events={1: [event(1, b"M\xfcde")]}), "annotation_not_utf8", "record 1"),
    ("10 annotations only", made(signals=[], duration="30", onsets=[0]), "annotation_only_file", "30"),
    ("11 years", made(start_date="02.03.yy", recording="X"), "start_not_known", "start date"),
    ("12 two dates", made(start_date="03.03.27"), "start_date_conflict", "byte 88"),
    ("12 subfields", made(recording="long-term EEG"), "subfields_missing", "recording (byte 88)"),
    ("13 start time", made(fields={"start time": "25.00.00"}), "start_time_unreadable", "byte 176"),
    ("14 decimal point", made(signal_fields={("physical maximum", 0): "3,2"}), "channel_scale_wrong", "physical maximum"),
    ("14 digital limits", made(signal_fields={("digital maximum", 0): "-32768"}), "channel_scale_wrong", "digital maximum"),
    ("14 physical limits", made(signal_fields={("physical maximum", 0): "-3200"}), "channel_scale_wrong", "physical maximum"),
    ("14 samples per record", made(signal_fields={("samples per record", 2): "x"}), "unreadable_file", "samples per record of signal 3"),
    ("14 number of signals", with_bytes(made(), layout(made(), "signals"), "xx"), "signal_count_wrong", "byte 252"),
    ("15 BDF", made(bdf=True, reserved="EDF+D"), "format_contradiction", "reserved"),
    ("16 no known start", made(onsets=[0, 1, None, 60]), "record_start_unknown", "records 2 to 2"),
]  # fmt: skip


@pytest.mark.parametrize(("rule", "raw", "code", "named"), BROKEN, ids=[b[0] for b in BROKEN])
def test_a_file_that_breaks_a_rule_is_found_and_named_in_the_audit(
    tmp_path: Path, rule: str, raw: bytes, code: str, named: str
) -> None:
    folder = tmp_path / "study"
    folder.mkdir()
    (folder / "sound.edf").write_bytes(edf(onsets=range(60), signals=EIGHT))
    (folder / "broken.edf").write_bytes(raw)
    _, document = study(folder, tmp_path / "out", "--signal", "off")
    found = [f for f in document["findings"] if f["code"] == code and f["file"] == "broken.edf"]
    assert len(found) == 1
    shown = " ".join(str(found[0][key]) for key in ("where", "text", "expected", "observed"))
    assert named in shown
    assert "broken.edf" in found[0]["where"]
    assert found[0]["action"] or found[0]["severity"] == "info"
    page = (tmp_path / "out" / "audit.html").read_text(encoding="utf-8")
    assert "broken.edf" in page
    sound = next(f for f in document["files"] if f["name"] == "sound.edf")
    assert (sound["role"], sound["recorded_s"]) == ("counted", 60)


def test_a_sound_file_has_none_of_these_findings(tmp_path: Path) -> None:
    """The table above can fail: its codes come from the damage alone."""
    (tmp_path / "study").mkdir()
    (tmp_path / "study" / "sound.edf").write_bytes(made())
    _, document = study(tmp_path / "study", tmp_path / "out")
    assert {f["code"] for f in document["findings"]}.isdisjoint(b[2] for b in BROKEN)


def test_a_broken_file_alone_says_why_nothing_could_be_read(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (tmp_path / "broken.edf").write_bytes(plain(fields={"record duration": "0,5"}))
    assert run("study", tmp_path / "broken.edf", "--out", tmp_path / "out") == 2
    error = capsys.readouterr().err
    assert "broken.edf" in error
    assert "'record duration' (byte 244)" in error
    assert "'0,5'" in error
