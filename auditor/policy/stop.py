"""Settings of ``[stop]``: why a recording stopped, and the causes of gaps."""

from __future__ import annotations

from auditor.toml_input import Strict


class StopSettings(Strict):
    """``[stop]``: why a recording stopped, and the causes of gaps."""
