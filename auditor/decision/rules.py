"""Every threshold in force in words, with its source, its mark and the date it was checked.

Sections whose rules carry source and mark as data (billing, monitoring, video) give them. For the
others the source stands in the comment beside the key in the default policy file; a value that
another policy file replaced is said to come from that file.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, replace
from datetime import date, time
from functools import lru_cache
from importlib import resources

from pydantic import BaseModel

from auditor.billing.rule_lines import billing_lines, monitoring_lines, video_lines
from auditor.core.durations import in_words
from auditor.model import RuleLine
from auditor.policy import DEFAULT_POLICY, Policy, load_policy
from auditor.policy.power import ByMode

_COMMENTED = ("coverage", "decision", "signal", "study", "stop", "power")
_MARKS = {
    "common practice": "common practice",
    "from memory": "memory",
    "our choice": "our choice",
    "our definition": "our choice",
    "specification": "read",
    "standard": "read",
}
_SOURCE = re.compile(
    r"\s*\(((?:[^()]|\([^()]*\))*(?:" + "|".join(_MARKS) + r")(?:[^()]|\([^()]*\))*)\)\s*$"
)


def rule_lines(policy: Policy) -> tuple[RuleLine, ...]:
    """Every threshold of ``policy``, section by section, billing last."""
    lines = [
        *_commented(policy),
        *monitoring_lines(policy.monitoring),
        *video_lines(policy.video),
        *billing_lines(policy.billing),
    ]
    return tuple(replace(line, checked=policy.about.checked) for line in lines)


@dataclass(frozen=True, slots=True)
class _Remark:
    """What the default policy file says beside a key, and of the table that holds it."""

    text: str = ""
    table: str = ""


@lru_cache(maxsize=1)
def _shipped() -> tuple[Policy, dict[str, _Remark]]:
    """The default policy and its remarks: the same for every study of a batch."""
    return load_policy(), _remarks()


def _commented(policy: Policy) -> Iterator[RuleLine]:
    default, remarks = _shipped()
    for section in _COMMENTED:
        mine = dict(_values(section, getattr(policy, section)))
        for key, value in _values(section, getattr(default, section)):
            yield _line(key, mine.get(key, "not set"), value, remarks, policy.about.name)
            mine.pop(key, None)
        for key, value in mine.items():
            yield _line(key, value, None, remarks, policy.about.name)


def _line(
    key: str, value: str, default: str | None, remarks: dict[str, _Remark], name: str
) -> RuleLine:
    remark = remarks.get(key, _Remark())
    found = _SOURCE.search(remark.text)
    words = (remark.text[: found.start()] if found else remark.text).strip()
    subject = f"{words[:1].upper()}{words[1:]} ({key})" if words else key
    if value != default:
        return RuleLine(subject, value, f"set in the policy file '{name}'", "not stated")
    source = found.group(1) if found else ""
    for text in (source, remark.table):
        for word, mark in _MARKS.items():
            if word in text.lower():
                general = "common practice, no source" if mark == "common practice" else word
                return RuleLine(subject, value, source or general, mark)
    return RuleLine(subject, value, "none stated", "not stated")


def _values(path: str, value: object, kind: str = "") -> Iterator[tuple[str, str]]:
    """Every setting under ``path`` with its value in words; ``kind`` 'ns' or 'ppm' where known."""
    if not isinstance(value, BaseModel):
        yield path, _shown(value, kind)
        return
    for name, field in type(value).model_fields.items():
        unit = "ns" if name.endswith("_ns") else "ppm" if name.endswith("_ppm") else kind
        if isinstance(value, ByMode):
            unit = "ppm"
        yield from _values(f"{path}.{field.alias or name}", getattr(value, name), unit)


def _shown(value: object, kind: str) -> str:
    text = str(value)
    if isinstance(value, tuple):
        text = ", ".join(_shown(v, kind) for v in value) or "none"
    elif isinstance(value, BaseModel):
        text = ", ".join(f"{key.split('.')[-1]} {shown}" for key, shown in _values("", value))
    elif isinstance(value, bool):
        text = "yes" if value else "no"
    elif isinstance(value, int) and kind == "ns":
        text = in_words(value)
    elif isinstance(value, int) and kind == "ppm":
        text = f"{value / 10_000:g} %"
    elif isinstance(value, float):
        text = f"{value:g}"
    elif isinstance(value, date | time):
        text = value.isoformat()
    return text


def _remarks() -> dict[str, _Remark]:
    """Comments of the default policy file by dotted key."""
    text = (resources.files("auditor.policy") / DEFAULT_POLICY).read_text(encoding="utf-8")
    table, about, fresh = "", "", False
    remarks: dict[str, _Remark] = {}
    tables: dict[str, str] = {}
    for line in text.splitlines():
        header = re.match(r"\[([^\[\]]+)\]\s*(?:#\s*(.*))?$", line)
        key = re.match(r"""["']?([^"'=\s#]+)["']?\s*=(?:.*\s#\s(.*))?""", line)
        if header:
            table = header.group(1)
            above = tables.get(table.rpartition(".")[0], "")
            about, fresh = f"{header.group(2) or ''} {above}".strip(), True
        elif fresh and line.startswith("#"):
            about = f"{about} {line.lstrip('# ')}".strip()
        elif key:
            fresh = False
            remarks[f"{table}.{key.group(1)}"] = _Remark(key.group(2) or "", about)
        tables[table] = about
    return remarks
