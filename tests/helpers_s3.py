"""A real S3-compatible server (moto's) on the loopback interface, watched from its own side.

``S3Server`` is a context manager. It counts the bytes of objects that it sends in answer to range
requests, and can be told to refuse keys or to cut connections, which no client can tell from a
storage that does so.
"""

from __future__ import annotations

import logging
import socket
import threading
import urllib.request
from collections.abc import Callable, Iterable, Iterator
from pathlib import Path
from typing import Any

import boto3
import pytest
from botocore.config import Config
from moto.moto_server.werkzeug_app import (
    DomainDispatcherApplication,
    MotoRequestHandler,
    create_backend_app,
)
from werkzeug.serving import make_server

Wsgi = Callable[[dict[str, Any], Callable[..., Any]], Iterable[bytes]]

KEY, SECRET = "INVENTEDKEY", "invented/secret"
BUCKET = "harrow-street"
_DENIED = b"""<?xml version="1.0" encoding="UTF-8"?>
<Error><Code>AccessDenied</Code><Message>Access Denied</Message></Error>"""


class S3Server:
    """``url`` is the endpoint. ``sent`` and ``ranges`` count bytes and range requests served.

    Requests whose path holds ``deny`` are refused; after ``cut_after`` range requests every
    connection is cut without an answer; ``on_range`` is called with the count of each.
    """

    def __init__(self) -> None:
        self.sent = 0
        self.ranges = 0
        self.deny: str | None = None
        self.cut_after: int | None = None
        self.on_range: Callable[[int], None] | None = None
        self._lock = threading.Lock()
        # Each request would be a line on standard error.
        logging.getLogger("werkzeug").setLevel(logging.CRITICAL)
        self._app: Wsgi = DomainDispatcherApplication(create_backend_app)
        self._server = make_server(
            "127.0.0.1", 0, self._watched, threaded=True, request_handler=MotoRequestHandler
        )
        self._server.daemon_threads = True
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self.url = f"http://127.0.0.1:{self._server.server_port}"
        self._client = boto3.client(
            "s3", endpoint_url=self.url, aws_access_key_id=KEY, aws_secret_access_key=SECRET,
            region_name="us-east-1", config=Config(retries={"max_attempts": 1}),
        )  # fmt: skip

    def _watched(self, environ: dict[str, Any], respond: Callable[..., Any]) -> Iterable[bytes]:
        if self.deny is not None and self.deny in environ["PATH_INFO"] + environ["QUERY_STRING"]:
            # An answer to HEAD has no body: it would be taken for the next answer's beginning.
            body = b"" if environ["REQUEST_METHOD"] == "HEAD" else _DENIED
            respond(
                "403 Forbidden",
                [("Content-Type", "application/xml"), ("Content-Length", str(len(body)))],
            )
            return [body]
        if environ["REQUEST_METHOD"] != "GET" or "HTTP_RANGE" not in environ:
            return self._app(environ, respond)
        with self._lock:
            self.ranges += 1
            count = self.ranges
        if self.cut_after is not None and count > self.cut_after:
            environ["werkzeug.socket"].shutdown(socket.SHUT_RDWR)
            raise ConnectionResetError
        if self.on_range is not None:
            self.on_range(count)
        parts = [bytes(part) for part in self._app(environ, respond)]
        with self._lock:
            self.sent += sum(map(len, parts))
        return parts

    def put(self, key: str, body: bytes) -> None:
        """One object, put there by another library than the one under test."""
        self._client.put_object(Bucket=BUCKET, Key=key, Body=body)

    def upload(self, folder: Path, prefix: str) -> str:
        """Put every file below ``folder`` under ``prefix``; the URL of the study."""
        for path in sorted(p for p in folder.rglob("*") if p.is_file()):
            self.put(f"{prefix}/{path.relative_to(folder).as_posix()}", path.read_bytes())
        return f"s3://{BUCKET}/{prefix}"

    def clear(self) -> None:
        """One empty bucket, nothing counted, nothing refused."""
        self.deny = self.cut_after = self.on_range = None
        reset = urllib.request.Request(f"{self.url}/moto-api/reset", method="POST")
        urllib.request.urlopen(reset, timeout=10).close()
        self._client.create_bucket(Bucket=BUCKET)
        self.sent = self.ranges = 0

    def __enter__(self) -> S3Server:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self.clear()
        self._client.close()
        self.stop()

    def stop(self) -> None:
        """No further answer; waits for the thread."""
        self._server.shutdown()
        self._thread.join(10)
        self._server.server_close()
        assert not self._thread.is_alive()


def environment(monkeypatch: pytest.MonkeyPatch, url: str) -> None:
    """What a lab sets to reach its own storage; nothing of this machine's settings."""
    for name, value in {
        "AWS_ENDPOINT_URL": url,
        "AWS_ACCESS_KEY_ID": KEY,
        "AWS_SECRET_ACCESS_KEY": SECRET,
        "AWS_DEFAULT_REGION": "us-east-1",
        "AWS_CONFIG_FILE": "/dev/null",
        "AWS_SHARED_CREDENTIALS_FILE": "/dev/null",
        "AWS_EC2_METADATA_DISABLED": "true",
        "AWS_MAX_ATTEMPTS": "1",
        "NO_PROXY": "127.0.0.1",
    }.items():
        monkeypatch.setenv(name, value)
    monkeypatch.delenv("AWS_PROFILE", raising=False)
    monkeypatch.delenv("AWS_SESSION_TOKEN", raising=False)


@pytest.fixture(scope="module")
def server() -> Iterator[S3Server]:
    """One server for the tests of a module."""
    with S3Server() as server:
        yield server


@pytest.fixture
def s3(server: S3Server, monkeypatch: pytest.MonkeyPatch) -> S3Server:
    """The server with one empty bucket, and the environment that leads to it."""
    server.clear()
    environment(monkeypatch, server.url)
    return server
