"""Values that every room shares: instants, intervals and findings.

Every instant and duration inside the auditor is an ``int`` number of nanoseconds. Instants lie on
the *study axis*: nanoseconds since 1970-01-01T00:00:00, absolute (UTC) where the study's time zone
is known and civil ("as the stamps stand") where it is not; ``auditor.core.clock.Axis`` converts.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from auditor.core.intervals import Interval

Severity = Literal["info", "caution", "problem"]
SEVERITIES: tuple[Severity, ...] = ("info", "caution", "problem")


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing a person should know about the study.

    ``text`` is complete by itself: what it is, what it does to the numbers. ``action`` says what to
    do. A ``problem`` puts a number in doubt or says that recorded data are missing or untrustworthy
    and keeps the outcome from being ``complete``. ``other_recorded_ns`` is the study's recorded
    time under the other reading, where two readings are possible.
    """

    code: str
    severity: Severity
    where: str
    text: str
    expected: str = ""
    observed: str = ""
    action: str = ""
    file: str | None = None
    span: Interval | None = None
    other_recorded_ns: int | None = None
