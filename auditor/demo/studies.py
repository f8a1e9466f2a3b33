"""The demo's invented studies of the Harrow Street Neurodiagnostic Lab, a fictional lab.

Times are seconds after each study's hook-up, so that the truth of every study can be read here.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime

from msgspec import Struct

from auditor.core.clock import Axis, civil_datetime, civil_ns, iso
from auditor.core.units import NS
from auditor.demo.eeg import Amplifier, Fault
from auditor.demo.recorder import FilePlan, Recorder, pieces
from auditor.demo.writer import FileFormat

ZONE = "America/Denver"
EIGHT = ("Fp1", "Fp2", "C3", "C4", "T3", "T4", "O1", "O2")
TWELVE = ("Fp1", "Fp2", "F7", "F8", "C3", "C4", "T3", "T4", "T5", "T6", "O1", "O2")
RATE = 10
"""Samples a second of the long studies: a demo is to be made and audited in seconds."""
BATTERIES = ("batteries = 2", "hours_per_battery = 30", 'mode = "card"')
"""The invented lab's own figures; no real recorder's."""
H = 3600
FOREVER = 1e9


class Plan(Struct, frozen=True):
    """One study: what is written, what was ordered, and its story in one line.

    ``devices`` are recorders with their files; ``runs`` the seconds that count, by construction.
    """

    study_id: str
    story: str
    hookup: datetime
    ordered_hours: float
    devices: tuple[tuple[Recorder, tuple[FilePlan, ...]], ...]
    runs: tuple[tuple[int, int], ...]
    order: str
    logs: dict[str, str] = {}


def plans() -> tuple[Plan, ...]:
    """Every study of the demo."""
    made: tuple[Callable[[], Plan], ...] = (
        _power_ran_out, _complete, _two_copies, _electrodes_lost, _left_over_files, _never_closed,
        _far_too_short, _ordinary,
    )  # fmt: skip
    return tuple(make() for make in made)


def _power_ran_out() -> Plan:
    hookup = datetime(2027, 3, 2, 15)
    end = 55 * H + 48 * 60
    card = _recorder("N-3", 2041, hookup, record_s=10)
    files = pieces(
        0, end, 24 * H,
        notes=(
            (2, "Recording started"), (7 * H, "Lights off"), (15.6 * H, "Lights on"),
            (20.25 * H, "Button pressed"), (31.2 * H, "Lights off"), (39.5 * H, "Lights on"),
            (end - 2900, "Battery low"), (end - 4, "Battery empty, recording ended"),
        ),
    )  # fmt: skip
    return _plan(
        2041, "72 h ordered on two batteries that were not full: power ran out on the third night.",
        hookup, 72, ((card, files),), ((0, end),), monitoring="intermittent",
        power=(
            *BATTERIES, "charges = [0.95, 0.91]       # as the recorder showed them at hook-up",
        ),
        logs={"checks.csv": _checks(hookup, 15, 112, end, missed=(18,))},
    )  # fmt: skip


def _complete() -> Plan:
    hookup = datetime(2027, 3, 3, 9, 30)
    runs = ((0, 7 * H + 1240), (7 * H + 1290, 12 * H), (12 * H + 210, 24 * H + 150))
    card = _recorder("N-7", 2042, hookup, record_s=10)
    files = (
        FilePlan("0002.edf", runs[:2], (
            (2, "Recording started"), (3.1 * H, "Button pressed"),
            (7 * H + 1236, "Paused by T-15: electrode check"),
        )),
        FilePlan("0001.edf", runs[2:], (
            (12 * H + 212, "Batteries changed by T-15"), (13.2 * H, "Lights off"),
            (21.4 * H, "Lights on"),
            (24 * H + 148, "Recording stopped by T-12"),
        )),
    )  # fmt: skip
    video = ["start,end"]
    for low, high in ((0, 11.5 * H), (12 * H + 240, 23.5 * H)):
        video.append(f"{_at(hookup, low)},{_at(hookup, high)}")
    return _plan(
        2042, "24 h ordered with video and checks: complete, with two short interruptions; files "
        "named out of order.",
        hookup, 24, ((card, files),), runs, video=True, monitoring="intermittent",
        power=(*BATTERIES, "spare_batteries = 2"),
        logs={
            "checks.csv": _checks(hookup, 20, 108, 24 * H), "video.csv": "\n".join(video) + "\n"
        },
    )  # fmt: skip


def _two_copies() -> Plan:
    hookup = datetime(2027, 3, 8, 21)
    end = 8 * H + 60
    card = _recorder("N-3", 2043, hookup)
    computer = _recorder("N-3", 2043, hookup, clock_s=41.48)
    on_card = (
        FilePlan("card/a.edf", ((0, 2 * H + 900),), (
            (2, "Recording started"), (1.4 * H, "Lights off"), (2 * H + 898, "Card removed"),
        )),
        FilePlan("card/b.edf", ((2 * H + 2520, end),), (
            (2 * H + 2522, "Card inserted"), (end - 2, "Recording stopped by T-12"),
        )),
    )  # fmt: skip
    on_computer = (
        FilePlan("computer/1.edf", ((35, 5 * H + 300),), ((1.4 * H, "Lights off"),)),
        FilePlan("computer/2.edf", ((6 * H + 107, end),), ((6 * H + 109, "Connection restored"),)),
    )  # fmt: skip
    return _plan(
        2043, "8 h overnight on card and computer, clocks 41.5 s apart: each copy fills the "
        "other's interruption.",
        hookup, 8, ((card, on_card), (computer, on_computer)), ((0, end),),
        power=("batteries = 2", "hours_per_battery = 30", 'mode = "card+computer"',
               "mode_share = 0.9"),
    )  # fmt: skip


def _electrodes_lost() -> Plan:
    hookup = datetime(2027, 3, 12, 19, 30)
    end = 36 * H + 40
    lost = 26 * H + 35 * 60
    faults = (
        Fault("C4", "drift", lost - 2400, lost), Fault("C4", "flat", lost, FOREVER),
        Fault("T4", "flat", lost + 12, FOREVER), Fault("O2", "flat", lost + 300, FOREVER),
        Fault("T3", "saturated", 20 * H, 20 * H + 95),
    )  # fmt: skip
    card = _recorder("N-7", 2044, hookup, faults=faults, record_s=10)
    restart = 33 * H + 1800  # after the change to daylight-saving time of this night
    runs = ((0, restart - 190), (restart, end))
    files = (
        FilePlan("first.edf", runs[:1], (
            (2, "Recording started"), (3 * H, "Lights off"), (20 * H + 40, "Electrode check"),
            (26.2 * H, "Lights off"), (restart - 192, "Recording stopped by T-15"),
        )),
        FilePlan("second.edf", runs[1:], (
            (restart + 2, "Recording restarted by T-15"), (end - 2, "Recording stopped by T-12"),
        )),
    )  # fmt: skip
    return _plan(
        2044, "36 h ordered over the change to daylight-saving time: recorded in full, but three "
        "electrodes were lost early on night two.",
        hookup, 36, ((card, files),), runs, minimum_channels=6,
    )  # fmt: skip


def _left_over_files() -> Plan:
    hookup = datetime(2027, 3, 17, 13)
    end = 2 * H + 120
    faults = (Fault("T5", "mains", 2100, end), Fault("F8", "drift", 5000, 5400))
    card = _recorder("N-11", 2045, hookup, (*TWELVE, "ECG"), faults, rate=128, fmt="EDF+C")
    files = (
        FilePlan("00000002.edf", ((0, end),), (
            (1, "Recording started"), (600, "Eyes closed"), (1500, "Electrode check"),
            (end - 2, "Recording stopped by T-12"),
        )),
    )  # fmt: skip
    before = datetime(2027, 3, 11, 10)
    other = _recorder("N-11", 2039, before, (*TWELVE, "ECG"), rate=128, fmt="EDF+C")
    left = (FilePlan("00000001.edf", ((0, 720),), ((1, "Recording started"),)),)
    return _plan(
        2045,
        "2 h ordered: recorded in full; another patient's file was left on the card, and T5 has "
        "60 Hz artifact.",
        hookup, 2, ((card, files), (other, left)), ((0, end),),
        monitoring="intermittent", logs={"checks.csv": _checks(hookup, 5, 40, end)},
    )  # fmt: skip


def _never_closed() -> Plan:
    hookup = datetime(2027, 3, 22, 22)
    end = 6 * H + 1470
    card = _recorder("N-11", 2046, hookup, fmt="BDF+D")
    cut = 211
    files = (
        FilePlan("night.bdf", ((0, 4 * H), (4 * H + 75, end + 1)), (
            (2, "Recording started"), (1200, "Lights off"),
        ), closed=False, cut=cut),
    )  # fmt: skip
    return _plan(
        2046,
        "8 h ordered: the card was pulled out while it recorded, and the file was never closed.",
        hookup, 8, ((card, files),), ((0, 4 * H), (4 * H + 75, end)),
    )  # fmt: skip


def _far_too_short() -> Plan:
    hookup = datetime(2027, 3, 24, 10)
    end = 6 * H + 2222
    card = _recorder("N-3", 2047, hookup, fmt="EDF+C")
    files = pieces(0, end, 4 * H, notes=(
        (2, "Recording started"), (end - 3, "Recording stopped by patient"),
    ))  # fmt: skip
    return _plan(
        2047, "24 h ordered, stopped by the patient after six and a half hours: repeat.",
        hookup, 24, ((card, files),), ((0, end),),
    )  # fmt: skip


def _ordinary() -> Plan:
    hookup = datetime(2027, 3, 29, 9, 15)
    end = 48 * H + 300
    card = _recorder("N-7", 2048, hookup, record_s=10)
    files = pieces(
        0, end, 24 * H,
        notes=(
            (2, "Recording started"), (9.6 * H, "Button pressed"), (13.1 * H, "Lights off"),
            (21.8 * H, "Lights on"), (30.4 * H, "Button pressed"), (37.3 * H, "Lights off"),
            (45.9 * H, "Lights on"), (end - 4, "Recording stopped by T-12"),
        ),
    )  # fmt: skip
    return _plan(
        2048, "48 h ordered with checks: an ordinary study, complete in every answer.",
        hookup, 48, ((card, files),), ((0, end),), monitoring="intermittent", power=BATTERIES,
        logs={"checks.csv": _checks(hookup, 15, 110, end)},
    )  # fmt: skip


def _recorder(
    unit: str, number: int, hookup: datetime, labels: tuple[str, ...] = EIGHT,
    faults: tuple[Fault, ...] = (), *, rate: int = RATE, record_s: int = 1,
    fmt: FileFormat = "EDF+D", clock_s: float = 0,
) -> Recorder:  # fmt: skip
    """The recorder of patient ``number``, whose amplifier starts at ``hookup``."""
    axis = Axis(ZONE)
    amplifier = Amplifier(rate, labels, number, hookup.hour + hookup.minute / 60, faults)
    zero = axis.instant(civil_ns(hookup))
    return Recorder(unit, f"P-{number}", amplifier, axis, zero, fmt, record_s, clock_s)


def _at(hookup: datetime, seconds: float) -> str:
    return iso(civil_ns(hookup) + round(seconds * NS))


def _checks(
    hookup: datetime, first_min: int, every_min: int, end: int, missed: tuple[int, ...] = ()
) -> str:
    """A log of checks: three technologists in shifts of eight hours; ``missed`` leaves some out."""
    lines = ["time,by,note"]
    for number, minutes in enumerate(range(first_min, end // 60, every_min)):
        if number not in missed:
            who = ("T-12", "T-15", "T-16")[minutes // 480 % 3]
            lines.append(f"{_at(hookup, minutes * 60)},{who},signals looked at")
    return "\n".join(lines) + "\n"


def _plan(
    number: int, story: str, hookup: datetime, hours: float,
    devices: tuple[tuple[Recorder, tuple[FilePlan, ...]], ...], runs: tuple[tuple[int, int], ...],
    *, video: bool = False, monitoring: str = "unmonitored", minimum_channels: int | None = None,
    power: tuple[str, ...] = (), logs: dict[str, str] = {},  # noqa: B006  never changed
) -> Plan:  # fmt: skip
    lines = [
        "# An invented order of the Harrow Street Neurodiagnostic Lab, a fictional lab.",
        "[order]",
        f'study_id = "S-{number}"',
        f'patient_code = "P-{number}"',
        f"ordered_hours = {hours:g}",
        f"hookup = {civil_datetime(civil_ns(hookup)).isoformat()}",
        f'timezone = "{ZONE}"',
        *([] if minimum_channels is None else [f"minimum_channels = {minimum_channels}"]),
        f"video = {str(video).lower()}",
        f'monitoring = "{monitoring}"',
    ]
    if power:
        lines += ["", "[power]", *power]
    if logs:
        names = {"checks.csv": "monitoring", "video.csv": "video"}
        lines += ["", "[logs]", *(f'{names[file]} = "{file}"' for file in logs)]
    order = "\n".join(lines) + "\n"
    return Plan(f"S-{number}", story, hookup, hours, devices, runs, order, logs)
