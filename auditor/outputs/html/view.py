"""What the templates need beside the audit: pictures, shortened lists, words for codes."""

from __future__ import annotations

from collections import Counter
from typing import Any

from msgspec import Struct

from auditor.core.durations import hms
from auditor.core.text import quantity, words
from auditor.core.units import MINUTE
from auditor.coverage.annotations import grouped
from auditor.model import SEVERITIES, Audit, Cause, ChannelFacts, Finding
from auditor.outputs.html.picture import LISTED, Row, draw, draw_channels, shares
from auditor.outputs.html.text import Clock, percent, sentence
from auditor.outputs.note import chart_note

OUTCOMES = {"complete": "Complete", "review": "Review", "repeat": "Repeat", "so_far": "So far"}
ANSWERS = {
    "order": "Ordered time recorded?",
    "readable": "EEG to read?",
    "billing": "Billing minimum met?",
    "files": "Files in order?",
}
STATES = {
    "yes": ("Yes", "complete"),
    "look": ("Look", "review"),
    "no": ("No", "repeat"),
    "unknown": ("Not known", "unknown"),
}
"""Word and sign of each state."""
RANKS = {
    "witness": "somebody or the recorder says so",
    "pattern": "a pattern of the files shows it",
    "coincidence": "it only fits",
}
WORDS = {
    "severity_words": {"problem": "Problem", "caution": "Caution", "info": "For information"},
    "stop_words": {
        "as_ordered": "The recording ended as ordered",
        "early": "The recording ended before the planned end",
        "late": "The recording ran on after the planned end",
        "so_far": "The study goes on",
        "unknown": "The planned end is not known",
    },
    "level_words": {
        "unmonitored": "unmonitored",
        "intermittent": "intermittent monitoring",
        "continuous": "continuous monitoring",
        None: "no level of monitoring",
    },
    "state_words": {
        "large": "too large",
        "mains": "mains artifact",
        "few_channels": "too few channels with signal",
    },
    "role_words": {"counted": "counted", "set_aside": "set aside", "unreadable": "not readable"},
    "mode_words": {"card": "to the card", "card+computer": "to card and computer at once"},
}
"""What the templates write for codes, by the name that they use."""


class Line(Struct, frozen=True):
    """One short line for billing; ``look`` where somebody must."""

    name: str
    word: str
    text: str
    look: bool = False


def view(audit: Audit) -> dict[str, Any]:
    """The names that the templates use."""
    known = audit.study.start_known
    clock = Clock(audit.study.axis, None if known else audit.coverage.first_start)
    picture = draw(audit)
    gaps = audit.coverage.gaps
    answers = audit.decision.answers
    said = " ".join([audit.decision.headline, *(a.text for a in answers)])
    monitoring = audit.monitoring
    return {
        "audit": audit,
        "chart_note": chart_note(audit),
        "clock": clock,
        "picture": picture,
        "any_artifact": any(isinstance(r, Row) and r.lanes["artifact"] for r in picture.rows),
        "channels": draw_channels(audit),
        "channel_said": lambda channel: channel_words(channel, clock),
        "channels_needed": _needed(audit),
        "parts": _parts(audit),
        "outcome": OUTCOMES[audit.decision.outcome],
        "answers": answers,
        "questions": ANSWERS,
        "states": STATES,
        "reasons": [r.text for r in audit.decision.reasons if r.text.rstrip(".") not in said],
        "billing_lines": billing_lines(audit),
        "period_notes": _period_notes(audit),
        "findings": _findings(audit),
        "cause": cause_words,
        "people": _people(audit),
        "events": grouped(audit.annotations),
        "gap_causes": Counter(c.likely_cause for c in audit.gap_causes).most_common(),
        "longest_gap": max(range(len(gaps)), key=lambda i: gaps[i].duration) if gaps else None,
        "inputs": _inputs(audit),
        "other_files": [
            n for n in audit.study.other_files if n not in {i.name for i in audit.inputs}
        ],
        "fills": [(copy.name, part) for copy in audit.coverage.copies for part in copy.filled],
        "video_periods": {} if audit.video is None else {p.index: p for p in audit.video.periods},
        "mon": monitoring if _checked(audit) else None,
        "lapses": () if monitoring is None else monitoring.lapses,
        **WORDS,
    }


