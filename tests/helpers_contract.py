"""A second, independent writer of small EDF/BDF files and a runner of the installed command.

Of the package under test only the command's entry point is used: files are put together from bytes
as the EDF+ specification (sections 2.1 and 2.2) and the BDF description lay them out, and what the
command wrote is read back with the standard library.
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

from auditor.cli.parser import main

EEG_LABELS = ("EEG Fp1-Ref", "EEG Fp2-Ref", "EEG C3-Ref", "EEG C4-Ref", "EEG O1-Ref", "EEG O2-Ref",
              "EEG F7-Ref", "EEG F8-Ref")  # fmt: skip


@dataclass
class Channel:
    """One signal: its label, samples in a record and the value of each sample."""

    label: str
    rate: int = 1
    dimension: str = "uV"
    physical: tuple[str, str] = ("-3276.8", "3276.7")
    digital: tuple[str, str] = ("-32768", "32767")
    samples: dict[int, list[int]] = field(default_factory=dict)
    """Digital values of a record by its number; other records hold 1, -1, 1, …"""


def eight(rate: int = 1, samples: dict[int, list[int]] | None = None) -> list[Channel]:
    """Eight EEG channels."""
    return [Channel(label, rate, samples=samples or {}) for label in EEG_LABELS]


def _text(value: str | bytes, width: int) -> bytes:
    raw = value if isinstance(value, bytes) else value.encode("ascii")
    assert len(raw) <= width, (value, width)
    return raw.ljust(width)


def tal(onset: str, *texts: str, duration: str | None = None) -> bytes:
    """One time-stamped annotation list (EDF+ specification, section 2.2.2)."""
    raw = onset.encode() + (b"" if duration is None else b"\x15" + duration.encode()) + b"\x14"
    for text in texts or ("",):
        raw += text.encode() + b"\x14"
    return raw + b"\x00"


def signed(onset: Decimal | str | int | float) -> str:
    """An onset with its sign, never in exponent form."""
    number = Decimal(str(onset))
    return ("-" if number < 0 else "+") + format(abs(number), "f")


def _header_row(
    channel: Channel | None, note: str, limits: tuple[str, str], slots: int, wide: int
) -> tuple[str, ...]:
    """The ten header fields of a channel, or of an annotation signal (``None``)."""
    if channel is None:
        return (note, "", "", "-1", "1", *limits, "", str(slots), "")
    digital = limits if wide == 3 else channel.digital
    return (channel.label, "", channel.dimension, *channel.physical, *digital, "",
            str(channel.rate), "")  # fmt: skip


def write(
    path: Path,
    *,
    kind: str = "EDF+C",
    start: str = "02.03.27 09.30.00",
    record: str = "30",
    onsets: Sequence[Decimal | str | int] | None = None,
    records: int | None = None,
    channels: Sequence[Channel] | None = None,
    patient: str = "P-2041 X X X",
    recording: str | None = None,
    events: Mapping[int, Sequence[bytes]] | None = None,
    count: int | None = None,
    annotation_bytes: int = 60,
    annotation_at: Sequence[int] | None = None,
    no_timekeeping: Sequence[int] = (),
    tail: bytes = b"",
    cut: int = 0,
    version: bytes | None = None,
) -> Path:
    """Write one file; ``kind`` is EDF, EDF+C, EDF+D, BDF, BDF+C or BDF+D.

    ``onsets`` are the data records' starts in seconds after ``start``; without them ``records``
    records follow each other. ``events`` are annotation lists by record. ``annotation_at`` are the
    places of annotation signals among the channels (one at the end by default in '+' kinds).
    ``count`` is the header's record count where it is to be wrong; ``cut`` drops bytes at the end.
    """
    wide = 3 if kind.startswith("BDF") else 2
    plus = "+" in kind
    channels = eight() if channels is None else list(channels)
    if onsets is None:
        assert records is not None
        onsets = [Decimal(record) * n for n in range(records)]
    date, time = start.split()
    if annotation_at is None:
        annotation_at = [len(channels)] if plus else []
    signals: list[Channel | None] = list(channels)
    for place in annotation_at:
        signals.insert(place, None)
    note = ("BDF" if wide == 3 else "EDF") + " Annotations"
    digital = ("-8388608", "8388607") if wide == 3 else ("-32768", "32767")
    slots = -(-annotation_bytes // wide)
    if recording is None:
        recording = "Startdate X X X N-3" if plus else "N-3"
    reserved = kind if plus else ("24BIT" if wide == 3 else "")
    head = version or (b"\xffBIOSEMI" if wide == 3 else b"0       ")
    head += _text(patient, 80) + _text(recording, 80) + _text(date, 8) + _text(time, 8)
    head += _text(str(256 * (len(signals) + 1)), 8) + _text(reserved, 44)
    head += _text(str(len(onsets) if count is None else count), 8)
    head += _text(record, 8) + _text(str(len(signals)), 4)
    columns = [_header_row(s, note, digital, slots, wide) for s in signals]
    for number, width in enumerate((16, 80, 8, 8, 8, 8, 8, 80, 8, 32)):
        head += b"".join(_text(column[number], width) for column in columns)
    assert len(head) == 256 * (len(signals) + 1)

    plain = {
        c.label: b"".join(
            (1 if k % 2 == 0 else -1).to_bytes(wide, "little", signed=True) for k in range(c.rate)
        )
        for c in channels
    }
    body = bytearray()
    for number, onset in enumerate(onsets):
        first_note = True
        for signal in signals:
            if signal is None:
                raw = b""
                if first_note:
                    if number not in no_timekeeping:
                        raw = tal(signed(onset))
                    raw += b"".join((events or {}).get(number, ()))
                    first_note = False
                assert len(raw) <= slots * wide, "annotation_bytes is too small"
                body += raw.ljust(slots * wide, b"\x00")
            elif number in signal.samples:
                values = signal.samples[number]
                assert len(values) == signal.rate
                body += b"".join(int(v).to_bytes(wide, "little", signed=True) for v in values)
            else:
                body += plain[signal.label]
    whole = head + bytes(body) + tail
    path.parent.mkdir(parents=True, exist_ok=True)
    path.write_bytes(whole[: len(whole) - cut] if cut else whole)
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
