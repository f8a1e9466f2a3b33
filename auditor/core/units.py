"""Units of time in integer nanoseconds."""

NS = 1_000_000_000
"""Nanoseconds in a second."""
MINUTE = 60 * NS
HOUR = 3600 * NS
DAY = 24 * HOUR
PPM = 1_000_000
"""The whole of a share in parts per million."""
