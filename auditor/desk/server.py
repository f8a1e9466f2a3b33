"""Starts the desk, opens the browser, and ends it.

The address is a free port of 127.0.0.1. The browser is opened on a file that only its owner can
read; its page sends the key for one use, so that the key stands in no address, history, log or list
of processes. A second start opens the desk that runs.
"""

from __future__ import annotations

import contextlib
import hashlib
import logging
import os
import re
import signal
import socket
import threading
import webbrowser
from collections.abc import Callable, Sequence
from logging.handlers import RotatingFileHandler
from pathlib import Path
from typing import Any

from msgspec import Struct
from waitress.server import create_server

from auditor.core.errors import UsageError, system_errors
from auditor.core.files import make_private, touch_private
from auditor.core.text import printable
from auditor.desk.app import MOST_BYTES, make_app
from auditor.desk.security import HOST, Door
from auditor.desk.service import Desk
from auditor.desk.settings import Settings
from auditor.desk.watch import Watch

IDLE_S = 30 * 60
"""The desk ends this long after the last page was asked for, when nothing runs or is watched."""
_LOOK_EACH_S = 5
OWN_FOLDER = "auditor-desk"
"""In the home folder, not hidden: a browser in a sandbox of its own may not open hidden files."""
LIMITS: dict[str, Any] = {
    "threads": 8,
    "connection_limit": 64,
    "channel_timeout": 30,
    "cleanup_interval": 10,
    "max_request_header_size": 16 << 10,
    "max_request_body_size": MOST_BYTES,
    "expose_tracebacks": False,
    "ident": None,
    "clear_untrusted_proxy_headers": True,
}
"""waitress's own limits; a form is some thousand bytes, and one person has few connections."""


class Start(Struct, frozen=True):
    """How a desk is started. ``folder`` is the desk's; ``None`` is that in the home folder."""

    folder: Path | None = None
    roots: tuple[Path, ...] = ()
    watched: tuple[Path, ...] = ()
    port: int = 0
    opens: bool = True


def run_desk(start: Start, say: Callable[[str], None], *, home: Path | None = None) -> None:
    """Serve the desk until it ends.

    ``say`` prints for whoever started it in a terminal. Raises ``UsageError`` for folders that are
    none, a port that is taken, or a folder that somebody else's desk has; ``OutputError``.
    """
    home = home or Path.home()
    for path in (*start.roots, *start.watched):
        if not path.is_dir():
            raise UsageError(str(path), "is not a folder", "Name a folder that is there.")
    own = home / OWN_FOLDER
    make_private(own)
    folder = Path(os.path.abspath(start.folder or own))  # noqa: PTH100  a link stays that link
    mark = hashlib.sha256(os.fsencode(folder)).hexdigest()[:10]
    opening = own / f"open-{mark}.html"
    named = Settings(folder).roots
    desk = Desk(folder, [home, *start.roots, *named], start.watched)
    holder = desk.shelf.take()
    if holder is not None:
        desk.close()
        port = _port(opening)
        if port is None:
            raise UsageError(
                str(folder),
                f"is in use by the desk of {holder.user} on {holder.host}, since "
                f"{holder.since_utc}",
                "Ask for it to be ended, or give another --folder.",
            )
        say(f"The desk runs already, at http://{HOST}:{port}/")
        _open(opening, say, opens=start.opens)
        return
    try:
        _serve(desk, start, opening, say)
    finally:
        desk.close()


def _serve(desk: Desk, start: Start, opening: Path, say: Callable[[str], None]) -> None:
    with system_errors(UsageError, f"--port {start.port}", "cannot be used", "Leave it out."):
        listener = socket.create_server((HOST, start.port))
    port = listener.getsockname()[1]
    door = Door(port, opening)
    log = _log_to(opening.with_name("desk.log"))
    server = create_server(make_app(desk, door), sockets=[listener], **LIMITS)
    threading.Thread(target=server.run, name="desk-server", daemon=True).start()
    Watch(desk).start()
    desk.looker.warm()
    say(f"The desk is at {door.origin}/ (end it there, or with Ctrl-C)")
    _open(opening, say, opens=start.opens)
    with _ended_by_signal(desk.ended):
        while not desk.ended.wait(_LOOK_EACH_S):
            if desk.quiet_s() > IDLE_S and not desk.runs.busy and not desk.watched_now():
                break
    if desk.ended.is_set():
        threading.Event().wait(0.5)  # the page that says so is on its way
    desk.ended.set()
    door.close()
    server.close()
    log.close()
    say("The desk has ended.")


def _port(opening: Path) -> int | None:
    """The port of this user's desk on this machine by its opening file, where it answers."""
    try:
        found = re.search(rf"http://{HOST}:(\d{{1,5}})/", opening.read_text(encoding="utf-8"))
        port = int(found[1]) if found else 0
        with socket.create_connection((HOST, port), timeout=3):
            return port
    except (OSError, ValueError, OverflowError):
        return None


def _open(opening: Path, say: Callable[[str], None], *, opens: bool) -> None:
    if not opens or not webbrowser.open(opening.as_uri()):
        say(f"Open this file in your browser: {printable(str(opening))}")


@contextlib.contextmanager
def _ended_by_signal(ended: threading.Event) -> Any:
    """SIGTERM and Ctrl-C end the desk in order, so that what runs is ended with it."""
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    before = {}
    for number in (signal.SIGTERM, signal.SIGINT):
        before[number] = signal.signal(number, lambda *_: ended.set())
    try:
        yield
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _log_to(path: Path) -> logging.Handler:
    """A log for its owner alone: when, what kind of page, how it ended. No name, no path."""
    touch_private(path)
    handler = RotatingFileHandler(path, maxBytes=1 << 20, backupCount=1, encoding="utf-8")
    handler.setFormatter(logging.Formatter("%(asctime)s %(levelname)s %(message)s"))
    log = logging.getLogger("auditor.desk")
    log.setLevel(logging.INFO)
    log.propagate = False
    log.handlers = [handler]
    for name in ("waitress", "waitress.queue"):
        logging.getLogger(name).setLevel(logging.CRITICAL)  # its messages may hold an address
    return handler


def standard_roots(roots: Sequence[str]) -> tuple[Path, ...]:
    """``--root`` as paths."""
    return tuple(Path(os.path.abspath(Path(root).expanduser())) for root in roots)  # noqa: PTH100
