"""The audit: every fact once. HTML, JSON, CSV and the terminal only render it."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

from auditor.model.billing import Billing, DecisionOutcome, Monitoring, Video
from auditor.model.codes import Finding, FindingCode, Question, ReasonCode
from auditor.model.coverage import Cause, Coverage, Shortfall, Stop
from auditor.model.order import LogRead, Order
from auditor.model.signal import HourFacts, NightFacts, SignalFacts
from auditor.model.study import Study


@dataclass(frozen=True, slots=True)
class Reason:
    """One reason for the outcome, in a sentence: ours, or a finding's that bears on an answer."""

    code: ReasonCode | FindingCode
    text: str
    question: Question | None = None


AnswerState = Literal["yes", "look", "no", "unknown"]


@dataclass(frozen=True, slots=True)
class Answer:
    """One of the four questions that an audit answers: its state, and one plain sentence why."""

    question: Question
    state: AnswerState
    text: str


@dataclass(frozen=True, slots=True)
class Decision:
    """What the files suggest; people decide. ``needed_ns`` is ``None`` without an order.

    ``answers`` holds all four in the order of ``Question``; the outcome is the worst of them.
    """

    outcome: DecisionOutcome
    headline: str
    reasons: tuple[Reason, ...]
    needed_ns: int | None
    answers: tuple[Answer, ...]


@dataclass(frozen=True, slots=True)
class Since:
    """What a study that goes on has gained since its last audit, made at ``audited_utc``.

    ``recorded_ns`` and ``files`` are counted time and counted files more than then; below 0 where
    less is counted now.
    """

    audited_utc: str
    recorded_ns: int
    files: int


@dataclass(frozen=True, slots=True)
class InputUsed:
    """A file that decided something beside the recordings, with its checksum."""

    kind: Literal["order", "monitoring", "video", "policy"]
    name: str
    sha256: str


@dataclass(frozen=True, slots=True)
class SecondReading:
    """What another library says of one file. ``agrees`` is ``None`` where it refused the file."""

    file: str
    library: str
    version: str
    recorded_ns: int | None
    agrees: bool | None
    note: str
    start_civil_ns: int | None = None
    records: int | None = None


@dataclass(frozen=True, slots=True)
class PlacedAnnotation:
    """An annotation on the study axis. ``text`` is untrusted. ``in_recording`` tells a gap."""

    at: int
    duration_ns: int | None
    text: str
    file: str
    in_recording: bool


@dataclass(frozen=True, slots=True)
class PowerPlan:
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


@dataclass(frozen=True, slots=True)
class Advice:
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


@dataclass(frozen=True, slots=True)
class PersonDecision:
    """A decision that a person recorded (append-only). ``outcome`` is a ``PersonOutcome``.

    ``made_on_this_audit`` tells whether the person saw the numbers beside which it stands.
    """

    outcome: str
    by: str
    note: str
    recorded_utc: str
    made_on_this_audit: bool = True

    @property
    def words(self) -> str:
        """The outcome in words."""
        return next((w for key, w in PERSON_OUTCOMES.items() if key == self.outcome), self.outcome)


@dataclass(frozen=True, slots=True)
class Review:
    """That a person read the audit, for their part (append-only)."""

    role: ReviewRole
    by: str
    note: str
    recorded_utc: str


@dataclass(frozen=True, slots=True)
class PolicyUsed:
    """The policy in force: its name, its file's checksum, and what it says of itself."""

    name: str
    sha256: str
    checked: str
    publisher: str


@dataclass(frozen=True, slots=True)
class RuleLine:
    """One threshold in force: what, its value in words, its source, its mark."""

    subject: str
    value: str
    source: str
    mark: str
    checked: str = ""


@dataclass(frozen=True, slots=True)
class Audit:
    """The whole audit of one study."""

    version: str
    generated_utc: str
    policy: PolicyUsed
    rules: tuple[RuleLine, ...] = field(repr=False)
    study: Study = field(repr=False)
    study_id: str | None
    patient_code: str | None
    recorder: str | None
    order: Order | None
    hookup: int | None
    planned_end: int | None
    coverage: Coverage
    hours: tuple[HourFacts, ...] = field(repr=False)
    nights: tuple[NightFacts, ...]
    shortfall: Shortfall | None
    stop: Stop
    gap_causes: tuple[Cause, ...] = field(repr=False)
    """Why each gap is there, in the order of ``coverage.gaps``."""
    signal: SignalFacts = field(repr=False)
    billing: Billing | None
    monitoring: Monitoring | None
    video: Video | None
    power: PowerPlan | None
    next_hookup: tuple[Advice, ...]
    decision: Decision
    second_readers: tuple[SecondReading, ...]
    annotations: tuple[PlacedAnnotation, ...] = field(repr=False)
    findings: tuple[Finding, ...] = field(repr=False)
    cautions: tuple[str, ...] = field(repr=False)
    redacted: bool = False
    inputs: tuple[InputUsed, ...] = ()
    logs: tuple[LogRead, ...] = ()
    """What the logs of checks and video said, taken or not."""
    person_decisions: tuple[PersonDecision, ...] = ()
    since: Since | None = None
