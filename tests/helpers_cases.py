"""Whole messy studies, one function a case: copies, left-over files, and how recordings end."""

from __future__ import annotations

import shutil
from datetime import timedelta
from pathlib import Path

import numpy as np
from helpers_studies import (
    BASE,
    Amplifier,
    Clock,
    Piece,
    append,
    cut_tail,
    s,
    write_piece,
)
from helpers_truth import LEAN, Truth, faults, joined, order_file, truth_of
from msgspec.structs import replace
from numpy.typing import NDArray

from auditor.core.units import HOUR
from auditor.demo.writer import Signal

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
    return truth_of("two_copies", folder, order, [*card, *computer])


def two_copies_rescaled(folder: Path, *, hours: int = 6) -> Truth:
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
    computer = [write_piece(folder / "computer/a.edf", (10, total - 300), amplifier=half)]
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    assert len(card) == 1
    return truth_of("two_copies_rescaled", folder, order, computer, set_aside=("card/a.edf",))


def unmatched_folders(folder: Path, *, hours: int = 4) -> Truth:
    """Two folders of the same hours and names whose samples have nothing to do with each other."""
    first = write_piece(folder / "card/a.edf", (0, hours * 3600), amplifier=LEAN)
    write_piece(folder / "computer/a.edf", (5, hours * 3600 - 7), amplifier=replace(LEAN, seed=99))
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return truth_of("unmatched_folders", folder, order, [first], set_aside=("computer/a.edf",))


# Overlap inside one copy.


def duplicated_export(folder: Path, *, hours: int = 6) -> Truth:
    """One hour was exported a second time: identical samples, counted once."""
    a = write_piece(folder / "a.edf", (0, hours * 3600), amplifier=LEAN)
    b = write_piece(folder / "again.edf", (3600, 7200), amplifier=LEAN)
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return truth_of("duplicated_export", folder, order, [a, b])


def clock_put_back(folder: Path, *, hours: int = 6, back_s: int = 1200) -> Truth:
    """The clock was put back while recording: stamps overlap, samples differ.

    Truth on the clock of the first file is the full time; by the stamps ``back_s`` count once.
    """
    half = hours * 1800
    a = write_piece(folder / "a.edf", (0, half), amplifier=LEAN)
    b = write_piece(folder / "b.edf", (half, 2 * half), amplifier=LEAN, clock=Clock(s(-back_s)))
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    truth = truth_of("clock_put_back", folder, order, [a, b])
    stamped = joined([(a.first_civil, a.end_civil), (b.first_civil, b.end_civil)])
    return replace(
        truth,
        recorded_ns=sum(y - x for x, y in stamped),
        recorded=stamped,
        other_recorded_ns=truth.recorded_ns,
    )


# Files that do not belong.


def left_overs(folder: Path, *, hours: int = 6) -> Truth:
    """A study with five files beside it that belong to others, and two that are no recordings."""
    own = [
        write_piece(folder / "b.edf", (7200, hours * 3600), amplifier=LEAN),
        write_piece(folder / "a.edf", (0, 7190), amplifier=LEAN),
    ]
    before = Clock(base=BASE - timedelta(days=2))
    later = Clock(base=BASE + timedelta(days=20))
    end = hours * 3600
    write_piece(
        folder / "other_patient.edf", (0, 3600), amplifier=LEAN, patient="P-2044", clock=before
    )
    write_piece(folder / "before_hookup.edf", (-9000, -5400), amplifier=replace(LEAN, seed=3))
    write_piece(folder / "far_away.edf", (0, 600), amplifier=replace(LEAN, seed=6), clock=later)
    write_piece(
        folder / "other_recorder.edf",
        (end + 3600, end + 4600),
        amplifier=replace(LEAN, seed=4),
        equipment="N-7_invented",
    )
    write_piece(
        folder / "other_channels.edf",
        (end + 7200, end + 9000),
        amplifier=Amplifier(rate=8, labels=("Fp1", "Fp2", "Cz"), seed=5),
    )
    (folder / "notes.txt").write_text("electrode cream: new tube\n", encoding="utf-8")
    (folder / "empty.edf").write_bytes(b"")
    (folder / "renamed.edf").write_bytes(b"%PDF-1.4 not a recording\n" * 40)
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return truth_of(
        "left_overs",
        folder,
        order,
        own,
        set_aside=(
            "before_hookup.edf",
            "far_away.edf",
            "other_channels.edf",
            "other_patient.edf",
            "other_recorder.edf",
        ),
        unreadable=("empty.edf", "renamed.edf"),
    )


def largest_group(folder: Path) -> Truth:
    """No order to go by: six hours of one patient, one hour of another the day before."""
    own = [write_piece(folder / "a.edf", (0, 21600), amplifier=LEAN)]
    before = Clock(base=BASE - timedelta(days=1))
    write_piece(
        folder / "b.edf", (0, 3600), amplifier=replace(LEAN, seed=2), patient="P-2044", clock=before
    )
    return truth_of("largest_group", folder, None, own, set_aside=("b.edf",))


