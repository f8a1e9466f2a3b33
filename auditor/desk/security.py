"""Who may ask the desk for anything, and what every answer says about itself.

The desk trusts whoever can read a file that only its owner may read: that file holds a key for one
use, which becomes a cookie. All else is a stranger: other pages in the same browser, other programs
and other users of the machine. Each check alone can be got round, so all of them stand together:

- a name that was rebound to this address sends no ``Sec-Fetch-Site`` and an ``Origin`` that equals
  its ``Host``: so ``Host`` is compared first, whole and with its port;
- a page of another port of this address counts as the same site, so its requests carry a cookie in
  spite of ``SameSite``: so ``Sec-Fetch-Site`` (or, without it, ``Origin``) must be our own.
"""

from __future__ import annotations

import secrets
import threading
from pathlib import Path

from flask import Request, Response
from werkzeug.exceptions import HTTPException

from auditor.outputs.files import replace_file
from auditor.outputs.html.page import inline, template

HOST = "127.0.0.1"
_SAFE = frozenset({"GET", "HEAD"})
_MOST_SESSIONS = 32
"""Browsers that one desk remembers; the oldest is let go."""

PAGE_POLICY = (
    "default-src 'none'; style-src 'self'; script-src 'self'; img-src 'self' data:; "
    "connect-src 'self'; form-action 'self'; frame-ancestors 'none'; base-uri 'none'"
)
HEADERS = {
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cache-Control": "no-store",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
}


class Refused(HTTPException):
    """A request that the desk does not answer. ``description`` says why and what to do."""

    code = 403

    def __init__(self, why: str, code: int = 403) -> None:
        super().__init__(why)
        self.code = code


def shut_off(path: Path, missing: str) -> Response:
    """The finished page at ``path``. Raises ``Refused`` with ``missing`` where it cannot be read.

    The sandbox gives the page an origin of its own: whatever text in it might do, it reaches
    neither the desk's pages nor its cookie. Our own script (copying, filters) still runs in it.
    """
    try:
        response = Response(path.read_text(encoding="utf-8"), mimetype="text/html")
    except OSError as error:
        raise Refused(missing, 404) from error
    ours = inline(script="audit.js")["script_hash"]
    response.headers["Content-Security-Policy"] = (
        f"sandbox allow-scripts; default-src 'none'; style-src 'unsafe-inline'; "
        f"script-src '{ours}'; img-src data:; form-action 'none'; frame-ancestors 'none'; "
        "base-uri 'none'"
    )
    return response


class Door:
    """The key for one use, in a file for its owner alone, and the browsers that came in with one.

    Used from many threads. ``opening`` is that file: it always holds an unused key, so that whoever
    may read it can open the desk again at any time.
    """

    def __init__(self, port: int, opening: Path) -> None:
        self.host = f"{HOST}:{port}"
        self.origin = f"http://{self.host}"
        self.cookie = f"desk-{port}"
        self.opening = opening
        self._lock = threading.Lock()
        self._sessions: list[str] = []
        self._key = ""
        self._renew()

    def _renew(self) -> None:
        """A new key into the file. Raises ``OSError``."""
        self._key = secrets.token_urlsafe(32)
        text = template("desk-open.html").render(
            key=self._key, origin=self.origin, **inline(script="desk-open.js")
        )
        replace_file(self.opening, text)

    def enter(self, key: str) -> str | None:
        """The session that ``key`` gives, or ``None``. A key that was right is used up by it."""
        with self._lock:
            if not secrets.compare_digest(key.encode(), self._key.encode()):
                return None
            session = secrets.token_urlsafe(32)
            self._sessions = [*self._sessions[-_MOST_SESSIONS + 1 :], session]
            self._renew()
            return session

    def knows(self, session: str) -> bool:
        """Whether ``session`` came in here; every one is compared, in constant time each."""
        with self._lock:
            same = [
                secrets.compare_digest(session.encode(), one.encode()) for one in self._sessions
            ]
        return any(same)

    def close(self) -> None:
        """Take the key away."""
        self.opening.unlink(missing_ok=True)

    def check(self, request: Request, *, entrance: bool = False, public: bool = False) -> None:
        """Raise ``Refused`` for a request that is not to be answered.

        ``entrance`` is the one address that brings a key, from a file's page; ``public`` are the
        desk's own style sheets and script, which say nothing of anybody.
        """
        headers = request.headers
        if headers.get("Host") != self.host:
            raise Refused(f"The desk answers only to {self.origin}/.", 421)
        if entrance:
            return
        site = headers.get("Sec-Fetch-Site")
        if request.method in _SAFE:
            if site not in (None, "same-origin", "none"):
                raise Refused("Another page asked for this; the desk answers only its own.")
        elif site is not None:
            if site != "same-origin":
                raise Refused("Another page sent this; nothing was done.")
        elif headers.get("Origin") != self.origin:
            raise Refused("This did not come from a page of the desk; nothing was done.")
        if not public and not self.knows(request.cookies.get(self.cookie, "")):
            raise Refused(
                "This browser has not come in by the desk's own opening page. Start the desk again "
                "(by its shortcut, or 'auditor desk'): it opens the one that runs."
            )

    def let_in(self, response: Response, session: str) -> None:
        """Give the browser its session: for this browser's run, never to a script."""
        response.set_cookie(self.cookie, session, httponly=True, samesite="Strict", path="/")


def seal(response: Response) -> Response:
    """Every answer's headers; a page that set a policy of its own keeps it."""
    for name, value in HEADERS.items():
        response.headers[name] = value
    response.headers.setdefault("Content-Security-Policy", PAGE_POLICY)
    return response
