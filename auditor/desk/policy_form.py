"""The policy as a form: each setting with its meaning, default, source, and the lab's own value.

The form is made from the default policy itself, so a setting that is added there appears here. It
shows single values; lists of bands and patterns stay in the file, which the form leaves as it is.
"""

from __future__ import annotations

import contextlib
import copy
from collections.abc import Collection, Iterator, Mapping
from datetime import date, time
from typing import Any

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import SettingsError
from auditor.policy import Sections, load_policy
from auditor.policy.sourced import Sourced
from auditor.policy.toml import parse_toml
from auditor.policy.values import choices_of, keys_of, meaning_of, table_in, written

TITLES = {
    "policy": "The policy itself",
    "decision": "What is enough",
    "coverage": "Interruptions",
    "signal": "EEG to read",
    "study": "What belongs to a study",
    "stop": "How recordings end",
    "power": "Batteries and supply",
    "monitoring": "Monitoring",
    "video": "Video",
    "billing": "Billing time",
    "desk": "Watched folders",
}
_ABOUT = frozenset(Sourced.__struct_fields__)
_NOT_SHOWN = frozenset(("about", "sources", "code_marks", "publisher", "patterns"))
_OWN = "set by the lab"


class Setting(Struct, frozen=True):
    """One value. ``name`` is its dotted key; ``now`` is in force, ``default`` ships."""

    name: str
    label: str
    meaning: str
    default: str
    now: str
    source: str
    mark: str
    choices: tuple[str, ...] = ()

    @property
    def changed(self) -> bool:
        """Whether the lab's value differs."""
        return self.now != self.default


class Part(Struct, frozen=True):
    """The settings of one section."""

    key: str
    title: str
    settings: tuple[Setting, ...]

    @property
    def changed(self) -> int:
        """How many differ from the default."""
        return sum(setting.changed for setting in self.settings)


def default_tables() -> dict[str, Any]:
    """Every table of the default policy; ``None`` is a number that only the lab can give."""
    policy = load_policy(None)
    return {k: written(getattr(policy, f.name), f.type) for k, f in keys_of(Sections).items()}


def parts(lab: Mapping[str, Any], typed: Mapping[str, str] = {}) -> tuple[Part, ...]:
    """Every setting with the lab's values; ``typed`` are texts that a form held and was refused."""
    shown: dict[str, list[Setting]] = {section: [] for section in TITLES}
    for path, value, setting in _leaves(default_tables()):
        now: Any = lab
        for key in path:
            now = now.get(key, value) if isinstance(now, dict) else value
        shown[path[0]].append(replace(setting, now=typed.get(setting.name, _text(now))))
    return tuple(Part(key, title, tuple(shown[key])) for key, title in TITLES.items())


_Leaf = tuple[tuple[str, ...], Any, Setting]
"""A single value of the default: its path, itself, and how it is shown."""


def _leaves(default: Mapping[str, Any]) -> Iterator[_Leaf]:
    """Single values of every section and of the tables in it."""

    def inside(table: Mapping[str, Any], kind: Any, path: tuple[str, ...], words: str,
               rule: Mapping[str, Any], about: Mapping[str, Any]) -> Iterator[_Leaf]:  # fmt: skip
        model = table_in(kind)
        assert model is not None, path
        for key, value in table.items():
            here, field = (*path, key), keys_of(model)[key]
            if key in _NOT_SHOWN or (value is None and table_in(field.type)):
                continue
            meaning = ": ".join(filter(None, (words, meaning_of(field).removesuffix("."))))
            if isinstance(value, dict):
                own = value if value.get("source") else rule
                yield from inside(value, field.type, here, meaning, own, about)
            elif not isinstance(value, list) and not (key in _ABOUT and path != ("policy",)):
                keys = about.get("keys", {})
                whence = rule or keys.get(".".join(here[1:])) or keys.get(here[1]) or about
                choices = ("yes", "no") if field.type is bool else choices_of(field.type)
                text = _text(value)
                yield here, value, Setting(
                    ".".join(here), _label(here), meaning, text, text,
                    str(whence.get("source", "")), str(whence.get("mark", "not stated")),
                    tuple(map(str, choices)),
                )  # fmt: skip

    for section in TITLES:
        about = default[section].get("about", {})
        yield from inside(default[section], keys_of(Sections)[section].type, (section,), "", {},
                          about)  # fmt: skip


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value.isoformat() if isinstance(value, date | time) else str(value)


_UNITS = {"s": "seconds", "hours": "hours", "uv": "µV", "bytes": "bytes", "minutes": "minutes",
          "share": "share from 0 to 1"}  # fmt: skip


def _label(path: tuple[str, ...]) -> str:
    words = "_".join(path[1:])
    base, _, unit = words.rpartition("_")
    text, of = (base, f" ({_UNITS[unit]})") if base and unit in _UNITS else (words, "")
    return f"{text[:1].upper()}{text[1:]}".replace("_", " ") + of


def changed_tables(lab: Mapping[str, Any], typed: Mapping[str, str]) -> dict[str, Any]:
    """The lab's tables with what a form holds: only what differs from the default.

    A table inside a section replaces the default's, so it is written as a whole. A text that is not
    of the setting's kind goes in as it is, for the policy's check to refuse.
    """
    default = default_tables()
    every = {s: {**default.get(s, {}), **lab.get(s, {})} for s in (*default, *lab)}
    tables = copy.deepcopy(every)
    asked = set()
    for path, value, setting in _leaves(default):
        if setting.name in typed:
            asked.add(path[:2])
            table: dict[str, Any] = tables
            for key in path[:-1]:
                table = table.setdefault(key, {})
            new = _value(typed[setting.name].strip(), value)
            if table.get(path[-1]) != new:
                table[path[-1]] = new
                if "source" in table:
                    table |= {"source": _OWN, "mark": "not stated"}

    def differs(section: str, key: str, value: Any) -> bool:
        if (section, key) not in asked:
            return key in lab.get(section, {})
        return bool(_kept(value, _ABOUT) != _kept(default[section].get(key), _ABOUT))

    found = {
        section: {key: _kept(value) for key, value in keys.items() if differs(section, key, value)}
        for section, keys in tables.items()
    }
    return {section: keys for section, keys in found.items() if keys}


def _kept(value: Any, but: Collection[str] = ()) -> Any:
    """A table and the tables in it without the keys ``but`` and those without a value."""
    if not isinstance(value, dict):
        return value
    return {k: _kept(v, but) for k, v in value.items() if k not in but and v not in (None, "")}


def _value(text: str, like: object) -> object:
    """``text`` as a value of the default's kind, or as it is."""
    if isinstance(like, bool):
        return {"yes": True, "no": False}.get(text.lower(), text)
    if like is None and not text:
        return None
    if not isinstance(like, str):
        with contextlib.suppress(SettingsError):
            return parse_toml(f"value = {text}".encode(), "").data["value"]
    return text
