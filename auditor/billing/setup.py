"""The set-up code, and the codes of recordings below the long-term minimum."""

from __future__ import annotations

from collections.abc import Sequence

from msgspec import Struct

from auditor.billing.limits import shorter_band
from auditor.core.durations import in_words
from auditor.core.text import Own, matches, quantity
from auditor.core.units import MINUTE
from auditor.model import PlacedAnnotation, Setup, Shorter, Study, is_reference
from auditor.policy.billing import BillingSettings
from auditor.signal.summary import fewest_channels


class SetupChannels(Struct, frozen=True):
    """Electrodes of the set-up: how many, and the ear and mastoid channels left out of them."""

    count: int
    references: tuple[str, ...] = ()


def setup_channels(study: Study) -> SetupChannels:
    """The fewest electrodes that one counted file carries.

    Ears and mastoids, and what is derived from them alone, are references and not counted (our
    reading of the set-up rule: they add no EEG of their own).
    """
    recorded = {c.electrode for f in study.counted for c in f.recording.channels if c.electrode}
    references = sorted(electrode for electrode in recorded if is_reference(electrode))
    return SetupChannels(fewest_channels(study), tuple(references))


def sleep_seen(annotations: Sequence[PlacedAnnotation], settings: BillingSettings) -> bool | None:
    """True where an annotation shows sleep; ``None`` where none does: silence says nothing."""
    noted = (a for a in annotations if a.in_recording)
    return True if any(matches(settings.sleep_patterns, a.text) for a in noted) else None


def setup_code(
    recorded_ns: int,
    channels: SetupChannels | None,
    with_signal: int | None,
    settings: BillingSettings,
) -> Setup:
    """The set-up code that the number of EEG channels leads to.

    ``supported`` says whether its minimum of channels is met and a long-term code is reached that
    it can go with; ``None`` where the number of channels is not known.
    """
    rule = settings.setup
    needed = rule.minimum_channels
    code, supported = rule.code, None
    if channels is None:
        note = f"EEG channels not known; {needed} needed for {code}."
    else:
        supported = channels.count >= needed
        note = f"{min(channels.count, needed)} of {needed} needed EEG channels"
        if channels.count > needed:
            note += f" ({channels.count} recorded)"
        note += f": {code}." if supported else f": {rule.else_code} in place of {code}."
        code = code if supported else rule.else_code
        if channels.references:
            named = ", ".join(channels.references)
            one = len(channels.references) == 1
            note += (
                f" {named} {'is a reference' if one else 'are references'} and not counted (our "
                "reading)."
            )
        if supported and with_signal is not None and with_signal < channels.count:
            note += f" {quantity(with_signal, 'channel')} carried a signal."
    if recorded_ns < settings.minimum_ns:
        supported = False
        note += (
            f" Less than {in_words(settings.minimum_ns)} recorded: no long-term code that a set-up "
            "could go with."
        )
    note += " Once a study; whether a technologist did it in person is in no file."
    return Setup(code, supported, Own(note))


def shorter_code(recorded_ns: int, sleep: bool | None, settings: BillingSettings) -> Shorter | None:
    """The code below the long-term minimum, in whole minutes rounded down; ``None`` above it."""
    if recorded_ns >= settings.minimum_ns or not settings.shorter:
        return None
    minutes = recorded_ns // MINUTE
    band = shorter_band(recorded_ns, settings)
    code, name = (None, "no band") if band is None else (band.code, band.name)
    if band is None:
        told = ": the policy has no code for this time."
        first = settings.shorter[0].from_minutes
        if minutes < first:
            name, told = f"less than {in_words(first * MINUTE)}", ": no code is reached."
    elif code is not None:
        told = "."
    else:
        choices = ", ".join(f"{state.code} ({state.words})" for state in band.states)
        seen = next((state for state in band.states if sleep and state.if_sleep_seen), None)
        told = (
            ". The code depends on the patient's state, which no annotation shows: "
            f"{choices}. The reader decides."
        )
        if seen is not None:
            code, told = seen.code, (
                f", and an annotation shows sleep: {seen.code} ({seen.words}). The reader confirms "
                f"the state; the codes are {choices}."
            )  # fmt: skip
    return Shorter(code, name, f"{quantity(minutes, 'whole minute')} recorded{told}")
