"""Outputs appear whole or not at all, readable by their owner alone.

An audit's folder is made under a hidden name beside its place and swapped in, so that old and new
never stand mixed; it is only ever written where nothing is, or where an audit of ours and nothing
else is. Files beside others (a worklist) are replaced together, with the old ones kept until all
stand. Hidden names carry the process that made them: what a dead process left is put right by the
next run that writes to the same place, and nobody else's files are ever touched.
"""

from __future__ import annotations

import errno
import hashlib
import itertools
import os
import re
import shutil
import time
from collections.abc import Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor, wait
from contextlib import ExitStack, contextmanager, suppress
from functools import cache
from io import TextIOWrapper
from pathlib import Path

from auditor.core.errors import OutputError, system_errors

MARKER = "audit.json"
AUDIT_FILES = frozenset(
    {"audit.html", MARKER, "files.csv", "segments.csv", "gaps.csv", "hours.csv", "periods.csv",
     "note.txt", "marks.txt"}
)  # fmt: skip
"""What an audit's folder may hold to count as an audit of ours."""
_HEAD = 4096
_ABSENT = ".absent"
"""Marks, beside the kept files, one that was not there before."""
_ABANDONED_S = 24 * 3600
"""Where it cannot be told whether a process still runs, what is older than this is left over."""
_COUNT = itertools.count()
_COMES_BACK = "comes back with the next run"


def check_free(out: Path, *, force: bool) -> None:
    """Raise ``OutputError`` where ``out`` cannot take an audit, before any work is done."""
    with system_errors(OutputError, out, "cannot be used", "Give another --out."):
        out = _place(out)
        sweep(out.parent, out.name)
        if not out.exists():
            return
        if not out.is_dir():
            raise OutputError(str(out), "is a file", "Name a folder with --out.")
        _refuse_foreign(out)
        if not force and (out / MARKER).exists():
            raise OutputError(
                str(out), "already holds an audit", "Give another --out, or --force to replace it."
            )


def write_folder(out: Path, texts: Mapping[str, str | Iterable[str]]) -> None:
    """Make ``out`` the folder that holds ``texts`` (file name -> content) and nothing else.

    A content may come in pieces, which are written as they are made.

    Raises ``OutputError``: for a folder that holds anything but an older audit, and where the disk
    refuses; then the older audit stands as it was, or there is none.
    """
    beside: Path | None = None
    state = "nothing was changed"
    try:
        out = _place(out)
        sweep(out.parent, out.name)
        out.parent.mkdir(parents=True, exist_ok=True)
        beside = _hidden(out, "part")
        beside.mkdir(mode=0o700)
        beside.chmod(0o700)  # whatever the umask leaves of that
        _write_files(beside, texts)
        _sync_folder(beside)
        if not out.exists():
            beside.rename(out)
        else:
            _refuse_foreign(out)
            old = _hidden(out, "old")
            out.rename(old)
            try:
                beside.rename(out)
            except OSError:
                state = f"the older audit is in {old.name} and {_COMES_BACK}"
                old.rename(out)
                state = "nothing was changed"
                raise
            shutil.rmtree(old, ignore_errors=True)
        _sync_folder(out.parent)
    except OSError as error:
        raise OutputError(
            str(out),
            f"cannot be written ({error.strerror or error}); {state}",
            "Free space on the disk, check its permissions, or give another --out.",
        ) from error
    finally:
        if beside is not None:
            shutil.rmtree(beside, ignore_errors=True)


def replace_file(path: Path, text: str | bytes, *, mode: int = 0o600, fresh: bool = False) -> None:
    """Write one file whole or not at all; ``fresh``: only where none has that name.

    Raises ``OSError`` (``FileExistsError`` for ``fresh``); then what was there stands.
    """
    beside = _hidden(path, "part")
    try:
        for left, _, _ in _left_over(path.parent, _short(path.name), files=True):
            left.unlink()
        handle = os.open(beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, mode)
        with os.fdopen(handle, "wb") as file:
            file.write(text if isinstance(text, bytes) else text.encode())
            file.flush()
            os.fsync(file.fileno())
        if fresh:
            _take_free_name(beside, path)
        else:
            beside.replace(path)
    finally:
        with suppress(OSError):
            beside.unlink(missing_ok=True)


def _take_free_name(beside: Path, path: Path) -> None:
    try:
        os.link(beside, path)  # refuses a name that is taken, even this very moment
    except FileExistsError:
        raise
    except OSError:  # a file system without second names
        if path.exists():
            raise FileExistsError(errno.EEXIST, os.strerror(errno.EEXIST), str(path)) from None
        beside.replace(path)


