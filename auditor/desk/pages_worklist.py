"""The worklist as the desk shows it: who must act, what runs, what waits for its order."""

from __future__ import annotations

from flask import Flask, Response, jsonify, request
from msgspec import Struct

from auditor.batch.trends import trends
from auditor.core.errors import NothingReadable
from auditor.desk.render import page, see, study_id
from auditor.desk.runs import Run
from auditor.desk.security import Refused, shut_off
from auditor.desk.service import Desk, told
from auditor.desk.shelf import Decided
from auditor.model import PERSON_OUTCOMES, WorkRow
from auditor.outputs.html.lists import READERS, WORDS
from auditor.outputs.html.view import ANSWERS
from auditor.outputs.html.view import STATES as STATE_WORDS

MOST_ROWS = 1000
OUTCOMES: dict[str, tuple[str, str]] = {
    "accept": ("Accept", "the study serves as it is"),
    "accept-short": ("Accept short", "less than ordered, and it serves"),
    "extend": ("Extend", "the patient records on"),
    "repeat": ("Repeat", "a new study is needed"),
    "void": ("Void", "not to be used, not to be billed"),
}
assert OUTCOMES.keys() == PERSON_OUTCOMES.keys()
STATES = {state: word for state, (word, _) in STATE_WORDS.items()}
ROLES = {"": "everyone", **READERS}


class Line(Struct, frozen=True):
    """One study of the list: its row, what people said of it, its last run."""

    id: str
    row: WorkRow
    decided: Decided
    run: Run | None


class WorklistPages:
    """The first page and the trends."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def add_to(self, app: Flask) -> None:
        """Give the pages their addresses."""
        app.add_url_rule("/", "worklist", self.show, methods=["GET", "POST"])
        app.add_url_rule("/changes", "changes", self.changes)
        app.add_url_rule("/trends", "trends", self.trends)
        app.add_url_rule("/trends", "make_trends", self.make_trends, methods=["POST"])
        app.add_url_rule("/trends.html", "trends_page", self.trends_page)

    def show(self) -> Response:
        """The list. A search comes as a form, so that no name gets into an address."""
        role = request.values.get("for", "")
        role = role if role in ROLES else ""
        wanted = request.form.get("words", "").casefold().split()
        every = request.values.get("show", "") != "open"
        rows = self._desk.shelf.worklist()
        runs = self._desk.runs.all()
        latest = {run.study: run for run in runs}
        decided = self._desk.shelf.decided()
        fitting = [
            row
            for row in rows
            if (every or wanted or not row.settled)
            and (not role or role in row.acts)
            and all(word in _searched(row) for word in wanted)
        ]
        return page(
            "desk-worklist.html",
            lines=[
                Line(
                    study_id(row.study),
                    row,
                    decided.get(row.study, Decided()),
                    latest.get(row.study),
                )
                for row in fitting[:MOST_ROWS]
            ],
            fitting=len(fitting),
            total=len(rows),
            open=sum(not row.settled for row in rows),
            role=role,
            roles=ROLES,
            every=every,
            words=request.form.get("words", ""),
            outcome_words=WORDS,
            outcomes=OUTCOMES,
            questions=ANSWERS,
            states=STATES,
            running=[run for run in runs if not run.ended],
            failed=[run for run in latest.values() if run.state == "failed"],
            waiting=self._desk.waiting,
            audited_of=self._desk.shelf.audited(),
            last_by=self._desk.last_by,
            version=self._version(),
        )

    def _version(self) -> str:
        states = tuple((run.id, run.state) for run in self._desk.runs.all())
        return f"{self._desk.shelf.version()}-{hash((states, self._desk.waiting))}"

    def changes(self) -> Response:
        """What a page that is open asks for every few seconds."""
        running = [run for run in self._desk.runs.all() if run.state == "running"]
        return jsonify(version=self._version(), percent=[run.percent for run in running])

    def trends(self) -> Response:
        """Whether there are trends, and the button that makes them."""
        made = (self._desk.shelf.folder / "trends.html").is_file()
        return page("desk-trends.html", made=made)

    def make_trends(self) -> Response:
        """Make the trends from the history as it stands."""
        try:
            trends(self._desk.shelf.folder)
        except NothingReadable as error:
            raise Refused(told(error), 409) from error
        return see("/trends")

    def trends_page(self) -> Response:
        """The trends as they were made last, shut off from the desk as audits are."""
        made = self._desk.shelf.folder / "trends.html"
        return shut_off(made, "The trends have not been made yet.")


def _searched(row: WorkRow) -> str:
    summary = row.summary
    texts = (row.study, summary["study_id"], summary["patient_code"], summary["recorder"],
             summary["headline"])  # fmt: skip
    return " ".join(text for text in texts if text).casefold()
