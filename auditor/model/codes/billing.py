"""Codes of findings on thresholds, monitoring checks and video."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

BillingCode = Literal[
    "band_below_order",
    "checks_outside_recording",
    "close_to_limit",
    "live_channels_below_minimum",
    "monitoring_lapse",
    "monitoring_level_lowered",
    "monitoring_not_documented",
    "monitoring_not_stated",
    "readings_differ",
    "setup_channels_below_minimum",
    "usable_band_below_recorded",
    "video_below_share",
    "video_not_documented",
    "video_not_ordered",
    "video_not_stated",
]

CODES: dict[BillingCode, Entry] = {
    "band_below_order": Entry(
        "caution",
        meaning="The recorded time reaches a lower band or fewer units than the ordered time "
        "would have.",
    ),
    "checks_outside_recording": Entry(
        "info",
        meaning="Checks before the first record, after the last or in a gap; they show no "
        "review and are not counted.",
    ),
    "close_to_limit": Entry(
        "info",
        meaning="The recorded time lies just below or just above a limit at which codes change.",
    ),
    "live_channels_below_minimum": Entry(
        "caution",
        meaning="Enough channels carry EEG, but fewer had a live signal than the set-up code "
        "needs.",
    ),
    "monitoring_lapse": Entry(
        "caution",
        meaning="More recorded time passed between documented checks than the level needs.",
    ),
    "monitoring_level_lowered": Entry(
        "caution",
        meaning="The log does not support the ordered level of monitoring throughout; the "
        "periods and codes are named.",
    ),
    "monitoring_not_documented": Entry(
        "caution",
        meaning="Monitoring was ordered and no check is documented.",
    ),
    "monitoring_not_stated": Entry(
        "caution",
        meaning="The order does not say how the study was to be monitored; codes are the "
        "unmonitored ones.",
    ),
    "readings_differ": Entry(
        "info",
        meaning="Another reading of the billing rules gives other codes: ask the coder.",
    ),
    "setup_channels_below_minimum": Entry(
        "caution",
        meaning="Fewer channels carry EEG than the set-up code needs.",
    ),
    "usable_band_below_recorded": Entry(
        "caution",
        meaning="Codes rest partly on time that nobody could read.",
    ),
    "video_below_share": Entry(
        "caution",
        meaning="Video covers less of the recorded time than the codes with video need.",
    ),
    "video_not_documented": Entry(
        "caution",
        meaning="Video was ordered and no video log was given.",
    ),
    "video_not_ordered": Entry(
        "info",
        meaning="A video log was given although no video was ordered.",
    ),
    "video_not_stated": Entry(
        "caution",
        meaning="The order does not say whether video was ordered; codes are those without video.",
    ),
}
