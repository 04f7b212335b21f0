"""The way from whip to cylinder: what speaks against an open valve, and the nearest thing that does not."""

import math
from collections.abc import Callable

import pytest

from fillguard.core.passage import LEAST_OPEN_M3_S, Passage, Way, seen_falling, seen_standing, through
from fillguard.core.units import PA_PER_BAR

EVERY_S = 0.2
SMALL, USUAL, SET = 0.007, 0.0111, 0.024
"""Water capacities, m3."""
LEAP_S = 3.0


def followed(
    passage: Passage,
    bar_at: Callable[[float], float],
    *,
    for_s: float,
    capacity_m3: float = USUAL,
    flowing: bool = True,
    every_s: float = EVERY_S,
) -> Passage:
    """The passage after readings along `bar_at(seconds from now)`, bar absolute."""
    start_s = passage.sample_s
    for step in range(1, round(for_s / every_s) + 1):
        t = step * every_s
        passage = through(passage, start_s + t, bar_at(t) * PA_PER_BAR, capacity_m3, flowing=flowing, measured=True)
    return passage


def standing(bar: float) -> Passage:
    """A cylinder seen standing at `bar` absolute."""
    return seen_standing(0.0, bar * PA_PER_BAR)


def climbing(from_bar: float, bar_min: float) -> Callable[[float], float]:
    """A steady rise."""
    return lambda t: from_bar + bar_min * t / 60.0


def leaping(from_bar: float, to_bar: float, bar_min: float) -> Callable[[float], float]:
    """A leap within three seconds, then a steady rise."""
    return lambda t: from_bar + (to_bar - from_bar) * min(1.0, t / LEAP_S) + bar_min * max(0.0, t - LEAP_S) / 60.0


def sinking(from_bar: float, to_bar: float, in_s: float) -> Callable[[float], float]:
    """The hose empties into its cylinder, ever more slowly."""
    return lambda t: to_bar + (from_bar - to_bar) * math.exp(-t / in_s)


@pytest.mark.parametrize(
    ("capacity_m3", "from_bar", "to_bar", "bar_min"),
    [(USUAL, 21.0, 86.0, 25.0), (SMALL, 114.0, 178.0, 36.0), (SET, 79.0, 288.0, 0.0), (USUAL, 13.0, 150.0, 18.0)],
    ids=["usual cylinder", "small one", "set before a full bank", "compressor"],
)
def test_a_leap_that_no_rise_follows_says_that_the_whip_runs_ahead(
    capacity_m3: float, from_bar: float, to_bar: float, bar_min: float
) -> None:
    seen = followed(standing(from_bar), leaping(from_bar, to_bar, bar_min), for_s=40.0, capacity_m3=capacity_m3)

    assert seen.held is not None
    assert seen.held.way is Way.RUNS_AHEAD
    assert seen.held.ahead_pa / PA_PER_BAR == pytest.approx(to_bar - from_bar, rel=0.15)
    assert seen.doubted


def test_it_is_known_within_half_a_minute() -> None:
    passage = standing(21.0)
    while passage.held is None:
        passage = followed(passage, lambda _: 86.0, for_s=EVERY_S)

    assert 15.0 <= passage.sample_s <= 30.0


@pytest.mark.parametrize(
    ("capacity_m3", "from_bar", "to_bar", "bar_min"),
    [(0.015, 46.0, 72.0, 67.0), (SMALL, 1.0, 18.0, 60.0), (SET, 19.0, 37.0, 30.0), (USUAL, 53.0, 55.0, 33.0)],
    ids=["very fast: 67 bar/min", "into an empty one", "set through one valve", "usual fill"],
)
def test_a_fast_fill_through_an_open_valve_leaps_too_and_climbs_accordingly(
    capacity_m3: float, from_bar: float, to_bar: float, bar_min: float
) -> None:
    seen = followed(standing(from_bar), leaping(from_bar, to_bar, bar_min), for_s=90.0, capacity_m3=capacity_m3)

    assert seen.held is None


def test_a_panel_valve_opened_too_far_and_throttled_at_once_is_no_valve_fault() -> None:
    passage = followed(standing(50.0), leaping(50.0, 66.0, 60.0), for_s=6.0)
    passage = followed(passage, sinking(69.0, 54.0, 0.3), for_s=2.0)

    assert followed(passage, climbing(54.0, 20.0), for_s=90.0).held is None


@pytest.mark.parametrize("back_bar", [213.0, 200.0, 150.0])
def test_a_needle_that_comes_back_when_the_flow_stops_and_stands_says_that_it_crept_back(back_bar: float) -> None:
    passage = followed(standing(100.0), climbing(100.0, 24.0), for_s=300.0)
    doubted = passage._replace(doubted=True) if back_bar < 160.0 else passage
    seen = followed(doubted, sinking(220.0, back_bar, 1.0), for_s=12.0)

    assert seen.held is not None
    assert seen.held.way is Way.CREEPS_BACK
    assert seen.held.to_pa / PA_PER_BAR == pytest.approx(back_bar, abs=1.0)


