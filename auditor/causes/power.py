"""Whether the power set-up lasts the ordered time, and what would.

An external supply is drawn on first, then the packs. Packs of unequal charge: the fullest drains
alone until it is as empty as the next, then both alike. The capacity shown is the average of the
fitted packs; with one pack, that pack's. All of this is common practice, no source; the figures
come from the order file or the policy, and a lab enters its maker's own.

Integer nanoseconds throughout. A charge is held as the time that the pack alone would run.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from auditor.core.durations import in_words
from auditor.core.units import MINUTE
from auditor.model import PowerMode, PowerPlan, PowerSetup, PowerStep
from auditor.policy.power import PowerSettings

_PPM = 1_000_000

CAUTIONS = (
    "Use only packs, chargers and supplies that the recorder's maker approves: others are a hazard "
    "to the patient.",
    "Follow the maker's instructions. Hours that the order does not give are common-practice "
    "defaults without a source; enter the figures of your maker's manual.",
    "Packs lose capacity with age and cold: a plan is no measurement of these packs.",
)


def default_setup(settings: PowerSettings) -> PowerSetup:
    """The set-up where nothing is said: the packs that the recorder holds, full, card only."""
    return PowerSetup(
        batteries=settings.packs_fitted,
        battery_ns=settings.pack_ns,
        external_ns=0,
        mode="card",
        mode_share_ppm=settings.mode_factor_ppm["card"],
    )


@dataclass(frozen=True, slots=True)
class _Setup:
    """A set-up in which every figure is known."""

    packs: int
    pack_ns: int
    external_ns: int
    mode: PowerMode
    mode_factor_ppm: int
    charges_ppm: tuple[int, ...] = ()


def _filled(of: PowerSetup | _Setup, settings: PowerSettings) -> _Setup:
    """``of`` with the policy's figures where none was entered."""
    if isinstance(of, _Setup):
        return of
    mode = of.mode or "card"
    return _Setup(
        packs=(settings.packs_fitted if of.batteries is None else of.batteries)
        + (of.spare_batteries or 0),
        pack_ns=settings.pack_ns if of.battery_ns is None else of.battery_ns,
        external_ns=of.external_ns or 0,
        mode=mode,
        mode_factor_ppm=settings.mode_factor_ppm[mode]
        if of.mode_share_ppm is None
        else of.mode_share_ppm,
        charges_ppm=of.charges_ppm,
    )


def plan_power(
    of: PowerSetup,
    ordered_ns: int,
    settings: PowerSettings,
    measured_end_ns: int | None = None,
) -> PowerPlan:
    """The plan of ``of`` for ``ordered_ns``, compared with ``measured_end_ns`` after hook-up.

    ``setup.mode_factor_ppm`` is the share of ``pack_ns`` that the mode leaves. ``external_ns`` is
    what the supply adds in that mode, and is not shared again. More packs than the recorder holds
    are changed to, one fitting after the other, when the shown capacity reaches the low limit; the
    last fitting runs until it is empty.
    """
    setup = _filled(of, settings)
    steps = _steps(setup, settings)
    lasts = steps[-1].end_ns if steps else 0
    reserve = ordered_ns * settings.reserve_ppm // _PPM
    plan = PowerPlan(
        lasts_ns=lasts,
        ordered_ns=ordered_ns,
        reserve_ns=reserve,
        enough=lasts >= ordered_ns + reserve,
        steps=steps,
        advice=_advice(setup, ordered_ns, settings, lasts),
        would_last=()
        if lasts >= ordered_ns + reserve
        else _would_last(setup, ordered_ns + reserve, settings),
        cautions=CAUTIONS,
        match_ns=lasts * settings.match_ppm // _PPM,
        other_ends=_other_ends(setup, settings),
    )
    if measured_end_ns is None:
        return plan
    return replace(plan, comparison=_comparison(plan, measured_end_ns))


def shown_capacity_ppm(of: PowerSetup | _Setup, at_ns: int, settings: PowerSettings) -> int:
    """The capacity shown ``at_ns`` after hook-up: the average of the fitted packs' charges.

    In parts per million, rounded down; 0 once they are empty or where there is no pack.
    """
    setup = _filled(of, settings)
    start, fittings = setup.external_ns, _fittings(setup, settings)
    for number, charges in enumerate(fittings):
        length = _fitting_ns(charges, setup, settings, last=number == len(fittings) - 1)
        if at_ns < start + length or number == len(fittings) - 1:
            # Whichever pack is drained, the sum of the charges falls with the time on the packs.
            left = sum(charges) - min(max(at_ns - start, 0), sum(charges))
            whole = _full_ns(setup) * len(charges)
            return left * _PPM // whole if whole else 0
        start += length
    return 0


