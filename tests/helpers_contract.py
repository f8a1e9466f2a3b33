"""Small EDF/BDF files in the terms of the contract, and a runner of the installed command.

Of the package under test only the command's entry point is used, and what the command wrote is read
back with the standard library.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import subprocess
import sys
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from decimal import Decimal
from pathlib import Path
from typing import Any

from helpers_edf import Sig, edf

from auditor.cli.parser import main

EEG_LABELS = ("EEG Fp1-Ref", "EEG Fp2-Ref", "EEG C3-Ref", "EEG C4-Ref", "EEG O1-Ref", "EEG O2-Ref",
              "EEG F7-Ref", "EEG F8-Ref")  # fmt: skip


@dataclass
class Channel:
    """One signal: its label, samples in a record and the value of each sample."""

    label: str
    rate: int = 1
    physical: tuple[str, str] = ("-3276.8", "3276.7")
    samples: dict[int, list[int]] = field(default_factory=dict)
    """Digital values of a record by its number; other records hold 1, -1, 1, …"""


def eight(rate: int = 1, samples: dict[int, list[int]] | None = None) -> list[Channel]:
    """Eight EEG channels."""
    return [Channel(label, rate, samples=samples or {}) for label in EEG_LABELS]


def write(
    path: Path,
    *,
    kind: str = "EDF+C",
    start: str = "02.03.27 09.30.00",
    record: str = "30",
    onsets: Sequence[Decimal | str | int] | None = None,
    records: int = 0,
    channels: Sequence[Channel] | None = None,
    patient: str = "P-2041 X X X",
    recording: str | None = None,
    events: Mapping[int, Sequence[bytes]] | None = None,
    count: int | None = None,
    annotation_bytes: int = 60,
    annotation_at: Sequence[int] = (),
    tail: bytes = b"",
    cut: int = 0,
) -> Path:
    """Write one file; ``kind`` is EDF, EDF+C, EDF+D, BDF, BDF+C or BDF+D.

    ``onsets`` are the data records' starts in seconds after ``start``; without them ``records``
    records follow each other. ``events`` are annotation lists by record. ``count`` is the header's
    record count where it is to be wrong; ``cut`` drops bytes at the end.
    """
    bdf, plus = kind.startswith("BDF"), "+" in kind
    wide = ("-8388608", "8388607")

    def signal(channel: Channel) -> Sig:
        return Sig(
            channel.label,
            channel.rate,
            physical=channel.physical,
            digital=wide if bdf else ("-32768", "32767"),
            samples=lambda n: (
                channel.samples.get(n) or [1 - 2 * (k % 2) for k in range(channel.rate)]
            ),
        )

    if onsets is None:
        onsets = [Decimal(record) * n for n in range(records)]
    date, time = start.split()
    whole = edf(
        [format(Decimal(onset), "f") for onset in onsets],
        plain=not plus,
        bdf=bdf,
        signals=[signal(channel) for channel in (eight() if channels is None else channels)],
        duration=record,
        start_date=date,
        start_time=time,
        patient=patient,
        recording=recording or ("Startdate X X X N-3" if plus else "N-3"),
        reserved=kind if plus else ("24BIT" if bdf else ""),
        events=events,
        annotation_bytes=annotation_bytes,
        annotation_at=annotation_at,
        fields={} if count is None else {"record count": str(count)},
        tail=tail,
    )
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(whole[: len(whole) - cut])
    return path


@dataclass
class Run:
    """What the command did: exit status, both streams, and the folder it wrote into."""

    status: int
    stdout: str
    stderr: str
    out: Path

    @property
    def audit(self) -> dict[str, Any]:
        """audit.json, read back."""
        found: dict[str, Any] = json.loads((self.out / "audit.json").read_text(encoding="utf-8"))
        return found

    def table(self, name: str) -> list[dict[str, str]]:
        """One of the CSV files."""
        with (self.out / name).open(encoding="utf-8-sig", newline="") as file:
            return list(csv.DictReader(file))


def installed(
    *arguments: str | Path,
    cwd: Path,
    out: str = "out",
    environment: Mapping[str, str] | None = None,
) -> Run:
    """Run ``python -m auditor`` in a process of its own, in ``cwd``."""
    done = subprocess.run(
        [sys.executable, "-m", "auditor", *map(str, arguments)],
        cwd=cwd,
        env={**os.environ, **(environment or {})},
        capture_output=True,
        encoding="utf-8",
        timeout=120,
        check=False,
    )
    return Run(done.returncode, done.stdout, done.stderr, cwd / out)


def called(*arguments: str | Path, cwd: Path, out: str = "out") -> Run:
    """The same command line within this process, which is quicker, in ``cwd``."""
    printed, told = io.StringIO(), io.StringIO()
    with (
        contextlib.chdir(cwd),
        contextlib.redirect_stdout(printed),
        contextlib.redirect_stderr(told),
    ):
        try:
            status = main([str(argument) for argument in arguments])
        except SystemExit as stop:
            status = int(stop.code or 0)
    return Run(status, printed.getvalue(), told.getvalue(), cwd / out)


def study(folder: Path, *arguments: str | Path, signal: str = "off") -> Run:
    """Audit ``folder`` without second readers, by default without its samples: quick."""
    return called(
        "study", folder, "--out", "out", "--force", "--signal", signal,
        "--second-readers", "off", *arguments, cwd=folder.parent,
    )  # fmt: skip


def ordered(folder: Path, hours: float | str, more: str = "", **keys: object) -> Path:
    """An order file beside ``folder``; ``keys`` are TOML texts, ``more`` further tables."""
    lines = [f"{key} = {value}" for key, value in {"ordered_hours": hours, **keys}.items()]
    path = folder.parent / "order.toml"
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_text("[order]\n" + "\n".join(lines) + "\n" + more, encoding="utf-8")
    return path


def codes(audit: Mapping[str, Any]) -> dict[str, str]:
    """Finding codes with their severities."""
    return {f["code"]: f["severity"] for f in audit["findings"]}


def nanoseconds(value: float) -> int:
    """A number of seconds of the JSON as the nanoseconds that it was written from."""
    return round(value * 1_000_000_000)


HOUR = 3600
HALF_MINUTES = 120
"""Records of 30 s in an hour."""
START = datetime(2027, 3, 2, 9, 30)
ONE = (Channel("EEG C3-Ref"),)


def stamp(moment: datetime) -> str:
    return moment.strftime("%d.%m.%y %H.%M.%S")


def varied(
    seed: int, records: int, rate: int = 1, labels: tuple[str, ...] = ("EEG C3-Ref",)
) -> list[Channel]:
    """Channels whose samples differ from second to second and from seed to seed."""

    def value(channel: int, record: int, k: int) -> int:
        return (seed * 7919 + channel * 131 + record * 613 + k * 389 + record * k * 17) % 601 - 300

    return [
        Channel(
            label,
            rate,
            samples={r: [value(i, r, k) for k in range(rate)] for r in range(records)},
        )
        for i, label in enumerate(labels)
    ]


def answer(audit: dict[str, Any], question: str) -> str:
    """The state of one of the four answers."""
    (found,) = (a["state"] for a in audit["decision"]["answers"] if a["question"] == question)
    return str(found)