@pytest.mark.parametrize(("share", "in_s"), [(0.05, 60.0), (0.10, 200.0), (0.02, 15.0)])
def test_gas_that_cools_after_the_close_does_not_come_back_like_that(share: float, in_s: float) -> None:
    passage = followed(standing(50.0), climbing(50.0, 60.0), for_s=170.0)
    seen = followed(passage, sinking(220.0, 220.0 * (1.0 - share), in_s), for_s=300.0)

    assert seen.held is None


@pytest.mark.parametrize("in_s", [0.3, 2.0, 8.0])
def test_a_whip_that_is_bled_does_not_stand_again(in_s: float) -> None:
    passage = followed(standing(50.0), climbing(50.0, 24.0), for_s=300.0)

    assert followed(passage, sinking(170.0, 1.0, in_s), for_s=60.0).held is None


def test_a_cylinder_that_empties_through_its_disc_is_no_valve_fault() -> None:
    passage = followed(standing(50.0), climbing(50.0, 24.0), for_s=350.0)

    assert followed(passage, sinking(190.0, 1.0, 19.0), for_s=120.0).held is None


def test_a_cylinder_that_runs_back_into_a_low_bank_from_a_standstill_is_no_valve_fault() -> None:
    passage = followed(standing(150.0), lambda _: 150.0, for_s=30.0, flowing=False)

    assert followed(passage, sinking(150.0, 90.0, 30.0), for_s=200.0, flowing=False).held is None


def test_what_is_gained_while_the_sensor_stood_still_is_no_leap() -> None:
    passage = followed(standing(50.0), climbing(50.0, 24.0), for_s=100.0)
    passage = through(passage, passage.sample_s + EVERY_S, 130.0 * PA_PER_BAR, USUAL, flowing=True, measured=False)

    assert followed(passage, climbing(130.0, 24.0), for_s=60.0).held is None


def test_what_is_gained_during_a_long_silence_is_no_leap() -> None:
    passage = followed(standing(50.0), climbing(50.0, 24.0), for_s=100.0)
    passage = through(passage, passage.sample_s + 30.0, 130.0 * PA_PER_BAR, USUAL, flowing=True, measured=True)

    assert followed(passage, climbing(130.0, 24.0), for_s=60.0).held is None


def test_a_valve_that_has_been_opened_fills_from_a_pause_without_running_ahead() -> None:
    passage = followed(standing(21.0), leaping(21.0, 86.0, 25.0), for_s=40.0)
    passage = followed(passage, sinking(101.0, 40.0, 1.0), for_s=20.0)
    passage = followed(passage, lambda _: 40.0, for_s=20.0, flowing=False)
    assert passage.held is not None
    opened = followed(passage, climbing(40.0, 25.0), for_s=30.0)

    assert opened.held is None
    assert not opened.doubted


def test_a_valve_that_has_not_been_opened_runs_ahead_again_and_stays_found() -> None:
    passage = followed(standing(21.0), leaping(21.0, 86.0, 25.0), for_s=40.0)
    passage = followed(passage, sinking(101.0, 40.0, 1.0), for_s=20.0)
    passage = followed(passage, lambda _: 40.0, for_s=20.0, flowing=False)

    assert followed(passage, leaping(40.0, 95.0, 10.0), for_s=60.0).held is not None


def test_after_a_stop_at_which_nothing_comes_back_the_whip_is_not_doubted() -> None:
    passage = followed(standing(50.0), climbing(50.0, 40.0), for_s=60.0)._replace(doubted=True)

    assert not followed(passage, sinking(90.0, 89.0, 30.0), for_s=40.0, flowing=False).doubted


def test_a_cylinder_whose_residual_pressure_was_not_seen_may_hold_less_than_the_whip_came_down_to() -> None:
    falling = seen_falling(0.0, 75.0 * PA_PER_BAR)

    assert falling.may_be_at(20.0 * PA_PER_BAR)
    assert not standing(75.0).may_be_at(20.0 * PA_PER_BAR)


def test_the_bound_follows_the_whip_as_a_narrow_but_open_valve_would_fill_the_cylinder() -> None:
    seen = followed(standing(20.0), lambda _: 100.0, for_s=10.0)
    choked_pa_s = 1.2 * LEAST_OPEN_M3_S / USUAL * 100.0 * PA_PER_BAR

    assert (seen.bound_pa - 20.0 * PA_PER_BAR) / 10.0 == pytest.approx(choked_pa_s, rel=0.1)


@pytest.mark.parametrize("every_s", [0.2, 1.0, 2.0])
def test_slow_sensors_show_it_as_well(every_s: float) -> None:
    seen = followed(standing(21.0), leaping(21.0, 86.0, 25.0), for_s=60.0, every_s=every_s)

    assert seen.held is not None
