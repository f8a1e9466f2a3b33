"""Findings of one file, collected while it is read; header faults are summed by kind."""

from __future__ import annotations

from dataclasses import dataclass, field

from auditor.core.text import printable
from auditor.model import Finding, FindingCode, Severity

SHOWN = 5
"""Examples given in one finding; the rest is counted."""


def some(count: int, one: str, many: str | None = None) -> str:
    """'1 record' or '7 records'; ``many`` where more than an s is added ('7 records state')."""
    return f"{count} {one if count == 1 else many or one + 's'}"


@dataclass(frozen=True, slots=True)
class _Kind:
    severity: Severity
    text: str
    expected: str
    action: str


_FIELD_KINDS: dict[FindingCode, _Kind] = {
    "header_not_ascii": _Kind(
        "caution",
        "bytes other than printable ASCII characters. The text is read as it stands",
        "ASCII characters 32 to 126, padded with spaces",
        "Check the texts that they hold; the durations do not depend on them.",
    ),
    "header_not_left_justified": _Kind(
        "info",
        "spaces in front of the text. It is read all the same",
        "text at the left, spaces at the right",
        "Nothing to do.",
    ),
    "channel_scale_unreadable": _Kind(
        "caution",
        "no usable number: these channels cannot be scaled to their unit. Durations do not "
        "depend on it",
        "numbers with a decimal point, in plain digits",
        "Do not trust the amplitudes of these channels.",
    ),
    "channel_scale_wrong": _Kind(
        "caution",
        "limits that cannot be scaled by: the digital maximum must exceed the minimum, within "
        "the range of the samples, and the two physical limits must differ. Durations do not "
        "depend on it",
        "digital maximum above digital minimum, physical limits that differ",
        "Do not trust the amplitudes of these channels.",
    ),
    "annotation_label_other": _Kind(
        "info",
        "the mark of an annotation signal written in another way than this format's. It is "
        "read as annotations",
        "'EDF Annotations' in EDF+, 'BDF Annotations' in BDF+",
        "Nothing to do.",
    ),
    "subfields_missing": _Kind(
        "info",
        "not the subfields that EDF+ and BDF+ want there. What they would say (patient code, "
        "start date) is taken from elsewhere or not known",
        "patient: code, sex, birth date, name; recording: Startdate, date, code, technician, "
        "equipment; X for what is unknown",
        "Nothing to do.",
    ),
    "channel_without_samples": _Kind(
        "caution",
        "0 samples per record: these channels hold no signal",
        "at least 1 sample per record",
        "Check which channels the recorder was set up to record.",
    ),
}


@dataclass
class Notes:
    """Collects findings for the file ``name`` (untrusted text)."""

    name: str
    _findings: list[Finding] = field(default_factory=list)
    _fields: dict[FindingCode, list[str]] = field(default_factory=dict)

    def add(
        self,
        code: FindingCode,
        severity: Severity,
        text: str,
        *,
        at: str = "",
        expected: str = "",
        observed: str = "",
        action: str = "",
    ) -> None:
        """Add one finding; ``at`` says where in the file (field, byte, record)."""
        self._findings.append(
            Finding(
                code,
                severity,
                self._where(at),
                text,
                expected,
                printable(observed),
                action,
                self.name,
            )
        )

    def field(self, code: FindingCode, field_name: str, offset: int, observed: str) -> None:
        """Add one header field to the finding ``code``, which counts them all."""
        self._fields.setdefault(code, []).append(
            f"{field_name} (byte {offset}): {printable(observed, 40)!r}"
        )

    def take(self, other: Notes) -> None:
        """Take over what ``other`` collected."""
        self._findings += other._findings
        for code, places in other._fields.items():
            self._fields.setdefault(code, []).extend(places)

    def findings(self) -> tuple[Finding, ...]:
        """Everything collected, header faults first."""
        summed = []
        for code, places in self._fields.items():
            kind = _FIELD_KINDS[code]
            more = f" and {len(places) - SHOWN} more" if len(places) > SHOWN else ""
            count = some(len(places), "header field has", "header fields have")
            summed.append(
                Finding(
                    code,
                    kind.severity,
                    self._where("header"),
                    f"{count} {kind.text}.",
                    kind.expected,
                    "; ".join(places[:SHOWN]) + more,
                    kind.action,
                    self.name,
                )
            )
        return (*summed, *self._findings)

    def _where(self, at: str) -> str:
        return f"{printable(self.name)}, {at}" if at else printable(self.name)
