"""The set-up code, and the codes of recordings below the long-term minimum."""

from __future__ import annotations

from collections.abc import Sequence

from auditor.core.durations import in_words
from auditor.core.patterns import matches
from auditor.core.units import MINUTE
from auditor.model import PlacedAnnotation, Setup, Shorter
from auditor.policy.billing import BillingSettings, ShorterBand


def sleep_seen(annotations: Sequence[PlacedAnnotation], settings: BillingSettings) -> bool | None:
    """True where an annotation shows sleep; ``None`` where none does: silence says nothing."""
    noted = (a for a in annotations if a.in_recording)
    return True if any(matches(settings.sleep_patterns, a.text) for a in noted) else None


def setup_code(
    recorded_ns: int, eeg_channels: int | None, live_channels: int | None, settings: BillingSettings
) -> Setup:
    """The set-up code that the number of EEG channels leads to.

    ``supported`` says whether its minimum of channels is met and a long-term code is reached that
    it can go with; ``None`` where the number of channels is not known.
    """
    rule = settings.setup
    minimum = rule.minimum_channels
    code, supported = rule.code, None
    if eeg_channels is None:
        note = f"The number of EEG channels is not known; {code} needs {minimum}."
    else:
        supported = eeg_channels >= minimum
        word = "channel carries" if eeg_channels == 1 else "channels carry"
        note = f"{eeg_channels} {word} EEG; {code} needs {minimum}."
        if not supported:
            note = f"{eeg_channels} {word} EEG, fewer than the {minimum} that {code} needs."
            code = rule.else_code
        elif live_channels is not None:
            note += f" {live_channels} of them carried a live signal."
    if recorded_ns < settings.minimum_ns:
        supported = False
        note += (
            f" Less than {in_words(settings.minimum_ns)} was recorded: no long-term code is "
            "reached that a set-up could go with."
        )
    note += (
        " A set-up counts once. Whether a technologist set the patient up in person cannot be "
        "known from the files."
    )
    return Setup(code, supported, note)


def shorter_code(recorded_ns: int, sleep: bool | None, settings: BillingSettings) -> Shorter | None:
    """The code below the long-term minimum, in whole minutes rounded down; ``None`` above it."""
    if recorded_ns >= settings.minimum_ns or not settings.shorter:
        return None
    minutes = recorded_ns // MINUTE
    shown = f"{minutes} whole {'minute' if minutes == 1 else 'minutes'} recorded"
    band = next((b for b in settings.shorter if b.from_minutes <= minutes <= b.to_minutes), None)
    if band is None:
        first = in_words(settings.shorter[0].from_minutes * MINUTE)
        if minutes < settings.shorter[0].from_minutes:
            return Shorter(None, f"less than {first}", f"{shown}: no code is reached.")
        return Shorter(None, "no band", f"{shown}: the policy has no code for this time.")
    if band.code is not None:
        return Shorter(band.code, band.name, f"{shown}.")
    return _by_state(band, shown, sleep)


def _by_state(band: ShorterBand, shown: str, sleep: bool | None) -> Shorter:
    choices = ", ".join(f"{state.code} ({state.words})" for state in band.states)
    seen = next((state for state in band.states if sleep and state.if_sleep_seen), None)
    if seen is None:
        return Shorter(
            None,
            band.name,
            f"{shown}. The code depends on the patient's state, which no annotation shows: "
            f"{choices}. The reader decides.",
        )
    return Shorter(
        seen.code,
        band.name,
        f"{shown}, and an annotation shows sleep: {seen.code} ({seen.words}). The reader confirms "
        f"the state; the codes are {choices}.",
    )
