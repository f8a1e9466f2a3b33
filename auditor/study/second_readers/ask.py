"""What mne and pyedflib say of a file. Run as a process of its own, never imported by the auditor.

The files are untrusted and the libraries were not written for hostile ones: a file may crash the
process, hang it or eat its memory. So the auditor starts this script, asks it one file at a time
and kills it where it takes too long; nothing of it is shared with the audit.

Reads JSON lines ``{"library": "mne", "path": "...", "bdf": false, "whole": true}`` from standard
input (not ``whole``: the header alone, since for annotations both read the file to its end) and
answers each with one JSON line: ``recorded_s``, ``start`` (civil, ISO 8601) and ``records``, or
``refused`` (the library's own words). The first line written is ``{"versions": {...}}``.
"""

from __future__ import annotations

import json
import os
import sys
import warnings
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
    date = raw.info["meas_date"]
    extras: dict[str, Any] = getattr(raw, "_raw_extras", ({},))[0]
    records = extras.get("n_records")
    return {
        "recorded_s": raw.n_times / raw.info["sfreq"],
        "start": None if date is None else date.replace(tzinfo=None).isoformat(),
        "records": None if records is None else int(records),
    }


def ask_pyedflib(path: str, _bdf: bool, whole: bool) -> dict[str, Any]:
    """What ``pyedflib`` reads: file duration, start stamp, number of records."""
    import pyedflib

    mode = pyedflib.READ_ALL_ANNOTATIONS if whole else pyedflib.DO_NOT_READ_ANNOTATIONS
    with pyedflib.EdfReader(path, mode) as reader:
        return {
            "recorded_s": float(reader.getFileDuration()),
            "start": reader.getStartdatetime().isoformat(),
            "records": int(reader.datarecords_in_file),
        }


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

    tell({"versions": {"mne": version("mne"), "pyedflib": version("pyedflib")}})
    for line in sys.stdin:
        asked = json.loads(line)
        try:
            tell(ASK[asked["library"]](asked["path"], asked["bdf"], asked["whole"]))
        except MemoryError:
            tell({"refused": "out of memory", "limit": True})
        except Exception as error:
            words = " ".join(str(error).split())[:MAX_WORDS]
            tell({"refused": f"{type(error).__name__}: {words}"})


if __name__ == "__main__":
    main()
