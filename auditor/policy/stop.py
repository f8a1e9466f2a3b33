"""Settings of ``[stop]``: why a recording stopped, and the causes of gaps."""

from __future__ import annotations

from typing import Annotated

from pydantic import ConfigDict, Field

from auditor.policy.sourced import Many, Pattern, Section
from auditor.policy.toml import Seconds, Strict

_Span = Annotated[Seconds, Field(ge=0)]


class Patterns(Strict):
    """What an annotation tells of a stop. It counts for the first kind that matches."""

    model_config = ConfigDict(use_attribute_docstrings=True)

    power_low: Many[Pattern]
    """Annotations that power was low or lost."""
    supply_unplugged: Many[Pattern]
    """Annotations that the external supply was unplugged."""
    power_change: Many[Pattern]
    """Annotations that batteries or supply were changed."""
    patient: Many[Pattern]
    """Annotations that the patient or a caregiver stopped or paused it."""
    technologist: Many[Pattern]
    """Annotations that a technologist stopped it or took it down."""
    person: Many[Pattern]
    """Annotations that somebody stopped or paused it."""
    orderly_end: Many[Pattern]
    """Annotations that the recording was ended in order."""
    restart: Many[Pattern]
    """Annotations that the recording began or went on."""
    card_full: Many[Pattern]
    """Annotations that there was no room left."""
    electrode: Many[Pattern]
    """Annotations that electrodes came off."""
    clock: Many[Pattern]
    """Annotations that the clock was changed."""
    fault: Many[Pattern]
    """Annotations of a fault of the recorder or card."""


class StopSettings(Section):
    """``[stop]``: what annotations tell of a stop or gap, and how near they must lie."""

    annotation_ns: _Span = Field(alias="annotation_s")
    """How near to a stop or gap an annotation must lie to tell of it."""
    power_warning_ns: _Span = Field(alias="power_warning_s")
    """How long before a stop or gap a warning of low power still tells of it."""
    patterns: Patterns
