"""What could be read: usable and clean time by channel and hour, from one pass over the samples."""

from auditor.signal.findings import study_findings
from auditor.signal.study import scan_study
from auditor.signal.summary import fewest_channels

__all__ = ["fewest_channels", "scan_study", "study_findings"]
