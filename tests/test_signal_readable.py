"""Is there EEG to read: channels needed, clean time, and what is said of artifact and loss.

The situations and their words are common practice, no source; hours are shortened to minutes.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from helpers_signal import Chan, Digital, Scanned, noise, scan_one

from auditor.core.units import MINUTE, NS
from auditor.model import is_reference

RATE = 256
MINUTES = 24
LABELS = (
    "Fp1", "Fp2", "F7", "F3", "Fz", "F4", "F8", "T3", "C3", "Cz", "C4", "T4", "T5", "P3", "Pz",
    "P4", "T6", "O1", "O2",
)  # fmt: skip
AT = np.arange(MINUTES * 60 * RATE) / RATE
MAINS = np.round(1500 * np.sin(2 * np.pi * 60 * AT)).astype(np.int64)
POP = np.where(AT % 1 < 0.1, 15_000, 0).astype(np.int64)
ONE = noise(MINUTES * 60, RATE)


def flat_from(minute: float) -> Digital:
    signal = ONE.copy()
    signal[round(minute * 60 * RATE) :] = 3
    return signal


def study(folder: Path, *signals: Digital, labels: tuple[str, ...] = LABELS) -> Scanned:
    chans = [Chan(label, RATE, s) for label, s in zip(labels, signals, strict=False)]
    return scan_one(folder, chans, None)


def told(found: Scanned) -> dict[str, tuple[str | None, str]]:
    return {f.code: (f.question, f.headline) for f in found.findings}


@pytest.mark.parametrize(("count", "needed"), [(19, 15), (8, 6), (4, 3), (1, 1)])
def test_needed_is_the_policys_share_of_the_channels_recorded_rounded_up(
    tmp_path: Path, count: int, needed: int
) -> None:
    facts = study(tmp_path, *[ONE] * count).facts
    assert (facts.needed_channels, facts.montage_channels) == (needed, count)
    assert facts.usable_ns == facts.clean_ns == MINUTES * MINUTE


def test_ears_and_mastoids_are_references_and_not_counted(tmp_path: Path) -> None:
    assert all(map(is_reference, ("A1", "M2", "A1-A2")))
    assert not any(map(is_reference, (None, "C3", "Fpz-Cz", "M1-Cz")))
    facts = study(
        tmp_path, ONE, ONE, ONE, ONE, flat_from(0), labels=("C3", "C4", "O1", "A1", "A2")
    ).facts
    assert (facts.needed_channels, facts.montage_channels) == (3, 3)
    assert facts.channels_with_signal == 3


def test_mains_on_every_channel_from_first_to_last_is_the_headline(tmp_path: Path) -> None:
    found = study(tmp_path, *[ONE + MAINS] * 19)
    assert (found.facts.usable_ns, found.facts.clean_ns) == (MINUTES * MINUTE, 0)
    assert told(found) == {
        "artifact_mains": ("readable", "60 Hz artifact on 19 of 19 channels for 0:24:00")
    }


def test_fifteen_electrodes_that_pop_over_the_limit_are_the_headline(tmp_path: Path) -> None:
    found = study(tmp_path, *[ONE + POP] * 15, *[ONE] * 4)
    assert told(found) == {
        "artifact_large": ("readable", "artifact over 1 mV on 15 of 19 channels for 0:24:00")
    }
    assert "T3" in next(iter(found.findings)).text, "the lab's own label"


def test_mains_and_size_that_together_leave_too_few_channels_are_both_told(tmp_path: Path) -> None:
    found = study(tmp_path, *[ONE + MAINS] * 3, *[ONE + POP] * 3, *[ONE] * 13)
    assert found.facts.clean_ns == 0
    assert {c: q for c, (q, _) in told(found).items()} == {
        "artifact_mains": "readable", "artifact_large": "readable",
    }  # fmt: skip


def test_artifact_on_few_channels_is_named_and_asks_nothing(tmp_path: Path) -> None:
    found = study(tmp_path, *[ONE + MAINS] * 4, *[ONE] * 15)
    assert found.facts.clean_ns == MINUTES * MINUTE
    assert told(found)["artifact_mains"][0] is None
    assert [f.text.startswith("Fp1, Fp2, F7, F3:") for f in found.findings] == [True]


def test_eleven_of_nineteen_off_from_an_hour_on_are_one_sentence(tmp_path: Path) -> None:
    found = study(tmp_path, *[flat_from(5)] * 11, *[ONE] * 8)
    assert found.facts.usable_ns == 5 * MINUTE
    question, headline = told(found)["few_channels_until_end"]
    assert question == "readable"
    assert headline == "11 of 19 channels off from Tue 2 Mar 2027 09:35:00 to the end (0:19:00)"
    assert len([f for f in found.findings if f.code == "electrode_lost"]) == 1


def test_one_dead_electrode_of_eight_is_named_and_asks_nothing(tmp_path: Path) -> None:
    found = study(tmp_path, flat_from(10), *[ONE] * 7)
    assert found.facts.usable_ns == found.facts.clean_ns == MINUTES * MINUTE
    (finding,) = found.findings
    assert (finding.code, finding.question) == ("electrode_lost", None)
    assert finding.text.startswith(
        "1 of 8 EEG channels off until the end: Fp1 from Tue 2 Mar 2027 09:40:00."
    )


@pytest.mark.parametrize(("off", "usable"), [(4, True), (5, False)])
def test_the_share_decides_on_both_sides_of_its_limit(
    tmp_path: Path, off: int, usable: bool
) -> None:
    found = study(tmp_path, *[flat_from(0)] * off, *[ONE] * (19 - off))
    assert found.facts.usable_ns == (MINUTES * MINUTE if usable else 0)
    assert found.facts.clean_ns % NS == 0
