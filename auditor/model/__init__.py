"""Frozen values that pass between the rooms. No room's logic lives here."""

from auditor.core.intervals import Int64, Interval
from auditor.model.audit import (
    Advice,
    Audit,
    Decision,
    PersonDecision,
    PlacedAnnotation,
    PolicyUsed,
    PowerPlan,
    PowerStep,
    Reason,
    RuleLine,
    SecondReading,
)
from auditor.model.base import SEVERITIES, Finding, Severity
from auditor.model.billing import (
    Alternative,
    Billing,
    DayCode,
    DecisionOutcome,
    Lapse,
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
from auditor.model.coverage import CopyCoverage, Coverage, Gap, Segment, Shortfall, Stop, Track
from auditor.model.lists import Share, StudyFolder, Trend, TrendGroup, WorkRow
from auditor.model.order import (
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
)
from auditor.model.signal import BadStretch, ChannelFacts, HourFacts, NightFacts, SignalFacts
from auditor.model.study import Role, Study, StudyCopy, StudyFile, TimeMap

__all__ = [
    "SEVERITIES", "Advice", "Alternative", "Annotation", "Audit",
    "BadStretch", "Billing", "ByteSource", "Channel", "ChannelFacts", "CopyCoverage", "Coverage",
    "DayCode", "Decision", "DecisionOutcome", "Finding", "Format", "Gap", "HeaderClaim",
    "HourFacts", "Int64", "Interval", "Lapse", "Monitoring", "MonitoringCheck", "MonitoringLevel",
    "NightFacts", "Opener", "Order", "PatientField", "Period", "PersonDecision", "PlacedAnnotation",
    "PolicyUsed", "PowerMode", "PowerPlan", "PowerSetup", "PowerStep", "Professional", "Reason",
    "Recording", "RecordingField", "Role", "RuleLine", "SecondReading", "Segment", "Setup",
    "Severity", "Share", "Shorter", "Shortfall", "SignalFacts", "Stop", "Study", "StudyCopy",
    "StudyFile", "StudyFolder", "Technical", "TimeMap", "Track", "Trend", "TrendGroup", "Unit",
    "UnknownStart", "UnreadableFile", "Video", "WorkRow",
]  # fmt: skip
