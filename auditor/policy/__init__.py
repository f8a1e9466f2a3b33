"""The policy: thresholds and limits as data, read from TOML, each room's section in its module.

A policy file need hold only what differs: its keys replace those of the default, section by
section; lists and tables inside a section are replaced whole.
"""

from __future__ import annotations

from dataclasses import dataclass
from importlib import resources
from pathlib import Path
from typing import Any

from auditor.policy.billing import BillingSettings, MonitoringSettings, VideoSettings
from auditor.policy.coverage import CoverageSettings, DecisionSettings
from auditor.policy.power import PowerSettings
from auditor.policy.signal import SignalSettings
from auditor.policy.stop import StopSettings
from auditor.policy.study import StudySettings
from auditor.policy.toml import Strict, TomlText, parse_toml, read_toml, validate

DEFAULT_POLICY = "us-long-term-eeg.toml"


class About(Strict):
    """``[policy]``: what the policy is called and when its sources were last checked."""

    name: str
    publisher: str
    checked: str


class Sections(Strict):
    """The file as a whole."""

    policy: About
    coverage: CoverageSettings
    decision: DecisionSettings
    signal: SignalSettings
    study: StudySettings
    stop: StopSettings
    power: PowerSettings
    monitoring: MonitoringSettings
    video: VideoSettings
    billing: BillingSettings


@dataclass(frozen=True, slots=True)
class Policy:
    """Every setting in force, with the name and checksum of the file that it came from."""

    sha256: str
    about: About
    coverage: CoverageSettings
    decision: DecisionSettings
    signal: SignalSettings
    study: StudySettings
    stop: StopSettings
    power: PowerSettings
    monitoring: MonitoringSettings
    video: VideoSettings
    billing: BillingSettings


def load_policy(path: Path | None = None) -> Policy:
    """The default policy, or the default with the keys of ``path`` in their place.

    Raises ``SettingsError`` that names the file, the line and the key.
    """
    raw = (resources.files("auditor.policy") / DEFAULT_POLICY).read_bytes()
    source = parse_toml(raw, DEFAULT_POLICY)
    data = source.data
    if path is not None:
        source = read_toml(path)
        data = _overlaid(data, source)
    sections = validate(Sections, data, source)
    return Policy(
        sha256=source.sha256,
        about=sections.policy,
        **{name: getattr(sections, name) for name in Sections.model_fields if name != "policy"},
    )


def _overlaid(default: dict[str, Any], source: TomlText) -> dict[str, Any]:
    merged = dict(default)
    for section, keys in source.data.items():
        base = default.get(section)
        both = isinstance(base, dict) and isinstance(keys, dict)
        merged[section] = {**base, **keys} if both and base is not None else keys
    return merged
