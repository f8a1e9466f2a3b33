"""Settings of ``[stop]``: why a recording stopped, and the causes of gaps."""

from __future__ import annotations

from typing import Annotated

from auditor.policy.sourced import Pattern, Section
from auditor.policy.values import FROM_0, Seconds, Settings

_Span = Annotated[Seconds, FROM_0]


class Patterns(Settings, frozen=True, kw_only=True):
    """What an annotation tells of a stop. It counts for the first kind that matches."""

    power_low: Annotated[tuple[Pattern, ...], "Annotations that power was low or lost."]
    supply_unplugged: Annotated[
        tuple[Pattern, ...], "Annotations that the external supply was unplugged."
    ]
    power_change: Annotated[
        tuple[Pattern, ...], "Annotations that batteries or supply were changed."
    ]
    patient: Annotated[
        tuple[Pattern, ...], "Annotations that the patient or a caregiver stopped or paused it."
    ]
    technologist: Annotated[
        tuple[Pattern, ...], "Annotations that a technologist stopped it or took it down."
    ]
    person: Annotated[tuple[Pattern, ...], "Annotations that somebody stopped or paused it."]
    orderly_end: Annotated[
        tuple[Pattern, ...], "Annotations that the recording was ended in order."
    ]
    restart: Annotated[tuple[Pattern, ...], "Annotations that the recording began or went on."]
    card_full: Annotated[tuple[Pattern, ...], "Annotations that there was no room left."]
    electrode: Annotated[tuple[Pattern, ...], "Annotations that electrodes came off."]
    clock: Annotated[tuple[Pattern, ...], "Annotations that the clock was changed."]
    fault: Annotated[tuple[Pattern, ...], "Annotations of a fault of the recorder or card."]


class StopSettings(Section, frozen=True, kw_only=True):
    """``[stop]``: what annotations tell of a stop or gap, and how near they must lie."""

    annotation_ns: Annotated[
        _Span, "How near to a stop or gap an annotation must lie to tell of it."
    ]
    power_warning_ns: Annotated[
        _Span, "How long before a stop or gap a warning of low power still tells of it."
    ]
    patterns: Patterns
