"""The policy's [signal] section: every value checked, errors that name the key."""

from __future__ import annotations

from pathlib import Path

import pytest

from auditor.core.errors import SettingsError
from auditor.core.units import NS
from auditor.policy import load_policy
from auditor.policy.sections import SignalSettings


def loaded(tmp_path: Path, *lines: str) -> SignalSettings:
    path = tmp_path / "lab.toml"
    path.write_text("[signal]\n" + "\n".join(lines) + "\n", encoding="utf-8")
    return load_policy(path).signal


def test_a_laboratory_writes_only_what_differs(tmp_path: Path) -> None:
    own = loaded(tmp_path, "flat_uv = 2", "night_start = 21:30:00", 'mains = "50"')
    default = load_policy().signal
    assert (own.flat_uv, own.mains_hz, own.night_s) == (2.0, (50,), (77_400, 21_600))
    assert own.large_uv == default.large_uv


def test_times_and_shares_are_held_exactly(tmp_path: Path) -> None:
    own = loaded(tmp_path, "flat_s = 2.5", "saturated_share = 0.25", "lost_s = 90")
    assert (own.flat_ns, own.saturated_ppm, own.lost_ns) == (5 * NS // 2, 250_000, 90 * NS)


@pytest.mark.parametrize(
    ("mains", "hertz"), [("auto", (50, 60)), ("50", (50,)), ("60", (60,)), ("off", ())]
)
def test_mains_frequencies(tmp_path: Path, mains: str, hertz: tuple[int, ...]) -> None:
    assert loaded(tmp_path, f'mains = "{mains}"').mains_hz == hertz


@pytest.mark.parametrize(
    "line",
    [
        "minimum_channels = 0", "minimum_channels = 8.5", "flat_uv = -1", "flat_uv = nan",
        "flat_s = 0", 'flat_s = "5"', "saturated_share = 0", "saturated_share = 1.01", 'mains = "55"',
        "mains = 60", "hum_share = 0", "hum_share = 2", "large_uv = 0", "large_uv = inf",
        "doubtful_share = -0.1", "doubtful_end_share = 0", "lost_s = -1", "stretch_s = 0",
        "stretch_join_s = -1", 'night_start = "22:00"', "night_start = 22:00:00.5",
        "night_end = 6", "night_end = 2027-03-02T06:00:00", "flatness = 1",
    ],
)  # fmt: skip
def test_an_impossible_value_is_an_error_that_names_line_and_key(tmp_path: Path, line: str) -> None:
    with pytest.raises(SettingsError) as caught:
        loaded(tmp_path, line)
    assert f"line 2: signal.{line.split(' ', maxsplit=1)[0]}" in str(caught.value)
