"""The desk as a web application: its addresses, its errors, the frame of every page."""

from __future__ import annotations

import contextlib
import logging
import traceback
from pathlib import Path

from flask import Flask, Response, request
from werkzeug.exceptions import HTTPException

from auditor.core.errors import AuditorError
from auditor.desk.pages_folders import FolderPages
from auditor.desk.pages_settings import SettingsPages
from auditor.desk.pages_study import StudyPages
from auditor.desk.pages_worklist import WorklistPages
from auditor.desk.render import page, source_of
from auditor.desk.security import HOST, Door, Refused, seal
from auditor.desk.service import Desk, told

MOST_BYTES = 1 << 20
"""A form is some thousand bytes; nothing is uploaded."""
MOST_FIELDS = 2000
_STATIC = {"audit.css": "text/css", "lists.css": "text/css", "desk.css": "text/css",
           "desk.js": "text/javascript"}  # fmt: skip
_UNASKED = frozenset({"static", "changes", "state"})
"""Addresses that a page asks for by itself: they keep no desk open."""
_TITLES = {
    404: "There is no such page",
    405: "This page takes no such request",
    413: "That was too much to send",
}
LOG = logging.getLogger("auditor.desk")


def make_app(desk: Desk, door: Door) -> Flask:
    """The application of one desk. Every request passes ``Door.check`` before anything else."""
    app = Flask("auditor.desk", static_folder=None, template_folder=None)
    app.config.update(
        MAX_CONTENT_LENGTH=MOST_BYTES,
        MAX_FORM_MEMORY_SIZE=MOST_BYTES,
        MAX_FORM_PARTS=MOST_FIELDS,
        TRUSTED_HOSTS=[HOST],
    )

    @app.before_request
    def check() -> None:
        door.check(
            request, entrance=request.endpoint == "enter", public=request.endpoint == "static"
        )
        if request.endpoint not in _UNASKED:
            desk.asked()

    @app.after_request
    def sealed(response: Response) -> Response:
        # The rule and not the address: an address may be made up to hold anything.
        rule = request.url_rule.rule if request.url_rule is not None else "-"
        if request.endpoint not in _UNASKED:
            LOG.info("%s %s %s", request.method, rule, response.status_code)
        return seal(response)

    @app.post("/enter")
    def enter() -> Response:
        session = door.enter(request.form.get("key", ""))
        if session is None:
            raise Refused(
                "This opening page was used already. Start the desk again (by its shortcut, or "
                "'auditor desk'): it opens the one that runs."
            )
        response = page("desk-enter.html", frame=False)
        door.let_in(response, session)
        return response

    @app.get("/static/<name>")
    def static(name: str) -> Response:
        if name not in _STATIC:
            raise Refused("There is no such file.", 404)
        return Response(source_of(name), mimetype=_STATIC[name])

    @app.post("/end")
    def end() -> Response:
        if desk.runs.busy and request.form.get("sure") != "yes":
            return page("desk-end.html")
        desk.ended.set()
        return page("desk-ended.html", frame=False)

    studies = StudyPages(desk)
    for pages in (WorklistPages(desk), FolderPages(desk), studies, SettingsPages(desk)):
        pages.add_to(app)
    _add_errors(app, studies)
    return app


def _add_errors(app: Flask, studies: StudyPages) -> None:
    @app.errorhandler(AuditorError)
    def stopped(error: AuditorError) -> Response:
        study = (request.view_args or {}).get("id")
        with contextlib.suppress(AuditorError):  # what keeps the page itself from being shown
            if study is not None and request.method == "POST":
                return studies.study(study, told(error), 422)
        return _message("This could not be done", told(error), 409)

    @app.errorhandler(HTTPException)
    def refused(error: HTTPException) -> Response:
        code = error.code or 500
        text = str(error.description) if isinstance(error, Refused) else ""
        return _message(_TITLES.get(code, "Not answered"), text, code)

    @app.errorhandler(Exception)
    def unexpected(error: Exception) -> Response:
        LOG.error("%s at %s", type(error).__name__, _frames(error))
        kind = error.strerror if isinstance(error, OSError) else type(error).__name__
        return _message(
            "Something went wrong",
            f"An error that should not happen ({kind}). Nothing was lost; go back and try again, "
            "and report it if it comes again.",
            500,
        )


def _frames(error: BaseException) -> str:
    """Where an error arose: modules and lines, never values, which may be a patient's."""
    frames = traceback.extract_tb(error.__traceback__)[-8:]
    return " ".join(f"{Path(frame.filename).name}:{frame.lineno}" for frame in frames)


def _message(title: str, text: str, status: int) -> Response:
    frame = status not in (403, 421)
    return page("desk-message.html", status=status, frame=frame, title=title, text=text)
