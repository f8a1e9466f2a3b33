"""Settings of the desk's watched folders."""

from __future__ import annotations

from typing import Annotated

from auditor.policy.sourced import Section
from auditor.policy.values import (
    MORE_THAN_0,
    Seconds,
)


class DeskSettings(Section, frozen=True, kw_only=True):
    """``[desk]``: when a study that arrived in a watched folder is audited by itself."""

    quiet_ns: Annotated[
        Seconds,
        MORE_THAN_0,
        "A study is audited by itself when its files have not changed for this long.",
    ]
