"""A desk as its users start it: a process of its own, with a home folder of its own."""

from __future__ import annotations

import contextlib
import os
import re
import signal
import socket
import subprocess
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from urllib.parse import urlencode

from msgspec import Struct

PROJECT = Path(__file__).resolve().parent.parent


class Answer(Struct, frozen=True):
    """An HTTP answer: the status (0: closed without one), headers by lower-case name, the text."""

    status: int
    headers: dict[str, str]
    text: str


@dataclass
class Served:
    """A desk that runs. ``folder`` is the desk's, ``studies`` a root."""

    process: subprocess.Popen[str]
    port: int
    home: Path
    folder: Path
    studies: Path

    @property
    def origin(self) -> str:
        return f"http://127.0.0.1:{self.port}"

    @property
    def opening(self) -> Path:
        (found,) = (self.home / "auditor-desk").glob("open-*.html")
        return found

    def key(self) -> str:
        """The key that the opening file holds now."""
        found = re.search(r'name="key" value="([^"]+)"', self.opening.read_text())
        assert found
        return found.group(1)

    def raw(self, request: bytes, *, wait_s: float = 20) -> bytes:
        """What comes back for these bytes."""
        with socket.create_connection(("127.0.0.1", self.port), timeout=wait_s) as line:
            parts = []
            # A server that refuses a request need not read it to its end.
            with contextlib.suppress(ConnectionResetError, BrokenPipeError):
                line.sendall(request)
            with contextlib.suppress(ConnectionResetError):
                while part := line.recv(1 << 16):
                    parts.append(part)
        return b"".join(parts)

    def ask(
        self,
        method: str,
        address: str,
        *,
        headers: dict[str, str | None] | None = None,
        form: dict[str, str] | None = None,
        wait_s: float = 60,
    ) -> Answer:
        """One request as a program sends it; a header of ``None`` is left out."""
        body = urlencode(form).encode() if form is not None else b""
        every: dict[str, str | None] = {"Host": f"127.0.0.1:{self.port}", "Connection": "close"}
        if form is not None:
            every |= {"Content-Type": "application/x-www-form-urlencoded"}
            every |= {"Content-Length": str(len(body))}
        every |= headers or {}
        lines = [f"{method} {address} HTTP/1.1"]
        lines += [f"{name}: {value}" for name, value in every.items() if value is not None]
        answer = self.raw("\r\n".join([*lines, "", ""]).encode("latin-1") + body, wait_s=wait_s)
        if not answer:
            return Answer(0, {}, "")
        head, _, text = answer.partition(b"\r\n\r\n")
        first, *rest = head.decode("latin-1").split("\r\n")
        return Answer(
            int(first.split()[1]),
            {n.lower(): v.strip() for n, _, v in (line.partition(":") for line in rest)},
            text.decode("utf-8", "replace"),
        )

    def come_in(self) -> str:
        """A session as a browser gets it: the cookie that goes with every request."""
        answer = self.ask("POST", "/enter", form={"key": self.key()})
        assert answer.status == 200
        return answer.headers["set-cookie"].partition(";")[0]

    def end(self) -> None:
        if self.process.poll() is None:
            self.process.send_signal(signal.SIGTERM)
            with contextlib.suppress(subprocess.TimeoutExpired):
                self.process.wait(timeout=30)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait()
        assert self.process.stdout is not None
        self.process.stdout.close()


@contextlib.contextmanager
def desk(
    where: Path, *arguments: str | Path, folder: Path | None = None, **options: object
) -> Iterator[Served]:
    """A desk with the home ``where/home`` and the root ``where/studies``; ended at the end."""
    served = start(where, *arguments, folder=folder, **options)
    try:
        yield served
    finally:
        served.end()


def start(
    where: Path, *arguments: str | Path, folder: Path | None = None, **options: object
) -> Served:
    home, studies = where / "home", where / "studies"
    home.mkdir(exist_ok=True)
    studies.mkdir(exist_ok=True)
    folder = folder or where / "desk"
    environment = {**os.environ, "HOME": str(home), "USERPROFILE": str(home)}
    process = subprocess.Popen(  # type: ignore[call-overload]
        [sys.executable, "-m", "auditor", "desk", "--no-open", "--folder", str(folder),
         "--root", str(studies), *map(str, arguments)],
        cwd=PROJECT, env=environment, stdout=subprocess.PIPE, stderr=subprocess.STDOUT,
        text=True, **options,
    )  # fmt: skip
    assert process.stdout is not None
    said = process.stdout.readline()
    found = re.search(r"http://127\.0\.0\.1:(\d+)/", said)
    assert found, said + process.stdout.read()
    process.stdout.readline()
    return Served(process, int(found.group(1)), home, folder, studies)
