"""Settings of the coverage arithmetic and of the decision."""

from __future__ import annotations

from typing import Annotated

from auditor.policy.sourced import Section
from auditor.policy.values import MORE_THAN_0, Seconds, Share


class CoverageSettings(Section, frozen=True, kw_only=True):
    """``[coverage]``: what counts as a gap."""

    gap_floor_ns: Annotated[
        Seconds,
        MORE_THAN_0,
        "A shorter hole is a dropout: totalled, never listed, never counted as recorded.",
    ]


class DecisionSettings(Section, frozen=True, kw_only=True):
    """``[decision]``: shares of the ordered time, and how close to the planned end a stop is."""

    tolerance_ppm: Annotated[
        Share, "Order, yes: short of the ordered time by no more than this share of it."
    ]
    minimum_ppm: Annotated[Share, "Order, no: recorded less than this share of the ordered time."]
    usable_ppm: Annotated[
        Share, "Readable, yes: clean for at least this share of the ordered time."
    ]
    usable_minimum_ppm: Annotated[
        Share, "Readable, no: usable for less than this share of the ordered time."
    ]
    stop_tolerance_ns: Annotated[
        Seconds,
        "An end this close to the planned end is as ordered (at most 1 % of the ordered time).",
    ]
