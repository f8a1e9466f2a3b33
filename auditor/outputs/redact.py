"""The same audit without the patient: nothing passes but what is known to be harmless.

The texts of files, orders, logs and people are taken out of the facts before any sentence is made
from them, and the facts are judged anew: what remains are numbers, times, this program's own words,
electrodes by their standard names, and neutral names ('file 3', 'unit 1', 'person 2'). Of an
annotation only the classes remain that the policy's patterns put it in. With ``dates`` all times
are moved by a number of whole weeks: weekday and time of day stay.
"""

from __future__ import annotations

import hashlib
import hmac
import re
import secrets
from collections.abc import Callable, Iterable, Mapping
from pathlib import Path
from types import NoneType
from typing import Any, Literal, TypeVar, get_args

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import UsageError
from auditor.core.fields import Field, Holds, fields_of
from auditor.core.text import Own, matches, words
from auditor.core.units import DAY
from auditor.coverage.annotations import by_patient
from auditor.edf.electrodes import as_labelled
from auditor.model import (
    Audit,
    Cause,
    Channel,
    Facts,
    Finding,
    InputUsed,
    LogRead,
    MonitoringCheck,
    Order,
    PersonDecision,
    Recording,
    SecondReading,
    Study,
    StudyFile,
    UnreadableFile,
)
from auditor.model.codes import FINDINGS, Value, worded
from auditor.pipeline import Options, judge
from auditor.policy import Policy

T = TypeVar("T")

WITHHELD = Own("[text withheld]")
_NO_PATH = Path("withheld")
_DATE_WITHHELD = Own("[date withheld]")
_WEEK = 7 * DAY
_LEAST_WEEKS, _MOST_WEEKS, _TRIES = 52, 520, 1100
# Names of our own places in a finding; anything else there came from a file or an order.
_OUR_PLACES = frozenset(
    {"", "study", "billing", "monitoring", "video", "order", "signal", "log", "policy"}
)
_OUR_PLACE_IN_FILE = re.compile(
    r"(header|fields?|first|after|annotation|record|at|byte)\b[a-z0-9 ,'()-]*"
)
_DATE = re.compile(r"\b(19|20)\d\d\b|\d{1,2}[./]\d{1,2}[./]\d{2}")
Redact = Literal["names", "dates"]
"""What a redacted audit hides: all names and texts, and on request the dates too."""
SECOND = {True: Own("Agrees."), False: Own("Differs."), None: Own("Gave no figures.")}
CLASSES = {
    "power_low": "power low",
    "supply_unplugged": "supply unplugged",
    "power_change": "battery changed",
    "patient": "stopped by patient",
    "technologist": "take-down",
    "person": "recording paused",
    "orderly_end": "recording stopped",
    "restart": "recording started",
    "card_full": "card full",
    "electrode": "electrode off",
    "clock": "clock set",
    "fault": "fault",
}
"""What is shown of an annotation of each class of the policy's patterns."""


def redacted(
    facts: Facts,
    policy: Policy,
    options: Options,
    decisions: tuple[PersonDecision, ...] = (),
    *,
    study_id: str | None = None,
    dates: bool = False,
    key: bytes | None = None,
) -> Audit:
    """The audit of ``facts`` without the patient.

    ``study_id`` is what the study is called instead of its own id. ``key`` draws the number of
    weeks by which ``dates`` moves all times (a new one each time where it is ``None``). Raises
    ``UsageError`` where no number of weeks keeps the time of day over a change of the clocks.
    """
    if dates:
        facts = _later(facts, _weeks(facts, key or secrets.token_bytes(32)) * _WEEK)
    neutral = _Neutral(facts, policy, study_id, dates=dates)
    plain = judge(facts, policy, options)
    audit = judge(neutral.of(facts), policy, options, neutral.of(decisions))
    rules = tuple(
        replace(r, source=Own(r.source) if policy.path is None else WITHHELD) for r in audit.rules
    )
    return replace(
        audit,
        stop=replace(audit.stop, cause=_cause(audit.stop.cause, plain.stop.cause)),
        gap_causes=tuple(map(_cause, audit.gap_causes, plain.gap_causes)),
        rules=rules,
        policy=replace(
            audit.policy, publisher=audit.policy.publisher if policy.path is None else ""
        ),
        redacted=True,
    )


