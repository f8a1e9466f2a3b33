"""Every threshold in force in words, with its source, its mark and the date it was checked.

Source, mark and date are data of the policy: of a section as a whole (``about``), of single keys
(``about.keys``), and of each rule of billing, monitoring and video by itself. So is what each
setting means: the lines follow from the types of the policy.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from datetime import date, time
from functools import lru_cache

from msgspec.structs import asdict, replace

from auditor.core.durations import in_words
from auditor.model import RuleLine
from auditor.policy import Policy
from auditor.policy.billing import Limit, ReaderCodes, State, TechnicalCodes
from auditor.policy.sourced import MARKS, About, Sourced
from auditor.policy.values import Settings, keys_of, meaning_of, table_in

_GENERAL = ("coverage", "decision", "signal", "study", "stop", "power")
_OF_CODES = ("monitoring", "video", "billing")
_LONGEST_LIST = 60
"""Characters of a list that are shown; the policy file holds it whole."""
_UNTOLD = frozenset((*Sourced.__struct_fields__, "about", "name", "cautions"))
"""What stands in a line's other columns, names its table, or stands on every page."""


@lru_cache(maxsize=4)
def rule_lines(policy: Policy) -> tuple[RuleLine, ...]:
    """Every threshold of ``policy``, section by section, billing last; without codes none of it."""
    lines = []
    for name in (*_GENERAL, *(_OF_CODES if policy.about.codes else ())):
        section = getattr(policy, name)
        for key, words, value, own in _rules("", "", "", section, policy.billing.code_marks):
            rule = own or origin(section.about, key)
            checked = _checked(rule.checked, rule.checked_by)
            subject = f"{words} ({name}.{key})"
            lines.append(RuleLine(subject, value, rule.source or "none stated", rule.mark, checked))
    if policy.about.codes:
        for key, source in policy.billing.sources.items():
            word = (
                "secondary: no authority, never quoted" if source.secondary else "the source itself"
            )
            lines.append(RuleLine(f"Source {key}", source.name, word, "legend"))
    checked = _checked(policy.about.checked, policy.about.checked_by)
    return tuple(replace(line, checked=line.checked or checked) for line in lines)


def _rules(
    key: str, words: str, name: str, value: object, marks: Mapping[str, Sourced]
) -> Iterator[tuple[str, str, str, Sourced | None]]:
    """Key, meaning and value in words of every rule in ``value``, with what it says of its origin.

    A table with a source of its own is one rule, whatever values it has.
    """
    if isinstance(value, TechnicalCodes | ReaderCodes):
        yield key, words, *_codes(value, marks)
    elif isinstance(value, Limit):
        itself = "included" if value.included else "not included"
        yield key, words, f"{in_words(value.ns)} ({itself})", value
    elif isinstance(value, Settings):
        own = []
        for written, field in keys_of(type(value)).items():
            inner = getattr(value, field.name)
            if field.name in _UNTOLD or (inner is None and table_in(field.type)):
                continue
            if isinstance(value, Sourced) and not _has_rules(inner):
                label = meaning_of(field) or field.name.removesuffix("_ns").replace("_", " ")
                label = "" if field.name in ("ns", "ppm") else f"{label}: "
                own += [] if inner in (None, ()) else [label + _shown(inner, field.name)]
                continue
            meaning = ": ".join(filter(None, (words, meaning_of(field).removesuffix("."))))
            yield from _rules(
                f"{key}.{written}".removeprefix("."), meaning, field.name, inner, marks
            )
        if isinstance(value, Sourced) and (own or value.source):
            yield key, words, "; ".join(own) or "yes", value
    elif isinstance(value, tuple) and _has_rules(value):
        for band in value:
            yield from _rules(key, f"{words}, {band.name}", name, band, marks)
    elif not isinstance(value, dict):  # what is known of codes and sources is told with them
        yield key, words, _shown(value, name), None


def _has_rules(value: object) -> bool:
    """Whether a value is a table, or a list of bands."""
    return isinstance(value, Settings) or (
        isinstance(value, tuple) and any(hasattr(one, "name") for one in value)
    )


def _codes(
    codes: TechnicalCodes | ReaderCodes, marks: Mapping[str, Sourced]
) -> tuple[str, Sourced]:
    """Codes by their use, each with how its number is known; the mark of all is the least sure."""
    told, rules = [], []
    for video, by_level in asdict(codes).items():
        named = asdict(by_level) if isinstance(by_level, Settings) else {"": by_level}
        for level, code in named.items():
            if code is not None:
                rule = marks.get(code, Sourced())
                use = f"{level} {video}".strip().replace("_", " ")
                told.append(f"{code} {use} ({rule.source or 'none stated'}, {rule.mark})")
                rules.append(rule)
    sources = dict.fromkeys(rule.source or "none stated" for rule in rules)
    weakest = max((rule.mark for rule in rules), key=MARKS.index)
    return "; ".join(told), Sourced(source="; ".join(sources), mark=weakest)


def origin(about: About, key: str) -> Sourced:
    """Where the value of ``key`` comes from: its own entry, that of its table, or the section's."""
    return about.keys.get(key) or about.keys.get(key.partition(".")[0]) or about


def _checked(when: str, by: str) -> str:
    return f"{when} by {by}" if when and by else when or by


def _shown(value: object, name: str) -> str:
    text = str(value)
    if value in (None, ""):
        text = "not entered"
    elif isinstance(value, tuple):
        text = ", ".join(_shown(v, name) for v in value) or "none"
        if len(text) > _LONGEST_LIST and isinstance(value[0], str):
            text = f"{text[:_LONGEST_LIST]}… ({len(value)} in all)"
    elif isinstance(value, State):
        text = f"{value.code} ({value.words})"
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, int) and name.endswith("ns"):
        text = in_words(value)
    elif isinstance(value, int) and name.endswith("ppm"):
        text = f"{value / 10_000:g} %"
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, date | time):
        text = value.isoformat()
    elif text.isidentifier():  # a choice by its name
        text = text.replace("_", " ")
    return text
