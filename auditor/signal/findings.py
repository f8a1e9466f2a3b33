"""What a person should know about the signals."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.model import Coverage, Finding, SignalFacts, Study
from auditor.policy.signal import SignalSettings
from auditor.signal.summary import Placed

VOCABULARY: dict[str, str] = {}


def signal_findings(
    facts: SignalFacts,
    placed: Sequence[Placed],
    study: Study,
    coverage: Coverage,
    settings: SignalSettings,
) -> tuple[Finding, ...]:
    """Findings of the scan."""
    return ()
