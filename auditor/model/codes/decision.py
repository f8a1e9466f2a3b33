"""Reasons for the outcome."""

from __future__ import annotations

from typing import Literal

ReasonCode = Literal[
    "covers_the_order",
    "no_order",
    "below_minimum_share",
    "below_minimum_but_doubtful",
    "below_tolerance",
    "problem_finding",
    "usable_below_share",
    "usable_below_minimum",
]

REASONS: dict[ReasonCode, str] = {
    "covers_the_order": "Recorded time reaches the ordered time, or is short by no more than "
    "the policy's "
    "tolerance, and nothing puts a number in doubt.",
    "no_order": "No ordered time was given, so nothing can be compared with it.",
    "below_minimum_share": "Recorded time is less than the policy's minimum share of the order.",
    "below_minimum_but_doubtful": "Recorded time is less than the minimum share as measured, "
    "but another reading of "
    "the same files reaches it: look before the patient is called back.",
    "below_tolerance": "Recorded time is short of the order by more than the policy's tolerance.",
    "problem_finding": "A finding puts a number in doubt or says that recorded data are missing.",
    "usable_below_share": "Usable time is less than the policy's share of the ordered time.",
    "usable_below_minimum": "Usable time is less than the share below which a repeat is suggested.",
}
