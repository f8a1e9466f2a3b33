"""Settings of ``[billing]``, ``[monitoring]`` and ``[video]``: thresholds as data."""

from __future__ import annotations

from auditor.toml_input import Strict


class MonitoringSettings(Strict):
    """``[monitoring]``: how often a documented check is needed, and what counts as one."""


class VideoSettings(Strict):
    """``[video]``: the share of recorded time that video must cover."""


class BillingSettings(Strict):
    """``[billing]``: codes with their time limits, each with its source and mark."""
