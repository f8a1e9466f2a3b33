"""Settings of ``[power]``: default figures of the power set-up."""

from __future__ import annotations

from auditor.toml_input import Strict


class PowerSettings(Strict):
    """``[power]``: default figures of the power set-up."""
