"""The rules for causes: one table, the same words for the end and for an interruption.

Each rule is a pure function of an ``Event`` that gives one sentence of evidence, or ``None``. A
witness says it, a pattern of the files shows it, a coincidence only fits it; 'against' speaks
against its cause. Causes of equal strength stand in the order of the table. A fact decides nothing.
All of this is common practice, no source, where none is named.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Literal

from msgspec import Struct

from auditor.causes import fitting, shown
from auditor.causes.evidence import Event
from auditor.model import CauseCode, Rank


class Rule(Struct, frozen=True):
    """One row of the table."""

    strength: Rank | Literal["against"]
    cause: CauseCode
    says: Callable[[Event], str | None]


RULES: tuple[Rule, ...] = (
    Rule("witness", "file_cut_short", shown.cut_short),
    Rule("witness", "card_full", partial(shown.said, "card_full")),
    Rule("witness", "file_size_limit", shown.size_limit),
    Rule("witness", "power_exhausted", partial(shown.said, "power_low")),
    Rule("witness", "power_exhausted", shown.power_warned),
    Rule("witness", "supply_unplugged", partial(shown.said, "supply_unplugged")),
    Rule("witness", "power_change", partial(shown.said, "power_change")),
    Rule("witness", "electrodes_lost", partial(shown.said, "electrode")),
    Rule("witness", "stopped_by_patient", partial(shown.said, "patient")),
    Rule("witness", "stopped_by_technologist", partial(shown.said, "technologist")),
    Rule("witness", "stopped_by_person", partial(shown.said, "person")),
    Rule("witness", "recorder_interrupted", partial(shown.said, "fault")),
    Rule("witness", "clock_change", partial(shown.said, "clock")),
    Rule("pattern", "ordered_time_over", shown.at_plan),
    Rule("pattern", "clock_change", shown.clock_found),
    Rule("pattern", "clock_change", shown.clock_other),
    Rule("pattern", "clock_change", shown.clock_span),
    Rule("pattern", "unreadable_file", shown.unreadable),
    Rule("pattern", "file_set_aside", shown.aside),
    Rule("pattern", "missing_file", shown.missing_between),
    Rule("pattern", "electrodes_lost", shown.all_electrodes),
    Rule("pattern", "electrodes_lost", shown.lost_at_end),
    Rule("pattern", "recorder_interrupted", shown.never_closed),
    Rule("pattern", "recorder_interrupted", shown.jumped),
    Rule("pattern", "missing_file", shown.missing_after),
    Rule("pattern", "new_file_by_schedule", shown.scheduled),
    Rule("coincidence", "power_exhausted", fitting.plan_fits),
    Rule("coincidence", "clock_change", fitting.one_hour),
    Rule("coincidence", "card_full", fitting.card_filled),
    Rule("coincidence", "power_change", fitting.change_fits),
    Rule("against", "power_exhausted", fitting.power_left),
    Rule("against", "power_change", fitting.kept_open),
    Rule("against", "electrodes_lost", fitting.went_on),
    Rule("against", "missing_file", fitting.part_of_schedule),
)

FACTS: tuple[Callable[[Event], str | None], ...] = (
    fitting.no_words,
    fitting.noted_too,
    fitting.never_closed_at_plan,
    fitting.orderly,
    fitting.no_plan,
    fitting.signal_at_end,
    fitting.other_side,
)
"""What was looked at besides, in the order in which it is told."""
