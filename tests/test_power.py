"""The power plan. Figures of packs and supplies: common practice, no source."""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from auditor.causes.power import (
    default_setup,
    fits,
    low_at_ns,
    other_fit,
    plan_power,
    shown_capacity_ppm,
)
from auditor.core.units import HOUR, MINUTE
from auditor.model import PowerMode, PowerPlan, PowerSetup
from auditor.policy import load_policy

SETTINGS = load_policy().power
PPM = 1_000_000


def setup(
    packs: int = 2,
    *,
    external_h: int = 0,
    mode: PowerMode = "card",
    charges: tuple[int, ...] = (),
    pack_ns: int = 36 * HOUR,
) -> PowerSetup:
    """Packs with the policy's figures; charges in per cent."""
    factor = SETTINGS.mode_factor_ppm[mode]
    shares = tuple(c * PPM // 100 for c in charges)
    return PowerSetup(packs, pack_ns, external_h * HOUR, mode, factor, shares)


def plan(of: PowerSetup, hours: int = 48, measured: int | None = None) -> PowerPlan:
    return plan_power(of, hours * HOUR, SETTINGS, measured)


def steps(of: PowerSetup) -> list[tuple[str, float, float]]:
    return [(s.source, s.start_ns / HOUR, s.end_ns / HOUR) for s in plan(of).steps]


@pytest.mark.parametrize(
    ("of", "low", "high"),
    [
        (setup(1), 36, 36),
        (setup(2), 72, 72),
        (setup(2, mode="card+computer"), 67, 73),
        (setup(2, external_h=100), 172, 172),
        (setup(0, external_h=85, mode="card+computer"), 85, 85),
        (setup(2, external_h=85, mode="card+computer"), 85 + 67, 85 + 73),
        (setup(0), 0, 0),
        (setup(1, charges=(50,)), 18, 18),
    ],
)
def test_a_set_up_lasts_what_common_practice_says(of: PowerSetup, low: int, high: int) -> None:
    assert low * HOUR <= plan(of).lasts_ns <= high * HOUR


def test_the_default_set_up_is_two_full_packs_to_the_card() -> None:
    of = default_setup(SETTINGS)
    assert (of.batteries, of.battery_ns, of.external_ns, of.mode) == (2, 36 * HOUR, 0, "card")
    assert plan(of).lasts_ns == 72 * HOUR


def test_the_supply_feeds_first_and_then_the_fuller_pack_until_both_are_equal() -> None:
    assert steps(setup(2, external_h=10, charges=(50, 100))) == [
        ("external supply", 0, 10),
        ("pack 2 alone", 10, 28),
        ("packs 1 and 2 together", 28, 64),
    ]


def test_packs_of_equal_charge_drain_alike_from_the_start() -> None:
    assert steps(setup(2)) == [("packs 1 and 2 together", 0, 72)]
    assert steps(setup(1)) == [("pack 1", 0, 36)]


def test_an_empty_pack_leaves_the_other_alone() -> None:
    assert steps(setup(2, charges=(0, 100))) == [("pack 2 alone", 0, 36)]


@pytest.mark.parametrize(
    ("of", "at_h", "percent"),
    [
        (setup(1), 9, 75),  # one pack: that pack's
        (setup(2), 18, 75),
        (setup(2, charges=(50, 100)), 0, 75),  # the average of the two
        (setup(2, charges=(50, 100)), 18, 50),  # now equal
        (setup(2, charges=(50, 100)), 54, 0),
        (setup(2, external_h=10), 10, 100),  # the supply first: nothing drawn from the packs
        (setup(2, external_h=10), 46, 50),
        (setup(2), 500, 0),
        (setup(0, external_h=10), 5, 0),
        (setup(2, pack_ns=0), 5, 0),
    ],
)
def test_the_shown_capacity_is_the_average_of_the_fitted_packs(
    of: PowerSetup, at_h: int, percent: int
) -> None:
    assert shown_capacity_ppm(of, at_h * HOUR, SETTINGS) == percent * PPM // 100


def test_five_per_cent_is_reached_when_five_per_cent_of_both_is_left() -> None:
    # 5 % of 72 h are 3.6 h.
    at = low_at_ns(setup(2), SETTINGS)
    assert at == 72 * HOUR - 216 * MINUTE
    assert shown_capacity_ppm(setup(2), at, SETTINGS) == 50_000


def test_more_packs_than_are_fitted_are_changed_to_at_the_low_limit() -> None:
    assert steps(setup(3)) == [
        ("packs 1 and 2 together", 0, 68.4),
        ("pack 3", 68.4, 104.4),
    ]
    said = " ".join(plan(setup(4), 120).advice)
    assert "Change the packs before 68 h 24 min after hook-up" in said
    assert shown_capacity_ppm(setup(4), 68 * HOUR + 24 * MINUTE, SETTINGS) == PPM


def simulated(charges: list[int], each: int) -> int:
    """Minutes that packs run, drained a minute at a time from the fullest ones in equal shares."""
    left = [Fraction(c) for c in charges]
    minutes = 0
    while sum(left) > 0:
        top = max(left)
        full = [i for i, c in enumerate(left) if c == top]
        below = max((c for c in left if c != top), default=Fraction(0))
        # as far as the level of the next pack, at most one minute of each pack of this level
        drop = min(top - below, Fraction(1, len(full)))
        for i in full:
            left[i] -= drop
        minutes += drop * len(full)  # type: ignore[assignment]
    return minutes * each


@given(st.lists(st.integers(0, 100), min_size=1, max_size=2))
def test_the_steps_agree_with_draining_pack_by_pack(charges: list[int]) -> None:
    of = setup(len(charges), charges=tuple(charges), pack_ns=100 * MINUTE)
    assert plan(of).lasts_ns == simulated(charges, MINUTE)


@given(
    st.integers(0, 6),
    st.integers(0, 200),
    st.sampled_from(("card", "card+computer")),
    st.integers(1, 400),
)
def test_steps_follow_one_another_and_end_where_the_plan_ends(
    packs: int, external: int, mode: PowerMode, hours: int
) -> None:
    found = plan(setup(packs, external_h=external, mode=mode), hours)
    edges = [0, *(s.end_ns for s in found.steps)]
    assert [s.start_ns for s in found.steps] == edges[:-1]
    assert edges[-1] == found.lasts_ns
    assert found.enough == (found.lasts_ns >= found.ordered_ns + found.reserve_ns)
    assert bool(found.would_last) != found.enough
    assert all(text.endswith(".") for text in (*found.advice, *found.would_last, *found.cautions))


@pytest.mark.parametrize(("hours", "enough"), [(48, True), (72, True), (73, False)])
def test_two_full_packs_last_72_hours_recording_to_the_card(hours: int, enough: bool) -> None:
    assert plan(setup(2), hours).enough is enough


@pytest.mark.parametrize(("hours", "enough"), [(48, True), (68, True), (69, False), (72, False)])
def test_enough_asks_for_the_ordered_time_and_the_reserve(hours: int, enough: bool) -> None:
    # 72 h last 68 h with a reserve of 5 % (71:24) and not 69 h (72:27).
    with_reserve = SETTINGS.model_copy(update={"reserve_ppm": PPM // 20})
    assert plan_power(setup(2), hours * HOUR, with_reserve).enough is enough


def test_what_would_last_is_named_for_two_packs_and_72_hours_to_both() -> None:
    found = plan(setup(2, mode="card+computer"), 72)
    assert not found.enough
    assert found.would_last == (
        "Recording to the card only: about 72 h.",
        "The same packs and an external supply: about 155 h.",
        "3 full packs, changed before 66 h 30 min after hook-up: about 101 h 30 min.",
    )
    assert any("an external supply is advised" in text for text in found.advice)


def test_packs_that_were_not_full_are_to_be_charged_first() -> None:
    found = plan(setup(2, charges=(50, 50)), 48)
    assert found.would_last[0] == "The same packs, all charged fully: about 72 h."


def test_recording_to_the_card_only_is_offered_where_that_is_enough() -> None:
    found = plan(setup(2, mode="card+computer"), 71)
    assert "Recording to the card only: about 72 h." in found.would_last


def test_a_year_is_told_to_need_more_than_one_change() -> None:
    found = plan(setup(2), 8784)
    assert found.would_last == (
        "No single change of this set-up reaches the ordered time with its reserve: combine an "
        "external supply with planned changes of packs.",
    )


def test_no_power_at_all_is_said() -> None:
    found = plan(setup(0), 24, 5 * HOUR)
    assert found.advice == (
        "The set-up holds no charged pack and no external supply: nothing feeds it.",
    )
    assert "nothing fed the recorder" in found.comparison


@pytest.mark.parametrize(
    ("measured", "words"),
    [
        (71 * HOUR + 50 * MINUTE, "fits an end for want of power"),
        (72 * HOUR + 216 * MINUTE, "fits an end for want of power"),  # 5 % is 3.6 h
        (72 * HOUR + 217 * MINUTE, "longer than planned"),
        (72 * HOUR - 217 * MINUTE, "should have been left"),
        (36 * HOUR, "one pack was empty or not fitted"),
        (20 * HOUR, "Power for about 52 h should have been left"),
    ],
)
def test_the_comparison_says_how_the_plan_fits_the_end(measured: int, words: str) -> None:
    assert words in plan(setup(2), 72, measured).comparison


def test_a_supply_that_fed_nothing_is_recognised_by_the_end() -> None:
    found = plan(setup(2, external_h=100), 120, 72 * HOUR)
    assert other_fit(found, 72 * HOUR) == ("the external supply fed nothing", 72 * HOUR)
    assert not fits(found, 72 * HOUR)
    assert other_fit(found, 50 * HOUR) is None


def test_without_a_measured_end_nothing_is_compared() -> None:
    assert plan(setup(2)).comparison == ""
    assert not fits(plan(setup(0)), 0)


def test_the_usual_cautions_are_given() -> None:
    said = " ".join(plan(setup(2)).cautions)
    assert "maker approves" in said
    assert "Follow the maker's instructions" in said
