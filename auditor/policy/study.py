"""Settings of ``[study]``: copies, left-over files and clocks."""

from __future__ import annotations

from auditor.toml_input import Strict


class StudySettings(Strict):
    """``[study]``: copies, left-over files and clocks."""
