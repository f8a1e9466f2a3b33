"""Settings of ``[signal]``: how channel states are judged."""

from __future__ import annotations

from datetime import time
from typing import Annotated, Literal

from pydantic import AfterValidator, Field

from auditor.policy.toml import Number, Seconds, Share, Strict


def _whole_second(value: time) -> time:
    if value.microsecond or value.tzinfo is not None:
        raise ValueError("must be a time of day in whole seconds, without an offset")
    return value


TimeOfDay = Annotated[time, AfterValidator(_whole_second)]
Positive = Annotated[Number, Field(gt=0)]


class SignalSettings(Strict):
    """``[signal]``: how channel states are judged. Amplitudes in microvolts, peak to peak."""

    minimum_channels: Annotated[int, Field(ge=1, le=1000)]
    flat_uv: Annotated[Number, Field(ge=0)]
    flat_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="flat_s")
    saturated_ppm: Annotated[Share, Field(gt=0)] = Field(alias="saturated_share")
    mains: Literal["auto", "50", "60", "off"]
    hum_ppm: Annotated[Share, Field(gt=0)] = Field(alias="hum_share")
    large_uv: Positive
    doubtful_ppm: Annotated[Share, Field(gt=0)] = Field(alias="doubtful_share")
    doubtful_end_ppm: Annotated[Share, Field(gt=0)] = Field(alias="doubtful_end_share")
    lost_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="lost_s")
    stretch_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="stretch_s")
    stretch_join_ns: Annotated[Seconds, Field(ge=0)] = Field(alias="stretch_join_s")
    night_start: TimeOfDay
    night_end: TimeOfDay

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
