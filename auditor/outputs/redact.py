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
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Literal

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.errors import UsageError
from auditor.core.text import Own, matches
from auditor.core.units import DAY
from auditor.coverage.events import by_patient
from auditor.edf.electrodes import as_labelled
from auditor.model import (
    Audit,
    Cause,
    Channel,
    Finding,
    LogRead,
    Order,
    PatientField,
    PersonDecision,
    Recording,
    RecordingField,
    SignalFacts,
    Study,
    StudyFile,
    UnreadableFile,
)
from auditor.model.codes import FINDINGS, Value, worded
from auditor.pipeline import Facts, Options, judge
from auditor.policy import Policy

WITHHELD = Own("[text withheld]")
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
_NAMED = ("before", "after", "unreadable", "set_aside")
"""Fields of a missing piece that name a file, where there is one."""
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
    neutral = _Neutral.of(facts, dates=dates)
    plain = judge(facts, policy, options)
    audit = judge(neutral.facts(facts, policy, study_id), policy, options, neutral.said(decisions))
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
    """The cause that the annotations' own words tell, with evidence that is ``made`` without."""
    if made.likely_cause == plain.likely_cause:
        return made
    return replace(plain, evidence=(WITHHELD,), against=())


@dataclass
class _Neutral:
    """Neutral names for what the facts name; asked for anything else it gives ``WITHHELD``."""

    names: dict[str, Own] = field(default_factory=dict)
    people: dict[str, Own] = field(default_factory=dict)
    dates: bool = False

    @classmethod
    def of(cls, facts: Facts, *, dates: bool) -> _Neutral:
        neutral = cls(dates=dates)
        study = facts.study
        files = [f.recording.name for f in study.files] + [f.name for f in study.unreadable]
        for number, name in enumerate([*files, *study.other_files], 1):
            neutral.names.setdefault(name, Own(f"file {number}"))
        folders = [c.folder for c in study.copies]
        for number, folder in enumerate(dict.fromkeys(f for f in folders if f), 1):
            neutral.names.setdefault(folder, Own(f"folder {number}"))
        for file in study.files:
            for channel in file.recording.channels:
                neutral.names.setdefault(channel.label, _label(channel))
        units = (f.recording.header.recording_field.equipment for f in study.files)
        for number, unit in enumerate(dict.fromkeys(u for u in units if u), 1):
            neutral.names.setdefault(unit, Own(f"unit {number}"))
        return neutral

    def name(self, text: str) -> Own:
        """The neutral name of a file, folder, channel or unit."""
        return self.names.get(text, WITHHELD)

    def _names(self, texts: Iterable[str]) -> tuple[Own, ...]:
        return tuple(map(self.name, texts))

    def person(self, text: str) -> Own:
        """'person 1', '' where nobody is named; the same person is the same number throughout."""
        if not text.strip():
            return Own("")
        return self.people.setdefault(
            text.strip().casefold(), Own(f"person {len(self.people) + 1}")
        )

    def facts(self, facts: Facts, policy: Policy, study_id: str | None) -> Facts:
        study = self._study(facts.study, policy)
        placed = tuple(
            replace(a, text=_classes(a.text, policy), file=self.name(a.file))
            for a in facts.annotations
        )
        return replace(
            facts,
            study=study,
            annotations=placed,
            signal=self._signal(facts.signal),
            order=None if facts.order is None else self._order(facts.order, study_id),
            logs={kind: self._log(read) for kind, read in facts.logs.items()},
            second_readers=tuple(
                replace(r, file=self.name(r.file), note=SECOND[r.agrees])
                for r in facts.second_readers
            ),
            inputs=tuple(replace(i, name=Own(i.kind)) for i in facts.inputs),
            findings=tuple(self.finding(f) for f in facts.findings),
        )

    def said(self, decisions: Iterable[PersonDecision]) -> tuple[PersonDecision, ...]:
        return tuple(
            replace(d, by=self.person(d.by), note=WITHHELD if d.note else "") for d in decisions
        )

    def finding(self, found: Finding) -> Finding:
        """The finding worded anew from values that name nobody."""
        file = None if found.file is None else self.name(found.file)
        bare = replace(
            found,
            where=self._where(found),
            file=file,
            values=tuple((name, self._value(value)) for name, value in found.values),
        )
        return worded(bare)

    def _value(self, value: Value) -> Value:
        if isinstance(value, tuple):
            return tuple(str(self._value(v)) for v in value)
        if isinstance(value, int):
            return value
        if isinstance(value, Own):
            return _DATE_WITHHELD if self.dates and _DATE.search(value) else value
        return self.name(value)

    def _where(self, found: Finding) -> Own:
        where = found.where
        if where in _OUR_PLACES:
            return Own(where)
        if where in self.names:
            return self.names[where]
        if found.file is not None and where.startswith(f"{found.file}, "):
            rest = where.removeprefix(f"{found.file}, ")
            shown = f", {rest}" if _OUR_PLACE_IN_FILE.fullmatch(rest) else ""
            return Own(f"{self.name(found.file)}{shown}")
        return self.name(found.file) if found.file is not None else Own("study")

    def _study(self, study: Study, policy: Policy) -> Study:
        return replace(
            study,
            name=Own("study"),
            root=Path("study"),
            files=tuple(self._file(f, policy) for f in study.files),
            unreadable=tuple(self._unreadable(f) for f in study.unreadable),
            copies=tuple(
                replace(
                    c, folder=self.name(c.folder) if c.folder else "", files=self._names(c.files)
                )
                for c in study.copies
            ),
            other_files=self._names(study.other_files),
            findings=(),
            pieces=tuple(
                replace(
                    p,
                    regular=self._names(p.regular),
                    missing=tuple(
                        replace(m, **{k: self.name(getattr(m, k)) for k in _NAMED if getattr(m, k)})
                        for m in p.missing
                    ),
                )
                for p in study.pieces
            ),
        )

    def _file(self, file: StudyFile, policy: Policy) -> StudyFile:
        reason = (file.reason_code or "").replace("_", " ")
        return replace(file, recording=self._recording(file.recording, policy), reason=Own(reason))

    def _recording(self, recording: Recording, policy: Policy) -> Recording:
        equipment = recording.header.recording_field.equipment
        technician = recording.header.recording_field.technician
        return replace(
            recording,
            name=self.name(recording.name),
            path=Path(self.name(recording.name)),
            header=replace(
                recording.header,
                patient="",
                recording="",
                start_date="",
                start_time="",
                reserved="",
                record_duration="",
                patient_field=PatientField(),
                recording_field=RecordingField(
                    equipment=self.name(equipment) if equipment else None,
                    technician=self.person(technician) if technician else None,
                ),
            ),
            channels=tuple(
                replace(c, label=_label(c), transducer="", prefilter="", dimension="uV")
                for c in recording.channels
            ),
            annotations=tuple(
                replace(a, text=_classes(a.text, policy)) for a in recording.annotations
            ),
            findings=(),
            opener=None,
        )

    def _unreadable(self, file: UnreadableFile) -> UnreadableFile:
        return replace(
            file,
            name=self.name(file.name),
            path=Path(self.name(file.name)),
            reason=Own(FINDINGS[file.finding.code].meaning),
            finding=self.finding(file.finding),
        )

    def _signal(self, signal: SignalFacts) -> SignalFacts:
        return replace(
            signal,
            channels=tuple(replace(c, label=self.name(c.label)) for c in signal.channels),
            bad_stretches=tuple(
                replace(b, channels=self._names(b.channels)) for b in signal.bad_stretches
            ),
        )

    def _order(self, order: Order, study_id: str | None) -> Order:
        corrections = order.corrections
        return replace(
            order,
            study_id=study_id,
            patient_code=None,
            service="",
            missing=(),
            monitoring_log=None,
            video_log=None,
            name=Own("order") if order.name else "",
            path=None,
            corrections=replace(
                corrections,
                exclude=self._names(corrections.exclude),
                include=self._names(corrections.include),
                clock_ns=tuple((self.name(n), ns) for n, ns in corrections.clock_ns),
                by=self.person(corrections.by),
            ),
        )

    def _log(self, read: LogRead) -> LogRead:
        return replace(
            read,
            name=Own(f"{read.kind} log"),
            note=Own("") if read.taken else WITHHELD,
            checks=tuple(
                replace(c, by=self.person(c.by), note="", source=Own("log")) for c in read.checks
            ),
        )


