"""Files of a remote storage: listings, range reads, and a count of what was fetched.

Storage is reached through fsspec (an optional extra), which has a package for each kind. What a URL
may hold to give access (user, password, query) goes to the storage alone, into no message and no
output; for the same reason no storage's own error text is shown.
"""

from __future__ import annotations

import errno
import re
import threading
from collections.abc import Iterator, Sequence
from typing import Any

from msgspec import Struct

from auditor.core.errors import UsageError

THROUGH_BYTES = 2048
"""Stretches that lie at most so far apart are fetched in one read: what a request itself takes on
the line, with its signature and the answer's head, is about that much (common practice, no source).
"""
BLOCK_BYTES = 4 << 20
CONCURRENT = 64
"""Requests under way at once: their waiting times overlap."""
RANGES = 512
"""Ranges asked for in one go; after each go an error ends the reading."""
RETRIES = 2
"""Attempts of the package for a storage, on top of those of the library below it. The five of s3fs
made 50 requests of one, with a library that tries once (measured): minutes without a word."""
GIVE_UP = 3
"""Reads in a row that failed for want of a connection, after which nothing is asked for."""


_URL = re.compile(r"(?P<protocol>[A-Za-z][A-Za-z0-9+.-]+)://")
# In a longer text, where slashes may have been joined; up to the last '@' of the word, since a
# password may hold one.
_ACCESS = re.compile(r"([A-Za-z][A-Za-z0-9+.-]+:/{1,2})(?:\S*@)?([^\s?]*)(?:\?\S*)?")


class Entry(Struct, frozen=True):
    """One file of a storage. ``version`` changes when the file is written again."""

    key: str
    size: int | None
    version: str


class Storage:
    """Range reads and listings of one fsspec file system, counted. Safe to use from threads.

    ``fetched_bytes`` are those of file contents that arrived, in ``reads`` answered range reads.
    """

    def __init__(self, system: Any) -> None:
        self._system = system
        self._at_once = {"batch_size": CONCURRENT} if system.async_impl else {}
        self._lock = threading.Lock()
        self._failed = 0
        self.fetched_bytes = 0
        self.reads = 0

    def fetch_each(self, wanted: Sequence[tuple[str, int, int]]) -> Iterator[bytes | OSError]:
        """The bytes ``[start, end)`` of each (key, start, end), or why they cannot be had."""
        for first in range(0, len(wanted), RANGES):
            yield from self._fetch(wanted[first : first + RANGES])

    def _fetch(self, wanted: Sequence[tuple[str, int, int]]) -> list[bytes | OSError]:
        if self._failed >= GIVE_UP:
            return [OSError(errno.ENOTCONN, "the connection to the storage is lost")] * len(wanted)
        keys, starts, ends = (list(column) for column in zip(*wanted, strict=True))
        try:
            if len(wanted) == 1:
                answers: list[Any] = [self._system.cat_file(keys[0], start=starts[0], end=ends[0])]
            else:
                answers = self._system.cat_ranges(
                    keys, starts, ends, on_error="return", **self._at_once
                )
        except Exception as error:  # each kind of storage has errors of its own
            answers = [error] * len(wanted)
        parts = [
            _part(answer, end - start)
            for answer, (_, start, end) in zip(answers, wanted, strict=True)
        ]
        with self._lock:
            got = [part for part in parts if isinstance(part, bytes)]
            self.reads += len(got)
            self.fetched_bytes += sum(map(len, got))
            lost = any(isinstance(p, OSError) and p.errno == errno.ENOTCONN for p in parts)
            self._failed = self._failed + 1 if lost else 0
        return parts

    def entry(self, key: str) -> Entry | None:
        """The file ``key``, or ``None`` for a folder. Raises ``OSError``."""
        try:
            found = self._system.info(key)
        except Exception as error:
            raise _as_os_error(error) from None
        return None if found["type"] == "directory" else _entry(found)

    def children(self, key: str) -> tuple[list[Entry], list[str], list[str]]:
        """Files, folders and other entries directly in a folder. Raises ``OSError``."""
        try:
            found = self._system.ls(key, detail=True)
        except Exception as error:
            raise _as_os_error(error) from None
        files, folders, others = [], [], []
        for info in found:
            name = info["name"]
            if info["type"] == "directory":
                if name.rstrip("/") != key.rstrip("/"):
                    folders.append(name.rstrip("/"))
            elif name.endswith("/"):
                continue  # an empty object that stands for a folder in an object store
            elif info["type"] == "file":
                files.append(_entry(info))
            else:
                others.append(name)
        return files, folders, others


def _entry(info: dict[str, Any]) -> Entry:
    marks = (info.get(key) for key in ("ETag", "etag", "md5Hash", "mtime", "updated"))
    version = next((str(mark) for mark in marks if mark), "")
    return Entry(info["name"], info.get("size"), version)


def _part(answer: Any, length: int) -> bytes | OSError:
    if isinstance(answer, BaseException):
        return _as_os_error(answer)
    data = bytes(answer)
    if len(data) == length:
        return data
    return OSError(errno.EIO, f"the storage sent {len(data)} bytes where {length} were asked for")


def _as_os_error(error: BaseException) -> OSError:
    """``error`` in our own words: a storage's text may repeat the URL with its password."""
    if isinstance(error, FileNotFoundError):
        return FileNotFoundError(errno.ENOENT, "no such bucket, folder or file")
    if isinstance(error, PermissionError):
        return PermissionError(errno.EACCES, "the storage refuses access")
    kind = type(error).__name__
    if "Credential" in kind:
        return PermissionError(errno.EACCES, f"no credentials were found ({kind})")
    return OSError(errno.ENOTCONN, f"the storage did not answer as it should ({kind})")


