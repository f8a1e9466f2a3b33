"""Settings of ``[power]``: what a lab enters of its own set-up. Nothing has a default.

Figures of batteries, supplies and chargers describe one recorder; they come from the lab's
manufacturer.
"""

from __future__ import annotations

from typing import Annotated

from msgspec import Meta, field

from auditor.core.units import HOUR
from auditor.model import PowerMode
from auditor.policy.sourced import Section
from auditor.policy.values import MORE_THAN_0, Hours, Settings, Share

_Positive = Annotated[Hours, Meta(gt=0, le=10_000 * HOUR)]
_Left = Annotated[Share, MORE_THAN_0]


class ByMode(Settings, frozen=True, kw_only=True):
    """The share of the hours that each way to record leaves."""

    card_ppm: Annotated[_Left | None, "Share of the hours left when recording to the card."] = (
        field(default=None, name="card")
    )
    both_ppm: Annotated[
        _Left | None, "Share of the hours left when recording to card and computer at once."
    ] = field(default=None, name="card+computer")

    def of(self, mode: PowerMode) -> int | None:
        """The share of ``mode`` in parts per million, where it was entered."""
        return self.card_ppm if mode == "card" else self.both_ppm


class PowerSettings(Section, frozen=True, kw_only=True):
    """``[power]``: the lab's own figures; an order's take their place."""

    battery_ns: Annotated[_Positive | None, "What one full battery runs the recorder."] = field(
        default=None, name="hours_per_battery"
    )
    external_ns: Annotated[
        _Positive | None, "What the lab's external supply feeds; used to say what would last."
    ] = field(default=None, name="external_hours")
    mode_shares: ByMode = field(default=ByMode(), name="mode_share")
    reserve_ppm: Annotated[Share | None, "Share of the ordered time that must be left over."] = None
