"""Settings of ``[signal]``: how channel states are judged."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from auditor.policy.sourced import Section
from auditor.policy.toml import Number, Seconds, Share


def _whole_second(value: time) -> time:
    if value.microsecond or value.tzinfo is not None:
        raise ValueError("must be a time of day in whole seconds, without an offset")
    return value


TimeOfDay = Annotated[time, AfterValidator(_whole_second)]
Positive = Annotated[Number, Field(gt=0)]


class SignalSettings(Section):
    """``[signal]``: how channel states are judged. Amplitudes in microvolts, peak to peak."""

    needed_ppm: Annotated[Share, Field(gt=0)] = Field(alias="needed_share")
    """Share of the EEG channels recorded that must carry signal, where the order gives none."""
    flat_uv: Annotated[Number, Field(ge=0)]
    """Peak to peak in a second, below the noise of an amplifier on a patient."""
    flat_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="flat_s")
    """Flat only where it lasts this long."""
    saturated_ppm: Annotated[Share, Field(gt=0)] = Field(alias="saturated_share")
    """Share of a second's samples at the digital (so the physical) limits."""
    mains: Literal["auto", "50", "60", "off"]
    """Mains frequency: "50", "60", "auto" (the stronger of the two) or "off"."""
    hum_ppm: Annotated[Share, Field(gt=0)] = Field(alias="hum_share")
    """Share of a second's power, its trend removed, at the mains frequency."""
    large_uv: Positive
    """Peak to peak in a second, implausible for scalp EEG."""
    doubtful_ppm: Annotated[Share, Field(gt=0)] = Field(alias="doubtful_share")
    """A channel is named where artifact holds for this share of its time."""
    doubtful_end_ppm: Annotated[Share, Field(gt=0)] = Field(alias="doubtful_end_share")
    """In any doubtful state for this share of the time until the end: come off."""
    lost_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="lost_s")
    """An electrode is off to the end if without signal for at least this last time."""
    stretch_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="stretch_s")
    """Bad times at least this long are listed and exported as marks."""
    stretch_join_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="stretch_join_s")
    """Shorter breaks inside a bad time do not split it."""
    night_start: TimeOfDay
    """A night begins at this time of day."""
    night_end: TimeOfDay
    """A night ends at this time of day."""

    @property
    def night_start_s(self) -> int:
        """The night's start in seconds of the civil day."""
        return _second_of_day(self.night_start)

    @property
    def night_end_s(self) -> int:
        """The night's end in seconds of the civil day."""
        return _second_of_day(self.night_end)

    @property
    def mains_hz(self) -> tuple[int, ...]:
        """The mains frequencies to look for; none where hum is not to be judged."""
        return {"auto": (50, 60), "50": (50,), "60": (60,), "off": ()}[self.mains]


def _second_of_day(value: time) -> int:
    return value.hour * 3600 + value.minute * 60 + value.second
