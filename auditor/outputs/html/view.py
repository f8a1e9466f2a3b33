"""What the templates need beside the audit: pictures, shortened lists, words for codes."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any, Generic, TypeVar

from auditor.model import SEVERITIES, Audit
from auditor.outputs.html.channels import draw_channels
from auditor.outputs.html.picture import draw, shares

T = TypeVar("T")
LIMIT = 500
"""Rows of a long list on the page; the files beside it hold them all."""
FOLD = 40
"""Longer tables are folded."""

OUTCOMES = {
    "complete": "Complete",
    "review": "Review",
    "repeat": "Repeat",
    "so_far": "So far",
}
SEVERITY_WORDS = {"problem": "Problem", "caution": "Caution", "info": "For information"}
STOP_WORDS = {
    "as_ordered": "The recording ended as ordered",
    "early": "The recording ended before the planned end",
    "late": "The recording ran on after the planned end",
    "unknown": "The planned end is not known",
}
LEVEL_WORDS = {
    "unmonitored": "unmonitored",
    "intermittent": "intermittent monitoring",
    "continuous": "continuous monitoring",
    None: "not documented",
}
ROLE_WORDS = {"counted": "counted", "set_aside": "set aside", "unreadable": "not readable"}
MODE_WORDS = {"card": "to the card", "card+computer": "to card and computer at once"}


@dataclass(frozen=True, slots=True)
class Listing(Generic[T]):
    """The first rows of a list, how many there are, and the file that holds them all."""

    rows: tuple[T, ...]
    total: int
    file: str

    @property
    def cut(self) -> bool:
        """Whether rows were left out."""
        return self.total > len(self.rows)

    @property
    def folded(self) -> bool:
        """Whether the table is long enough to be folded."""
        return len(self.rows) > FOLD


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the ordered hours: its share of the bar in hundredths of a percent."""

    key: str
    name: str
    ns: int
    x: int
    w: int
    missing: bool


def listing(items: Sequence[T], file: str, limit: int = LIMIT) -> Listing[T]:
    """The first ``limit`` of ``items``."""
    return Listing(tuple(items[:limit]), len(items), file)


def view(audit: Audit) -> dict[str, Any]:
    """The names that the templates use."""
    picture = draw(audit)
    gaps = audit.coverage.gaps
    order = {severity: rank for rank, severity in enumerate(reversed(SEVERITIES))}
    findings = sorted(audit.findings, key=lambda f: order[f.severity])
    return {
        "audit": audit,
        "picture": picture,
        "channels": draw_channels(audit),
        "parts": _parts(audit),
        "outcome": OUTCOMES[audit.decision.outcome],
        "findings": listing(findings, "audit.json"),
        "severities": [
            (s, SEVERITY_WORDS[s], sum(f.severity == s for f in findings))
            for s in reversed(SEVERITIES)
        ],
        "gaps": listing(gaps, "gaps.csv"),
        "longest_gap": max(range(len(gaps)), key=lambda i: gaps[i].duration) if gaps else None,
        "segments": listing(audit.coverage.segments, "segments.csv"),
        "files": listing(audit.study.files, "files.csv"),
        "unreadable": listing(audit.study.unreadable, "files.csv"),
        "inputs": listing(_inputs(audit), "files.csv"),
        "other_files": listing(audit.study.other_files, "the study's folder", 50),
        "hours": listing(audit.hours, "hours.csv"),
        "annotations": listing(audit.annotations, "audit.json"),
        "bad_stretches": listing(audit.signal.bad_stretches, "audit.json"),
        "checks": listing(
            () if audit.monitoring is None else audit.monitoring.checks, "audit.json"
        ),
        "lapses": listing(
            () if audit.monitoring is None else audit.monitoring.lapses, "audit.json"
        ),
        "second_readers": listing(audit.second_readers, "audit.json"),
        "rules": listing(audit.rules, "audit.json"),
        "severity_words": SEVERITY_WORDS,
        "stop_words": STOP_WORDS,
        "level_words": LEVEL_WORDS,
        "role_words": ROLE_WORDS,
        "mode_words": MODE_WORDS,
    }


def _parts(audit: Audit) -> tuple[Part, ...]:
    """Where the ordered hours went. The durations sum to the order, the widths to the bar."""
    split = audit.shortfall
    if split is None:
        return ()
    named = (
        ("recorded", "Recorded", split.recorded_inside_ns, False),
        ("late", "Late start", split.late_start_ns, True),
        ("gaps", "Gaps", split.gaps_ns, True),
        ("dropouts", "Dropouts", split.dropouts_ns, True),
        ("early", "Early stop", split.early_stop_ns, True),
    )
    widths = shares([ns for _, _, ns, _ in named])
    x, parts = 0, []
    for (key, name, ns, is_missing), w in zip(named, widths, strict=True):
        parts.append(Part(key, name, ns, x, w, is_missing))
        x += w
    return tuple(parts)


def _inputs(audit: Audit) -> list[tuple[str, int | None, str | None]]:
    """(name, bytes, checksum) of every file named in the audit."""
    readable = [
        (f.recording.name, f.recording.size_bytes, f.recording.sha256) for f in audit.study.files
    ]
    return [*readable, *((f.name, f.size_bytes, f.sha256) for f in audit.study.unreadable)]
