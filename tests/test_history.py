"""The history keeps everything and changes nothing."""

from __future__ import annotations

import sqlite3
import stat
from contextlib import closing
from pathlib import Path
from typing import Any

import pytest

from auditor.batch.history import FILE_NAME, History
from auditor.core.errors import OutputError, UsageError
from auditor.model import PersonDecision, Review

NOW = "2027-03-06T08:00:00Z"


def summary(**changed: Any) -> dict[str, Any]:
    return {"outcome": "review", "recorded_ns": 5, **changed}


@pytest.fixture
def history(tmp_path: Path) -> Any:
    with History(tmp_path, create=True) as opened:
        yield opened


def test_the_latest_audit_of_a_study_is_the_one_known(history: History) -> None:
    history.add_audit("S-2041", NOW, "f1", "files 1", summary())
    history.add_audit("S-2042", NOW, "f2", "", summary())
    history.add_audit("S-2041", NOW, "f3", "files 2", summary(recorded_ns=6))
    known = history.known("S-2041")
    assert known is not None
    assert (known.fingerprint, known.inputs) == ("f3", "files 2")
    assert {k: v["recorded_ns"] for k, v in history.latest()} == {"S-2041": 6, "S-2042": 5}
    assert history.known("S-2049") is None


def test_decisions_are_kept_in_order_with_the_audit_they_were_made_on(history: History) -> None:
    history.add_audit("S-2041", NOW, "f", "", summary(recorded_ns=5))
    history.add_decision("S-2041", "accept-short", "T-12", "ask the ward", NOW)
    history.add_decision("S-2041", "repeat", "M-1", "", NOW)
    history.add_audit("S-2041", NOW, "f", "", summary(recorded_ns=9))
    assert history.decisions() == {
        "S-2041": (
            PersonDecision("accept-short", "T-12", "ask the ward", NOW, made_on_this_audit=False),
            PersonDecision("repeat", "M-1", "", NOW, made_on_this_audit=False),
        )
    }
    history.add_decision("S-2041", "accept", "M-1", "", NOW)
    assert [d.made_on_this_audit for d in history.decisions()["S-2041"]] == [False, False, True]
    history.add_audit("S-2041", NOW, "f", "", summary(recorded_ns=9))  # anew, the same numbers
    assert history.decisions()["S-2041"][-1].made_on_this_audit


def test_a_decision_needs_a_study_that_was_audited(history: History) -> None:
    with pytest.raises(UsageError, match="not a study of this history"):
        history.add_decision("S-2049", "repeat", "T-12", "", NOW)


@pytest.mark.parametrize(
    "statement",
    [
        "UPDATE audits SET summary = '{}'",
        "DELETE FROM audits",
        "UPDATE decisions SET outcome = 'complete'",
        "DELETE FROM decisions",
    ],
)
def test_no_row_can_be_changed_or_deleted(history: History, tmp_path: Path, statement: str) -> None:
    history.add_audit("S-2041", NOW, "f", "", summary())
    history.add_decision("S-2041", "repeat", "T-12", "", NOW)
    with (
        sqlite3.connect(tmp_path / FILE_NAME) as db,
        pytest.raises(sqlite3.DatabaseError, match="append-only"),
    ):
        db.execute(statement)
    db.close()


def test_only_its_owner_can_read_it(history: History, tmp_path: Path) -> None:
    history.add_audit("S-2041", NOW, "f", "", summary())
    for path in tmp_path.glob(f"{FILE_NAME}*"):
        assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_a_worklist_can_be_read_while_a_batch_writes(history: History, tmp_path: Path) -> None:
    history.add_audit("S-2041", NOW, "f", "", summary())
    with History(tmp_path, create=False) as reader:
        history.add_audit("S-2042", NOW, "f", "", summary())
        assert {study for study, _ in reader.latest()} == {"S-2041", "S-2042"}


def test_a_file_that_is_no_history_is_an_error_not_a_crash(tmp_path: Path) -> None:
    (tmp_path / FILE_NAME).write_text("no database at all, only words" * 100)
    with pytest.raises(OutputError, match="cannot be used"):
        History(tmp_path, create=True)


def test_a_history_of_another_version_is_left_alone(tmp_path: Path) -> None:
    db = sqlite3.connect(tmp_path / FILE_NAME)
    db.execute("PRAGMA user_version = 99")
    db.close()
    with pytest.raises(OutputError, match="version 99"):
        History(tmp_path, create=True)


def test_the_same_decision_on_the_same_audit_is_recorded_once(tmp_path: Path) -> None:
    with History(tmp_path, create=True) as history:
        history.add_audit("S-2041", NOW, "f", "", summary())
        history.add_decision("S-2041", "accept", "T-12", "", NOW)
        history.add_decision("S-2041", "accept", "T-12", "", "2027-03-09T12:00:00Z")
        assert len(history.decisions()["S-2041"]) == 1
        history.add_audit("S-2041", NOW, "g", "", summary())
        history.add_decision("S-2041", "accept", "T-12", "", NOW)  # seen anew, on the new audit
        assert len(history.decisions()["S-2041"]) == 2


def test_who_read_an_audit_is_kept_and_known_to_be_of_an_older_one(tmp_path: Path) -> None:
    with History(tmp_path, create=True) as history:
        history.add_audit("S-2041", NOW, "f", "", summary())
        history.add_review("S-2041", "technologist", "T-12", "", NOW)
        history.add_audit("S-2041", NOW, "g", "", summary())
        history.add_review("S-2041", "coder", "C-3", "as documented", NOW)
        assert history.reviews()["S-2041"] == (
            (Review("technologist", "T-12", "", NOW), False),
            (Review("coder", "C-3", "as documented", NOW), True),
        )
        with pytest.raises(UsageError, match="not a study"):
            history.add_review("S-2049", "coder", "C-3", "", NOW)
    with closing(sqlite3.connect(tmp_path / FILE_NAME)) as raw:
        for change in ("DELETE FROM reviews", "UPDATE reviews SET note = 'x'"):
            with pytest.raises(sqlite3.IntegrityError, match="append-only"):
                raw.execute(change)
