"""Settings of the coverage arithmetic and of the decision."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field

from auditor.policy.toml import Seconds, Share, Strict


class CoverageSettings(Strict):
    """``[coverage]``: what counts as a gap."""

    gap_floor_ns: Annotated[Seconds, Field(gt=0)] = Field(alias="gap_floor_s")


class DecisionSettings(Strict):
    """``[decision]``: shares of the ordered time, and how close to the planned end a stop is."""

    tolerance_ppm: Share = Field(alias="tolerance_share")
    minimum_ppm: Share = Field(alias="minimum_share")
    usable_ppm: Share = Field(alias="usable_share")
    usable_minimum_ppm: Share = Field(alias="usable_minimum_share")
    stop_tolerance_ns: Seconds = Field(alias="stop_tolerance_s")