def _label(channel: Channel) -> Own:
    """A channel by its electrode's standard name, else by its number."""
    if channel.electrode is not None:
        return Own(as_labelled(channel.label, channel.electrode))
    return Own("annotations" if channel.is_annotation else f"channel {channel.index + 1}")


def _classes(text: str, policy: Policy) -> Own:
    """The classes that the policy's patterns put an annotation in; never its own words."""
    found = [
        words
        for name, words in CLASSES.items()
        if matches(getattr(policy.stop.patterns, name), text)
    ]
    if by_patient(text):
        found.append("push-button")
    if matches(policy.monitoring.check_patterns, text):
        found.append("monitoring check")
    if matches(policy.billing.sleep_patterns, text):
        found.append("sleep")
    return Own("; ".join(found)) if found else WITHHELD


def _weeks(facts: Facts, key: bytes) -> int:
    """Weeks to go back, drawn by ``key``, that keep the time of day of every start and end."""
    axis, study = facts.study.axis, facts.study
    ends = {i for f in study.files if f.interval for i in (f.interval.start, f.interval.end)}
    ends |= {i for gap in facts.coverage.gaps for i in (gap.start, gap.end)}
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


_INSTANTS = frozenset(
    {"start", "end", "first_start", "last_end", "at", "anchor", "run_starts", "run_ends",
     "union_starts", "union_ends", "held", "usable", "clean", "lost_at", "doubtful_from",
     "below_minimum_from", "start_civil_ns", "hookup_civil_ns"}
)  # fmt: skip
"""Fields of the facts that hold an instant, or arrays of them."""


def _later(value: Any, by: int, name: str = "") -> Any:
    """``value``, the facts or their field ``name``, with every instant in it ``by`` ns later."""
    if isinstance(value, Struct):
        fields = value.__struct_fields__
        return replace(
            value, **{field: _later(getattr(value, field), by, field) for field in fields}
        )
    if isinstance(value, tuple):
        return tuple(_later(one, by, name) for one in value)
    if isinstance(value, Mapping):
        return {key: _later(one, by) for key, one in value.items()}
    return value + by if name in _INSTANTS and value is not None else value
