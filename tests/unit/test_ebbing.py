"""Gas that runs back into a lower bank, and a cylinder that is drained to the open air."""

import math
from collections.abc import Callable

import pytest

from fillguard.core.ebbing import Ebb, ebbing, standing
from fillguard.core.units import PA_PER_BAR


def after(bar_at: Callable[[float], float], *, for_s: float) -> Ebb:
    """The fall after `for_s` along `bar_at`, with the slope of the last twenty seconds."""
    ebb = standing(0.0, bar_at(0.0) * PA_PER_BAR)
    for t in range(1, round(for_s)):
        slope = (bar_at(t) - bar_at(max(0.0, t - 20.0))) / min(20.0, t) * PA_PER_BAR
        ebb = ebbing(ebb, float(t), bar_at(t) * PA_PER_BAR, slope)
    return ebb


@pytest.mark.parametrize("in_s", [25.0, 60.0])
def test_a_fall_that_ends_at_a_banks_pressure_is_told(in_s: float) -> None:
    ebb = after(lambda t: 90.0 + 60.0 * math.exp(-t / in_s), for_s=3.0 * in_s)

    assert ebb.told
    assert ebb.fell_pa > 30.0 * PA_PER_BAR


@pytest.mark.parametrize("in_s", [60.0, 300.0])
def test_a_cylinder_drained_to_the_open_air_loses_the_same_share_every_second(in_s: float) -> None:
    assert not after(lambda t: 150.0 * math.exp(-t / in_s), for_s=1.5 * in_s).told


def test_a_hose_that_is_bled_does_not_stand_high_again() -> None:
    assert not after(lambda t: 150.0 * math.exp(-t / 2.0), for_s=120.0).told


def test_a_cylinder_that_cools_is_not_told() -> None:
    assert not after(lambda t: 190.0 + 10.0 * math.exp(-t / 400.0), for_s=900.0).told


def test_a_gauge_that_rises_again_begins_anew() -> None:
    ebb = after(lambda t: 150.0 - 0.1 * t if t < 20.0 else 148.0 + 0.3 * t, for_s=120.0)

    assert not ebb.told
    assert ebb.fell_pa <= 0.0
