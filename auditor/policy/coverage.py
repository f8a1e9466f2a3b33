"""Settings of the coverage arithmetic and of the decision."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from auditor.policy.sourced import Section
from auditor.policy.toml import Seconds, Share


class CoverageSettings(Section):
    """``[coverage]``: what counts as a gap."""

    gap_floor_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="gap_floor_s")
    """A shorter hole is a dropout: totalled, never listed, never counted as recorded."""


class DecisionSettings(Section):
    """``[decision]``: shares of the ordered time, and how close to the planned end a stop is."""

    tolerance_ppm: Share = Field(alias="tolerance_share")
    """Order, yes: short of the ordered time by no more than this share of it."""
    minimum_ppm: Share = Field(alias="minimum_share")
    """Order, no: recorded less than this share of the ordered time."""
    usable_ppm: Share = Field(alias="usable_share")
    """Readable, yes: clean for at least this share of the ordered time."""
    usable_minimum_ppm: Share = Field(alias="usable_minimum_share")
    """Readable, no: usable for less than this share of the ordered time."""
    stop_tolerance_ns: Seconds = Field(alias="stop_tolerance_s")
    """An end this close to the planned end is as ordered (at most 1 % of the ordered time)."""
