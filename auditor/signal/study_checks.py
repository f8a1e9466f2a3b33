"""Small checks of the study as a whole: one pure function for each finding."""

from __future__ import annotations

from collections.abc import Iterator

from auditor.model import Finding, SignalFacts, Study

VOCABULARY = {
    "signal_not_scanned": "The samples were not looked at: how much could be read is not known.",
    "no_time_zone": "No time zone is known: stamps were taken as they stand.",
    "too_few_eeg_channels": "Fewer EEG channels than the minimum are in the files.",
}


def study_checks(study: Study, signal: SignalFacts, eeg_channels: int) -> Iterator[Finding]:
    """What is not known of the study, and whether it can be usable at all.

    ``eeg_channels`` is the fewest EEG electrodes that a counted file carries.
    """
    if study.axis.zone is None:
        yield _no_zone()
    if not signal.scanned:
        yield _not_scanned()
        if eeg_channels < signal.needed_channels:  # a scan says it in its own words
            yield _too_few_channels(eeg_channels, signal.needed_channels)


def _not_scanned() -> Finding:
    return Finding(
        "signal_not_scanned",
        "info",
        "",
        "The samples were not looked at. Recorded time is exact; how much of it could be read is "
        "not known.",
        expected="signal scan",
        observed="switched off",
        action="Audit again with the signal scan before the study is accepted for reading.",
    )


def _no_zone() -> Finding:
    return Finding(
        "no_time_zone",
        "info",
        "",
        "No time zone is known, so start stamps were taken as they stand. A change to or from "
        "daylight saving time inside the study cannot be seen.",
        expected="a time zone in the order or on the command line",
        observed="none",
        action="Name the patient's zone where the study crosses a change of the clocks.",
    )


def _too_few_channels(eeg: int, minimum: int) -> Finding:
    return Finding(
        "too_few_eeg_channels",
        "caution",
        "",
        f"A counted file carries {eeg} EEG channel{'' if eeg == 1 else 's'} by the labels, fewer "
        f"than the {minimum} that were asked for. No second of it can be usable by that measure.",
        expected=f"at least {minimum}",
        observed=str(eeg),
        action="Check the channel labels and the montage that was recorded.",
    )
