"""Settings of ``[signal]``: how channel states are judged."""

from __future__ import annotations

from auditor.toml_input import Strict


class SignalSettings(Strict):
    """``[signal]``: how channel states are judged."""
