"""Settings of the desk's watched folders."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from auditor.policy.sourced import Section
from auditor.policy.toml import Seconds


class DeskSettings(Section):
    """``[desk]``: when a study that arrived in a watched folder is audited by itself."""

    quiet_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="quiet_s")
    """A study is audited by itself when its files have not changed for this long."""