@contextmanager
def made_beside(out: Path) -> Iterator[Path]:
    """A hidden folder beside ``out``; at the end its files go to their places there, each whole.

    Raises ``OSError``; then each file in ``out`` is as it was, or new.
    """
    sweep(out.parent, out.name)
    beside = _hidden(out, "part")
    try:
        beside.mkdir()
        yield beside
        for path in sorted(p for p in beside.rglob("*") if p.is_file()):
            place = out / path.relative_to(beside)
            place.parent.mkdir(parents=True, exist_ok=True)
            path.replace(place)
    finally:
        shutil.rmtree(beside, ignore_errors=True)


def remove_folder(out: Path) -> None:
    """Take an audit of ours away, at once. Raises ``OutputError``; then it is still there."""
    with system_errors(OutputError, out, "cannot be replaced", "Check the folder."):
        out = _place(out)
        _refuse_foreign(out)
        old = _hidden(out, "done")
        out.rename(old)
    shutil.rmtree(old, ignore_errors=True)


def write_together(folder: Path, texts: Mapping[str, str]) -> None:
    """Write ``texts`` into ``folder`` beside what else is there: all of them, or none.

    Raises ``OutputError``; then each of the files is as it was.
    """
    new: Path | None = None
    state = f"{', '.join(texts)} stayed as before"
    try:
        folder = _place(folder)
        folder.mkdir(parents=True, exist_ok=True)
        sweep_together(folder)
        new = _hidden(folder / "files", "part", within=folder)
        new.mkdir(mode=0o700)
        _write_files(new, texts)
        kept = _hidden(folder / "files", "old", within=folder)
        kept.mkdir(mode=0o700)
        try:
            for name in texts:
                if (folder / name).exists():
                    _keep(folder / name, kept / name)
                else:
                    (kept / f"{name}{_ABSENT}").touch()
            for name in texts:
                (new / name).replace(folder / name)
            done = kept.with_suffix(".done")
            kept.rename(done)  # from here on the new files stand
        except OSError:
            before, state = state, f"what was there before is in {kept.name} and {_COMES_BACK}"
            _put_back(folder, kept)
            state = before
            raise
        shutil.rmtree(done, ignore_errors=True)
        _sync_folder(folder)
    except OSError as error:
        raise OutputError(
            str(folder),
            f"cannot be written ({error.strerror or error}); {state}",
            "Free space on the disk, check its permissions, or give another --out.",
        ) from error
    finally:
        if new is not None:
            shutil.rmtree(new, ignore_errors=True)


def sweep(parent: Path, name: str | None = None) -> None:
    """Put right what a dead process left beside the folder ``name`` in ``parent``, or beside any
    there; an older audit comes back."""
    for path, held, kind in _left_over(parent, None if name is None else _short(name)):
        out = parent / (name or held)
        if kind != "old" or out.exists():
            shutil.rmtree(path, ignore_errors=True)
            continue
        with suppress(OSError):  # where it cannot come back now, it waits for the next run
            path.rename(out)


def sweep_together(folder: Path) -> None:
    """Put right what a dead ``write_together`` left in ``folder``; older files come back."""
    for path, _, kind in _left_over(folder, "files"):
        if kind != "old":
            shutil.rmtree(path, ignore_errors=True)
            continue
        with suppress(OSError):  # what cannot come back now waits for the next run
            _put_back(folder, path)


def _place(out: Path) -> Path:
    """The folder itself, where a link given as DIR leads; nothing need be there yet."""
    return Path(os.path.realpath(out))


def _refuse_foreign(out: Path) -> None:
    """Raise ``OutputError`` where ``out`` holds anything but an audit that this program made."""
    names = sorted(entry.name for entry in out.iterdir())
    if not names:
        return
    foreign = [n for n in names if n not in AUDIT_FILES or not _is_plain(out / n)]
    if not foreign and not _is_audit(out / MARKER):
        foreign = names
    if foreign:
        more = f" and {len(foreign) - 1} more" if len(foreign) > 1 else ""
        raise OutputError(
            str(out),
            f"holds {foreign[0]}{more}, not written by this program as part of an audit",
            "Give another --out, or move it away: nothing of others is touched.",
        )


def _is_plain(path: Path) -> bool:
    return path.is_file() and not path.is_symlink()


def _is_audit(path: Path) -> bool:
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD)
    except FileNotFoundError:
        return False
    return re.match(rb'\s*\{\s*"schema":\s*"coverage-audit/\d+"', head) is not None


