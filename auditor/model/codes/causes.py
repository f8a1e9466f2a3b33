"""Causes of gaps and of the end, and how strongly each is shown."""

from __future__ import annotations

from typing import Literal

Rank = Literal["witness", "pattern", "coincidence"]
"""A witness says it; a pattern of the files shows it; a coincidence only fits it."""

CauseCode = Literal[
    "ordered_time_over",
    "power_exhausted",
    "power_change",
    "stopped_by_person",
    "recorder_interrupted",
    "file_cut_short",
    "unreadable_file",
    "file_set_aside",
    "missing_file",
    "file_size_limit",
    "card_full",
    "new_file_by_schedule",
    "electrodes_lost",
    "clock_change",
    "not_known",
]

CAUSES: dict[CauseCode, str] = {
    "ordered_time_over": "The recording ended at its planned end.",
    "power_exhausted": "The packs or the supply ran out.",
    "power_change": "Power failed or packs were changed, and the recording went on.",
    "stopped_by_person": "Somebody stopped, paused or disconnected the recorder.",
    "recorder_interrupted": "The recorder was cut off while it wrote: a sudden loss of power, a "
    "card pulled "
    "out, or a fault.",
    "file_cut_short": "The file holds fewer records than its header counts: the rest was lost in "
    "copying or on the card.",
    "unreadable_file": "A file that lies there could not be read.",
    "file_set_aside": "A file that lies there was set aside and not counted.",
    "missing_file": "A file that was recorded is not among those that were given.",
    "file_size_limit": "The file reached the largest size that a file can have there.",
    "card_full": "The card was full.",
    "new_file_by_schedule": "The recorder begins a new file at regular times and loses a little "
    "at each.",
    "electrodes_lost": "The electrodes came off or were unplugged.",
    "clock_change": "The clock was changed or set wrong: the gap or the early or late end may be "
    "none.",
    "not_known": "The files do not say why.",
}
