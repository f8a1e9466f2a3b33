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
_ORDER = tuple(TITLES)
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


def parts(lab: Mapping[str, Any], typed: Mapping[str, str] | None = None) -> tuple[Part, ...]:
    """Every setting with the lab's values; ``typed`` are texts that a form held and was refused."""
    default = default_tables()
    found = []
    for section in _ORDER:
        model = keys_of(Sections)[section].type
        settings = []
        for path, value in _leaves(default[section], (section,)):
            name = ".".join(path)
            now = _at(lab, path, value)
            meaning, choices = _meaning(model, path[1:])
            source, mark = _origin(default, path)
            text = (typed or {}).get(name)
            settings.append(
                Setting(
                    name, _label(path), meaning, _text(value),
                    _text(now) if text is None else text, source, mark, choices,
                )
            )  # fmt: skip
        found.append(Part(section, TITLES[section], tuple(settings)))
    return tuple(found)


def _leaves(table: Mapping[str, Any], path: tuple[str, ...]) -> Iterator[tuple[Any, Any]]:
    """Single values of a table and of the tables in it."""
    for key, value in table.items():
        here = (*path, key)
        if key in ("about", "sources", "code_marks", "publisher", "patterns"):
            continue
        if isinstance(value, dict):
            yield from _leaves(value, here)
        elif not isinstance(value, list) and not (key in _ABOUT and path != ("policy",)):
            yield here, value


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


def _meaning(model: Any, keys: tuple[str, ...]) -> tuple[str, tuple[str, ...]]:
    """What a setting means, from its own documentation, and the words that it may take."""
    words = ""
    for key in keys:
        table = table_in(model)
        if table is None or key not in keys_of(table):
            break
        model = keys_of(table)[key].type
        words = meaning_of(keys_of(table)[key]) or words
        if choices_of(model):
            return words, tuple(map(str, choices_of(model)))
    return words, ("yes", "no") if model is bool else ()


def _origin(default: Mapping[str, Any], path: tuple[str, ...]) -> tuple[str, str]:
    """Where a default comes from: the rule's own word, that of its key, or the section's."""
    section = default[path[0]]
    table: Any = section
    found: Mapping[str, Any] = {}
    for key in path[1:-1]:
        table = table[key]
        found = table if "source" in table else found
    about = section.get("about", {}) if path[0] != "policy" else {}
    if not found:
        keys = about.get("keys", {})
        found = keys.get(".".join(path[1:])) or keys.get(path[1]) or about
    return str(found.get("source", "")), str(found.get("mark", "not stated"))


def changed_tables(lab: Mapping[str, Any], typed: Mapping[str, str]) -> dict[str, Any]:
    """The lab's tables with what a form holds: only what differs from the default.

    A text that is not of the setting's kind goes in as it is, for the policy's check to refuse.
    """
    default = default_tables()
    tables: dict[str, Any] = copy.deepcopy(dict(lab))
    for section in _ORDER:
        for path, value in _leaves(default[section], (section,)):
            name = ".".join(path)
            if name not in typed:
                continue
            new = _value(typed[name].strip(), value)
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
