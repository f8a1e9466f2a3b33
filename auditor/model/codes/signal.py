"""Codes of findings on the samples."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

SignalCode = Literal[
    "channel_not_judged",
    "channel_sampled_slowly",
    "channel_without_scale",
    "electrode_lost",
    "electrode_never_live",
    "electrode_off",
    "few_live_until_end",
    "hum_not_judged",
    "large_signal",
    "mains_hum",
    "no_time_zone",
    "samples_changed",
    "samples_not_read",
    "signal_not_scanned",
    "too_few_eeg_channels",
    "usable_below_recorded",
]

CODES: dict[SignalCode, Entry] = {
    "channel_not_judged": Entry(
        "caution",
        meaning="A channel's sampling rate is too low or too high to judge its seconds.",
    ),
    "channel_sampled_slowly": Entry(
        "caution",
        meaning="An EEG channel has so few samples that no EEG can be read from it.",
    ),
    "channel_without_scale": Entry(
        "caution",
        meaning="A channel's header gives no usable scale or limits; it was judged in digital "
        "steps alone.",
    ),
    "electrode_lost": Entry(
        "caution",
        meaning="An electrode was not live from some time on until the end.",
    ),
    "electrode_never_live": Entry(
        "caution",
        meaning="An electrode was not live at any time.",
    ),
    "electrode_off": Entry(
        "caution",
        meaning="From some time on until the end an electrode was nearly always flat, "
        "saturated, full of mains hum or too large, as one that has come off is.",
    ),
    "few_live_until_end": Entry(
        "caution",
        meaning="From some time on until the end fewer than the minimum of EEG channels were live.",
    ),
    "hum_not_judged": Entry(
        "info",
        meaning="A channel's sampling rate is too low to tell mains hum.",
    ),
    "large_signal": Entry(
        "caution",
        meaning="An EEG channel was larger than an EEG can be for much of its time.",
    ),
    "mains_hum": Entry(
        "caution",
        meaning="Mains hum made up most of an EEG channel's power for much of its time.",
    ),
    "no_time_zone": Entry(
        "info",
        meaning="No time zone is known: stamps were taken as they stand.",
    ),
    "samples_changed": Entry(
        "problem",
        meaning="A file changed between the count of its records and the reading of its samples.",
    ),
    "samples_not_read": Entry(
        "problem",
        meaning="Samples of counted records could not be read; that time is not usable.",
    ),
    "signal_not_scanned": Entry(
        "info",
        meaning="The samples were not looked at: how much could be read is not known.",
    ),
    "too_few_eeg_channels": Entry(
        "caution",
        meaning="The files hold fewer EEG channels than the minimum, so no time is usable.",
    ),
    "usable_below_recorded": Entry(
        "caution",
        meaning="Less time was usable than recorded.",
    ),
}
