"""Exit statuses of the command line. Outside scripts rely on them."""

COMPLETE = 0
"""The audit is written and the outcome is ``complete``."""
ACT = 1
"""The audit is written and a person must act."""
FAILED = 2
"""Wrong use, or nothing readable: no audit is written."""
STOPPED = 130
"""Stopped from the keyboard."""
