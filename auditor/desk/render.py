"""The desk's pages from its templates, which are the audit's own: one look, one set of filters."""

from __future__ import annotations

import hashlib
from pathlib import Path

from flask import Response, redirect
from markupsafe import Markup, escape

from auditor.core.text import printable
from auditor.outputs.html.page import inline, template


def page(name: str, *, status: int = 200, frame: bool = True, **values: object) -> Response:
    """A page. ``frame`` shows the way to the other pages, which a stranger has no use for."""
    text = template(name).render(frame=frame, exactly=exactly, size_words=size_words, **values)
    return Response(text, status=status, mimetype="text/html")


def exactly(text: str) -> Markup:
    """``text`` for a field of a form: escaped, and otherwise as it is, so that it comes back."""
    return escape(text)


def source_of(name: str) -> str:
    """A style sheet or script of ours as text."""
    return str(inline(file=name)["file"])


def see(address: str) -> Response:
    """Go on to another page of the desk; the answer to every form that was taken."""
    response = redirect(address, 303)
    assert isinstance(response, Response)
    return response


def study_id(study: str) -> str:
    """How addresses name a study: never by its own name, which may be a patient's."""
    return hashlib.sha256(study.encode("utf-8", "backslashreplace")).hexdigest()[:20]


def size_words(size: int) -> str:
    """A number of bytes in a unit of its size, rounded down: '4.2 GB'."""
    for unit, name in ((10**9, "GB"), (10**6, "MB"), (10**3, "kB")):
        if size >= unit:
            return f"{size // unit}.{size * 10 // unit % 10} {name}"
    return f"{size} bytes"


def path_text(path: Path) -> str:
    """A path as a person reads it."""
    return printable(str(path), 400)
