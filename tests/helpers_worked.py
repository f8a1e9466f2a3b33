"""The study that the methods page works through by hand, written with the simulator."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

from helpers_studies import Amplifier, Clock, write_piece

HOOKUP = datetime(2027, 3, 13, 20)
ORDER = """
[order]
study_id = "S-2048"
patient_code = "P-2048"
ordered_hours = 30
hookup = 2027-03-13T20:00:00
timezone = "America/Denver"
video = false
monitoring = "intermittent"
[logs]
monitoring = "checks.csv"
"""
CHECKS = (
    "2027-03-13T22:00", "2027-03-14T00:00", "2027-03-14T01:30", "2027-03-14T04:00",
    "2027-03-14T06:15", "2027-03-14T08:00", "2027-03-14T10:00", "2027-03-14T12:00",
    "2027-03-14T15:00", "2027-03-14T17:00", "2027-03-14T19:00", "2027-03-14T21:00",
    "2027-03-14T22:30",
)  # fmt: skip


def seconds(hours: int, minutes: int = 0, rest: float = 0.0) -> float:
    """Elapsed seconds after the hook-up."""
    return hours * 3600 + minutes * 60 + rest


def write_worked_study(folder: Path) -> Path:
    """Write S-2048 into ``folder`` and return the order's path.

    ``winter`` and ``summer`` are the same clock before and after it was set forward by 1 h.
    """
    amplifier = Amplifier(rate=4)
    winter = Clock(base=HOOKUP)
    summer = Clock(base=HOOKUP.replace(hour=21))
    card, computer = folder / "card", folder / "computer"
    parts = (
        (card / "a.edf", winter, [(seconds(0, 5), seconds(6))]),
        (
            card / "b.edf",
            summer,
            [(seconds(7, 30), seconds(10)), (seconds(10, 0, 0.5), seconds(26, 10, 0.5))],
        ),
        (computer / "a.edf", winter, [(seconds(5, 45), seconds(7))]),
    )
    for path, clock, runs in parts:
        write_piece(
            path,
            *runs,
            amplifier=amplifier,
            clock=clock,
            fmt="EDF+D",
            record_s=30,
            patient="P-2048",
        )
    (folder / "checks.csv").write_text(
        "time,by\n" + "".join(f"{check},T-12\n" for check in CHECKS), encoding="utf-8"
    )
    order = folder / "order.toml"
    order.write_text(ORDER, encoding="utf-8")
    return order
