"""The desk's first look at a study of 72 h (32 channels, 256 Hz: 4.26 GB), as a person waits for it.

    python tests/benchmarks/first_look.py             # 72 h
    python tests/benchmarks/first_look.py --hours 4   # a quick look

Starts the desk as its users do, opens the order's page over HTTP, and prints the time until the
page is whole, with the page cache warm and (where the system lets a program ask for it) cold.
"""

from __future__ import annotations

import argparse
import os
import re
import sys
import tempfile
import time
from datetime import datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

import numpy as np
from helpers_desk import Served, desk

from auditor.core.units import NS
from auditor.demo.writer import Header, Signal, Writer, annotation_signal

CHANNELS, RATE, BLOCK_S = 32, 256, 600


def make(path: Path, hours: int) -> None:
    """Noise, one record a second, a time-keeping annotation in each."""
    names = ("Fp1", "Fp2", "F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2", "F7", "F8", "T3", "T4",
             "T5", "T6", "Fz", "Cz", "Pz", "A1", "A2", "FC1", "FC2", "CP1", "CP2", "PO3", "PO4",
             "FC5", "FC6", "CP5", "CP6", "Oz")  # fmt: skip
    signals = tuple(Signal(f"EEG {name}-Ref", RATE) for name in names)
    header = Header(
        "EDF+C", datetime(2027, 3, 2, 9, 30), (*signals, annotation_signal("EDF+C", 60))
    )
    noise = np.random.default_rng(1).normal(0, 300, (BLOCK_S, CHANNELS * RATE)).astype(np.int16)
    with Writer(path, header) as writer:
        for block in range(hours * 3600 // BLOCK_S):
            writer.write(noise, (np.arange(BLOCK_S) + block * BLOCK_S) * NS)


def page_s(served: Served, cookie: str, address: str) -> tuple[float, str]:
    """Seconds until the page at ``address`` is whole, and its text."""
    began = time.perf_counter()
    answer = served.ask("GET", address, headers={"Cookie": cookie}, wait_s=300)
    assert answer.status == 200, answer.text[:300]
    return time.perf_counter() - began, answer.text


def address_of(served: Served, own: dict[str, str | None], folder: Path) -> str:
    """The address of the order's page of a folder."""
    there = served.ask("POST", "/folders", headers=own, form={"path": str(folder)})
    return there.headers["location"] + "/order"


def warm(path: Path) -> None:
    """Read a file once, so that it lies in the page cache."""
    with path.open("rb") as file:
        while file.read(16 << 20):
            pass


def forget(path: Path) -> bool:
    """Take a file out of the page cache."""
    if not hasattr(os, "posix_fadvise"):
        return False
    handle = os.open(path, os.O_RDONLY)
    os.fsync(handle)
    os.posix_fadvise(handle, 0, 0, os.POSIX_FADV_DONTNEED)
    os.close(handle)
    return True


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--hours", type=int, default=72)
    hours = parser.parse_args().hours
    with tempfile.TemporaryDirectory() as name:
        where = Path(name)
        study = where / "studies" / "S-2041"
        study.mkdir(parents=True)
        make(study / "01.edf", hours)
        small = where / "studies" / "S-2042"
        small.mkdir()
        make(small / "01.edf", 1)
        forget(study / "01.edf")  # on the disk first: the writing must not be waited for
        warm(study / "01.edf")
        print(f"{(study / '01.edf').stat().st_size / 1e9:.2f} GB, {hours} h")
        for cold in (False, True):
            with desk(where) as served:
                if cold and not forget(study / "01.edf"):
                    break
                cookie = served.come_in()
                own: dict[str, str | None] = {"Cookie": cookie, "Sec-Fetch-Site": "same-origin"}
                # Its process is up by the time that a person has chosen a folder.
                up, _ = page_s(served, cookie, address_of(served, own, small))
                address = address_of(served, own, study)
                first, text = page_s(served, cookie, address)
                again, _ = page_s(served, cookie, address)
                recorded = re.search(r">(\d+:\d\d:\d\d)</data>", text)
                assert recorded, "the page shows what was recorded"
                assert recorded.group(1) == f"{hours}:00:00"
                print(
                    f"{'cold' if cold else 'warm'}: first look {first:.2f} s, again {again:.2f} s; "
                    f"of 1 h, just after the start, {up:.2f} s"
                )


if __name__ == "__main__":
    main()