def _cause(made: Cause, plain: Cause) -> Cause:
    """The cause that the annotations' own words tell, with nothing that quotes them."""
    if made.likely_cause == plain.likely_cause:
        return made
    return Cause(plain.likely_cause, plain.rank, (WITHHELD,))


class _Neutral:
    """Neutral names for what ``facts`` names; anything else that is named is ``WITHHELD``."""

    def __init__(self, facts: Facts, policy: Policy, study_id: str | None, *, dates: bool) -> None:
        self._policy, self.study_id, self._dates = policy, study_id, dates
        self._people: dict[str, Own] = {}
        study = facts.study
        recordings = [f.recording for f in study.files]
        names = [*(r.name for r in recordings), *(f.name for f in study.unreadable)]
        self._names: dict[str, Own] = {}
        self._number("file", [*names, *study.other_files])
        self._number("folder", [c.folder for c in study.copies])
        for channel in (c for r in recordings for c in r.channels):
            self._names.setdefault(channel.label, _label(channel))
        self._number("unit", [r.header.recording_field.equipment for r in recordings])

    def _number(self, what: str, names: Iterable[str | None]) -> None:
        for number, name in enumerate(dict.fromkeys(filter(None, names)), 1):
            self._names.setdefault(name, Own(f"{what} {number}"))

    def of(self, value: T) -> T:
        """``value`` (facts, or what people decided) without names."""
        return _mapped(value, self._leaf, self._own)

    def _own(self, value: Struct) -> dict[str, Any]:
        return _OWN[type(value)](self, value) if type(value) in _OWN else {}

    def _leaf(self, value: Any, field: Field) -> Any:
        if isinstance(value, Path):
            return _NO_PATH
        if not isinstance(value, str) or not value or field.holds is Holds.OURS:
            return None if callable(value) else value
        if field.holds is None:
            return None if NoneType in get_args(field.kind) else ""
        told = {Holds.NAME: self._name, Holds.PERSON: self._person, Holds.EVENT: self._classes}
        return told[field.holds](value)

    def _name(self, text: str) -> Own:
        """The neutral name of a file, folder, channel or unit."""
        return self._names.get(text, WITHHELD)

    def _person(self, text: str) -> Own:
        """'person 1', '' where nobody is named; the same person is the same number throughout."""
        if not text.strip():
            return Own("")
        number = len(self._people) + 1
        return self._people.setdefault(text.strip().casefold(), Own(f"person {number}"))

    def _classes(self, text: str) -> Own:
        """The classes that the policy's patterns put an annotation in; never its own words."""
        policy = self._policy
        found = [
            told
            for name, told in CLASSES.items()
            if matches(getattr(policy.stop.patterns, name), text)
        ]
        if by_patient(text):
            found.append("push-button")
        if matches(policy.monitoring.check_patterns, text):
            found.append("monitoring check")
        if matches(policy.billing.sleep_patterns, text):
            found.append("sleep")
        return Own("; ".join(found)) if found else WITHHELD

    def finding(self, found: Finding) -> Finding:
        """The finding worded anew from values that name nobody."""
        file = None if found.file is None else self._name(found.file)
        values = tuple((name, self._value(value)) for name, value in found.values)
        return worded(replace(found, where=self._where(found), file=file, values=values))

    def _value(self, value: Value) -> Value:
        if isinstance(value, tuple):
            return tuple(str(self._value(v)) for v in value)
        if isinstance(value, int):
            return value
        if isinstance(value, Own):
            return _DATE_WITHHELD if self._dates and _DATE.search(value) else value
        return self._name(value)

    def _where(self, found: Finding) -> Own:
        where, file = found.where, found.file
        if where in _OUR_PLACES:
            return Own(where)
        if where in self._names or file is None:
            return self._names.get(where, Own("study"))
        rest = where.removeprefix(f"{file}, ")
        in_file = rest != where and _OUR_PLACE_IN_FILE.fullmatch(rest)
        return Own(f"{self._name(file)}, {rest}") if in_file else self._name(file)


