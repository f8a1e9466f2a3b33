"""What a truth is: a study folder whose every second is known by construction.

Long cases use few channels at a low rate: their truth is in time, not in waveforms.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

import numpy as np
from helpers_studies import BASE, Amplifier, Change, Piece, civil
from msgspec import Struct
from numpy.typing import NDArray

LEAN = Amplifier(rate=8, level=600)
"""Enough for time; 115 kB an hour."""

Span = tuple[int, int]


class Truth(Struct, frozen=True):
    """What really happened. Spans are civil nanoseconds since 1970 on the reference clock.

    With ``timezone`` they are nanoseconds since 1970 UTC instead, as on the study axis.
    ``recorded_ns`` is the union of all true runs; ``counted`` and ``set_aside`` are file names
    relative to the folder.
    """

    case: str
    folder: Path
    order: Path | None
    recorded_ns: int
    recorded: tuple[Span, ...]
    counted: tuple[str, ...]
    set_aside: tuple[str, ...] = ()
    unreadable: tuple[str, ...] = ()
    timezone: str | None = None
    other_recorded_ns: int | None = None
    """The figure under the other reading, where the files allow two."""

    @property
    def gaps(self) -> tuple[Span, ...]:
        """The holes between the recorded stretches."""
        ends = zip(self.recorded, self.recorded[1:], strict=False)
        return tuple((a[1], b[0]) for a, b in ends)


def joined(runs: Sequence[Span]) -> tuple[Span, ...]:
    """The union of ``runs``, the slow and obvious way."""
    out: list[Span] = []
    for start, end in sorted(runs):
        if out and start <= out[-1][1]:
            out[-1] = (out[-1][0], max(out[-1][1], end))
        else:
            out.append((start, end))
    return tuple(out)


def order_file(folder: Path, hours: float = 72, power: str = "", **keys: object) -> Path:
    """Write ``order.toml`` beside the recordings; the lean studies have two EEG channels."""
    keys.setdefault("minimum_channels", 2)
    lines = ["[order]", 'study_id = "S-2041"', f"ordered_hours = {hours:g}"]
    for key, value in keys.items():
        if isinstance(value, bool):
            text = str(value).lower()
        elif isinstance(value, datetime):
            text = value.isoformat()
        else:
            text = f'"{value}"' if isinstance(value, str) else str(value)
        lines.append(f"{key} = {text}")
    folder.mkdir(parents=True, exist_ok=True)
    path = folder / "order.toml"
    path.write_text("\n".join(lines) + "\n" + power, encoding="utf-8")
    return path


def truth_of(
    case: str,
    folder: Path,
    order: Path | None,
    pieces: Sequence[Piece],
    *,
    base: datetime = BASE,
    **more: object,
) -> Truth:
    zero = civil(base)
    spans = joined([(zero + a, zero + b) for p in pieces for a, b in p.runs])
    names = tuple(p.path.relative_to(folder).as_posix() for p in pieces)
    return Truth(
        case, folder, order, sum(b - a for a, b in spans), spans, names, **more,  # type: ignore[arg-type]
    )  # fmt: skip


# Electrodes and signals.


def faults(
    rate: int, *items: tuple[str, Sequence[int], float, float], low: int = -32768, high: int = 32767
) -> Change:
    """A change that holds each (kind, channel indices, from second, to second).

    Kinds: 'flat' (one value), 'saturated' (the digital maximum), 'saturated_low', 'hum' (60 Hz, 500 µV
    peak, on top of a tenth of the signal; needs a rate over 120 Hz), 'hum50', 'large' (slow swings
    of 6 mV peak to peak).
    """

    def change(data: NDArray[np.int16], first: int) -> None:
        for kind, channels, begin, end in items:
            a = max(0, round(begin * rate) - first)
            b = min(len(data), round(end * rate) - first)
            if a >= b:
                continue
            time = (np.arange(first + a, first + b) / rate)[:, None]
            part = data[a:b, list(channels)].astype(float)
            if kind == "flat":
                part[...] = 17
            elif kind == "saturated":
                part[...] = high
            elif kind == "saturated_low":
                part[...] = low
            elif kind in ("hum", "hum50"):
                part = part / 10 + 5000 * np.sin(2 * np.pi * (50 if kind == "hum50" else 60) * time)
            else:
                assert kind == "large", kind
                part = part + 30000 * np.sin(2 * np.pi * 0.7 * time)
            data[a:b, list(channels)] = np.clip(part, low, high).astype(np.int16)

    return change
