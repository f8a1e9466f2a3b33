"""What a person decides is kept, shown in the audit, and never changes what was measured."""

from __future__ import annotations

import hashlib
import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest
from helpers_batch import EPOCH, batch, make_study, one_by_one, touch, tree, worklist
from helpers_cli import read, run
from selectolax.lexbor import LexborHTMLParser

from auditor.outputs.data import schema
from auditor.outputs.files import write_folder
from auditor.outputs.html import with_decisions


@pytest.fixture(autouse=True)
def in_process(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("auditor.batch.command.run_pool", one_by_one)
    monkeypatch.setenv("SOURCE_DATE_EPOCH", EPOCH)


@pytest.fixture
def root(tmp_path: Path) -> Path:
    root = tmp_path / "returned"
    make_study(root, "folder-a", study_id="S-2041", seconds=20)
    make_study(root, "folder-b", study_id="S-2042", seconds=12)
    return root


@pytest.fixture
def out(root: Path, tmp_path: Path) -> Path:
    batch(root, tmp_path / "out")
    return tmp_path / "out"


def decide(out: Path, study: str, outcome: str = "repeat", by: str = "T-12", note: str = "") -> int:
    return run(
        "decide", study, "--outcome", outcome, "--by", by, "--note", note, "--out", out, "--quiet"
    )


def page(out: Path, study: str) -> LexborHTMLParser:
    return LexborHTMLParser((out / "audits" / study / "audit.html").read_text(encoding="utf-8"))


def test_the_audit_shows_the_decision_and_keeps_its_own_outcome(out: Path) -> None:
    before = read(out / "audits" / "folder-a")
    assert page(out, "folder-a").css_first(".person") is None
    assert decide(out, "folder-a", note="call the ward") == 0
    audit = read(out / "audits" / "folder-a")
    jsonschema.Draft202012Validator(schema()).validate(audit)
    assert audit.pop("persons") == [
        {"outcome": "repeat", "by": "T-12", "note": "call the ward",
         "at": "2027-01-15T08:00:00Z", "made_on_this_audit": True}
    ]  # fmt: skip
    assert before.pop("persons") == []
    assert audit == before
    said = page(out, "folder-a")
    assert "To be repeated, by T-12" in said.css_first(".person").text()
    assert "call the ward" in said.css_first("#decisions").text()


def test_the_page_is_the_one_that_an_audit_with_the_decision_would_give(
    root: Path, out: Path
) -> None:
    decide(out, "folder-a", note="first")
    decide(out, "folder-a", outcome="accept", by="M-1", note="<b>second</b>")
    decided = tree(out / "audits" / "folder-a")
    touch(root / "folder-a" / "a.edf")
    raw = (root / "folder-a" / "a.edf").read_bytes()
    (root / "folder-a" / "a.edf").write_bytes(raw)
    batch(root, out)  # audits it anew, with the decisions of the history
    assert tree(out / "audits" / "folder-a") == decided


def test_decisions_are_added_never_replaced(out: Path) -> None:
    decide(out, "folder-a", "accept-short", note="one")
    decide(out, "folder-a", "accept", note="two")
    notes = [d["note"] for d in read(out / "audits" / "folder-a")["persons"]]
    assert notes == ["one", "two"]
    (row,) = (r for r in worklist(out) if r["study"] == "folder-a")
    assert row["decided"]["note"] == "two"


def test_a_study_may_be_named_by_its_id_where_that_is_clear(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert decide(out, "S-2042") == 0
    assert worklist(out)[-1]["study"] == "folder-b"
    make_study(root, "folder-c", study_id="S-2042", seconds=12)
    batch(root, out)
    assert decide(out, "S-2042") == 2
    assert "is the id of 2 studies. Name one: folder-b, folder-c" in capsys.readouterr().err
    assert decide(out, "S-2099") == 2
    assert "Copy its name from the worklist" in capsys.readouterr().err


def test_a_decided_study_stands_behind_those_that_wait(out: Path) -> None:
    assert [r["study"] for r in worklist(out)] == ["folder-b", "folder-a"]
    decide(out, "folder-b")
    assert [(r["study"], r["settled"]) for r in worklist(out)] == [
        ("folder-a", False), ("folder-b", True),
    ]  # fmt: skip
    decide(out, "folder-a", "accept-short")
    assert all(row["settled"] for row in worklist(out))  # each of the five settles


def test_a_decision_made_on_other_numbers_does_not_settle(root: Path, out: Path) -> None:
    decide(out, "folder-b", "accept")
    assert worklist(out)[-1]["study"] == "folder-b"
    (root / "folder-b" / "a.edf").write_bytes((root / "folder-a" / "a.edf").read_bytes())
    batch(root, out, "--resume")
    (row,) = (r for r in worklist(out) if r["study"] == "folder-b")
    assert (row["settled"], row["decided"]["outdated"], row["recorded_s"]) == (False, True, 20)
    (person,) = read(out / "audits" / "folder-b")["persons"]
    assert person["made_on_this_audit"] is False
    assert "decided on other numbers" in page(out, "folder-b").css_first(".person").text()
    assert "made on other numbers" in (out / "index.html").read_text()
    decide(out, "folder-b", "accept", note="seen again")
    (row,) = (r for r in worklist(out) if r["study"] == "folder-b")
    assert (row["settled"], row["decided"]["outdated"]) == (True, False)


def test_a_decision_does_not_make_the_audit_anew(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    decide(out, "folder-a")
    run("batch", root, "--out", out, "--resume")
    assert "0 audited" in capsys.readouterr().out
    assert len(read(out / "audits" / "folder-a")["persons"]) == 1


def test_a_decision_is_shown_without_the_inputs(root: Path, out: Path) -> None:
    for path in root.rglob("a.edf"):
        path.unlink()
    assert decide(out, "folder-a") == 0
    assert page(out, "folder-a").css_first(".person") is not None


def test_a_study_without_an_audit_can_be_decided(root: Path, out: Path) -> None:
    (root / "folder-a" / "a.edf").write_bytes(b"")
    batch(root, out, "--resume")
    assert decide(out, "folder-a") == 0
    assert worklist(out)[-1]["decided"]["outcome"] == "repeat"


def test_a_kill_between_history_and_audit_is_made_good_by_the_next_batch(
    root: Path, out: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    with monkeypatch.context() as patch:
        patch.setattr("auditor.batch.decide.show_decisions", lambda *_: 1 / 0)
        assert decide(out, "folder-a") == 2
    assert read(out / "audits" / "folder-a")["persons"] == []
    batch(root, out, "--resume")
    assert len(read(out / "audits" / "folder-a")["persons"]) == 1


def test_a_decision_during_a_batch_is_shown_when_it_ends(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("auditor.batch.decide._WAIT_S", 0)

    def with_decision(jobs: Any, work: Any, workers: int) -> Any:
        status = run("decide", "folder-a", "--outcome", "repeat", "--by", "M-1", "--out", out)
        assert status == 0
        yield from one_by_one(jobs, work, workers)

    monkeypatch.setattr("auditor.batch.command.run_pool", with_decision)
    batch(root, out)
    assert "A batch is at work there" in capsys.readouterr().out
    assert len(read(out / "audits" / "folder-a")["persons"]) == 1


def test_a_full_disk_leaves_the_old_audit_and_keeps_the_decision(
    root: Path, out: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    before = tree(out / "audits" / "folder-a")

    def full(_: int) -> None:
        raise OSError(28, "No space left on device")

    with monkeypatch.context() as patch:
        patch.setattr("os.fsync", full)
        assert decide(out, "folder-a") == 2
    said = capsys.readouterr().err
    assert "the decision is recorded" in said
    assert "could not be brought up to date" in said
    assert tree(out / "audits" / "folder-a") == before
    assert decide(out, "folder-a") == 0  # the same again: shown now, and not recorded twice
    batch(root, out, "--resume")
    assert len(read(out / "audits" / "folder-a")["persons"]) == 1


@pytest.mark.parametrize(
    "text",
    ["<script>alert(1)</script>", "<!-- /decided --><!-- /decisions -->", '"&lt;', "\x1b[31m"],
)
def test_what_people_type_is_text_and_nothing_else(out: Path, text: str) -> None:
    scripts = len(page(out, "folder-a").css("script"))
    for outcome in ("repeat", "void"):  # the second replaces the place that holds the first
        assert decide(out, "folder-a", outcome, by=text, note=text) == 0
    said = page(out, "folder-a")
    assert len(said.css("script")) == scripts
    assert said.css_first("footer") is not None
    assert "\x1b" not in said.html
    assert read(out / "audits" / "folder-a")["persons"][1]["note"] == text.strip()
    assert len(said.css("#decisions tbody tr")) == 2


def test_other_files_of_the_audit_keep_their_bytes(out: Path) -> None:
    before = tree(out / "audits" / "folder-a")
    decide(out, "folder-a")
    after = tree(out / "audits" / "folder-a")
    assert before.keys() == after.keys()
    assert {n for n in after if after[n] != before[n]} == {"audit.html", "audit.json"}


def test_the_pages_policy_still_allows_its_own_style_and_script(out: Path) -> None:
    import base64

    decide(out, "folder-a")
    said = page(out, "folder-a")
    policy = said.css_first("meta[http-equiv]").attributes["content"]
    for element in (*said.css("style"), *said.css("body > script")):
        digest = hashlib.sha256(element.text().encode()).digest()
        assert f"'sha256-{base64.b64encode(digest).decode()}'" in policy


def test_nobody_and_a_novel_are_wrong_use(out: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert decide(out, "folder-a", by="  ") == 2
    assert decide(out, "folder-a", note="x" * 2001) == 2
    assert "2000 characters" in capsys.readouterr().err
    assert worklist(out)[0]["decided"] is None


def test_a_folder_that_holds_no_whole_audit_is_an_error_and_the_decision_is_kept(
    root: Path, out: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    write_folder(out / "audits" / "folder-a", {"audit.json": "{}", "audit.html": "<p>"})
    assert decide(out, "folder-a") == 2
    assert "it is kept in the history" in capsys.readouterr().err
    with pytest.raises(ValueError, match="no place for decided"):
        with_decisions("<p>", [])


def test_the_worklist_keeps_its_awaited_orders(root: Path, out: Path, tmp_path: Path) -> None:
    table = tmp_path / "orders.csv"
    table.write_text("study,ordered_hours\nS-2049,24\n")
    batch(root, out, "--orders", table)
    decide(out, "folder-a")
    assert json.loads((out / "worklist.json").read_text())["awaited"] == ["S-2049"]
