"""Channels off for known seconds: flat and saturated exact to the second, the rest within one.

Truth is by construction (``faults`` alters the samples of known seconds); the whole way from the
files to the audit's figures is looked at, in 16 and 24 bits and with long records.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers_studies import EEG_8, Amplifier, s, write_piece
from helpers_truth import faults, order_file

from auditor.core.units import NS
from auditor.demo.writer import FileFormat
from auditor.inputs.order import read_order
from auditor.model import Audit, ChannelFacts
from auditor.pipeline import Options, audit_study
from auditor.policy import load_policy

RATE = 256
LENGTH = 1800
OFF = (
    ("flat", [0], 100, 400),
    ("saturated", [1], 200, 230),
    ("saturated_low", [1], 300, 307),
    ("hum", [2], 500, 900),
    ("large", [3], 600, 700),
    ("flat", [4], 1000, 1e9),
    ("flat", [5], 1200, 1260),
    ("flat", [6, 7], 1230, 1260),
)
MINIMUM = 6
UNUSABLE = (1230, 1260)
"""Seconds with fewer than six live: channel 4 gone, 5 flat, and 6 and 7 besides."""


def audited(folder: Path) -> Audit:
    policy = load_policy()
    order = read_order(
        order_file(folder, LENGTH / 3600, minimum_channels=MINIMUM),
    )
    options = Options(second_readers=False)
    return audit_study([folder], order=order, policy=policy, options=options)


@pytest.fixture(
    scope="module",
    params=[("EDF+C", 1), ("BDF+C", 1), ("EDF+D", 5), ("EDF", 2)],
    ids=lambda p: f"{p[0]}, {p[1]} s records",
)
def channels(
    request: pytest.FixtureRequest, tmp_path_factory: pytest.TempPathFactory
) -> tuple[Audit, dict[str, ChannelFacts]]:
    fmt: FileFormat
    fmt, record_s = request.param
    folder = tmp_path_factory.mktemp("signals")
    amplifier = Amplifier(rate=RATE, labels=EEG_8, change=faults(RATE, *OFF))
    runs = [(0, 450), (600, LENGTH)] if fmt == "EDF+D" else [(0, LENGTH)]
    write_piece(
        folder / f"a.{fmt[:3].lower()}", *runs, fmt=fmt, record_s=record_s, amplifier=amplifier
    )
    audit = audited(folder)
    return audit, {c.label.split()[1].split("-")[0]: c for c in audit.signal.channels}


def test_flat_time_is_exact_to_the_second(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    _, by = channels
    assert by["Fp1"].flat_ns == s(300)
    assert by["T3"].flat_ns == s(LENGTH - 1000)
    assert by["T4"].flat_ns == s(60)
    assert by["O1"].flat_ns == by["O2"].flat_ns == s(30)
    assert by["C4"].flat_ns == 0


def test_saturated_time_is_exact_to_the_second_at_either_limit(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    _, by = channels
    assert by["Fp2"].saturated_ns == s(30 + 7)
    assert all(c.saturated_ns == 0 for label, c in by.items() if label != "Fp2")


def test_live_is_what_is_neither_flat_nor_saturated(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    audit, by = channels
    recorded = audit.coverage.recorded_ns
    assert by["Fp1"].signal_ns == recorded - s(300)
    assert by["Fp2"].signal_ns == recorded - s(37)
    assert by["C3"].signal_ns == by["C4"].signal_ns == recorded


def test_mains_and_large_swings_are_told_within_a_second_at_each_end(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    audit, by = channels
    hum = s(400) if not audit.coverage.gaps else s(300)  # the gap took 450 to 600
    assert abs(by["C3"].mains_ns - hum) <= 2 * NS
    assert abs(by["C4"].large_ns - s(100)) <= 2 * NS
    assert by["O1"].mains_ns == by["O1"].large_ns == 0


def test_an_electrode_that_never_came_back_is_lost_from_its_second_on(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    audit, by = channels
    lost = by["T3"].lost_at
    assert lost == audit.coverage.first_start + s(1000)
    assert all(c.lost_at is None for label, c in by.items() if label != "T3")


def test_usable_time_leaves_out_the_seconds_with_too_few_live_channels(
    channels: tuple[Audit, dict[str, ChannelFacts]],
) -> None:
    audit, _ = channels
    assert audit.coverage.recorded_ns - audit.signal.usable_ns == s(UNUSABLE[1] - UNUSABLE[0])
    assert audit.signal.usable is not None
    starts, ends = audit.signal.usable
    first = audit.coverage.first_start
    assert first + s(UNUSABLE[0]) in ends
    assert first + s(UNUSABLE[1]) in starts