def cause_words(cause: Cause) -> str:
    """The likely cause in words, with how strongly it is shown."""
    named = ", ".join(words(code) for code in (cause.likely_cause, *cause.also))
    return named if cause.rank is None else f"{named} ({RANKS[cause.rank]})"


def _needed(audit: Audit) -> str:
    """'15 of 19 EEG channels', or '8 EEG channels' where the whole is not known."""
    signal = audit.signal
    of = f" of {signal.montage_channels}" if signal.montage_channels else ""
    return f"{signal.needed_channels}{of} EEG channels"


def channel_words(channel: ChannelFacts, clock: Clock) -> str:
    """What a technologist should know of a channel, for beside its strip; empty for a good one."""
    if channel.lost_at is not None:
        return f"off from {clock.plain(channel.lost_at)} to the end"
    if channel.doubtful_from is not None:
        return f"in doubt from {clock.plain(channel.doubtful_from)} to the end"
    least = max(MINUTE, channel.recorded_ns // 100)
    kinds = (
        ("mains artifact", channel.mains_ns),
        ("too large", channel.large_ns),
        ("saturated", channel.saturated_ns),
        ("flat", channel.flat_ns),
    )
    return ", ".join(f"{name} {hms(ns, up=True)}" for name, ns in kinds if ns >= least)


def billing_lines(audit: Audit) -> list[Line]:
    """The minimum, the codes, checks, video and set-up, each in one short line for page 1."""
    billing = audit.billing
    if billing is None:
        return [Line("Codes", "", "none compared")]

    asked = [f for f in audit.findings if f.question == "billing"]

    def head(log: str, *beginnings: str) -> str:
        """What is to be looked at: of these codes, or of the log of this kind."""
        fitting = (
            f.headline
            for f in asked
            if f.code.startswith(beginnings) or (f.code.startswith("log_") and f.where == log)
        )
        return next(fitting, "")

    lines = []
    if billing.minimum is not None:
        least = billing.minimum
        goes_on = audit.stop.kind == "so_far"
        word = "Met" if least.met else "So far" if goes_on else "Not met"
        lines.append(Line("Minimum", word, least.text, look=not least.met and not goes_on))
    units = [f"{u.count} × {u.code}" for u in billing.technical_totals]
    if billing.professional.whole_study.code:
        units.append(f"whole study {billing.professional.whole_study.code}")
    if not units and billing.shorter is not None and billing.shorter.code:
        units.append(f"{billing.shorter.code} ({billing.shorter.band})")
    lines.append(Line("Codes", "", ", ".join(units) or "none"))
    lines.append(_checks_line(audit, head("monitoring", "monitoring", "check")))
    lines.append(_video_line(audit, head("video", "video")))
    setup = billing.setup
    note = setup.note.split(". ")[0]
    code = "" if setup.code in note else setup.code
    return [*lines, Line("Set-up", code, note, look=setup.supported is False)]


def _checks_line(audit: Audit, told: str) -> Line:
    monitoring = audit.monitoring
    if told:
        return Line("Checks", "", told, look=True)
    if monitoring is None or not _checked(audit):
        return Line("Checks", "", "none ordered")
    text = str(quantity(len(monitoring.checks), "check"))
    if monitoring.longest_interval_ns is not None:
        text += f", at most {hms(monitoring.longest_interval_ns, up=True)} without one"
    if monitoring.lapses:
        text += f"; {quantity(len(monitoring.lapses), 'interval')} too long"
    kept = monitoring.ordered in (None, "unmonitored", monitoring.supported)
    level = monitoring.ordered or "no level stated"
    return Line("Checks", level.capitalize(), text, look=bool(monitoring.lapses) or not kept)


def _checked(audit: Audit) -> bool:
    """Whether checks were documented, or ordered."""
    monitoring = audit.monitoring
    return monitoring is not None and (
        bool(monitoring.checks) or monitoring.ordered in ("intermittent", "continuous")
    )


def _video_line(audit: Audit, told: str) -> Line:
    if told:
        return Line("Video", "", told, look=True)
    if audit.video is None:
        ordered = audit.order is not None and bool(audit.order.video)
        return Line("Video", "", "ordered, none documented" if ordered else "none ordered", ordered)
    share, least = percent(audit.video.fraction_ppm), percent(audit.video.threshold_ppm)
    text = f"{share} of the recorded time; at least {least} needed"
    return Line("Video", "", text, look=not audit.video.meets)


def _period_notes(audit: Audit) -> list[tuple[str, str]]:
    """(numbers of the periods, note): what is said of several periods alike is said once."""
    periods: dict[str, list[int]] = {}
    for period in () if audit.billing is None else audit.billing.periods[:100]:
        for note in period.notes:
            periods.setdefault(note, []).append(period.index)
    return [(", ".join(map(str, numbers)), note) for note, numbers in periods.items()]


def _people(audit: Audit) -> list[tuple[str, list[str]]]:
    """(what, by whom) as the files and logs name them."""
    fields = [f.recording.header.recording_field for f in audit.study.counted]
    hooked = sorted({f.technician for f in fields if f.technician})
    checks = () if audit.monitoring is None else audit.monitoring.checks
    named = (("hook-up", hooked), ("checks", sorted({c.by for c in checks if c.by})))
    return [] if audit.redacted else [(what, who) for what, who in named if who]


def _findings(audit: Audit) -> dict[str, Any]:
    """(finding, places) where its reader looks for it: by the answer it bears on, else under
    'rest'. Findings of one text are told once, with every place; 'cut' counts those left out."""
    told: dict[tuple[str, str], tuple[Finding, list[str]]] = {}
    for finding in sorted(audit.findings, key=lambda f: -SEVERITIES.index(f.severity)):
        _, places = told.setdefault((finding.code, finding.text), (finding, []))
        if finding.where and finding.where not in places:
            places.append(finding.where)
    kept: dict[str, list[tuple[Finding, list[str]]]] = {
        question or "rest": [one for one in told.values() if one[0].question == question][:LISTED]
        for question in (*ANSWERS, None)
    }
    return {**kept, "cut": len(told) - sum(map(len, kept.values()))}


def _parts(audit: Audit) -> list[dict[str, Any]]:
    """Where the ordered hours went. The durations sum to the order, the widths to the bar."""
    split = audit.shortfall
    if split is None:
        return []
    ended = "Still to come" if audit.stop.kind == "so_far" else "After the last record"
    named = (
        ("recorded", "Recorded", split.recorded_inside_ns),
        ("late", "Before the first record", split.late_start_ns),
        ("gaps", "Interruptions", split.gaps_ns),
        ("dropouts", "Dropouts", split.dropouts_ns),
        ("early", ended, split.early_stop_ns),
    )
    widths = shares([ns for _, _, ns in named])
    return [
        {"key": key, "name": name, "ns": ns, "x": sum(widths[:i]), "w": widths[i]}
        for i, (key, name, ns) in enumerate(named)
    ]


def _inputs(audit: Audit) -> list[tuple[str, str, int | None, str | None]]:
    """(name, kind, bytes, checksum) of every file that the audit used or tried."""
    readable = [
        (f.recording.name, "recording", f.recording.size_bytes, f.recording.sha256)
        for f in audit.study.files
    ]
    unreadable = [(f.name, "not readable", f.size_bytes, f.sha256) for f in audit.study.unreadable]
    used = [(i.name, sentence(i.kind), None, i.sha256) for i in audit.inputs]
    return [*used, *readable, *unreadable]
