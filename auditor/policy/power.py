"""Settings of ``[power]``: what a lab enters of its own set-up. Nothing has a default.

Figures of batteries, supplies and chargers describe one recorder; they come from the lab's
manufacturer.
"""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

from auditor.core.units import HOUR
from auditor.model import PowerMode
from auditor.policy.sourced import Section
from auditor.policy.toml import Hours, Share, Strict

_Positive = Annotated[Hours, Field(gt=0, le=10_000 * HOUR)]
_Left = Annotated[Share, Field(gt=0)]


class ByMode(Strict):
    """The share of the hours that each way to record leaves."""

    model_config = ConfigDict(use_attribute_docstrings=True)

    card_ppm: _Left | None = Field(None, alias="card")
    """Share of the hours left when recording to the card."""
    both_ppm: _Left | None = Field(None, alias="card+computer")
    """Share of the hours left when recording to card and computer at once."""

    def of(self, mode: PowerMode) -> int | None:
        """The share of ``mode`` in parts per million, where it was entered."""
        return self.card_ppm if mode == "card" else self.both_ppm


class PowerSettings(Section):
    """``[power]``: the lab's own figures; an order's take their place."""

    battery_ns: _Positive | None = Field(None, alias="hours_per_battery")
    """What one full battery runs the recorder."""
    external_ns: _Positive | None = Field(None, alias="external_hours")
    """What the lab's external supply feeds; used to say what would last."""
    mode_shares: ByMode = Field(
        default_factory=lambda: ByMode.model_validate({}), alias="mode_share"
    )
    """Share of the hours that the way to record leaves."""
    reserve_ppm: Share | None = Field(None, alias="reserve_share")
    """Share of the ordered time that must be left over."""
