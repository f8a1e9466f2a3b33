"""Settings of ``[power]``: default figures of the power set-up.

All are common practice, no source; a lab enters its own figures from its maker's manual.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, field_validator

from auditor.core.units import HOUR
from auditor.model import PowerMode
from auditor.policy.sourced import Section
from auditor.policy.toml import Hours, Share, Strict

_Positive = Annotated[Hours, Field(gt=0, le=10_000 * HOUR)]


class ByMode(Strict):
    """One value for each way to record."""

    card: Share
    card_computer: Share = Field(alias="card+computer")


class HoursByMode(Strict):
    """One time for each way to record."""

    card: _Positive
    card_computer: _Positive = Field(alias="card+computer")

    def of(self, mode: PowerMode) -> int:
        """The time for ``mode``, in nanoseconds."""
        return self.card if mode == "card" else self.card_computer


class PowerSettings(Section):
    """``[power]``: default figures of the power set-up."""

    pack_ns: _Positive = Field(alias="pack_hours")
    """What one full pack runs, recording to the card."""
    mode_factors: ByMode = Field(alias="mode_factor")
    external_ns: HoursByMode = Field(alias="external_hours")
    """What an external supply adds, used in advice only."""
    packs_fitted: Annotated[int, Field(ge=1, le=8)]
    """How many packs the recorder holds at once; more are packs to change to."""
    reserve_ppm: Share = Field(alias="reserve_share")
    """Share of the ordered time that must be left over."""
    match_ppm: Share = Field(alias="match_share")
    """How far a measured end may lie from the planned end of power and still fit it."""
    low_ppm: Share = Field(alias="low_share")
    """Shown capacity below which the packs are to be changed or power supplied."""
    external_advised_from_ns: _Positive = Field(alias="external_advised_from_hours")
    """An external supply is advised from here on with card+computer."""
    charge_single_ns: _Positive = Field(alias="charge_hours_one_pack")
    """One battery in a single charger."""
    charge_four_ns: _Positive = Field(alias="charge_hours_four_packs")
    """Four batteries in a four-bay charger."""

    @field_validator("mode_factors")
    @classmethod
    def _not_zero(cls, value: ByMode) -> ByMode:
        if not (value.card and value.card_computer):
            raise ValueError("must be more than 0 for each mode")
        return value

    @property
    def mode_factor_ppm(self) -> dict[str, int]:
        """Share of the nominal time that each mode leaves, in parts per million."""
        return {"card": self.mode_factors.card, "card+computer": self.mode_factors.card_computer}