class RemoteFile:
    """The bytes of one remote file, read in ranges: a ``ByteSource`` and a context manager.

    ``failure`` is the last error of a read, ``None`` while all went well.
    """

    through_bytes = THROUGH_BYTES
    block_bytes = BLOCK_BYTES

    def __init__(
        self, storage: Storage, entry: Entry, head: bytes = b"", *, whole: bool = False
    ) -> None:
        """``head`` are bytes from the file's beginning that are here already. A file that is of no
        use unless it is ``whole`` is asked for nothing more after a read has failed.
        """
        self._storage = storage
        self._key = entry.key
        self._head = head
        self._whole = whole
        self.size = entry.size or 0
        self.failure: OSError | None = None

    def read_into(self, offset: int, buffer: memoryview) -> int:
        """See ``ByteSource.read_into``."""
        end = min(offset + len(buffer), self.size)
        if end <= offset:
            return 0
        data = self._head[offset:end]
        if offset + len(data) < end:
            data += self._fetch([(offset + len(data), end)])[0]
        buffer[: len(data)] = data
        return len(data)

    def read_rows(self, first: int, width: int, stride: int, count: int) -> bytes:
        """See ``ByteSource``; many rows are under way at once."""
        places = range(first, min(first + stride * count, self.size), stride)
        return b"".join(self._fetch([(at, min(at + width, self.size)) for at in places]))

    def _fetch(self, ranges: Sequence[tuple[int, int]]) -> list[bytes]:
        if self._whole and self.failure is not None:
            raise self.failure
        parts: list[bytes] = []
        for part in self._storage.fetch_each([(self._key, *r) for r in ranges]):
            if isinstance(part, OSError):
                self.failure = part
                raise part
            parts.append(part)
        return parts

    def __enter__(self) -> RemoteFile:
        return self

    def __exit__(self, *_: object) -> None:
        """Nothing to close: each read stands by itself."""


def open_system(urls: Sequence[str], shown: Sequence[str]) -> tuple[Any, list[str]]:
    """The file system of ``urls`` and each one's path in it. Raises ``UsageError``."""
    first = _base(urls[0])
    for url, text in zip(urls, shown, strict=True):
        if _base(url) != first:
            raise UsageError(
                text,
                "lies elsewhere than the first path",
                "Give paths on this machine, or URLs of one storage; not both.",
            )
        if "::" in url or first.startswith(("file://", "local://")):
            raise UsageError(
                text,
                "is a chain of URLs, or names a file on this machine by URL",
                "Give the URL of the storage alone, or the file's path.",
            )
    try:
        import fsspec
        from fsspec.core import url_to_fs
    except ImportError:
        raise UsageError(
            shown[0],
            "is a URL, and the packages for remote storage are not installed",
            'Install them: pip install "eeg-coverage-auditor[remote]".',
        ) from None
    protocol = first.partition("://")[0]
    try:
        asynchronous = fsspec.get_filesystem_class(protocol).async_impl
        options = _options(protocol, asynchronous, fsspec.config.conf)
        found = [url_to_fs(url, **options) for url in urls]
    except (ImportError, ValueError):
        raise UsageError(
            shown[0],
            f"needs an fsspec package for {protocol}://, which is not installed or not known",
            "Install that package, or check how the URL begins.",
        ) from None
    except Exception as error:
        raise UsageError(
            shown[0], f"cannot be used as a URL ({type(error).__name__})", "Check the URL."
        ) from None
    tops = [path.rstrip("/") for _, path in found]
    if any("@" in top.split("/")[0] for top in tops):
        raise UsageError(
            shown[0],
            "holds a user or password, which this storage does not take from a URL",
            "Give it in the environment or in the storage's own configuration file.",
        )
    system = found[0][0]
    if hasattr(system, "retries"):
        system.retries = RETRIES
    return system, tops


def _base(url: str) -> str:
    """Protocol, access and host: what URLs of one storage share."""
    protocol, mark, rest = url.partition("://")
    return f"{protocol.lower()}{mark}{rest.partition('/')[0]}" if is_url(url) else ""


def _options(protocol: str, asynchronous: bool, configured: dict[str, Any]) -> dict[str, Any]:
    """Nothing is kept between audits; many requests may be under way at once."""
    options: dict[str, Any] = {"skip_instance_cache": True}
    if asynchronous:
        options["use_listings_cache"] = False
    if protocol in ("s3", "s3a"):
        own = configured.get(protocol, {}).get("config_kwargs", {})
        options["config_kwargs"] = {"max_pool_connections": CONCURRENT, **own}
    return options


def is_url(text: str) -> bool:
    """Whether ``text`` names something by URL and no file on this machine."""
    return _URL.match(text) is not None


def shown_url(url: str) -> str:
    """``url`` without user, password, query and fragment; any other text as it is."""
    match = _URL.match(url)
    if match is None:
        return url
    rest = re.split(r"[?#]", url[match.end() :], maxsplit=1)[0]
    host, _, path = rest.partition("/")
    if "@" not in host and ":" in host and "@" in path:  # a password with a '/' in it
        host, _, path = path.rpartition("@")[2].partition("/")
    host = host.rpartition("@")[2]
    return f"{match['protocol'].lower()}://{host}" + (f"/{path}" if path else "")


def without_access(text: str) -> str:
    """``text`` with user, password and query taken out of every URL in it."""
    return _ACCESS.sub(r"\1\2", text)
