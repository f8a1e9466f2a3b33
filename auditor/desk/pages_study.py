"""One study: how its audit goes, what it says, what people decide, its files to take away."""

from __future__ import annotations

import io
import os
import subprocess
import sys
import zipfile
from pathlib import Path
from typing import Any, TypeVar

from flask import Flask, Response, jsonify, request, send_file

from auditor.batch.decide import name_and_note
from auditor.batch.worklist import rows
from auditor.core.clock import now_utc
from auditor.core.errors import SettingsError, UsageError
from auditor.core.text import path_part
from auditor.desk.order_form import Filled, checked, corrected, filled_from
from auditor.desk.pages_worklist import OUTCOMES, STATES, Line
from auditor.desk.render import page, path_text, see, size_words, study_id
from auditor.desk.runs import Run
from auditor.desk.security import Refused, shut_off
from auditor.desk.service import Desk
from auditor.desk.shelf import Decided
from auditor.model import WorkRow
from auditor.outputs.html.lists import WORDS
from auditor.outputs.html.view import ANSWERS

T = TypeVar("T")
ROLES = {"technologist": "Technologist", "coder": "Coder"}
_FILES_SHOWN = 300
_TYPES = {".csv": "text/csv", ".json": "application/json", ".txt": "text/plain"}


class StudyPages:
    """Runs, studies, decisions and corrections."""

    def __init__(self, desk: Desk) -> None:
        self._desk = desk

    def add_to(self, app: Flask) -> None:
        """Give the pages their addresses."""
        app.add_url_rule("/runs/<number>", "run", self.run)
        app.add_url_rule("/runs/<number>/state", "state", self.state)
        app.add_url_rule("/runs/<number>/cancel", "cancel", self.cancel, methods=["POST"])
        app.add_url_rule("/studies/<id>", "study", self.study)
        for name in ("decide", "review", "correct", "again", "show"):
            app.add_url_rule(f"/studies/<id>/{name}", name, getattr(self, name), methods=["POST"])
        app.add_url_rule("/studies/<id>/audit.html", "audit", self.audit)
        app.add_url_rule("/studies/<id>/copy.zip", "copy", self.copy)
        app.add_url_rule("/studies/<id>/files/<name>", "file", self.file)

    # -- runs ----------------------------------------------------------------------------------

    def _run(self, number: str) -> Run:
        run = self._desk.runs.get(number)
        if run is None:
            raise Refused("The desk was started again since; look in the worklist.", 404)
        return run

    def run(self, number: str) -> Response:
        """How far an audit is; once it is made, the study."""
        run = self._run(number)
        if run.state == "done":
            return see(f"/studies/{study_id(run.study)}")
        folder = self._desk.shelf.studies().get(run.study)
        return page(
            "desk-run.html",
            run=run,
            left=_left(run),
            amount=_amount(run),
            id=study_id(run.study),
            number="" if folder is None else self._desk.places.id_of(folder),
        )

    def state(self, number: str) -> Response:
        """The same for the page's script."""
        run = self._run(number)
        return jsonify(
            state=run.state, stage=run.stage, percent=run.percent, known=bool(run.total),
            amount=_amount(run), left=_left(run), ahead=run.ahead,
        )  # fmt: skip

    def cancel(self, number: str) -> Response:
        """Stop an audit that waits or runs."""
        self._desk.runs.cancel(self._run(number).id)
        return see(f"/runs/{number}")

    # -- the study -----------------------------------------------------------------------------

    def _row(self, id: str) -> WorkRow:  # noqa: A002  the address's own word
        with self._desk.shelf.history() as history:
            names = [study for study in history.audited() if study_id(study) == id]
            if not names:
                raise Refused("The worklist holds no such study.", 404)
            return rows(history, names)[0]

    def study(self, id: str, error: str = "", status: int = 200) -> Response:  # noqa: A002
        """What the audit says and what can be done about it."""
        desk = self._desk
        row = self._row(id)
        folder = desk.shelf.studies().get(row.study)
        there, corrections = folder is not None and folder.is_dir(), Filled()
        if folder is not None and there:
            corrections = filled_from(desk.order(row.study, folder).tables)
        document = desk.shelf.document(row.study)
        decided = desk.shelf.decided().get(row.study, Decided())
        run = desk.runs.of(row.study)
        return page(
            "desk-study.html",
            status=status,
            error=error,
            line=Line(id, row, decided, run),
            document=document,
            summary=row.summary,
            note=_held(document, "note", dict).get("text", ""),
            files=_held(document, "files", list)[:_FILES_SHOWN],
            corrections=corrections,
            outcomes=OUTCOMES,
            roles=ROLES,
            questions=ANSWERS,
            states=STATES,
            outcome_words=WORDS,
            audited=desk.shelf.audited().get(row.study, ""),
            running=run if run is not None and not run.ended else None,
            failed=run if run is not None and run.state == "failed" else None,
            folder="" if folder is None else path_text(folder),
            there=there,
            number="" if folder is None else desk.places.id_of(folder),
            audit_folder=path_text(desk.shelf.audit_folder(row.study)),
            outputs=self._outputs(row.study),
            last_by=desk.last_by,
        )

    def _outputs(self, study: str) -> list[tuple[str, str]]:
        folder = self._desk.shelf.audit_folder(study)
        try:
            found = sorted(p for p in folder.iterdir() if p.is_file() and not p.is_symlink())
        except OSError:
            return []
        return [(p.name, size_words(p.stat().st_size)) for p in found]

    def decide(self, id: str) -> Response:  # noqa: A002
        """Record a decision on the audit that the person saw."""
        form, (study, by, note) = request.form, self._said(id)
        if form.get("outcome") not in OUTCOMES:
            raise UsageError("", "nothing was chosen", "Choose one of the five.")
        self._desk.shelf.decide(study, form["outcome"], by, note)
        return see(f"/studies/{id}#decide" if form.get("back") != "list" else "/")

    def review(self, id: str) -> Response:  # noqa: A002
        """Record that a technologist or a coder read the audit."""
        form, (study, by, note) = request.form, self._said(id)
        if form.get("role") not in ROLES:
            raise UsageError("", "no part was chosen", "Choose technologist or coder.")
        with self._desk.shelf.history() as history:
            history.add_review(study, form["role"], by, note, now_utc())
        return see(f"/studies/{id}#reviewed")

    def _said(self, id: str) -> tuple[str, str, str]:  # noqa: A002
        """The study that a form is about, who sent it, and the note.

        Raises ``UsageError`` where the study was audited again since the page was made, and for a
        name or note that cannot be kept.
        """
        study, form = self._row(id).study, request.form
        if form.get("audited", "") != self._desk.shelf.audited().get(study, ""):
            raise UsageError(
                "", "this study was audited again while this page was open", "Look at it once more."
            )
        by, note = name_and_note(form.get("by", ""), form.get("note", ""))
        self._desk.last_by = by
        return study, by, note

    def correct(self, id: str) -> Response:  # noqa: A002
        """Set one file by hand, and audit again. The order that says so is kept at the desk."""
        desk, form, (study, by, _) = self._desk, request.form, self._said(id)
        folder = desk.folder_of(study)
        known = desk.order(study, folder)
        if known.order is None:
            why = known.error or "the study has no order to keep it in"
            raise SettingsError("", why, "Fill in the order first.")
        tables = corrected(
            known.tables, form.get("file", ""), form.get("how", ""), by,
            form.get("clock", "").strip(),
            [file["name"] for file in _held(desk.shelf.document(study), "files", list)],
        )  # fmt: skip
        found = checked(filled_from(tables), folder, "order.toml")
        if isinstance(found, Filled):
            raise SettingsError("", "; ".join(found.errors.values()))
        desk.shelf.keep_order(study, found.text)
        return see(f"/runs/{desk.start(study, folder, found.order).id}")

    def again(self, id: str) -> Response:  # noqa: A002
        """Audit the study again by the order that is known."""
        return see(f"/runs/{self._desk.start_again(self._row(id).study).id}")

    def show(self, id: str) -> Response:  # noqa: A002
        """Open the audit's folder in this machine's file manager."""
        folder = self._desk.shelf.audit_folder(self._row(id).study)
        if not folder.is_dir():
            raise UsageError("the audit's folder", "is not there", "Audit the study again.")
        try:
            show_folder(folder)
        except OSError as error:
            raise UsageError("", "No file manager was found.") from error
        return see(f"/studies/{id}#take")

    # -- files ---------------------------------------------------------------------------------

    def audit(self, id: str) -> Response:  # noqa: A002
        """``audit.html``, shut off from the desk: nothing in it can reach it."""
        folder = self._desk.shelf.audit_folder(self._row(id).study)
        return shut_off(folder / "audit.html", "There is no audit of this study.")

    def file(self, id: str, name: str) -> Response:  # noqa: A002
        """One of the audit's other files, to be saved."""
        study = self._row(id).study
        if name not in dict(self._outputs(study)) or Path(name).suffix not in _TYPES:
            raise Refused("There is no such file.", 404)
        return send_file(
            self._desk.shelf.audit_folder(study).absolute() / name,
            mimetype=_TYPES[Path(name).suffix], as_attachment=True, download_name=name,
        )  # fmt: skip

    def copy(self, id: str) -> Response:  # noqa: A002
        """All of the audit's files in one."""
        study = self._row(id).study
        folder = self._desk.shelf.audit_folder(study)
        together = io.BytesIO()
        base = f"audit-{path_part(study)}"
        with zipfile.ZipFile(together, "w", zipfile.ZIP_DEFLATED) as archive:
            for name, _ in self._outputs(study):
                archive.write(folder / name, f"{base}/{name}")
        together.seek(0)
        return send_file(
            together, mimetype="application/zip", as_attachment=True, download_name=f"{base}.zip"
        )


def show_folder(folder: Path) -> None:
    """Open ``folder`` in the system's file manager. Raises ``OSError``."""
    if sys.platform == "win32":
        os.startfile(folder)  # noqa: S606  our own folder, in the person's own file manager
    else:
        opener = "open" if sys.platform == "darwin" else "xdg-open"
        subprocess.Popen(  # noqa: S603  no shell; the path is our own folder's
            [opener, str(folder)], stdin=subprocess.DEVNULL, stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL, start_new_session=True,
        )  # fmt: skip


def _held(document: dict[str, Any] | None, key: str, kind: type[T]) -> T:
    """What an audit holds under ``key``, where it is what is expected there."""
    found = (document or {}).get(key)
    return found if isinstance(found, kind) else kind()


def _amount(run: Run) -> str:
    """How much of the stage is done, in its own unit: bytes where there are many."""
    if not run.total:
        return ""
    if run.total > 100_000:
        return f"{size_words(run.done)} of {size_words(run.total)}"
    return f"{run.done} of {run.total}"


def _left(run: Run) -> str:
    if run.left_s is None:
        return ""
    return f"about {run.left_s} s left" if run.left_s < 90 else f"about {run.left_s // 60} min left"
