"""The rules for causes: one table, the same words for the end and for an interruption.

Each rule is a pure function of an ``Event`` that gives one sentence of evidence, or ``None``. A
witness says it, a pattern of the files shows it, a coincidence only fits it; 'against' speaks
against its cause, a 'fact' decides nothing and tells what was looked at. Causes of equal strength
stand in the order of the table. All of this is common practice, no source, where none is named.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from msgspec import Struct

from auditor.causes import fitting, shown
from auditor.causes.evidence import Event
from auditor.model import CauseCode, Rank

Strength = Rank | Literal["against", "fact"]
STRENGTHS: tuple[Strength, ...] = ("witness", "pattern", "coincidence", "against", "fact")
Says = Callable[[Event], str | None]


class Rule(Struct, frozen=True):
    """One row of the table."""

    strength: Strength
    cause: CauseCode
    applies: Literal["gap", "stop", "both"]
    says: Says


RULES: tuple[Rule, ...] = (
    Rule("witness", "file_cut_short", "both", shown.cut_short),
    Rule("witness", "card_full", "both", shown.said("card_full")),
    Rule("witness", "file_size_limit", "both", shown.size_limit),
    Rule("witness", "power_exhausted", "both", shown.said("power_low")),
    Rule("witness", "power_exhausted", "both", shown.power_warned),
    Rule("witness", "supply_unplugged", "both", shown.said("supply_unplugged")),
    Rule("witness", "power_change", "both", shown.said("power_change")),
    Rule("witness", "electrodes_lost", "both", shown.said("electrode")),
    Rule("witness", "stopped_by_patient", "both", shown.said("patient")),
    Rule("witness", "stopped_by_technologist", "both", shown.said("technologist")),
    Rule("witness", "stopped_by_person", "both", shown.said("person")),
    Rule("witness", "recorder_interrupted", "both", shown.said("fault")),
    Rule("witness", "clock_change", "both", shown.said("clock")),
    Rule("pattern", "ordered_time_over", "stop", shown.at_plan),
    Rule("pattern", "clock_change", "gap", shown.clock_found),
    Rule("pattern", "clock_change", "stop", shown.clock_other),
    Rule("pattern", "clock_change", "stop", shown.clock_span),
    Rule("pattern", "unreadable_file", "both", shown.unreadable),
    Rule("pattern", "file_set_aside", "both", shown.aside),
    Rule("pattern", "missing_file", "gap", shown.missing_between),
    Rule("pattern", "electrodes_lost", "stop", shown.all_electrodes),
    Rule("pattern", "electrodes_lost", "stop", shown.lost_at_end),
    Rule("pattern", "recorder_interrupted", "both", shown.never_closed),
    Rule("pattern", "recorder_interrupted", "gap", shown.jumped),
    Rule("pattern", "missing_file", "stop", shown.missing_after),
    Rule("pattern", "new_file_by_schedule", "gap", shown.scheduled),
    Rule("coincidence", "power_exhausted", "both", fitting.plan_fits),
    Rule("coincidence", "clock_change", "both", fitting.one_hour),
    Rule("coincidence", "card_full", "stop", fitting.card_filled),
    Rule("coincidence", "power_change", "gap", fitting.change_fits),
    Rule("against", "power_exhausted", "both", fitting.power_left),
    Rule("against", "power_change", "gap", fitting.kept_open),
    Rule("against", "electrodes_lost", "stop", fitting.went_on),
    Rule("against", "missing_file", "stop", fitting.part_of_schedule),
    Rule("fact", "not_known", "both", fitting.no_words),
    Rule("fact", "not_known", "stop", fitting.noted_too),
    Rule("fact", "not_known", "stop", fitting.never_closed_at_plan),
    Rule("fact", "not_known", "stop", fitting.orderly),
    Rule("fact", "not_known", "stop", fitting.no_plan),
    Rule("fact", "not_known", "stop", fitting.signal_at_end),
    Rule("fact", "not_known", "gap", fitting.other_side),
)
