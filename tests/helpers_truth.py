"""Whole messy studies, one function a case, with the truth known by construction.

Long cases use few channels at a low rate: their truth is in time, not in waveforms.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
from helpers_studies import (
    BASE,
    Amplifier,
    Change,
    Clock,
    Piece,
    append,
    civil,
    cut_tail,
    s,
    write_piece,
)
from numpy.typing import NDArray

from auditor.demo.writer import Signal
from auditor.units import HOUR

LEAN = Amplifier(rate=8, labels=("C3", "C4"), level=600)
"""Enough for time; 115 kB an hour."""

Span = tuple[int, int]


@dataclass(frozen=True)
class Truth:
    """What really happened. Spans are civil nanoseconds since 1970 on the reference clock.

    With ``timezone`` they are nanoseconds since 1970 UTC instead, as on the study axis.
    ``recorded_ns`` is the union of all true runs; ``counted`` and ``set_aside`` are file names
    relative to the folder. ``kinds`` says in words what a good audit must notice.
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
    kinds: tuple[str, ...] = ()

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
    """Write ``order.toml`` beside the recordings."""
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


def _truth(
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

    Kinds: 'flat' (one value), 'railed' (the digital maximum), 'railed_low', 'hum' (60 Hz, 500 µV
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
            elif kind == "railed":
                part[...] = high
            elif kind == "railed_low":
                part[...] = low
            elif kind in ("hum", "hum50"):
                part = part / 10 + 5000 * np.sin(2 * np.pi * (50 if kind == "hum50" else 60) * time)
            else:
                assert kind == "large", kind
                part = part + 30000 * np.sin(2 * np.pi * 0.7 * time)
            data[a:b, list(channels)] = np.clip(part, low, high).astype(np.int16)

    return change


# Copies.


def two_copies(
    folder: Path,
    *,
    hours: int = 72,
    offset_s: float = 37.25,
    drift_s: float = 2.0,
    stamped_by: str = "file",
    amplifier: Amplifier = LEAN,
) -> Truth:
    """card/ and computer/: the same samples, two clocks, each filling the other's gap.

    The card's clock is the truth; the computer's is ``offset_s`` ahead at the card's first record
    and gains ``drift_s`` over the study. It starts a new file every sixth of the study, at a sample
    that lies inside a record of the card.
    """
    total = hours * 3600
    clock = Clock(s(offset_s), s(drift_s) * 1_000_000_000 // s(total))
    step = total // 6
    hole = (total // 4, total // 4 + step // 8)
    gap = (total // 2 + step // 10, total // 2 + step // 2)
    part = (gap[1] - gap[0]) // 4  # of the gap that the computer holds at either end
    # The card: a hole that the computer fills, and one that neither fills at the end of `gap`.
    card = [
        write_piece(folder / "card/a.edf", (0, hole[0]), amplifier=amplifier),
        write_piece(folder / "card/b.edf", (hole[1], gap[0]), (gap[1], total), amplifier=amplifier),
    ]
    shift = 3 / amplifier.rate
    computer: list[Piece] = []
    for index in range(6):
        begin, end = index * step + shift, (index + 1) * step + shift
        runs = [(begin, end)]
        if index == 5:
            runs = [(begin, end - step // 20)]  # the computer stops before the card does
        if begin <= gap[0] < end:
            runs = [(begin, gap[0] + part + shift), (gap[1] - part + shift, end)]
        computer.append(
            write_piece(
                folder / f"computer/{index + 1}.edf", *runs, amplifier=amplifier, clock=clock,
                stamped_by=stamped_by,
            )
        )  # fmt: skip
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth("two_copies", folder, order, [*card, *computer], kinds=("copies",))


def two_copies_rescaled(folder: Path, *, hours: int = 6, offset_s: float = -8.5) -> Truth:
    """The computer's copy holds the same signals at half the rate: samples never are identical."""
    fast = Amplifier(rate=32, labels=("C3", "C4"), level=900, smooth=16)

    class Half(Amplifier):
        def samples(self, first: int, count: int) -> NDArray[np.int16]:
            both = fast.samples(2 * first, 2 * count).astype(np.int32)
            return ((both[0::2] + both[1::2]) // 3).astype(np.int16)

    total = hours * 3600
    card = [
        write_piece(folder / "card/a.edf", (0, 3600), (5400, total), amplifier=fast),
    ]
    half = Half(rate=16, labels=fast.labels)
    computer = [
        write_piece(
            folder / "computer/a.edf", (10, total - 300), amplifier=half, clock=Clock(s(offset_s))
        )
    ]
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth("two_copies_rescaled", folder, order, [*card, *computer], kinds=("copies",))


def unmatched_folders(folder: Path, *, hours: int = 4) -> Truth:
    """Two folders of the same hours and names whose samples have nothing to do with each other."""
    first = write_piece(folder / "card/a.edf", (0, hours * 3600), amplifier=LEAN)
    write_piece(folder / "computer/a.edf", (5, hours * 3600 - 7), amplifier=replace(LEAN, seed=99))
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth("unmatched_folders", folder, order, [first], kinds=("never merged silently",))


# Overlap inside one copy.


def duplicated_export(folder: Path, *, hours: int = 6) -> Truth:
    """One hour was exported a second time: identical samples, counted once."""
    a = write_piece(folder / "a.edf", (0, hours * 3600), amplifier=LEAN)
    b = write_piece(folder / "again.edf", (3600, 7200), amplifier=LEAN)
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth("duplicated_export", folder, order, [a, b], kinds=("duplicate",))


def clock_put_back(folder: Path, *, hours: int = 6, back_s: int = 1200) -> Truth:
    """The clock was put back while recording: stamps overlap, samples differ.

    Truth on the clock of the first file is the full time; by the stamps ``back_s`` count once.
    """
    half = hours * 1800
    a = write_piece(folder / "a.edf", (0, half), amplifier=LEAN)
    b = write_piece(folder / "b.edf", (half, 2 * half), amplifier=LEAN, clock=Clock(s(-back_s)))
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    truth = _truth("clock_put_back", folder, order, [a, b], kinds=("clock put back",))
    stamped = joined([(a.first_civil, a.end_civil), (b.first_civil, b.end_civil)])
    return replace(
        truth,
        recorded_ns=sum(y - x for x, y in stamped),
        recorded=stamped,
        other_recorded_ns=truth.recorded_ns,
    )


# Files that do not belong.


def left_overs(folder: Path, *, hours: int = 6) -> Truth:
    """A study with four files beside it that belong to others, and two that are no recordings."""
    own = [
        write_piece(folder / "own/b.edf", (7200, hours * 3600), amplifier=LEAN),
        write_piece(folder / "own/a.edf", (0, 7190), amplifier=LEAN),
    ]
    long_ago = Clock(base=BASE - timedelta(days=9))
    write_piece(
        folder / "other_patient.edf", (0, 3600), amplifier=LEAN, patient="P-2044", clock=long_ago
    )
    write_piece(folder / "before_hookup.edf", (-9000, -5400), amplifier=replace(LEAN, seed=3))
    write_piece(
        folder / "other_recorder.edf", (4000, 5000), amplifier=replace(LEAN, seed=4),
        equipment="N-7_invented",
        clock=Clock(base=BASE - timedelta(days=4)),
    )  # fmt: skip
    write_piece(
        folder / "other_channels.edf", (0, 1800),
        amplifier=Amplifier(rate=8, labels=("Fp1", "Fp2", "Cz"), seed=5),
        clock=Clock(base=BASE + timedelta(days=20)),
    )  # fmt: skip
    (folder / "notes.txt").write_text("electrode cream: new tube\n", encoding="utf-8")
    (folder / "empty.edf").write_bytes(b"")
    (folder / "renamed.edf").write_bytes(b"%PDF-1.4 not a recording\n" * 40)
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth(
        "left_overs", folder, order, own,
        set_aside=(
            "other_patient.edf", "before_hookup.edf", "other_recorder.edf", "other_channels.edf",
        ),
        unreadable=("empty.edf", "renamed.edf"),
        kinds=("left over",),
    )  # fmt: skip


# Clocks.


def across_a_change(
    folder: Path,
    zone: str,
    transition_utc: datetime,
    *,
    before_s: int = 7200,
    gap_s: int = 600,
    gap_at_s: int = 0,
    after_s: int = 7200,
) -> Truth:
    """Two files around a change of the clocks, each stamped with the wall's time at its start.

    The gap of ``gap_s`` starts ``gap_at_s`` seconds after the transition (negative: before it).
    Truth is in UTC.
    """
    info = ZoneInfo(zone)
    start_utc = transition_utc - timedelta(seconds=before_s)
    runs = [(0, before_s + gap_at_s), (before_s + gap_at_s + gap_s, before_s + gap_s + after_s)]
    pieces = []
    for index, run in enumerate(runs):
        moment = (start_utc + timedelta(seconds=run[0])).replace(tzinfo=UTC).astimezone(info)
        wall = moment.replace(tzinfo=None)
        pieces.append(
            write_piece(folder / f"{index + 1}.edf", run, amplifier=LEAN, start=wall, fmt="EDF+C",
                        clock=Clock(base=start_utc))
        )  # fmt: skip
    hookup = start_utc.replace(tzinfo=UTC).astimezone(info).replace(tzinfo=None)
    hours = (before_s + after_s) / 3600
    order = order_file(folder, hours, patient_code="P-2041", hookup=hookup, timezone=zone)
    return _truth("across_a_change", folder, order, pieces, base=start_utc, timezone=zone,
                  kinds=("daylight saving",))  # fmt: skip


TRANSITIONS: tuple[tuple[str, datetime], ...] = (
    ("America/Denver", datetime(2027, 3, 14, 9)),
    ("America/Denver", datetime(2027, 11, 7, 8)),
    ("Europe/Vienna", datetime(2027, 3, 28, 1)),
    ("Europe/Vienna", datetime(2027, 10, 31, 1)),
    ("Australia/Sydney", datetime(2027, 4, 3, 16)),
    ("Australia/Sydney", datetime(2027, 10, 2, 16)),
    ("Australia/Lord_Howe", datetime(2027, 4, 3, 15)),
    ("Australia/Lord_Howe", datetime(2027, 10, 2, 15, 30)),
)
"""Changes of the clocks in UTC; a test compares them with the IANA database."""


def clock_reset(folder: Path, *, reset_to: datetime = datetime(1985, 1, 1)) -> Truth:
    """After a change of packs the recorder's clock began again at its default date."""
    a = write_piece(folder / "a.edf", (0, 3 * 3600), amplifier=LEAN,
                    events=[(10790, "Supply low")])  # fmt: skip
    b = write_piece(folder / "b.edf", (3 * 3600 + 240, 6 * 3600), amplifier=LEAN, start=reset_to)
    order = order_file(folder, 6, patient_code="P-2041", hookup=BASE)
    return _truth("clock_reset", folder, order, [a, b], kinds=("clock reset",))


def clock_steps(folder: Path, step_s: int) -> Truth:
    """Two files that continue each other; the second's clock is ``step_s`` off the first's."""
    a = write_piece(folder / "a.edf", (0, 7200), amplifier=LEAN)
    b = write_piece(folder / "b.edf", (7200, 14400), amplifier=LEAN, clock=Clock(s(step_s)))
    order = order_file(folder, 4, patient_code="P-2041", hookup=BASE)
    return _truth("clock_steps", folder, order, [a, b], kinds=("clock step",))


def new_year(folder: Path) -> Truth:
    """A study over midnight of the last day of the year, in two touching files."""
    base = datetime(2027, 12, 31, 22)
    clock = Clock(base=base)
    pieces = [
        write_piece(folder / "z.edf", (0, 7200), amplifier=LEAN, clock=clock, fmt="EDF+C"),
        write_piece(folder / "a.edf", (7200, 10800), amplifier=LEAN, clock=clock, fmt="EDF+C"),
    ]
    order = order_file(folder, 3, patient_code="P-2041", hookup=base)
    return _truth("new_year", folder, order, pieces, base=base)


def hookup_disagrees(folder: Path) -> Truth:
    """The header's start is a whole day before the hook-up that the order states."""
    a = write_piece(folder / "a.edf", (0, 14400), amplifier=LEAN)
    order = order_file(folder, 4, patient_code="P-2041", hookup=BASE + timedelta(days=1))
    return _truth("hookup_disagrees", folder, order, [a], kinds=("hookup",))


# Pieces, and how a recording ends.


def regular_pieces(folder: Path, *, hours: int = 12, every_h: int = 2) -> Truth:
    """A recorder that starts a new file every ``every_h`` hours, each on the other's heels."""
    step = every_h * 3600
    pieces = [
        write_piece(folder / f"{9 - i}.edf", (i * step, (i + 1) * step), amplifier=LEAN)
        for i in range(hours // every_h)
    ]
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return _truth("regular_pieces", folder, order, pieces, kinds=("regular pieces",))


def power_change(folder: Path, *, gap_s: int = 185) -> Truth:
    """A gap of minutes with a restart: the packs were changed."""
    pieces = [
        write_piece(folder / "a.edf", (0, 9000), amplifier=LEAN, events=[(8990, "Supply low")]),
        write_piece(folder / "b.edf", (9000 + gap_s, 18000 + gap_s), amplifier=LEAN,
                    events=[(9001 + gap_s, "Pack changed")]),
    ]  # fmt: skip
    order = order_file(folder, 5, patient_code="P-2041", hookup=BASE)
    return _truth("power_change", folder, order, pieces, kinds=("power change",))


POWER = '\n[power]\npacks = 2\nhours_per_pack = 36\nexternal_hours = 0\nmode = "card"\n'


def ran_out_of_power(folder: Path, *, hours: int = 96, ran_h: int = 71) -> Truth:
    """Two packs of 36 h, 96 h ordered: shut down in order, so the file is closed."""
    end = ran_h * 3600
    piece = write_piece(
        folder / "a.edf", (0, end), amplifier=Amplifier(rate=4, labels=("C3", "C4")), record_s=4,
        events=[(end - 600, "Supply low"), (end - 4, "Recording stopped: supply low")],
    )  # fmt: skip
    order = order_file(folder, hours, POWER, patient_code="P-2041", hookup=BASE)
    return _truth("ran_out_of_power", folder, order, [piece], kinds=("power exhausted",))


def stopped_by_hand(folder: Path) -> Truth:
    """Stopped with the button five hours before the planned end."""
    piece = write_piece(
        folder / "a.edf", (0, 3 * 3600), amplifier=LEAN, events=[(10799, "Recording stopped by user")]
    )  # fmt: skip
    order = order_file(folder, 8, patient_code="P-2041", hookup=BASE)
    return _truth("stopped_by_hand", folder, order, [piece], kinds=("stopped by hand",))


def never_closed_and_cut(folder: Path) -> Truth:
    """Three pieces named out of order: whole, cut in its last record, never closed at the end."""
    middle = write_piece(folder / "a.edf", (3700, 7200), amplifier=LEAN)
    cut_tail(middle.path, middle.record_bytes // 2 + 1)
    pieces = [
        write_piece(folder / "z.edf", (0, 3600), amplifier=LEAN),
        replace(middle, runs=((s(3700), s(7199)),)),
        write_piece(folder / "m.edf", (7300.5, 9000.5), amplifier=LEAN, count=-1),
    ]
    (folder / "readme.txt").write_text("from the card\n", encoding="utf-8")
    (folder / "0.edf").write_bytes(b"")
    order = order_file(folder, 2.5, patient_code="P-2041", hookup=BASE)
    return _truth("never_closed_and_cut", folder, order, pieces, unreadable=("0.edf",),
                  kinds=("never closed", "claimed records missing", "partial record"))  # fmt: skip


def electrodes_lost(folder: Path, *, lost_at_s: int = 5400) -> Truth:
    """Six of eight electrodes go flat at ``lost_at_s``; the recorder stops an hour later."""
    rate = 16
    amplifier = Amplifier(rate=rate, change=faults(rate, ("flat", range(6), lost_at_s, 1e9)))
    piece = write_piece(folder / "a.edf", (0, lost_at_s + 3600), amplifier=amplifier)
    order = order_file(folder, 8, patient_code="P-2041", hookup=BASE, minimum_channels=8)
    return _truth("electrodes_lost", folder, order, [piece], kinds=("electrodes lost",))


def everything_at_once(folder: Path) -> Truth:
    """Every trouble in one folder."""
    rate = 16
    amplifier = Amplifier(rate=rate, change=faults(rate, ("flat", range(6), 20000, 1e9)))
    ahead = Clock(s(37.25))
    battery = Signal("Battery", 1, "%", "0", "100", 0, 100)
    card = [
        write_piece(folder / "card/c.edf", (0, 6000), amplifier=amplifier, extra=[battery],
                    events=[(60, "Lights off"), (5990, "Supply low")]),
        write_piece(folder / "card/a.edf", (6200, 12000), amplifier=amplifier, extra=[battery],
                    events=[(6201, "Pack changed")]),
        write_piece(folder / "card/b.edf", (15000, 21600), amplifier=amplifier, extra=[battery],
                    count=-1),
    ]  # fmt: skip
    cut_tail(card[2].path, 11)
    card[2] = replace(card[2], runs=((s(15000), s(21599)),))
    computer = [
        write_piece(folder / "computer/x.edf", (9000.25, 16000.25), amplifier=amplifier,
                    clock=ahead, extra=[battery]),
    ]  # fmt: skip
    shutil.copyfile(card[1].path, folder / "card/a (2).edf")
    write_piece(
        folder / "card/old.edf", (0, 1800), amplifier=replace(amplifier, seed=8),
        patient="P-2044", clock=Clock(base=BASE - timedelta(days=6)),
    )  # fmt: skip
    (folder / "card/empty.edf").write_bytes(b"")
    (folder / "card/list.txt").write_text("<script>alert(1)</script>\n", encoding="utf-8")
    append(card[0].path, b"\0" * 5)
    order = order_file(folder, 8, POWER, patient_code="P-2041", hookup=BASE,
                       timezone="America/Denver")  # fmt: skip
    truth = _truth(
        "everything_at_once", folder, order, [*card, *computer],
        set_aside=("card/old.edf",), unreadable=("card/empty.edf",),
        kinds=("copies", "left over", "never closed", "partial record", "duplicate"),
    )  # fmt: skip
    utc = 7 * HOUR  # Denver is seven hours behind on 2 March
    return replace(
        truth,
        timezone="America/Denver",
        recorded=tuple((a + utc, b + utc) for a, b in truth.recorded),
        counted=(*truth.counted, "card/a (2).edf"),
    )


Case = Callable[[Path], Truth]
CASES: tuple[Case, ...] = (
    two_copies_rescaled, unmatched_folders, duplicated_export, clock_put_back, left_overs,
    clock_reset, new_year, hookup_disagrees, regular_pieces, power_change, ran_out_of_power,
    stopped_by_hand, never_closed_and_cut, electrodes_lost, everything_at_once,
)  # fmt: skip
"""Every case that needs no argument but the folder (``two_copies`` is long: ask for it)."""