def patient_code_mistyped(folder: Path) -> Truth:
    """The order's patient code is in no file: counted, and a person must look."""
    own = [write_piece(folder / "a.edf", (0, 14400), amplifier=LEAN)]
    order = order_file(folder, 4, patient_code="P-2014", hookup=BASE)
    return truth_of("patient_code_mistyped", folder, order, own)


# Pieces, and how a recording ends.


def regular_pieces(folder: Path, *, hours: int = 12, every_h: int = 2) -> Truth:
    """A recorder that starts a new file every ``every_h`` hours, each on the other's heels."""
    step = every_h * 3600
    pieces = [
        write_piece(folder / f"{9 - i}.edf", (i * step, (i + 1) * step), amplifier=LEAN)
        for i in range(hours // every_h)
    ]
    order = order_file(folder, hours, patient_code="P-2041", hookup=BASE)
    return truth_of("regular_pieces", folder, order, pieces)


def power_change(folder: Path, *, gap_s: int = 185) -> Truth:
    """A gap of minutes with a restart: the batteries were changed."""
    pieces = [
        write_piece(folder / "a.edf", (0, 9000), amplifier=LEAN, events=[(8990, "Battery low")]),
        write_piece(folder / "b.edf", (9000 + gap_s, 18000 + gap_s), amplifier=LEAN,
                    events=[(9001 + gap_s, "Battery changed")]),
    ]  # fmt: skip
    order = order_file(folder, 5, patient_code="P-2041", hookup=BASE)
    return truth_of("power_change", folder, order, pieces)


POWER = '\n[power]\nbatteries = 2\nhours_per_battery = 36\nexternal_hours = 0\nmode = "card"\n'


def ran_out_of_power(folder: Path, *, hours: int = 96, ran_h: int = 71) -> Truth:
    """Two batteries of 36 h, 96 h ordered: shut down in order, so the file is closed."""
    end = ran_h * 3600
    piece = write_piece(
        folder / "a.edf", (0, end), amplifier=Amplifier(rate=4, labels=("C3", "C4")), record_s=4,
        events=[(end - 600, "Battery low"), (end - 4, "Recording stopped: battery low")],
    )  # fmt: skip
    order = order_file(folder, hours, POWER, patient_code="P-2041", hookup=BASE)
    return truth_of("ran_out_of_power", folder, order, [piece])


def stopped_by_hand(folder: Path) -> Truth:
    """Stopped with the button five hours before the planned end."""
    piece = write_piece(
        folder / "a.edf", (0, 3 * 3600), amplifier=LEAN, events=[(10799, "Recording stopped by user")]
    )  # fmt: skip
    order = order_file(folder, 8, patient_code="P-2041", hookup=BASE)
    return truth_of("stopped_by_hand", folder, order, [piece])


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
    return truth_of("never_closed_and_cut", folder, order, pieces, unreadable=("0.edf",),
)  # fmt: skip


def electrodes_lost(folder: Path, *, lost_at_s: int = 5400) -> Truth:
    """Six of eight electrodes go flat at ``lost_at_s``; the recorder stops an hour later."""
    rate = 16
    amplifier = Amplifier(rate=rate, change=faults(rate, ("flat", range(6), lost_at_s, 1e9)))
    piece = write_piece(folder / "a.edf", (0, lost_at_s + 3600), amplifier=amplifier)
    order = order_file(folder, 8, patient_code="P-2041", hookup=BASE, minimum_channels=8)
    return truth_of("electrodes_lost", folder, order, [piece])


def everything_at_once(folder: Path) -> Truth:
    """Every trouble in one folder."""
    rate = 16
    amplifier = Amplifier(rate=rate, change=faults(rate, ("flat", range(6), 20000, 1e9)))
    ahead = Clock(s(37.25))
    battery = Signal("Battery", 1, "%", "0", "100", 0, 100)
    card = [
        write_piece(folder / "card/c.edf", (0, 6000), amplifier=amplifier, extra=[battery],
                    events=[(60, "Lights off"), (5990, "Battery low")]),
        write_piece(folder / "card/a.edf", (6200, 12000), amplifier=amplifier, extra=[battery],
                    events=[(6201, "Battery changed")]),
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
    truth = truth_of(
        "everything_at_once", folder, order, [*card, *computer],
        set_aside=("card/old.edf",), unreadable=("card/empty.edf",),
    )  # fmt: skip
    utc = 7 * HOUR  # Denver is seven hours behind on 2 March
    return replace(
        truth,
        timezone="America/Denver",
        recorded=tuple((a + utc, b + utc) for a, b in truth.recorded),
        counted=(*truth.counted, "card/a (2).edf"),
    )
