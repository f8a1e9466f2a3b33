"""What could be read: usable time by channel and hour, from one pass over the samples."""

from auditor.signal.study import scan_study

__all__ = ["scan_study"]