_OWN: dict[type[Struct], Callable[[_Neutral, Any], dict[str, Any]]] = {
    Facts: lambda neutral, f: {"findings": tuple(map(neutral.finding, f.findings))},
    Study: lambda *_: {"name": Own("study"), "findings": ()},
    StudyFile: lambda _, f: {"reason": Own(words(f.reason_code or ""))},
    Recording: lambda *_: {"findings": ()},
    UnreadableFile: lambda neutral, f: {
        "reason": Own(FINDINGS[f.finding.code].meaning),
        "finding": neutral.finding(f.finding),
    },
    Order: lambda neutral, order: {
        "study_id": neutral.study_id,
        "name": Own("order") if order.name else "",
    },
    LogRead: lambda _, log: {
        "name": Own(f"{log.kind} log"),
        "note": Own("") if log.taken else WITHHELD,
    },
    MonitoringCheck: lambda *_: {"source": Own("log")},
    SecondReading: lambda _, reading: {"note": SECOND[reading.agrees]},
    InputUsed: lambda _, used: {"name": Own(used.kind)},
    PersonDecision: lambda _, decided: {"note": WITHHELD if decided.note else ""},
}
"""What is told in words of our own for fields that hold others, or not at all."""


def _label(channel: Channel) -> Own:
    """A channel by its electrode's standard name, else by its number."""
    if channel.electrode is not None:
        return Own(as_labelled(channel.label, channel.electrode))
    return Own("annotations" if channel.is_annotation else f"channel {channel.index + 1}")


def _weeks(facts: Facts, key: bytes) -> int:
    """Weeks to go back, drawn by ``key``, that keep the time of day of hook-up, starts and ends."""
    axis, study = facts.study.axis, facts.study
    ends = {i for f in study.files if f.interval for i in (f.interval.start, f.interval.end)}
    ends |= {i for gap in facts.coverage.gaps for i in (gap.start, gap.end)}
    ends |= set() if study.hookup is None else {study.hookup}
    digest = hmac.new(key, b"weeks", hashlib.sha256).digest()
    first = _LEAST_WEEKS + int.from_bytes(digest[:8]) % (_MOST_WEEKS - _LEAST_WEEKS)
    for weeks in range(first, first + _TRIES):
        by = -weeks * _WEEK
        if all(axis.civil(at + by) == axis.civil(at) + by for at in ends):
            return -weeks
    raise UsageError(
        "--redact=dates",
        "no number of weeks keeps the time of day over the change of the clocks in this study",
        "Give --redact without dates.",
    )


def _later(facts: Facts, by: int) -> Facts:
    """``facts`` with every instant in them ``by`` ns later."""

    def moved(value: Any, field: Field) -> Any:
        return value + by if field.holds is Holds.INSTANT and value is not None else value

    return _mapped(facts, moved)


def _mapped(
    whole: T,
    leaf: Callable[[Any, Field], Any],
    own: Callable[[Struct], Mapping[str, Any]] = lambda _: {},
) -> T:
    """``whole`` with ``leaf`` of every number, text and array in it, given with its field; of a
    struct's fields ``own`` gives some outright."""

    def of(value: Any, field: Field) -> Any:
        if isinstance(value, Struct):
            other = dict(own(value))
            for name, one in fields_of(type(value)).items():
                if name not in other and (new := of(old := getattr(value, name), one)) is not old:
                    other[name] = new
            return replace(value, **other) if other else value
        if isinstance(value, Mapping):
            return {key: of(one, field) for key, one in value.items()}
        if type(value) is tuple:
            return tuple(of(one, field) for one in value)
        return leaf(value, field)

    mapped: T = of(whole, Field(type(whole), None))
    return mapped
