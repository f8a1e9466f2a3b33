"""Every threshold in force in words, with its source, its mark and the date it was checked.

Source, mark and date are data of the policy: of a section as a whole (``about``), of single keys
(``about.keys``), and of each rule of billing, monitoring and video by itself.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, time
from functools import lru_cache

from msgspec.structs import replace

from auditor.billing.rule_lines import code_rules
from auditor.core.durations import in_words
from auditor.model import RuleLine
from auditor.policy import Policy
from auditor.policy.sourced import About, Section, Sourced
from auditor.policy.values import Settings, keys_of, meaning_of

_GENERAL = ("coverage", "decision", "signal", "study", "stop", "power")
_LONGEST_LIST = 60
"""Characters of a list that are shown; the policy file holds it whole."""


@lru_cache(maxsize=4)
def rule_lines(policy: Policy) -> tuple[RuleLine, ...]:
    """Every threshold of ``policy``, section by section, billing last; without codes none of it."""
    lines = [line for name in _GENERAL for line in _section(name, getattr(policy, name))]
    if policy.about.codes:
        lines += [_line(*told) for told in code_rules(policy)]
        for key, source in policy.billing.sources.items():
            word = (
                "secondary: no authority, never quoted" if source.secondary else "the source itself"
            )
            lines.append(RuleLine(f"Source {key}", source.name, word, "legend"))
    checked = _checked(policy.about.checked, policy.about.checked_by)
    return tuple(replace(line, checked=line.checked or checked) for line in lines)


def _section(name: str, settings: Section) -> Iterator[RuleLine]:
    for key, value, words in _values("", settings):
        yield _line(f"{words} ({name}.{key})", value, origin(settings.about, key))


def _line(subject: str, value: str, rule: Sourced) -> RuleLine:
    checked = _checked(rule.checked, rule.checked_by)
    return RuleLine(subject, value, rule.source or "none stated", rule.mark, checked)


def origin(about: About, key: str) -> Sourced:
    """Where the value of ``key`` comes from: its own entry, that of its table, or the section's."""
    return about.keys.get(key) or about.keys.get(key.partition(".")[0]) or about


def _checked(when: str, by: str) -> str:
    return f"{when} by {by}" if when and by else when or by


def _values(path: str, settings: Settings) -> Iterator[tuple[str, str, str]]:
    """Key, value in words and meaning of every setting."""
    for written, field in keys_of(type(settings)).items():
        name = field.name
        value, key = getattr(settings, name), f"{path}{written}"
        if isinstance(value, Sourced):
            continue
        if isinstance(value, Settings):
            yield from _values(f"{key}.", value)
        else:
            yield key, _shown(value, name), meaning_of(field).removesuffix(".")


def _shown(value: object, name: str) -> str:
    text = str(value)
    if value is None:
        text = "not entered"
    elif isinstance(value, tuple):
        text = ", ".join(_shown(v, name) for v in value) or "none"
        if len(text) > _LONGEST_LIST:
            text = f"{text[:_LONGEST_LIST]}… ({len(value)} in all)"
    elif isinstance(value, int) and name.endswith("_ns"):
        text = in_words(value)
    elif isinstance(value, int) and name.endswith("_ppm"):
        text = f"{value / 10_000:g} %"
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, date | time):
        text = value.isoformat()
    return text