def _hidden(out: Path, kind: str, *, within: Path | None = None) -> Path:
    """A new hidden name for ``out``, which tells the machine and the process that made it."""
    pid = os.getpid()
    token = f"{_machine()}-{pid}-{_started(pid)}-{next(_COUNT)}"
    return (within or out.parent) / f".{_short(out.name)}.{token}.{kind}"


def _short(name: str) -> str:
    """At most 120 bytes that tell one folder's hidden names from another's."""
    if len(os.fsencode(name)) <= 120:
        return name
    return hashlib.sha256(os.fsencode(name)).hexdigest()[:32]


_FORM = re.compile(r"\.(.+)\.([0-9a-f]{8})-(\d+)-(\d+)-\d+\.(part|old|done)", re.DOTALL)


def _left_over(
    parent: Path, name: str | None = None, *, files: bool = False
) -> Iterator[tuple[Path, str, str]]:
    """Hidden folders (or ``files``) whose process is gone: path, for what (``name`` or any), and
    kind."""
    try:
        with os.scandir(parent) as found:
            entries = list(found)
    except OSError:
        return
    for entry in entries:
        match = _FORM.fullmatch(entry.name)
        if match is None or entry.is_dir(follow_symlinks=False) == files:
            continue
        held, machine, pid, started, kind = match.groups()
        if name in (None, held) and _gone(machine, int(pid), int(started), entry):
            yield Path(entry.path), held, kind


def _gone(machine: str, pid: int, started: int, entry: os.DirEntry[str]) -> bool:
    """Whether the process that made ``entry`` has ended, or must have after so long."""
    if machine == _machine() and started:
        return _started(pid) != started
    try:
        return time.time() - entry.stat(follow_symlinks=False).st_mtime > _ABANDONED_S
    except OSError:
        return False


def _machine() -> str:
    import socket

    return hashlib.sha256(socket.gethostname().encode()).hexdigest()[:8]


def _started(pid: int) -> int:
    """When a process started, in the system's ticks; 0 where that is not told or none runs."""
    try:
        stat = Path(f"/proc/{pid}/stat").read_text(encoding="latin-1")
    except OSError:
        return 0
    told = stat.rpartition(")")[2].split()  # from field 3 of proc_pid_stat(5) on
    # One that has ended and that nobody has asked about yet writes no more.
    return 0 if told[0] in ("Z", "X") else int(told[19])


def _keep(path: Path, kept: Path) -> None:
    """A second name for a file, or a copy where the file system gives none."""
    try:
        os.link(path, kept)
    except OSError:
        shutil.copy2(path, kept)


def _put_back(folder: Path, kept: Path) -> None:
    """Undo a replacement: what was kept returns, what was not there before goes."""
    for entry in list(kept.iterdir()):
        if entry.name.endswith(_ABSENT):
            (folder / entry.name.removesuffix(_ABSENT)).unlink(missing_ok=True)
        else:
            entry.replace(folder / entry.name)
    shutil.rmtree(kept, ignore_errors=True)


def _write_files(folder: Path, texts: Mapping[str, str | Iterable[str]]) -> None:
    """Make the files ``texts`` in ``folder``; when it returns they are on the disk.

    A sync waits for the disk to commit. One after another they wait for a commit each, side by side
    they share one, which takes a fifth of the time and leaves nothing out.
    """
    with ExitStack() as written:
        files = [
            written.enter_context(_written(folder / name, text)) for name, text in texts.items()
        ]
        syncs = [_syncs().submit(os.fsync, file.fileno()) for file in files]
        wait(syncs)  # all of them, before any file is closed
        for sync in syncs:
            sync.result()


@cache
def _syncs() -> ThreadPoolExecutor:
    """Threads that wait for the disk; they stay as long as the process."""
    return ThreadPoolExecutor(16, thread_name_prefix="sync")


def _written(path: Path, text: str | Iterable[str]) -> TextIOWrapper:
    descriptor = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    file = os.fdopen(descriptor, "w", encoding="utf-8", newline="")
    try:
        if hasattr(os, "fchmod"):
            os.fchmod(descriptor, 0o600)  # whatever the umask leaves of that
        file.writelines([text] if isinstance(text, str) else text)
        file.flush()
    except BaseException:
        with suppress(OSError):
            file.close()
        raise
    return file


def _sync_folder(folder: Path) -> None:
    """Best effort: Windows opens no folder, and some network shares refuse to sync one."""
    try:
        descriptor = os.open(folder, os.O_RDONLY)
    except OSError:
        return
    with suppress(OSError):
        os.fsync(descriptor)
    os.close(descriptor)
