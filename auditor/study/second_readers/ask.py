"""What mne and pyedflib say of a file. Run as a process of its own, never imported by the auditor.

The files are untrusted and the libraries were not written for hostile ones: a file may crash the
process, hang it or eat its memory. So the auditor starts this script, asks it one file at a time
and kills it where it takes too long; nothing of it is shared with the audit.

Reads JSON lines ``{"library": "mne", "path": "...", "bdf": false, "whole": true}`` from standard
input (not ``whole``: the header alone, since for annotations both read the file to its end) and
answers each with one JSON line: the fields of ``Answer``. The first line holds their versions.
"""

from __future__ import annotations

import json
import math
import os
import sys
import warnings
from datetime import datetime, timedelta
from importlib.metadata import version
from typing import Any

MEMORY_BYTES = 3 << 30
"""Address space, of which the libraries themselves take most."""
CPU_SECONDS = 1800
MAX_WORDS = 300


def limit_resources() -> None:
    """Bound memory and processor time where the system can (not on Windows)."""
    try:
        import resource
    except ImportError:
        return
    for what, most in (
        (resource.RLIMIT_AS, MEMORY_BYTES),
        (resource.RLIMIT_CPU, CPU_SECONDS),
        (resource.RLIMIT_CORE, 0),
    ):
        hard = resource.getrlimit(what)[1]
        resource.setrlimit(
            what, (most if hard == resource.RLIM_INFINITY else min(most, hard), hard)
        )


class _Opened(Exception):  # noqa: N818  no error
    """Holds what mne has made of a file's header when it turns to the samples."""


def _opened(raw: Any, *_: object, **__: object) -> None:
    raise _Opened(raw)


def figures(seconds: float, start: datetime | None, records: int | None) -> dict[str, Any]:
    """An answer in whole nanoseconds; without a length that no file has."""
    held = math.isfinite(seconds) and abs(seconds) < 1e9
    since = None if start is None else start.replace(tzinfo=None) - datetime(1970, 1, 1)
    return {
        "recorded_ns": round(seconds * 1_000_000_000) if held else None,
        "start_civil_ns": None if since is None else since // timedelta(microseconds=1) * 1000,
        "records": records,
    }


def ask_mne(path: str, bdf: bool, whole: bool) -> dict[str, Any]:
    """What ``mne`` reads: samples over sampling rate, start stamp, number of records."""
    import mne

    read: Any = mne.io.read_raw_bdf if bdf else mne.io.read_raw_edf
    # mne has no setting for this; a release that names the class or its method otherwise reads all.
    opens = getattr(sys.modules[read.__module__], "RawBDF" if bdf else "RawEDF", None)
    if opens and not whole:
        read = type("Opens", (opens,), {"_read_segment_file": _opened})
    try:
        raw = read(path, preload=False, verbose="ERROR")
    except _Opened as opened:
        (raw,) = opened.args
    extras: dict[str, Any] = getattr(raw, "_raw_extras", ({},))[0]
    records = extras.get("n_records")
    length = float(raw.n_times / raw.info["sfreq"])
    return figures(length, raw.info["meas_date"], None if records is None else int(records))


def ask_pyedflib(path: str, _bdf: bool, whole: bool) -> dict[str, Any]:
    """What ``pyedflib`` reads: file duration, start stamp, number of records."""
    import pyedflib

    mode = pyedflib.READ_ALL_ANNOTATIONS if whole else pyedflib.DO_NOT_READ_ANNOTATIONS
    with pyedflib.EdfReader(path, mode) as reader:
        length, start = float(reader.getFileDuration()), reader.getStartdatetime()
        return figures(length, start, int(reader.datarecords_in_file))


ASK = {"mne": ask_mne, "pyedflib": ask_pyedflib}


def main() -> None:
    """Answer until standard input ends."""
    limit_resources()
    answers = os.fdopen(os.dup(1), "w", encoding="ascii")
    silence = os.open(os.devnull, os.O_WRONLY)
    os.dup2(silence, 1)  # the libraries print, in C too; only answers may reach the auditor
    os.dup2(silence, 2)
    warnings.simplefilter("ignore")
    import mne  # noqa: F401  so that the first file is not charged with the import
    import pyedflib  # noqa: F401

    def tell(answer: dict[str, Any]) -> None:
        answers.write(json.dumps(answer) + "\n")
        answers.flush()

    tell({library: version(library) for library in ASK})
    for line in sys.stdin:
        asked = json.loads(line)
        try:
            tell(ASK[asked["library"]](asked["path"], asked["bdf"], asked["whole"]))
        except MemoryError:
            tell({"stopped": "it ran out of the memory that it may use"})
        except Exception as error:
            words = " ".join(str(error).split())[:MAX_WORDS]
            tell({"refused": f"{type(error).__name__}: {words}"})


if __name__ == "__main__":
    main()
