"""The policy as a form: each setting with its meaning, default, source, and the lab's own value.

The form is made from the default policy itself, so a setting that is added there appears here. It
shows single values; lists of bands and patterns stay in the file, which the form leaves as it is.
"""

from __future__ import annotations

import contextlib
import copy
from collections.abc import Callable, Iterator, Mapping
from datetime import date, time
from decimal import Decimal, InvalidOperation
from importlib import resources
from typing import Any

from msgspec import Struct, to_builtins
from msgspec.structs import replace

from auditor.policy import DEFAULT_POLICY, Sections
from auditor.policy.sourced import Sourced
from auditor.policy.toml import parse_toml
from auditor.policy.values import choices_of, keys_of, meaning_of, table_in

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
    """The tables of the default policy, each with the keys that it leaves out.

    ``None`` is a number that only the lab can give.
    """
    raw = (resources.files("auditor.policy") / f"{DEFAULT_POLICY}.toml").read_bytes()
    data = parse_toml(raw, f"{DEFAULT_POLICY}.toml").data
    return {
        section: keys
        | {
            key: to_builtins(field.default)
            for key, field in keys_of(keys_of(Sections)[section].type).items()
            if key not in keys
        }
        for section, keys in data.items()
    }


def parts(lab: Mapping[str, Any], typed: Mapping[str, str] = {}) -> tuple[Part, ...]:
    """Every setting with the lab's values; ``typed`` are texts that a form held and was refused."""
    default = default_tables()
    found = []
    for section, title in TITLES.items():
        settings = tuple(
            replace(setting, now=typed.get(setting.name, _text(_at(lab, path, value))))
            for path, value, setting in _section(section, default)
        )
        found.append(Part(section, title, settings))
    return tuple(found)


_Leaf = tuple[tuple[str, ...], Any, Setting]
"""A single value of the default: its path, itself, and how it is shown."""


def _section(section: str, default: Mapping[str, Any]) -> Iterator[_Leaf]:
    """Single values of a section and of the tables in it."""
    about = default[section].get("about", {})

    def leaves(table: Mapping[str, Any], kind: Any, path: tuple[str, ...], words: str,
               rule: Mapping[str, Any]) -> Iterator[_Leaf]:  # fmt: skip
        model = table_in(kind)
        assert model is not None, path
        for key, value in table.items():
            if key in ("about", "sources", "code_marks", "publisher", "patterns"):
                continue
            here, field = (*path, key), keys_of(model)[key]
            meaning = ": ".join(filter(None, (words, meaning_of(field))))
            if isinstance(value, dict):
                own = value if "source" in value else rule
                yield from leaves(value, field.type, here, meaning, own)
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

    return leaves(default[section], keys_of(Sections)[section].type, (section,), "", {})


def _at(lab: Mapping[str, Any], path: tuple[str, ...], default: object) -> object:
    value: Any = lab
    for key in path:
        if not isinstance(value, dict) or key not in value:
            return default
        value = value[key]
    return value


def _text(value: object) -> str:
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    return value.isoformat() if isinstance(value, date | time) else str(value)


def _label(path: tuple[str, ...]) -> str:
    words = " ".join(path[1:]).replace("_", " ")
    for ending, unit in ((" s", "seconds"), (" hours", "hours"), (" uv", "µV"), (" bytes", "bytes"),
                         (" share", "share from 0 to 1"), (" minutes", "minutes")):  # fmt: skip
        if words.endswith(ending):
            base = words.removesuffix(ending)
            return f"{base[:1].upper()}{base[1:]} ({unit})"
    return f"{words[:1].upper()}{words[1:]}"


def changed_tables(lab: Mapping[str, Any], typed: Mapping[str, str]) -> dict[str, Any]:
    """The lab's tables with what a form holds: only what differs from the default.

    A text that is not of the setting's kind goes in as it is, for the policy's check to refuse.
    """
    default = default_tables()
    tables: dict[str, Any] = copy.deepcopy(dict(lab))
    for section in TITLES:
        for path, value, setting in _section(section, default):
            if setting.name not in typed:
                continue
            new = _value(typed[setting.name].strip(), value)
            if len(path) == 2:
                keys = tables.setdefault(section, {})
                keys.pop(path[1], None)
                if new != value:
                    keys[path[1]] = new
            else:
                _set_deep(tables, default, path, new)
    return {
        section: _kept(keys, lambda _, value: value is not None)
        for section, keys in tables.items()
        if keys
    }


def _set_deep(
    tables: dict[str, Any], default: Mapping[str, Any], path: tuple[str, ...], new: object
) -> None:
    """Set a value inside a table of a section. Such a table replaces the default's as a whole."""
    section, top = path[0], path[1]
    keys = tables.setdefault(section, {})
    whole = {**copy.deepcopy(default[section][top]), **copy.deepcopy(keys.get(top, {}))}
    table = whole
    for key in path[2:-1]:
        table = table[key]
    if table.get(path[-1]) != new:
        table[path[-1]] = new
        if "source" in table:
            table |= {"source": _OWN, "mark": "not stated"}
    if _of_values(whole) == _of_values(default[section][top]):
        keys.pop(top, None)
    else:
        keys[top] = whole


def _kept(table: Any, keeps: Callable[[str, Any], bool]) -> Any:
    """A table and the tables in it with the keys that ``keeps`` wants."""
    if not isinstance(table, dict):
        return table
    return {key: _kept(value, keeps) for key, value in table.items() if keeps(key, value)}


def _of_values(table: Any) -> Any:
    """A table without the words of where it comes from."""
    return _kept(table, lambda key, _: key not in _ABOUT)


def _value(text: str, like: object) -> object:
    """``text`` as a value of the default's kind, or as it is."""
    if isinstance(like, bool):
        return {"yes": True, "no": False}.get(text.lower(), text)
    if like is None and not text:
        return None
    if like is None or isinstance(like, int | Decimal):
        with contextlib.suppress(InvalidOperation):
            number = Decimal(text)
            if number.is_finite() and abs(number) <= 10**15:
                whole = isinstance(like, int | None) and number == int(number)
                return int(number) if whole else number
    elif isinstance(like, time):
        with contextlib.suppress(ValueError):
            return time.fromisoformat(text)
    return text
