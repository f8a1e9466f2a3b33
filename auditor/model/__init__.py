"""Frozen values that pass between the rooms. No room's logic lives here.

Every instant and duration inside the auditor is an ``int`` number of nanoseconds. Instants lie on
the *study axis*: nanoseconds since 1970-01-01T00:00:00, absolute (UTC) where the study's time zone
is known and civil ("as the stamps stand") where it is not; ``auditor.core.clock.Axis`` converts.
"""

from auditor.core.intervals import Int64, Interval
from auditor.model.audit import (
    Advice,
    Answer,
    AnswerState,
    Audit,
    Decision,
    InputUsed,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    PowerStep,
    Reason,
    RuleLine,
    SecondReading,
)
from auditor.model.billing import (
    Alternative,
    Billing,
    DayCode,
    DecisionOutcome,
    Lapse,
    Minimum,
    Monitoring,
    Period,
    Professional,
    Setup,
    Shorter,
    Technical,
    Unit,
    Video,
)
from auditor.model.byte_source import ByteSource, Opener
from auditor.model.codes import (
    SEVERITIES,
    CauseCode,
    Finding,
    FindingCode,
    Question,
    Rank,
    ReasonCode,
    Severity,
    finding,
)
from auditor.model.coverage import CopyCoverage, Coverage, Gap, Segment, Shortfall, Stop, Track
from auditor.model.lists import Share, StudyFolder, Trend, TrendGroup, WorkRow
from auditor.model.order import (
    Corrections,
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
    "SEVERITIES", "Advice", "Alternative", "Annotation", "Answer", "AnswerState", "Audit",
    "BadStretch", "Billing", "ByteSource", "CauseCode", "Channel", "ChannelFacts",
    "CopyCoverage", "Corrections", "Coverage", "DayCode", "Decision", "DecisionOutcome",
    "Finding", "FindingCode", "Format", "Gap", "HeaderClaim", "HourFacts", "InputUsed", "Int64",
    "Interval", "Lapse", "Minimum", "MissingPiece", "Monitoring", "MonitoringCheck",
    "MonitoringLevel", "NightFacts", "Opener", "Order", "PatientField", "Period",
    "PersonDecision", "Pieces", "PlacedAnnotation", "PolicyUsed", "PowerMode", "PowerPlan",
    "PowerSetup", "PowerStep", "Professional", "Question", "Rank", "Reason", "ReasonCode",
    "Recording", "RecordingField", "Role", "RuleLine", "SecondReading", "Segment", "Setup",
    "Severity", "Share", "Shorter", "Shortfall", "SignalFacts", "Stop", "Study", "StudyCopy",
    "StudyFile", "StudyFolder", "Technical", "TimeMap", "Track", "Trend", "TrendGroup", "Unit",
    "UnknownStart", "UnreadableFile", "Video", "WorkRow", "finding", "is_reference",
]  # fmt: skip
