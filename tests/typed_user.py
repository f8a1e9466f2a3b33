"""A lab's own program on the public interface, as the type checker sees it; see test_typed_use."""

from __future__ import annotations

from pathlib import Path

import auditor
from auditor.model import Answer, Audit, Decision, Gap


def worst_first(folder: Path) -> list[tuple[str, str]]:
    audits: dict[str, Audit] = {}
    for study in sorted(folder.iterdir()):
        try:
            audits[study.name] = auditor.audit_study(
                study, ordered_hours=72, timezone="America/Denver", second_readers=False
            )
        except auditor.AuditorError as error:
            print(study.name, error)
    told: list[tuple[str, str]] = []
    for name, audit in audits.items():
        decision: Decision = audit.decision
        answers: tuple[Answer, ...] = decision.answers
        if any(answer.state != "yes" for answer in answers):
            told.append((name, decision.headline))
    return told


def longest(audit: Audit) -> Gap | None:
    return max(audit.coverage.gaps, key=lambda gap: gap.duration, default=None)


def hours(audit: Audit) -> float:
    table = auditor.tables(audit)["hours"]
    return float(table["recorded_s"].sum()) / 3600


def main(folder: str) -> None:
    for name, headline in worst_first(Path(folder)):
        print(f"{name}: {headline}")
    audit = auditor.audit_study([Path(folder) / "a.edf"], order=Path(folder) / "order.toml")
    assert audit.coverage.recorded_ns > 0
    auditor.write_audit(audit, "audit-a", force=True)
