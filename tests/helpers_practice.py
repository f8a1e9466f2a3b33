"""Whole studies of many hours in few megabytes, for the table of practice. All data are invented.

Two samples a second are enough to tell a channel with signal from a dead one, and records of a
minute keep 72 hours of nineteen channels at 20 MB; where artifact of the mains is to be seen the
sampling rate is higher and the study short. Bytes are put together here, independent of the code
under test but for the header's fields (``helpers_edf``).
"""

from __future__ import annotations

import zlib
from collections.abc import Iterable, Mapping, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
from helpers_edf import Sig, edf, event
from msgspec import Struct

HOOKUP = datetime(2027, 3, 2, 9, 0)
TEN_TWENTY = (
    "Fp1", "Fp2", "F3", "F4", "C3", "C4", "P3", "P4", "O1", "O2", "F7", "F8", "T3", "T4", "T5",
    "T6", "Fz", "Cz", "Pz",
)  # fmt: skip
EIGHT = ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2")
_MONTHS = ["JAN", "FEB", "MAR", "APR", "MAY", "JUN", "JUL", "AUG", "SEP", "OCT", "NOV", "DEC"]


def h(text: str) -> timedelta:
    """'1:59:00' or '2:00' as a duration."""
    hours, minutes, *seconds = map(int, text.split(":"))
    return timedelta(hours=hours, minutes=minutes, seconds=seconds[0] if seconds else 0)


class Eeg(Struct, frozen=True):
    """One recording. ``dead`` gives electrodes that go flat, and when; ``mains`` and ``large`` the
    electrodes full of mains artifact and those that pop over 1 mV in every second."""

    start: datetime
    length: timedelta
    labels: Sequence[str] = EIGHT
    patient: str = "P-2041 X X X"
    recorder: str = "N-3"
    record_s: int = 60
    rate: int = 2
    dead: Mapping[str, timedelta] = {}
    mains: Iterable[str] = ()
    large: Iterable[str] = ()
    events: Mapping[timedelta, str] = {}
    closed: bool = True
    header_date: str | None = None
    cut: int = 0
    seed: str = ""

    def write(self, path: Path) -> None:
        """Write it as EDF+C (records of ``record_s``; the length is cut to whole records)."""
        records = int(self.length.total_seconds()) // self.record_s
        per_record = self.rate * self.record_s
        data = self._samples(path.name, records * per_record)
        data = data.reshape(len(self.labels), records, per_record).transpose(1, 0, 2)
        at: dict[int, list[bytes]] = {}
        for when, text in self.events.items():
            second = when.total_seconds()
            at.setdefault(int(second) // self.record_s, []).append(event(second, text))
        notes = b"".join(
            (b"+%d\x14\x14\0" % (i * self.record_s) + b"".join(at.get(i, ()))).ljust(128, b"\0")
            for i in range(records)
        )
        body = np.concatenate(
            [
                np.ascontiguousarray(data).view(np.uint8).reshape(records, -1),
                np.frombuffer(notes, np.uint8).reshape(records, 128),
            ],
            axis=1,
        )
        date = (
            "X"
            if self.header_date
            else f"{self.start:%d}-{_MONTHS[self.start.month - 1]}-{self.start.year}"
        )
        head = edf(
            onsets=[0],
            signals=[Sig(f"EEG {label}-Ref", per_record) for label in self.labels],
            duration=str(self.record_s), annotation_bytes=128, reserved="EDF+C",
            patient=self.patient, recording=f"Startdate {date} X X {self.recorder}",
            start_date=self.header_date or f"{self.start:%d.%m.%y}",
            start_time=f"{self.start:%H.%M.%S}",
            fields={"record count": str(records if self.closed else -1)},
        )[: 256 * (len(self.labels) + 2)]  # fmt: skip
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes((head + body.tobytes())[: -self.cut or None])

    def _samples(self, name: str, count: int) -> np.ndarray[tuple[int, int], np.dtype[np.int16]]:
        rng = np.random.default_rng(zlib.crc32(f"{self.seed or name} {self.start}".encode()))
        data = rng.integers(-400, 400, (len(self.labels), count), np.int16)  # 80 uV
        time = np.arange(count) / self.rate
        for label in self.mains:
            wave = 1500 * np.sin(2 * np.pi * 60 * time)
            data[self.labels.index(label)] += wave.astype(np.int16)
        for label in self.large:
            data[self.labels.index(label), :: max(self.rate // 2, 2)] = 15_000  # 1.5 mV
        for label, when in self.dead.items():
            data[self.labels.index(label), int(when.total_seconds() * self.rate) :] = 0
        return data


def order_text(hours: float, hookup: datetime | None = HOOKUP, more: str = "") -> str:
    """An order of S-2041; ``more`` are further lines, of ``[order]`` first."""
    lines = [
        "[order]",
        'study_id = "S-2041"',
        'patient_code = "P-2041"',
        f"ordered_hours = {hours}",
    ]
    if hookup is not None:
        lines.append(f"hookup = {hookup.isoformat()}")
    return "\n".join([*lines, more]) + "\n"


def log_of(times: Iterable[datetime], by: str = "RT-4") -> str:
    """A log of checks."""
    return "time,by\n" + "".join(f"{t.isoformat()},{by}\n" for t in times)


def every(step: timedelta, start: datetime, length: timedelta) -> list[datetime]:
    """From ``start`` plus ``step`` on, as long as it lies before the end."""
    count = int(length / step)
    return [start + step * i for i in range(1, count + 1) if step * i < length]
