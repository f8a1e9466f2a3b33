"""Causes of gaps and of the end, and how strongly each is shown."""

from __future__ import annotations

from typing import Literal

Rank = Literal["witness", "pattern", "coincidence"]
"""A witness says it; a pattern of the files shows it; a coincidence only fits it."""

CauseCode = Literal[
    "ordered_time_over", "file_cut_short", "card_full", "file_size_limit", "power_exhausted",
    "supply_unplugged", "power_change", "electrodes_lost", "stopped_by_patient",
    "stopped_by_technologist", "stopped_by_person", "recorder_interrupted", "clock_change",
    "unreadable_file", "file_set_aside", "missing_file", "new_file_by_schedule", "not_known",
]  # fmt: skip

CAUSES: dict[CauseCode, str] = {
    "ordered_time_over": "The recording ran to its planned end or beyond.",
    "file_cut_short": "The file holds fewer records than its header counts: the rest was lost in "
    "copying or on the card.",
    "card_full": "The card was full.",
    "file_size_limit": "The file reached the largest size that a file can have there.",
    "power_exhausted": "The batteries or the supply ran out.",
    "supply_unplugged": "The external supply was unplugged.",
    "power_change": "Batteries were changed, or the supply was connected.",
    "electrodes_lost": "The electrodes came off or were unplugged.",
    "stopped_by_patient": "The patient or a caregiver stopped, paused or disconnected the "
    "recorder.",
    "stopped_by_technologist": "A technologist stopped or paused the recorder, or took it down.",
    "stopped_by_person": "Somebody, it is not said who, stopped, paused or disconnected the "
    "recorder.",
    "recorder_interrupted": "The recorder was cut off while it wrote: a sudden loss of power, a "
    "card pulled out, or a fault.",
    "clock_change": "The clock was changed or set wrong: the interruption, or the early or late "
    "end, may be none.",
    "unreadable_file": "A file that lies there could not be read.",
    "file_set_aside": "A file that lies there was set aside and not counted.",
    "missing_file": "A file that was recorded is not among those that were given.",
    "new_file_by_schedule": "The recorder begins a new file at regular times and loses a little "
    "at each.",
    "not_known": "The files do not say why.",
}
