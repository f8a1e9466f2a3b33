"""Small builders for tests of billing, monitoring and video. All data are invented."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
from msgspec.structs import replace

from auditor.billing import BillingFacts, SetupChannels, billing_periods, measure_billing
from auditor.billing.monitoring import measure_monitoring
from auditor.billing.video import measure_video
from auditor.core.clock import Axis, civil_ns
from auditor.core.units import HOUR, MINUTE, NS
from auditor.coverage.timeline import measure_coverage
from auditor.model import (
    Billing,
    Coverage,
    Finding,
    Interval,
    LogRead,
    Monitoring,
    MonitoringCheck,
    MonitoringLevel,
    Order,
    Track,
    Unit,
    Video,
)
from auditor.policy import Policy, load_policy

POLICY = load_policy()
AXIS = Axis()


def hms(text: str) -> int:
    """'26:00:01' in nanoseconds."""
    hours, minutes, seconds = (int(part) for part in text.split(":"))
    return hours * HOUR + minutes * MINUTE + seconds * NS


def coverage_of(*pairs: tuple[int, int], floor: int = NS) -> Coverage:
    """Coverage of recorded intervals given in nanoseconds on the axis."""
    starts = np.array([a for a, _ in pairs], np.int64)
    ends = np.array([b for _, b in pairs], np.int64)
    return measure_coverage([Track("A", starts, ends, int((ends - starts).sum()))], floor)


def hours(*pairs: tuple[float, float], start: int = 0) -> Coverage:
    """Coverage of recorded intervals given in hours (multiples of 1/16 h stay exact)."""
    return coverage_of(*((start + int(a * HOUR), start + int(b * HOUR)) for a, b in pairs))


def order(
    ordered: int = 72 * HOUR,
    *,
    monitoring: MonitoringLevel | None = "unmonitored",
    video: bool | None = False,
) -> Order:
    return Order(ordered_ns=ordered, source="order file", monitoring=monitoring, video=video)


def bill(
    coverage: Coverage, *, policy: Policy = POLICY, axis: Axis = AXIS, given: Order | None = None,
    **known: object,
) -> Billing:  # fmt: skip
    """Billing without its findings, unmonitored and without video where no order is given."""
    return bill_and_findings(coverage, policy=policy, axis=axis, given=given, **known)[0]


def bill_and_findings(
    coverage: Coverage, *, policy: Policy = POLICY, axis: Axis = AXIS, given: Order | None = None,
    eeg_channels: int | None = None, **known: object,
) -> tuple[Billing, dict[str, Finding]]:  # fmt: skip
    wanted = order(coverage.recorded_ns) if given is None else given
    channels = None if eeg_channels is None else SetupChannels(eeg_channels)
    facts = BillingFacts(coverage, axis, wanted, channels=channels, **known)  # type: ignore[arg-type]
    billing, findings = measure_billing(facts, policy.billing)
    return billing, {f.code: f for f in findings}


def units(found: tuple[Unit, ...]) -> dict[str, int]:
    """Code to count."""
    return {unit.code: unit.count for unit in found}


def by_interpretation(billing: Billing, words: str) -> dict[str, int] | None:
    """Units of the interpretation whose words hold ``words``, ``None`` where it is not shown."""
    found = [one for one in billing.interpretations if words in one.words]
    assert len(found) <= 1, found
    return units(found[0].technical_totals) if found else None


def filmed(*pieces: Interval, coverage: Coverage, policy: Policy = POLICY) -> Video:
    """Video at ``pieces`` of the recording."""
    periods = billing_periods(coverage, AXIS, policy.billing)
    return measure_video(pieces, coverage, policy.video, periods, policy.billing)


def checks_at(*at: float, start: int = 0) -> list[MonitoringCheck]:
    """Checks at hours after ``start``."""
    return [MonitoringCheck(start + int(h * HOUR), "tech 4", "", "checks.csv") for h in at]


def log_of(checks: Sequence[MonitoringCheck], *, taken: bool = True) -> LogRead:
    """A log of ``checks`` as it was placed."""
    return LogRead("monitoring", "checks.csv", "", taken, "", tuple(checks))


def monitored(
    coverage: Coverage,
    checks: list[MonitoringCheck],
    level: MonitoringLevel | None = "intermittent",
    *,
    policy: Policy = POLICY,
    axis: Axis = AXIS,
    log_taken: bool = True,
) -> tuple[Monitoring, dict[str, Finding]]:
    periods = billing_periods(coverage, axis, policy.billing)
    log = log_of(checks, taken=log_taken)
    monitoring, findings = measure_monitoring(
        log, (), coverage, periods, order(monitoring=level), policy.monitoring
    )
    return monitoring, {f.code: f for f in findings}


def policy_from(folder: Path, text: str) -> Policy:
    """The default policy with the keys of ``text`` in their place."""
    path = folder / "policy.toml"
    path.write_text(text, encoding="utf-8")
    return load_policy(path)


def civil(*parts: int) -> int:
    """Civil nanoseconds of a date and time."""
    from datetime import datetime

    return civil_ns(datetime(*parts))  # type: ignore[arg-type]


def policy_with(**sections: dict[str, object] | object) -> Policy:
    """The default policy with keys of single tables of [billing], or whole values, replaced."""
    billing = POLICY.billing
    update = {
        name: replace(getattr(billing, name), **keys) if isinstance(keys, dict) else keys
        for name, keys in sections.items()
    }
    return replace(POLICY, billing=replace(billing, **update))


def stretch(a: float, b: float) -> Interval:
    """An interval given in hours."""
    return Interval(int(a * HOUR), int(b * HOUR))
