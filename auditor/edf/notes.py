"""Findings of one file, collected while it is read; header faults are summed by kind."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

from auditor.core.errors import RecordingError
from auditor.core.text import Own, printable, quantity
from auditor.model import Finding, FindingCode, Severity, finding
from auditor.model.codes import Value

SHOWN = 5
"""Examples given in one finding; the rest is counted."""


@dataclass
class Notes:
    """Collects findings for the file ``name`` (untrusted text)."""

    name: str
    _findings: list[Finding] = field(default_factory=list)
    _fields: dict[FindingCode, list[str]] = field(default_factory=dict)

    def add(
        self,
        code: FindingCode,
        *,
        at: str = "",
        form: str = "",
        severity: Severity | None = None,
        **values: Value,
    ) -> None:
        """Add one finding; ``at`` says where in the file (field, byte, record)."""
        shown: dict[str, Any] = {
            name: printable(v) if isinstance(v, str) and not isinstance(v, Own) else v
            for name, v in values.items()
        }
        where = self._where(at)
        self._findings.append(
            finding(code, where, form=form, severity=severity, file=self.name, **shown)
        )

    def field(self, code: FindingCode, field_name: str, offset: int, observed: str) -> None:
        """Add one header field to the finding ``code``, which counts them all."""
        self._fields.setdefault(code, []).append(
            f"{field_name} (byte {offset}): {printable(observed, 40)!r}"
        )

    def error(
        self, field_name: str, offset: int, observed: str, problem: str, expected: str
    ) -> RecordingError:
        """The error that names a header field, its byte, what stands there and what is expected."""
        return RecordingError(
            self.name,
            f"header field '{field_name}' (byte {offset}) {problem}: '{printable(observed)}', "
            f"expected {expected}",
            code="header_field_unreadable",
        )

    def take(self, other: Notes) -> None:
        """Take over what ``other`` collected."""
        self._findings += other._findings
        for code, places in other._fields.items():
            self._fields.setdefault(code, []).extend(places)

    def findings(self) -> tuple[Finding, ...]:
        """Everything collected, header faults first."""
        summed = (
            finding(
                code,
                self._where("header"),
                file=self.name,
                fields=quantity(
                    len(places), "header field", "has", "have", plural_noun="header fields"
                ),
                places=tuple(places[:SHOWN]),
                more=Own(f" and {len(places) - SHOWN} more" if len(places) > SHOWN else ""),
            )
            for code, places in self._fields.items()
        )
        return (*summed, *self._findings)

    def _where(self, at: str) -> str:
        return f"{printable(self.name)}, {at}" if at else printable(self.name)
