"""Reasons for the outcome."""

from __future__ import annotations

from typing import Literal

ReasonCode = Literal[
    "covers_the_order", "no_order", "study_goes_on", "below_minimum_share", "below_tolerance",
    "outside_ordered_time", "signal_not_looked_at", "few_eeg_channels", "usable_below_minimum",
    "usable_below_share", "clean_below_share", "night_lost", "minimum_not_met",
]  # fmt: skip

REASONS: dict[ReasonCode, str] = {
    "covers_the_order": "All four answers are yes: the ordered time was recorded, or is short by "
    "no more than the policy's tolerance, and nothing needs a person.",
    "no_order": "No ordered time was given, so nothing can be compared with it.",
    "study_goes_on": "The patient is still being recorded: this is what was uploaded so far.",
    "below_minimum_share": "Recorded time is less than the policy's minimum share of the order.",
    "below_tolerance": "Recorded time is short of the order by more than the policy's tolerance.",
    "outside_ordered_time": "Enough was recorded, but too much of it before the hook-up or after "
    "the planned end.",
    "signal_not_looked_at": "The samples were not scanned, so what can be read is not known.",
    "few_eeg_channels": "The files hold fewer EEG channels than are needed; labels or montage may "
    "be at fault.",
    "usable_below_minimum": "Usable time is less than the share below which a repeat is suggested.",
    "usable_below_share": "Usable time is less than the policy's share of the ordered time.",
    "clean_below_share": "Usable time reaches the policy's share, clean time does not: artifact.",
    "night_lost": "A night without EEG to read.",
    "minimum_not_met": "The recorded time does not reach the band of the ordered time.",
}
