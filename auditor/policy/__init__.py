"""The policy: thresholds and limits as data, read from TOML.

A policy file need hold only what differs: its keys replace those of the default, section by
section; lists and tables inside a section are replaced whole.
"""

from __future__ import annotations

from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

from msgspec import field

from auditor.core.errors import SettingsError
from auditor.policy import sections
from auditor.policy.billing import BillingSettings
from auditor.policy.toml import TomlText, parse_toml, read_toml
from auditor.policy.values import Settings, as_written, validate

DEFAULT_POLICY = "us-long-term-eeg"
SHIPPED = (DEFAULT_POLICY, "no-codes")
"""Policies that are chosen by name."""


class PolicyName(Settings, frozen=True, kw_only=True):
    """``[policy]``: what the policy is called, when its sources were last checked, by whom.

    Without ``codes`` nothing of billing is worked out: hours, gaps, readability and files only.
    """

    name: str
    publisher: str
    checked: str
    checked_by: str = ""
    codes: bool = True


class Sections(Settings, frozen=True, kw_only=True):
    """The file as a whole."""

    about: PolicyName = field(name="policy")
    coverage: sections.CoverageSettings
    decision: sections.DecisionSettings
    signal: sections.SignalSettings
    study: sections.StudySettings
    stop: sections.StopSettings
    power: sections.PowerSettings
    monitoring: sections.MonitoringSettings
    video: sections.VideoSettings
    billing: BillingSettings
    desk: sections.DeskSettings


class Policy(Sections, frozen=True, kw_only=True):
    """Every setting in force, with the name and checksum of the file that it came from."""

    sha256: str
    path: str | None
    """Where the file lies; ``None`` for one that ships. Never shown."""

    def __hash__(self) -> int:
        """Of what the file holds; what follows from a policy alone is worked out once."""
        return hash(self.sha256)


def load_policy(path: Path | None = None) -> Policy:
    """The default policy, or the default with the keys of ``path`` in their place.

    ``path`` may be the name of a policy that ships (``SHIPPED``). Raises ``SettingsError`` that
    names the file, the line and the key.
    """
    if path is None or str(path) in SHIPPED:
        return _shipped(DEFAULT_POLICY if path is None else str(path))
    return _loaded(_written(path), str(path.absolute()))


def policy_of(text: str, where: str) -> Policy:
    """The default policy with the keys of ``text`` (TOML) in their place, as ``load_policy``."""
    return _loaded(parse_toml(text.encode(), where), where)


@cache
def _shipped(name: str) -> Policy:
    return _loaded(_text(name), None)


def _loaded(source: TomlText, path: str | None) -> Policy:
    default = _text(DEFAULT_POLICY)
    data = default.data if source is default else _overlaid(default.data, source)
    forms = dict(_forms(default.data))
    held = validate(Sections, data, source, forms=forms)
    return Policy(
        sha256=source.sha256,
        path=path,
        **{name: getattr(held, name) for name in Sections.__struct_fields__},
    )


def _forms(table: dict[str, Any], path: str = "") -> Iterator[tuple[str, str]]:
    """How each value of the default is written, by its dotted path."""
    for key, value in table.items():
        if isinstance(value, dict):
            yield from _forms(value, f"{path}{key}.")
        elif not isinstance(value, list):
            yield f"{path}{key}", f"{key} = {as_written(value)} (the default)"


@cache
def _text(name: str) -> TomlText:
    raw = Path(__file__).with_name(f"{name}.toml").read_bytes()
    return parse_toml(raw, f"{name}.toml")


def _written(path: Path) -> TomlText:
    if not path.suffix and not path.exists():
        raise SettingsError(
            str(path),
            "cannot be read: there is no such file, and no policy of that name ships",
            f"Those that ship are {' and '.join(SHIPPED)}.",
        )
    return read_toml(path)


def _overlaid(default: dict[str, Any], source: TomlText) -> dict[str, Any]:
    """``default`` with the keys of ``source`` in place of its own.

    A key that is replaced loses the source that the default gave for it: it has its own under
    ``about``, or is said to come from that file.
    """
    merged = dict(default)
    named = source.data.get("policy")
    about = named if isinstance(named, dict) else {}
    said = f"set in the policy file '{about.get('name', source.where)}'"
    theirs = {"source": said} | {
        key: about[key] for key in ("checked", "checked_by") if key in about
    }
    for section, keys in source.data.items():
        base = default.get(section)
        if not isinstance(base, dict) or not isinstance(keys, dict):
            merged[section] = keys
            continue
        merged[section] = {**base, **keys}
        patterns = base.get("patterns"), keys.get("patterns")
        if all(isinstance(part, dict) for part in patterns):
            merged[section]["patterns"] = {**base["patterns"], **keys["patterns"]}
        if section == "policy":
            continue
        merged[section]["about"] = _origins(base, keys, theirs)
    return merged


def _origins(base: dict[str, Any], keys: dict[str, Any], theirs: dict[str, Any]) -> Any:
    """The ``about`` of a section in which ``keys`` replace those of ``base``."""
    own, before = keys.get("about", {}), base.get("about", {})
    if not isinstance(own, dict) or not isinstance(own.get("keys", {}), dict):
        return own  # the check of the values says what is wrong with it
    theirs = {name: value for name, value in own.items() if name != "keys"} or theirs
    general = {name: value for name, value in before.items() if name != "keys"}
    sources = {key: origin for key, origin in before.get("keys", {}).items() if key not in keys}
    if theirs != general:
        sources |= {key: theirs for key in keys if key != "about" and key in base}
    return {**general, "keys": {**sources, **own.get("keys", {})}}
