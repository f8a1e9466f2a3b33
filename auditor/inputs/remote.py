"""Studies in an object store or on another machine, by URL: only the bytes that are needed."""

from __future__ import annotations

import posixpath
from collections.abc import Iterator, Sequence
from functools import partial
from pathlib import Path

from msgspec.structs import replace

from auditor.core.errors import (
    NothingReadable,
    RecordingError,
    UsageError,
    system_errors,
)
from auditor.edf import looks_like_recording, read_recording
from auditor.inputs.checksums import changed_finding
from auditor.inputs.folder import (
    HEAD_BYTES,
    MAX_ENTRIES,
    FoundFile,
    Listing,
    LocalPlace,
    Place,
    cannot_open,
    common_folder,
    safe_name,
    too_many,
)
from auditor.inputs.storage import (
    Entry,
    RemoteFile,
    Storage,
    is_url,
    open_system,
    shown_url,
)
from auditor.model import Finding, Recording, finding


def place_of(paths: Sequence[str | Path]) -> Place:
    """The place that ``paths`` name: on this machine, or behind URLs of one storage.

    Raises ``UsageError`` where a path is not there or a URL cannot be used, and where URLs and
    paths are mixed.
    """
    if not paths:
        raise UsageError("paths", "names no folder and no file", "Name the study's folder.")
    if any(is_url(str(path)) for path in paths):
        return RemotePlace([str(path) for path in paths])
    action = "Check its name and its permissions."
    for path in map(Path, paths):
        with system_errors(UsageError, path, "cannot be looked at", action):
            path.stat()
    return LocalPlace([Path(path) for path in paths])


class RemotePlace(Place):
    """Folders and files behind URLs of one storage."""

    def __init__(self, urls: Sequence[str]) -> None:
        """Raises ``UsageError`` for a URL that cannot be used; nothing is asked of the storage."""
        self._shown = [shown_url(url) for url in urls]
        system, self._tops = open_system(urls, self._shown)
        self._storage = Storage(system)
        tops = [shown_url(top) for top in self._tops]
        # Of a file's URL the folder, by its name: nothing is asked of the storage yet.
        self._root = common_folder(
            posixpath.dirname(top) if top.lower().endswith((".edf", ".bdf")) else top
            for top in tops
        )
        self._entries: dict[str, Entry] = {}
        self._heads: dict[str, bytes] = {}
        self._read: dict[str, int] = {}
        """Sizes of the files that were read as recordings."""

    @property
    def name(self) -> str:
        return self._name(posixpath.basename(self._root)) or "study"

    def list_files(self) -> Listing:
        """Fetches the first 256 bytes of each file."""
        listing = Listing(
            name=self.name,
            root=Path(self._root),
            shown=", ".join(self._shown),
            advice="Check the connection, and that the study was uploaded whole; then run the "
            "audit again.",
        )
        entries: dict[str, Entry] = {}
        for top, shown in zip(self._tops, self._shown, strict=True):
            for entry in self._walk(top, shown, listing):
                if len(entries) >= MAX_ENTRIES:
                    listing.findings.append(too_many(listing.name))
                    break
                entries[entry.key] = entry
        ordered = sorted(entries.values(), key=lambda e: e.key)
        wanted = [(e.key, 0, min(HEAD_BYTES, e.size)) for e in ordered if e.size]
        heads = self._storage.fetch_each(wanted)
        for entry in ordered:
            self._take(entry, next(heads) if entry.size else b"", listing)
        listing.files.sort(key=lambda f: f.name)
        return listing

    def read(self, file: FoundFile) -> Recording:
        """A file of which any read failed is no recording: not half of one."""
        entry = self._entries[file.name]
        if entry.size is None:
            raise RecordingError(
                file.name,
                "cannot be read in parts: the storage does not say how large it is",
                "Fetch the file and audit the copy.",
                code="cannot_be_read",
            )
        self._read[file.name] = entry.size
        source = RemoteFile(self._storage, entry, self._heads.get(file.name, b""), whole=True)
        try:
            recording = read_recording(file.path, file.name, source)
        except RecordingError:
            if source.failure is None:
                raise
        if source.failure is not None:
            raise RecordingError(
                file.name,
                f"could not be fetched to the end: {source.failure.strerror}",
                "Check that it is there and may be read, and the connection; then run the audit "
                "again.",
                code="cannot_be_read",
            )
        return replace(recording, opener=partial(RemoteFile, self._storage, entry))

    def changes(self, files: Sequence[FoundFile]) -> Iterator[Finding]:
        """Where the storage gives no answer, nothing is said to change."""
        for file in files:
            before = self._entries[file.name]
            try:
                now = self._storage.entry(before.key)
            except FileNotFoundError:
                now = None
            except OSError:
                continue
            versions = now is not None and {now.version, before.version} - {""}
            if now is None or now.size != before.size or len(versions or ()) > 1:
                yield changed_finding(file.name, file.size_bytes)

    def findings(self) -> tuple[Finding, ...]:
        """How many bytes were fetched, and that there are no checksums."""
        fetched, stored = self._storage.fetched_bytes, sum(self._read.values())
        return (
            finding(
                "remote_study",
                self.name,
                fetched_bytes=fetched,
                stored_bytes=stored,
                reads=self._storage.reads,
            ),
        )

    def _walk(self, top: str, shown: str, listing: Listing) -> Iterator[Entry]:
        try:
            alone = self._storage.entry(top)
        except OSError as error:
            raise _no_study(shown, error) from None
        if alone is not None:
            yield alone
            return
        folders, seen = [top], {top}
        while folders:
            folder = folders.pop()
            try:
                files, below, others = self._storage.children(folder)
            except OSError as error:
                if folder == top:
                    raise _no_study(shown, error) from None
                listing.findings.append(cannot_open(self._relative(folder), error, "folder"))
                continue
            listing.others += [self._relative(name) for name in others]
            folders += sorted((f for f in below if f not in seen), reverse=True)
            seen.update(below)
            yield from files

    def _take(self, entry: Entry, head: bytes | OSError, listing: Listing) -> None:
        name = self._relative(entry.key)
        while name in self._entries:  # two URLs that differ in what gives access
            name += " (again)"
        self._entries[name] = entry
        file = FoundFile(
            name=name,
            path=Path(name),
            size_bytes=entry.size,
            begins_as_recording=isinstance(head, bytes) and looks_like_recording(head),
        )
        if isinstance(head, OSError):
            if not file.named_as_recording:
                listing.findings.append(cannot_open(name, head, "file"))
        else:
            self._heads[name] = head
        listing.files.append(file)

    def _relative(self, key: str) -> str:
        plain, root = shown_url(key), self._root.rstrip("/") + "/"
        below = plain.startswith(root) and len(plain) > len(root)
        return self._name(plain[len(root) :] if below else posixpath.basename(plain))

    @staticmethod
    def _name(text: str) -> str:
        return safe_name(text.strip("/"))


def _no_study(shown: str, error: OSError) -> NothingReadable:
    return NothingReadable(
        shown,
        f"cannot be looked at: {error.strerror}",
        "Check the URL, the network, and that the credentials allow listing and reading.",
    )
