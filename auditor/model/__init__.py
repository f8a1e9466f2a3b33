"""Frozen values that pass between the rooms. No room's logic lives here.

Every instant and duration inside the auditor is an ``int`` number of nanoseconds. Instants lie on
the *study axis*: nanoseconds since 1970-01-01T00:00:00, absolute (UTC) where the study's time zone
is known and civil ("as the stamps stand") where it is not; ``auditor.core.clock.Axis`` converts.
"""

from auditor.core.intervals import Int64, Interval
from auditor.model.audit import (
    PERSON_OUTCOMES,
    Advice,
    Answer,
    AnswerState,
    Audit,
    Decision,
    InputUsed,
    PersonDecision,
    PersonOutcome,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    Reason,
    Review,
    ReviewRole,
    RuleLine,
    SecondReading,
    Since,
)
from auditor.model.billing import (
    Billing,
    DayCode,
    DecisionOutcome,
    End,
    Interpretation,
    Lapse,
    Minimum,
    Monitoring,
    Period,
    Professional,
    Setup,
    Shorter,
    Source,
    Technical,
    Unit,
    Video,
    VideoPeriod,
)
from auditor.model.byte_source import ByteSource, FileState, Opener
from auditor.model.codes import (
    CAUSES,
    SEVERITIES,
    CauseCode,
    Finding,
    FindingCode,
    Question,
    Rank,
    ReasonCode,
    SetAsideCode,
    Severity,
    finding,
)
from auditor.model.coverage import (
    Cause,
    CopyCoverage,
    Coverage,
    Gap,
    Segment,
    Shortfall,
    Stop,
    Track,
)
from auditor.model.lists import Pattern, Share, StudyFolder, Trend, TrendGroup, WorkRow
from auditor.model.order import (
    MOST_ORDERED,
    Corrections,
    LogKind,
    LogRead,
    MonitoringCheck,
    MonitoringLevel,
    Order,
    PowerMode,
    PowerSetup,
)
from auditor.model.recording import (
    Annotation,
    Channel,
    Format,
    HeaderClaim,
    PatientField,
    Recording,
    RecordingField,
    UnknownStart,
    UnreadableFile,
    is_reference,
)
from auditor.model.signal import BadStretch, ChannelFacts, HourFacts, NightFacts, SignalFacts
from auditor.model.study import MissingPiece, Pieces, Role, Study, StudyCopy, StudyFile, TimeMap

__all__ = [
    "CAUSES", "MOST_ORDERED", "PERSON_OUTCOMES", "SEVERITIES", "Advice", "Annotation", "Answer",
    "AnswerState", "Audit", "BadStretch", "Billing", "ByteSource", "Cause", "CauseCode", "Channel",
    "ChannelFacts", "CopyCoverage", "Corrections", "Coverage", "DayCode", "Decision",
    "DecisionOutcome", "End", "FileState", "Finding", "FindingCode", "Format", "Gap", "HeaderClaim",
    "HourFacts", "InputUsed", "Int64", "Interpretation", "Interval", "Lapse", "LogKind", "LogRead",
    "Minimum", "MissingPiece", "Monitoring", "MonitoringCheck", "MonitoringLevel", "NightFacts",
    "Opener", "Order", "PatientField", "Pattern", "Period", "PersonDecision", "PersonOutcome",
    "Pieces", "PlacedAnnotation", "PolicyUsed", "PowerMode", "PowerPlan", "PowerSetup",
    "Professional", "Question", "Rank", "Reason", "ReasonCode", "Recording", "RecordingField",
    "Review", "ReviewRole", "Role", "RuleLine", "SecondReading", "Segment", "SetAsideCode", "Setup",
    "Severity", "Share", "Shorter", "Shortfall", "SignalFacts", "Since", "Source", "Stop", "Study",
    "StudyCopy", "StudyFile", "StudyFolder", "Technical", "TimeMap", "Track", "Trend", "TrendGroup",
    "Unit", "UnknownStart", "UnreadableFile", "Video", "VideoPeriod", "WorkRow", "finding",
    "is_reference",
]  # fmt: skip
