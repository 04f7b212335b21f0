"""A wall sensor that has come off, sits elsewhere or lies; and one that tells the truth."""

from collections.abc import Callable

import pytest

from fillguard.core.evidence import Noise, trembling
from fillguard.core.skin import Skin, Strange, begun, felt
from fillguard.core.units import PA_PER_BAR, k_from_c


def after(
    wall_c: Callable[[float], float],
    *,
    for_s: float,
    expected_c: Callable[[float], float] | None = None,
    bar_min: float = 25.0,
    flowing: bool = True,
) -> Skin:
    """The sensor after `for_s` of a fill at `bar_min`, a reading every five seconds."""
    expected_c = expected_c or wall_c
    skin = begun(0.0, 50.0 * PA_PER_BAR, k_from_c(wall_c(0.0)))
    for k in range(1, round(for_s / 5.0) + 1):
        t = 5.0 * k
        skin = felt(
            skin,
            t,
            k_from_c(wall_c(t)),
            gauge_pa=(50.0 + bar_min * t / 60.0) * PA_PER_BAR,
            expected_k=k_from_c(expected_c(t)),
            flowing=flowing,
        )
    return skin


def warming(t: float) -> float:
    """As a wall does at 25 bar/min."""
    return 20.0 + 15.0 * t / 300.0


def test_a_wall_that_warms_as_expected_is_not_strange() -> None:
    assert after(warming, for_s=600.0).strange is None


def test_a_sensor_that_feels_no_warmth_is_told_after_a_hundred_bar() -> None:
    skin = after(lambda _: 20.1, for_s=400.0)

    assert skin.strange is Strange.COLD
    assert skin.rise_pa == pytest.approx(100.0 * PA_PER_BAR, rel=0.05)


def test_a_slow_heavy_cylinder_that_warms_little_is_not_strange() -> None:
    assert after(lambda t: 20.0 + 2.2 * t / 300.0, for_s=600.0, bar_min=12.0).strange is None


def test_a_sensor_that_comes_off_while_gas_flows_is_told() -> None:
    skin = after(lambda t: warming(t) if t < 200.0 else 22.0, for_s=240.0, expected_c=warming)

    assert skin.strange is Strange.FELL


def test_a_wall_that_cools_once_the_flow_has_stopped_is_not_strange() -> None:
    assert after(lambda t: 40.0 - 6.0 * t / 600.0, for_s=600.0, flowing=False).strange is None


@pytest.mark.parametrize("off_k", [4.0, -4.0])
def test_a_sensor_that_stays_off_the_balance_is_told(off_k: float) -> None:
    skin = after(lambda t: warming(t) + off_k, for_s=200.0, expected_c=warming)

    assert skin.strange is Strange.OFF
    assert skin.off_k == pytest.approx(off_k, rel=0.2)


def test_a_sensor_that_is_off_for_a_moment_is_not_strange() -> None:
    skin = after(lambda t: warming(t) + 6.0 * (100.0 < t <= 115.0), for_s=300.0, expected_c=warming)

    assert skin.strange is None


def test_a_gauge_that_trembles_while_it_stands_shows_its_noise() -> None:
    noise = Noise()
    for k in range(60):
        noise = trembling(noise, 1e4 * (-1) ** k if k % 3 else 0.0)

    assert noise.shows


@pytest.mark.parametrize("step_pa", [0.0, -1e4], ids=["repeats one value", "comes down step by step"])
def test_a_coarse_quiet_gauge_shows_none(step_pa: float) -> None:
    noise = Noise()
    for k in range(200):
        noise = trembling(noise, step_pa if k % 5 == 0 else 0.0)

    assert not noise.shows
