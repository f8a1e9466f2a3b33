"""Whether the power set-up lasts the ordered time, and what would, by the lab's own figures.

The time of an external supply and the sum over the batteries of charge times hours, together times
the share that the recording mode leaves; spare batteries, full, to change to (common practice, no
source). No figure has a default, since figures of batteries and supplies describe one recorder: a
lab enters its manufacturer's in the order's ``[power]`` or in its policy's.
"""

from __future__ import annotations

from msgspec import Struct
from msgspec.structs import replace

from auditor.core.durations import in_words
from auditor.core.text import quantity
from auditor.core.units import MINUTE, PPM
from auditor.model import Coverage, Order, PowerMode, PowerPlan, PowerSetup
from auditor.policy.sections import PowerSettings

_MATCH_PERCENT = 5
"""A measured end so close to the planned end of power fits it (common practice, no source)."""
_MOST_SPARES = 24

CAUTIONS = (
    "Use only batteries, chargers and supplies that the recorder's manufacturer approves: others "
    "are a hazard to the patient.",
    "Follow the manufacturer's instructions. The figures are those that were entered.",
    "Batteries lose capacity with age and cold: a plan is no measurement of these batteries.",
    "Clear the card only after its copy is safe.",
)


class _Figures(Struct, frozen=True):
    """A set-up in which every figure that counts is known."""

    batteries: int
    battery_ns: int
    external_ns: int
    mode_share_ppm: int
    mode: PowerMode | None
    charges_ppm: tuple[int, ...]
    spare: int

    @property
    def fitted_ns(self) -> int:
        """What runs without a change of batteries."""
        charges = self.charges_ppm or (PPM,) * self.batteries
        hours = sum(self.battery_ns * share // PPM for share in charges)
        return (self.external_ns + hours) * self.mode_share_ppm // PPM

    @property
    def lasts_ns(self) -> int:
        """What runs with every spare battery, full, changed to."""
        return self.fitted_ns + self.spare * self.battery_ns * self.mode_share_ppm // PPM


def needed(setup: PowerSetup | None, settings: PowerSettings) -> tuple[str, ...]:
    """What must be entered before anything can be said of power, one phrase each; empty if all."""
    if setup is None or (setup.batteries is None and setup.external_ns is None):
        return ("how many batteries the recorder holds (batteries) or the hours of its external "
                "supply (external_hours)",)  # fmt: skip
    wanted = []
    some = (setup.batteries or 0) + (setup.spare_batteries or 0)
    if some and setup.battery_ns is None and settings.battery_ns is None:
        wanted.append("the hours that one full battery runs the recorder (hours_per_battery)")
    # Hours of a battery are understood as those of recording to the card.
    if setup.mode not in (None, "card") and _share(setup, settings) is None:
        wanted.append(f"the share of those hours that {setup.mode} leaves (mode_share)")
    return tuple(wanted)


def plan_of(
    order: Order | None, hookup: int | None, coverage: Coverage, settings: PowerSettings
) -> PowerPlan | None:
    """The plan of the order's set-up, compared with the measured end once the study is over."""
    if order is None:
        return None
    begun = coverage.first_start if hookup is None else hookup
    ran = None if order.still_recording else max(0, coverage.last_end - begun)
    return plan_power(order.power, order.ordered_ns, settings, ran)


def plan_power(
    setup: PowerSetup | None,
    ordered_ns: int,
    settings: PowerSettings,
    measured_end_ns: int | None = None,
) -> PowerPlan | None:
    """The plan of ``setup`` for ``ordered_ns``, compared with ``measured_end_ns`` after hook-up.

    ``None`` where a figure is missing: ``needed`` says which.
    """
    if setup is None or needed(setup, settings):
        return None
    share = _share(setup, settings)
    of = _Figures(
        setup.batteries or 0,
        setup.battery_ns or settings.battery_ns or 0,
        setup.external_ns or 0,
        PPM if share is None else share,
        setup.mode,
        setup.charges_ppm,
        setup.spare_batteries or 0,
    )
    reserve = None if settings.reserve_ppm is None else ordered_ns * settings.reserve_ppm // PPM
    wanted = ordered_ns + (reserve or 0)
    plan = PowerPlan(
        lasts_ns=of.lasts_ns,
        ordered_ns=ordered_ns,
        reserve_ns=reserve,
        enough=of.lasts_ns >= wanted,
        advice=_advice(of, ordered_ns),
        would_last=() if of.lasts_ns >= wanted else _would_last(of, wanted, settings),
        cautions=CAUTIONS,
        other_ends=_other_ends(of),
    )
    if measured_end_ns is None:
        return plan
    return replace(plan, comparison=_comparison(plan, measured_end_ns))


def _share(setup: PowerSetup, settings: PowerSettings) -> int | None:
    if setup.mode_share_ppm is not None:
        return setup.mode_share_ppm
    return None if setup.mode is None else settings.mode_shares.of(setup.mode)


def _about(ns: int) -> str:
    """A planned time: no plan is good to less than a minute. Rounded down."""
    return in_words(ns - ns % MINUTE)


def _advice(of: _Figures, ordered_ns: int) -> tuple[str, ...]:
    if not of.lasts_ns:
        return ("The set-up holds no charged battery and no external supply: nothing feeds it.",)
    said = []
    if of.batteries:
        said.append("Have every battery full at hook-up.")
    if of.spare and of.fitted_ns < ordered_ns:
        spare = quantity(of.spare, "spare battery", plural_noun="spare batteries")
        said.append(
            f"Change to the {spare} before about {_about(of.fitted_ns)} after hook-up, and look "
            "whether the recorder records again."
        )
    if of.external_ns and not of.batteries:
        said.append("Without a battery the recorder stops at once when the supply is unplugged.")
    said.append(
        "A recorder may close its files in order when power runs out: an orderly end does not rule "
        "power out."
    )
    return tuple(said)


def _would_last(of: _Figures, wanted: int, settings: PowerSettings) -> tuple[str, ...]:
    """Changes, each by itself, that would reach ``wanted`` (the ordered time and the reserve)."""
    changes = [("The same batteries, all charged fully", replace(of, charges_ppm=()))]
    if of.mode == "card+computer":
        card = replace(of, mode_share_ppm=settings.mode_shares.card_ppm or PPM)
        changes.append(("Recording to the card only", card))
    if not of.external_ns and settings.external_ns:
        external = replace(of, external_ns=settings.external_ns)
        changes.append(("The same batteries and the lab's external supply", external))
    for spare in range(_MOST_SPARES + 1):  # as few as there are, or fewer, do not reach it
        count = quantity(spare, "full spare battery", plural_noun="full spare batteries")
        changes.append((f"{count} to change to", replace(of, spare=spare)))
        if changes[-1][1].lasts_ns >= wanted:
            break
    reach = [(text, changed.lasts_ns) for text, changed in changes if changed.lasts_ns >= wanted]
    return tuple(f"{text}: about {_about(lasts)}." for text, lasts in reach) or (
        "No single change of this set-up reaches the ordered time with its reserve: combine an "
        "external supply with planned changes of batteries.",
    )


def _other_ends(of: _Figures) -> tuple[tuple[str, int], ...]:
    """When power would run out if one thing were other than entered."""
    ends: list[tuple[str, _Figures]] = []
    if of.spare:
        ends.append(("the batteries were not changed", replace(of, spare=0)))
    if of.external_ns:
        ends.append(("the external supply fed nothing", replace(of, external_ns=0)))
    if of.batteries > 1:
        fewer = replace(of, batteries=of.batteries - 1, charges_ppm=of.charges_ppm[:-1])
        ends.append(("one battery was empty or not fitted", fewer))
    return tuple((words, changed.lasts_ns) for words, changed in ends)


def fits(planned_ns: int, measured_ns: int) -> bool:
    """Whether a recording of ``measured_ns`` after hook-up ended when power should have."""
    apart = 100 * abs(measured_ns - planned_ns)
    return bool(planned_ns) and apart <= _MATCH_PERCENT * planned_ns


def other_fit(plan: PowerPlan, measured_ns: int) -> tuple[str, int] | None:
    """The first other assumption whose end fits ``measured_ns``, with that end."""
    return next((end for end in plan.other_ends if fits(end[1], measured_ns)), None)


def _comparison(plan: PowerPlan, measured_ns: int) -> str:
    ended = f"The recording ended {in_words(measured_ns)} after hook-up; "
    if not plan.lasts_ns:
        return ended + "by what was entered, nothing fed the recorder. Correct the set-up."
    ended += f"by the plan the power would have run out after about {_about(plan.lasts_ns)}. "
    apart = abs(measured_ns - plan.lasts_ns)
    other = other_fit(plan, measured_ns)
    if fits(plan.lasts_ns, measured_ns):
        said = f"The two are {_about(apart)} apart: that would fit an end for want of power."
    elif other is not None:
        said = (
            f"Had it been so that {other[0]}, it would have run about {_about(other[1])}, which "
            "would fit."
        )
    elif measured_ns < plan.lasts_ns:
        said = f"Power for about {_about(apart)} should have been left, if every battery was full."
    else:
        said = (
            f"It ran about {_about(apart)} longer than planned: the figures are too low for this "
            "recorder, or batteries were changed."
        )
    return ended + said