def low_at_ns(of: PowerSetup | _Setup, settings: PowerSettings) -> int:
    """When the last fitting's shown capacity reaches the low limit, after hook-up."""
    setup = _filled(of, settings)
    steps = _steps(setup, settings)
    fittings = _fittings(setup, settings)
    lasts = steps[-1].end_ns if steps else 0
    if not fittings:
        return lasts
    last = fittings[-1]
    reserve = min(_low_ns(last, setup, settings), sum(last))
    return lasts - reserve


def _full_ns(setup: _Setup) -> int:
    return setup.pack_ns * setup.mode_factor_ppm // _PPM


def _charges(setup: _Setup) -> tuple[int, ...]:
    full = _full_ns(setup)
    shares = setup.charges_ppm or (_PPM,) * setup.packs
    return tuple(full * share // _PPM for share in shares)


def _fittings(setup: _Setup, settings: PowerSettings) -> list[tuple[int, ...]]:
    """The packs that are in the recorder together, one fitting after the other."""
    charges, at_once = _charges(setup), settings.packs_fitted
    return [charges[i : i + at_once] for i in range(0, len(charges), at_once)]


def _low_ns(charges: Sequence[int], setup: _Setup, settings: PowerSettings) -> int:
    return _full_ns(setup) * len(charges) * settings.low_ppm // _PPM


def _fitting_ns(
    charges: Sequence[int], setup: _Setup, settings: PowerSettings, *, last: bool
) -> int:
    """How long one fitting runs: to the low limit, or until it is empty where none follows."""
    whole = sum(charges)
    return whole if last else max(whole - _low_ns(charges, setup, settings), 0)


def _steps(setup: _Setup, settings: PowerSettings) -> tuple[PowerStep, ...]:
    steps = []
    at = setup.external_ns
    if at:
        steps.append(PowerStep("external supply", 0, at))
    fittings = _fittings(setup, settings)
    for number, charges in enumerate(fittings):
        first = number * settings.packs_fitted
        end = at + _fitting_ns(charges, setup, settings, last=number == len(fittings) - 1)
        for names, length in _drained(charges, first):
            stop = min(at + length, end)
            if stop > at:
                steps.append(PowerStep(names, at, stop))
            at = stop
    return tuple(steps)


def _drained(charges: Sequence[int], first: int) -> list[tuple[str, int]]:
    """Which packs of one fitting feed the recorder for how long, fullest first."""
    order = sorted(range(len(charges)), key=lambda i: -charges[i])
    parts = []
    for count in range(1, len(order) + 1):
        level = charges[order[count - 1]]
        next_level = charges[order[count]] if count < len(order) else 0
        if level > next_level:
            numbers = sorted(first + i + 1 for i in order[:count])
            parts.append((_named(numbers, alone=len(charges) > 1), (level - next_level) * count))
    return parts


def _named(numbers: Sequence[int], *, alone: bool) -> str:
    if len(numbers) == 1:
        return f"pack {numbers[0]} alone" if alone else f"pack {numbers[0]}"
    listed = ", ".join(map(str, numbers[:-1]))
    return f"packs {listed} and {numbers[-1]} together"


def _percent(ppm: int) -> str:
    return f"{ppm / 10_000:g} %"


def _about(ns: int) -> str:
    """A planned time: no plan is good to less than a minute. Rounded down."""
    return in_words(ns - ns % MINUTE)


def _lasts_ns(setup: _Setup, settings: PowerSettings) -> int:
    steps = _steps(setup, settings)
    return steps[-1].end_ns if steps else 0


def _advice(setup: _Setup, ordered_ns: int, settings: PowerSettings, lasts: int) -> tuple[str, ...]:
    low = _percent(settings.low_ppm)
    said = []
    if not lasts:
        return ("The set-up holds no charged pack and no external supply: nothing feeds it.",)
    if setup.packs:
        said.append(
            "Have every pack full at hook-up: charging takes about "
            f"{_about(settings.charge_single_ns)} for one pack in a single charger and about "
            f"{_about(settings.charge_four_ns)} for four in a four-bay charger."
        )
    at, fittings = setup.external_ns, _fittings(setup, settings)
    for charges in fittings[:-1]:
        at += _fitting_ns(charges, setup, settings, last=False)
        said.append(
            f"Change the packs before {_about(at)} after hook-up, when {low} is left. The "
            "recorder's small internal cell bridges a change of packs and nothing more."
        )
    if setup.packs and lasts < ordered_ns + _low_ns(fittings[-1], setup, settings):
        said.append(
            f"The shown capacity reaches {low} about {_about(low_at_ns(setup, settings))} after "
            "hook-up: change the packs or supply power before then."
        )
    elif setup.packs:
        shown = shown_capacity_ppm(setup, ordered_ns, settings)
        said.append(f"At the planned end about {shown // 10_000} % would be shown.")
    if (
        setup.mode == "card+computer"
        and not setup.external_ns
        and ordered_ns >= settings.external_advised_from_ns
    ):
        said.append(
            f"For {_about(settings.external_advised_from_ns)} or more to card and computer at "
            "once, an external supply is advised."
        )
    if setup.external_ns and not setup.packs:
        said.append("Without a pack the recorder stops at once when the supply is unplugged.")
    return tuple(said)


def _would_last(setup: _Setup, needed: int, settings: PowerSettings) -> tuple[str, ...]:
    """Changes, each by itself, that would reach ``needed`` (the ordered time and the reserve)."""
    found = []

    def offer(changed: _Setup, text: str) -> None:
        lasts = _lasts_ns(changed, settings)
        if lasts >= needed:
            found.append(f"{text}: about {_about(lasts)}.")

    if any(share < _PPM for share in setup.charges_ppm):
        offer(replace(setup, charges_ppm=()), "The same packs, all charged fully")
    if setup.mode == "card+computer":
        factor = settings.mode_factor_ppm["card"]
        card = replace(setup, mode="card", mode_factor_ppm=max(factor, setup.mode_factor_ppm))
        offer(card, "Recording to the card only")
    if not setup.external_ns:
        supply = settings.external_ns.of(setup.mode)
        offer(replace(setup, external_ns=supply), "The same packs and an external supply")
    packs = _packs_needed(setup, needed, settings)
    if packs is not None:
        more = replace(setup, packs=packs, charges_ppm=())
        changes = _change_times(more, settings)
        text = f"{packs} full packs" if packs > 1 else "1 full pack"
        if changes:
            times = " and ".join(_about(at) for at in changes)
            text += f", changed before {times} after hook-up"
        offer(more, text)
    if not found:
        found.append(
            "No single change of this set-up reaches the ordered time with its reserve: combine "
            "an external supply with planned changes of packs."
        )
    return tuple(found)


def _change_times(setup: _Setup, settings: PowerSettings) -> list[int]:
    at, times = setup.external_ns, []
    for charges in _fittings(setup, settings)[:-1]:
        at += _fitting_ns(charges, setup, settings, last=False)
        times.append(at)
    return times


_MOST_PACKS = 12


def _packs_needed(setup: _Setup, needed: int, settings: PowerSettings) -> int | None:
    for packs in range(setup.packs + 1, _MOST_PACKS + 1):
        if _lasts_ns(replace(setup, packs=packs, charges_ppm=()), settings) >= needed:
            return packs
    return None


def _other_ends(setup: _Setup, settings: PowerSettings) -> tuple[tuple[str, int], ...]:
    """When power would run out if one thing were other than entered."""
    ends = []
    if setup.external_ns:
        ends.append(("the external supply fed nothing", replace(setup, external_ns=0)))
    if setup.packs > 1:
        charges = setup.charges_ppm[:-1]
        ends.append(
            (
                "one pack was empty or not fitted",
                replace(setup, packs=setup.packs - 1, charges_ppm=charges),
            )
        )
    if setup.external_ns and setup.packs:
        ends.append(("no pack held a charge", replace(setup, packs=0, charges_ppm=())))
    return tuple((words, _lasts_ns(changed, settings)) for words, changed in ends)


def fits(plan: PowerPlan, measured_ns: int) -> bool:
    """Whether a recording of ``measured_ns`` after hook-up ended when power should have."""
    return plan.lasts_ns > 0 and abs(measured_ns - plan.lasts_ns) <= plan.match_ns


def other_fit(plan: PowerPlan, measured_ns: int) -> tuple[str, int] | None:
    """The first other assumption whose end fits ``measured_ns``, with that end.

    ``match_ns`` is a share of the plan's own end; the same share of the other end is used.
    """
    for words, lasts in plan.other_ends:
        if (
            plan.lasts_ns
            and lasts
            and (abs(measured_ns - lasts) * plan.lasts_ns <= plan.match_ns * lasts)
        ):
            return words, lasts
    return None


def _comparison(plan: PowerPlan, measured_ns: int) -> str:
    ended = f"The recording ended {in_words(measured_ns)} after hook-up; "
    if not plan.lasts_ns:
        return ended + "by what was entered, nothing fed the recorder. Correct the set-up."
    ended += f"by the plan the power would have run out after about {_about(plan.lasts_ns)}. "
    apart = abs(measured_ns - plan.lasts_ns)
    if fits(plan, measured_ns):
        return ended + f"The two are {_about(apart)} apart: that fits an end for want of power."
    other = other_fit(plan, measured_ns)
    if other is not None:
        words, lasts = other
        return (
            ended
            + f"Had it been so that {words}, it would have run about {_about(lasts)}, which fits."
        )
    if measured_ns < plan.lasts_ns:
        return (
            ended
            + f"Power for about {_about(apart)} should have been left, if every pack was full."
        )
    return (
        ended
        + f"It ran about {_about(apart)} longer than planned: the figures are too low for this "
        "recorder, or packs were changed."
    )
