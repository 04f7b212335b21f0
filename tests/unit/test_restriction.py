"""A whip that runs ahead of its cylinder: how much of what the gauge shows is in the cylinder."""

from collections.abc import Iterator

import pytest

from fillguard.core.restriction import CRITICAL_RATIO, OPEN, OPEN_KG_S_PA, WELL_OPEN_KG_S_PA, Restriction, led
from fillguard.core.units import pa_from_bar

GRAMS_A_BAR = 14.0
"""An 11 L cylinder of air (ideal gas at 300 K): what one bar more takes, g, in this toy of a cylinder."""


def share(ratio: float) -> float:
    """ISO 6358: flow over choked flow."""
    if ratio <= CRITICAL_RATIO:
        return 1.0
    return float((1.0 - ((ratio - CRITICAL_RATIO) / (1.0 - CRITICAL_RATIO)) ** 2) ** 0.5)


def panel(conductance: float, flow_kg_s: float, seconds: int, start_pa: float) -> Iterator[tuple[float, float]]:
    """(whip, cylinder) each second at a steady flow through a valve of this conductance."""
    cylinder = start_pa
    for _ in range(seconds):
        cylinder += flow_kg_s * 1e3 / GRAMS_A_BAR * 1e5
        low, high = cylinder, cylinder + 400e5
        for _ in range(60):
            whip = 0.5 * (low + high)
            passes = conductance * whip * share(cylinder / whip)
            low, high = (whip, high) if passes < flow_kg_s else (low, whip)
        yield whip, cylinder


def followed(
    points: Iterator[tuple[float, float]], start_pa: float
) -> Iterator[tuple[float, float, float, Restriction]]:
    """(whip, true cylinder, estimated cylinder, restriction)."""
    restriction, estimated = led(OPEN, start_pa, start_pa, mass(start_pa), 1.0, flowing=False)
    for whip, cylinder in points:
        restriction, estimated = led(restriction, whip, estimated, mass(estimated), 1.0, flowing=True)
        yield whip, cylinder, estimated, restriction


def mass(pressure_pa: float) -> float:
    return pressure_pa / 1e5 * GRAMS_A_BAR * 1e-3


@pytest.mark.parametrize("flow_kg_s", [0.003, 0.005, 0.008])
def test_behind_an_open_valve_the_cylinder_is_a_little_behind_the_gauge(flow_kg_s: float) -> None:
    start = pa_from_bar(50.0)
    points = list(followed(panel(WELL_OPEN_KG_S_PA, flow_kg_s, 200, start), start))
    for whip, cylinder, estimated, restriction in points[20:]:
        assert not restriction.active
        assert estimated < whip
        assert abs(estimated - cylinder) < 0.35 * (whip - cylinder)


@pytest.mark.parametrize("times", [0.75, 1.5])
def test_a_valve_that_is_opened_less_or_further_than_most_is_still_seen_through_better_than_not(times: float) -> None:
    start = pa_from_bar(50.0)
    points = list(followed(panel(times * WELL_OPEN_KG_S_PA, 0.010, 200, start), start))
    for whip, cylinder, estimated, _ in points[20:]:
        assert abs(estimated - cylinder) < max(whip - cylinder, 1.3 * (whip - estimated))


def test_noise_of_the_gauge_leans_neither_way() -> None:
    start, off = pa_from_bar(100.0), 0.0
    restriction, estimated = led(OPEN, start, start, mass(start), 1.0, flowing=False)
    for second in range(300):
        noise = pa_from_bar(0.3) * (1.0 if second % 2 else -1.0)
        restriction, estimated = led(restriction, start + noise, estimated, mass(estimated), 1.0, flowing=True)
        off += (estimated - start) / 300
    assert off == pytest.approx(0.0, abs=pa_from_bar(0.05))


def test_a_valve_hardly_open_is_seen_through_to_a_third_of_the_drop() -> None:
    start = pa_from_bar(20.0)
    worst = 0.0
    for whip, cylinder, estimated, restriction in followed(panel(0.06e-8, 0.005, 200, start), start):
        if whip - cylinder > pa_from_bar(20.0):
            assert restriction.active
            worst = max(worst, abs(estimated - cylinder) / (whip - cylinder))
    assert 0.0 < worst < 0.34


def test_when_the_flow_stops_the_gauge_is_the_cylinder_again() -> None:
    start = pa_from_bar(20.0)
    *_, (_, cylinder, estimated, restriction) = followed(panel(0.06e-8, 0.005, 150, start), start)
    assert restriction.active
    for _ in range(90):
        restriction, estimated = led(restriction, cylinder, estimated, mass(estimated), 1.0, flowing=False)
    assert not restriction.active
    assert estimated == pytest.approx(cylinder)
    assert restriction.conductance_kg_s_pa is not None, "remembered for the rest of the fill"
    assert restriction.proven


def test_in_the_same_fill_a_smaller_leap_out_of_a_pause_is_enough() -> None:
    known = Restriction(0.06e-8, proven=True, whip_pa=pa_from_bar(144.0))
    restriction, estimated = led(known, pa_from_bar(150.0), pa_from_bar(144.0), 2.0, 1.0, flowing=False)
    assert restriction.active
    assert estimated < pa_from_bar(146.0)


def test_a_sensor_that_was_stuck_while_gas_flowed_may_catch_up() -> None:
    start = pa_from_bar(100.0)
    restriction, estimated = led(OPEN, start, start, mass(start), 1.0, flowing=False)
    for _ in range(40):
        restriction, estimated = led(restriction, start, estimated, mass(estimated), 1.0, flowing=True)
    restriction, estimated = led(restriction, start + pa_from_bar(10.0), estimated, mass(estimated), 1.0, flowing=True)
    assert not restriction.active
    assert estimated == pytest.approx(start + pa_from_bar(10.0))


def test_an_absurdly_fast_leap_means_a_valve_less_open() -> None:
    start = pa_from_bar(20.0)
    *_, (_, _, _, little) = followed(panel(0.06e-8, 0.005, 5, start), start)
    assert little.conductance_kg_s_pa is not None
    assert little.conductance_kg_s_pa < 0.5 * OPEN_KG_S_PA


def test_a_bled_whip_pulls_the_estimate_down_without_a_negative_drop() -> None:
    start = pa_from_bar(20.0)
    *_, (whip, _, estimated, restriction) = followed(panel(0.06e-8, 0.005, 100, start), start)
    for part in (0.5, 0.2, 0.05, 0.02):
        restriction, estimated = led(restriction, whip * part, estimated, mass(estimated), 1.0, flowing=True)
        assert estimated <= max(whip * part, estimated)
    assert estimated == pytest.approx(whip * 0.02, rel=0.01)
