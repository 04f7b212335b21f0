"""Unlike cylinders on one gauge, against two vessels of the simulator that are always at one pressure.

Left together they settle where the sum of them does. Closed off hot by itself each keeps its own: the interval that is
told must hold both. Aluminium takes up more heat a litre than steel, so at one gauge it holds more.
"""

from dataclasses import replace

import pytest

from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.vessel import MEASURED_HEAT, PUBLISHED_HEAT, HeatScales, Vessel, shell_of
from fillguard.core.context import FillContext
from fillguard.core.estimator import EstimatorState, Flow, begin, on_pressure
from fillguard.core.outlook import outlook
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, k_from_c
from fillguard.core.values import AIR, Cylinder
from tests.panel import ALUMINIUM_11, STEEL_12, surface_of

DT_S, AIR_K = 0.25, k_from_c(20.0)
START_BAR, CLOSE_BAR, BAR_MIN = 50.0, 208.0, 22.0
OUTSIDE_W_M2K = 8.0
REFERENCE_K = k_from_c(20.0)
SUPPLY = Fluid.of(AIR)
SUPPLY.at_pressure(280e5, AIR_K)
SUPPLY_J_KG = SUPPLY.enthalpy_j_kg
"""Isenthalpic from a bank at 280 bar."""


def vessel(cylinder: Cylinder, heat: HeatScales) -> Vessel:
    assert cylinder.empty_mass_kg is not None
    shell = shell_of(material=cylinder.material, capacity_m3=cylinder.water_capacity_m3, mass_kg=cylinder.empty_mass_kg)
    start_pa = START_BAR * PA_PER_BAR + STANDARD_ATMOSPHERE_PA
    return Vessel(fluid=Fluid.of(AIR), shell=shell, pressure_pa=start_pa, temperature_k=AIR_K, heat=heat)


def filled(cylinder: Cylinder, heat: HeatScales) -> tuple[Vessel, list[tuple[float, float]]]:
    """The cylinder led along the one pressure that all on the gauge are at, and that pressure as the gauge shows it."""
    tank, curve = vessel(cylinder, heat), []
    steps = round((CLOSE_BAR - START_BAR) / BAR_MIN * 60.0 / DT_S)
    per_pa = tank.mass_kg / tank.pressure_pa
    for step in range(1, steps + 1):
        bar = START_BAR + (CLOSE_BAR - START_BAR) * step / steps
        missing_pa = bar * PA_PER_BAR + STANDARD_ATMOSPHERE_PA - tank.pressure_pa
        more_kg = max(0.0, missing_pa * per_pa * 0.7)
        tank.step(
            DT_S, in_kg=more_kg, in_j_kg=SUPPLY_J_KG, in_shares=(1.0,), outside_w_m2k=OUTSIDE_W_M2K, around_k=AIR_K
        )
        curve.append((step * DT_S, tank.pressure_pa - STANDARD_ATMOSPHERE_PA))
    return tank, curve


def settled_bar(mass_kg: float, capacity_m3: float) -> float:
    return (Fluid.of(AIR).at(mass_kg / capacity_m3, REFERENCE_K) - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR


def watched(curve: list[tuple[float, float]], cylinder: Cylinder, *mates: Cylinder) -> tuple[float, float, float]:
    """Settled pressure at the close with its interval, bar."""
    context = FillContext(
        cylinder=replace(cylinder, reference_k=REFERENCE_K),
        mates=tuple(replace(mate, reference_k=REFERENCE_K) for mate in mates),
        gas=surface_of(AIR),
        mix=AIR,
        target_gauge_pa=200 * PA_PER_BAR,
        limit_gauge_pa=200 * PA_PER_BAR,
        surroundings_k=AIR_K,
    )
    state: EstimatorState = begin(context, START_BAR * PA_PER_BAR, 0.0)
    for at_s, gauge_pa in curve[:: round(1.0 / DT_S)]:
        state = on_pressure(state, context, gauge_pa, at_s, Flow.FLOWING)
    seen = outlook(state, context)
    figures = (seen.settled_gauge_pa, seen.low_gauge_pa, seen.high_gauge_pa)
    best, low, high = (pa / PA_PER_BAR for pa in figures if pa is not None)
    return best, low, high


@pytest.mark.parametrize("heat", [PUBLISHED_HEAT, MEASURED_HEAT], ids=["as published", "half of it"])
def test_the_sum_settles_where_both_do_together_and_the_interval_holds_each_alone(heat: HeatScales) -> None:
    (cold, curve), (hot, _) = filled(ALUMINIUM_11, heat), filled(STEEL_12, heat)
    together = settled_bar(cold.mass_kg + hot.mass_kg, ALUMINIUM_11.water_capacity_m3 + STEEL_12.water_capacity_m3)
    alone = [
        settled_bar(cold.mass_kg, ALUMINIUM_11.water_capacity_m3),
        settled_bar(hot.mass_kg, STEEL_12.water_capacity_m3),
    ]
    best, low, high = watched(curve, ALUMINIUM_11, STEEL_12)
    assert alone[0] - alone[1] > 4.0  # what one curve for both cannot tell apart
    assert best == pytest.approx(together, abs=3.5)
    assert all(low <= each <= high for each in (*alone, together))


def test_like_cylinders_are_told_no_wider_than_one_alone() -> None:
    _, curve = filled(ALUMINIUM_11, MEASURED_HEAT)
    both = watched(curve, ALUMINIUM_11, replace(ALUMINIUM_11, serial="TH-0012"))
    one = watched(curve, ALUMINIUM_11)
    assert both[0] == pytest.approx(one[0], abs=0.8)
    assert both[2] - both[1] == pytest.approx(one[2] - one[1], abs=1.0)
