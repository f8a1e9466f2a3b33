"""Codes of findings on the samples."""

from __future__ import annotations

from typing import Literal

from auditor.model.codes.entry import Entry

SignalCode = Literal[
    "artifact_large", "artifact_mains", "channel_not_judged",
    "channel_without_scale", "electrode_lost", "electrode_off", "electrode_without_signal",
    "few_channels_until_end", "mains_not_judged", "no_time_zone", "signal_not_scanned",
    "too_few_eeg_channels", "usable_below_recorded",
]  # fmt: skip

_LOOK = "Look at these channels before the study is sent for reading."
_FEWER = "fewer than {needed} of {of} EEG channels"

CODES: dict[SignalCode, Entry] = {
    "artifact_large": Entry(
        meaning="EEG channels were larger than a scalp EEG can be for much of their time",
        text="{named}: more than {limit} peak to peak for up to {longest}, as on an electrode that "
        "has come off. The time counts as usable and not as clean.",
        forms={
            "most": "Artifact over {limit} on {count} of {of} EEG channels for {time}: {named}. In "
            "that time " + _FEWER + " were free of artifact. It counts as usable and not as clean."
        },
        headline="artifact over {limit} on {count} of {of} channels for {time}",
        expected="at most {limit} peak to peak in a second",
        observed="up to {longest} above it",
        action=_LOOK,
    ),
    "artifact_mains": Entry(
        meaning="Mains made up most of the power of EEG channels for much of their time",
        text="{named}: {mains} artifact for up to {longest}, most of a second's power, as on an "
        "electrode that has come off. The time counts as usable and not as clean.",
        forms={
            "most": "{mains} artifact on {count} of {of} EEG channels for {time}: {named}. In that "
            "time " + _FEWER + " were free of artifact. It counts as usable and not as clean."
        },
        headline="{mains} artifact on {count} of {of} channels for {time}",
        expected="below {share} of a second's power at the mains frequency",
        observed="up to {longest} above it",
        action=_LOOK,
    ),
    "channel_not_judged": Entry(
        meaning="A channel's sampling rate is too low or too high to judge its seconds",
        text="{named}: too few or too many samples in a second to judge it. These EEG channels "
        "never count as with signal, so usable time may be too short.",
        forms={
            "other": "{named}: too few or too many samples in a second to judge it. These channels "
            "carry no EEG and do not count towards usable time."
        },
        headline="{channels} sampled at a rate that cannot be judged",
        expected="{least} to {most} samples per second",
        observed="{lowest} to {highest} samples per second",
        action="Check whether the right files were exported, and at which rate.",
    ),
    "channel_without_scale": Entry(
        meaning="A channel's header gives no usable scale or limits: judged in digital steps alone",
        text="{named}: the header gives no unit of voltage, or no sound physical or digital "
        "limits. Without a scale only a channel that does not change at all is flat and size is "
        "not judged; without digital limits saturation is not judged. Usable time may be too long.",
        headline="{channels} without a usable scale in the header",
        expected="a unit such as uV, physical limits that differ, digital minimum below maximum",
        observed="{limits}",
        action=_LOOK,
        question="readable",
    ),
    "electrode_lost": Entry(
        meaning="An electrode carried no signal from some time on until the end",
        text="{count} of {of} EEG channels off until the end: {named}. Their time is recorded; it "
        "is usable where enough other channels carried signal.",
        action="Check these electrodes and their leads before the next hook-up.",
    ),
    "electrode_off": Entry(
        meaning="From some time on until the end an electrode was nearly always flat, saturated, "
        "full of mains or too large, as one that has come off is",
        text="{count} of {of} EEG channels in doubt until the end: {named}, from then on nearly "
        "always flat, saturated, full of mains or too large for an EEG, so the electrodes may have "
        "come off. Artifact does not keep a second from counting as usable, only as clean.",
        action="Look at these channels from that time on; check how the electrodes are fastened.",
    ),
    "electrode_without_signal": Entry(
        meaning="An electrode carried no signal at any time",
        text="{count} of {of} EEG channels flat or saturated throughout: {named}. Their time is "
        "recorded; it is usable where enough other channels carried signal.",
        action="Check these electrodes and their leads before the next hook-up.",
    ),
    "few_channels_until_end": Entry(
        meaning="From some time on until the end fewer EEG channels than needed carried signal",
        text="{count} of {of} EEG channels off from {time} to the end ({lost}): {named}. At least "
        "{needed} are needed, so that time is recorded and not usable.",
        headline="{count} of {of} channels off from {time} to the end ({lost})",
        action="Check the electrodes' fastening before the next hook-up.",
    ),
    "mains_not_judged": Entry(
        "info",
        meaning="EEG channels are sampled too slowly to tell mains artifact",
        text="{channels} sampled too slowly to tell mains artifact at {mains} ({lowest} samples "
        "per second): clean time leaves that artifact out.",
    ),
    "no_time_zone": Entry(
        "info",
        meaning="No time zone is known: stamps were taken as they stand",
        text="No time zone is known, so start stamps were taken as they stand. A change to or from "
        "daylight saving time inside the study cannot be seen.",
        action="Name the patient's zone where the study crosses a change of the clocks.",
    ),
    "signal_not_scanned": Entry(
        "info",
        meaning="The samples were not looked at: how much could be read is not known",
        text="The samples were not looked at: recorded time is exact, how much can be read is not "
        "known.",
        action="Audit again with the signal scan before the study is accepted for reading.",
    ),
    "too_few_eeg_channels": Entry(
        meaning="The files hold fewer EEG channels than needed, so no time is usable",
        text="The files hold {held} by their labels; {needed} are needed, so no time can be "
        "usable. Ear and mastoid channels are references and are not counted.",
        action="Check the channel labels, and the number of channels that the order asks for.",
    ),
    "usable_below_recorded": Entry(
        meaning="Less time was usable than recorded",
        text="Of {recorded} recorded, {usable} was usable: for {lost} " + _FEWER + " carried "
        "signal. Recorded time is not changed by this.",
        headline=_FEWER + " with signal for {lost}",
        expected="{recorded}",
        observed="{usable}",
        action="Look at the channels by the hour; check the electrodes' fastening.",
    ),
}
