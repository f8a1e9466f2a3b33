"""The audit: every fact once. HTML, JSON, CSV and the terminal only render it."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Literal

from msgspec import Struct

from auditor.core.fields import Event, Instant, Named, Ours, Person
from auditor.model.billing import Billing, DecisionOutcome, Monitoring, Video
from auditor.model.codes import Finding, FindingCode, Question, ReasonCode
from auditor.model.coverage import Cause, Coverage, Shortfall, Stop
from auditor.model.order import LogKind, LogRead, Order
from auditor.model.signal import HourFacts, NightFacts, SignalFacts
from auditor.model.study import Study


class Reason(Struct, frozen=True):
    """One reason for the outcome, in a sentence: ours, or a finding's that bears on an answer."""

    code: ReasonCode | FindingCode
    text: str
    question: Question | None = None


AnswerState = Literal["yes", "look", "no", "unknown"]


class Answer(Struct, frozen=True):
    """One of the four questions that an audit answers: its state, and one plain sentence why."""

    question: Question
    state: AnswerState
    text: str


class Decision(Struct, frozen=True):
    """What the files suggest; people decide. ``needed_ns`` is ``None`` without an order.

    ``answers`` holds all four in the order of ``Question``; the outcome is the worst of them.
    """

    outcome: DecisionOutcome
    headline: str
    reasons: tuple[Reason, ...]
    needed_ns: int | None
    answers: tuple[Answer, ...]


class Since(Struct, frozen=True):
    """What a study that goes on has gained since its last audit, made at ``audited_utc``.

    ``recorded_ns`` and ``files`` are counted time and counted files more than then; below 0 where
    less is counted now.
    """

    audited_utc: str
    recorded_ns: int
    files: int


class InputUsed(Struct, frozen=True):
    """A file that decided something beside the recordings, with its checksum."""

    kind: Literal["order", "monitoring", "video", "policy"]
    name: str
    sha256: Ours


class SecondReading(Struct, frozen=True):
    """What another library says of one file. ``agrees`` is ``None`` where it refused the file."""

    file: Named
    library: Ours
    version: Ours
    recorded_ns: int | None
    agrees: bool | None
    note: str
    start_civil_ns: Instant | None = None
    records: int | None = None


class PlacedAnnotation(Struct, frozen=True):
    """An annotation on the study axis. ``text`` is untrusted. ``in_recording`` tells a gap."""

    at: Instant
    duration_ns: int | None
    text: Event
    file: Named
    in_recording: bool


class PowerPlan(Struct, frozen=True):
    """Whether the set-up lasts, by the lab's own figures. Durations in nanoseconds after hook-up.

    ``lasts_ns`` counts spare batteries that are changed to. ``reserve_ns`` is what the policy wants
    left over, ``None`` where it asks for none; ``enough`` says that ``lasts_ns`` reaches
    ``ordered_ns`` and the reserve.
    """

    lasts_ns: int
    ordered_ns: int
    reserve_ns: int | None
    enough: bool
    advice: tuple[str, ...]
    comparison: str = ""
    """How the plan fits the measured end of the recording, in words; empty without a study."""
    would_last: tuple[str, ...] = ()
    cautions: tuple[str, ...] = ()
    other_ends: tuple[tuple[str, int], ...] = ()
    """When power would run out if one thing were other than entered: (what, ns)."""


class Advice(Struct, frozen=True):
    """One thing to change at the next hook-up, tied to what shows the need."""

    text: str
    evidence: str


PersonOutcome = Literal["accept", "accept-short", "extend", "repeat", "void"]

PERSON_OUTCOMES: dict[PersonOutcome, str] = {
    "accept": "Accepted",
    "accept-short": "Accepted, short of the order",
    "extend": "To be extended",
    "repeat": "To be repeated",
    "void": "Void: not to be used",
}
"""What a person can decide about a study, in words."""

ReviewRole = Literal["technologist", "coder"]


class PersonDecision(Struct, frozen=True):
    """A decision that a person recorded (append-only). ``outcome`` is a ``PersonOutcome``.

    ``made_on_this_audit`` tells whether the person saw the numbers beside which it stands.
    """

    outcome: Ours
    by: Person
    note: str
    recorded_utc: Ours
    made_on_this_audit: bool = True

    @property
    def words(self) -> str:
        """The outcome in words."""
        return next((w for key, w in PERSON_OUTCOMES.items() if key == self.outcome), self.outcome)


class Review(Struct, frozen=True):
    """That a person read the audit, for their part (append-only)."""

    role: ReviewRole
    by: str
    note: str
    recorded_utc: str


class PolicyUsed(Struct, frozen=True):
    """The policy in force: its name, its file's checksum, and what it says of itself."""

    name: str
    sha256: str
    checked: str
    publisher: str


class RuleLine(Struct, frozen=True):
    """One threshold in force: what, its value in words, its source, its mark."""

    subject: str
    value: str
    source: str
    mark: str
    checked: str = ""


class Facts(Struct, frozen=True):
    """All that was read and measured of one study; ``judge`` needs nothing else of the inputs.

    ``findings`` are those that reading and measuring gave. What texts of files, orders and people
    there are lies in these values alone, so that one step can take them out before any sentence is
    made from them.
    """

    study: Study
    coverage: Coverage
    annotations: tuple[PlacedAnnotation, ...]
    signal: SignalFacts
    order: Order | None
    logs: Mapping[LogKind, LogRead]
    second_readers: tuple[SecondReading, ...]
    inputs: tuple[InputUsed, ...]
    findings: tuple[Finding, ...]


class Audit(Facts, frozen=True, kw_only=True):
    """The whole audit of one study: the facts, with all findings, and what they mean."""

    version: str
    generated_utc: str
    policy: PolicyUsed
    rules: tuple[RuleLine, ...]
    study_id: str | None
    patient_code: str | None
    recorder: str | None
    hookup: int | None
    planned_end: int | None
    hours: tuple[HourFacts, ...]
    nights: tuple[NightFacts, ...]
    shortfall: Shortfall | None
    stop: Stop
    gap_causes: tuple[Cause, ...]
    """Why each gap is there, in the order of ``coverage.gaps``."""
    billing: Billing | None
    monitoring: Monitoring | None
    video: Video | None
    power: PowerPlan | None
    next_hookup: tuple[Advice, ...]
    decision: Decision
    cautions: tuple[str, ...]
    redacted: bool = False
    person_decisions: tuple[PersonDecision, ...] = ()
    since: Since | None = None
