"""The heat balance against measured vessels: two hydrogen tanks being filled, a nitrogen tank being emptied.

Hydrogen is none of fillguard's gases, and emptying a tank makes nitrogen colder than its surface reaches: here the
reference equations of state stand in for the surfaces, and what is checked is the balance of gas, wall, inflow and
outflow. The heat transfer is the publications' own; for nitrogen, one of our gases, it is fillguard's.

Measured runs that are NOT used: helium out of 698 bar (points 25 s apart, the first over a fall to a third; one lagging
thermometer; a thick plastic wall: no heat transfer fits it all along); air at a few bar from a teaching laboratory (no
publication can be named); hydrogen into 1 L within 17 s (its wall is not known).
"""

import math
import tomllib
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from CoolProp import CoolProp

from fillguard.core.balance import Balance, Setting, begun
from fillguard.core.cylinder import Vessel
from fillguard.core.gas import GasSurface
from fillguard.core.heat import Convection, SupplyKind, convection_of, supply_of
from fillguard.core.units import pa_from_bar
from fillguard.core.values import GasMix
from tests.balance_runs import AS_GUESSED, fixed, holding, read
from tests.gases import reference_gas

DATA = Path(__file__).parent / "data"
MEASURED: dict[str, Any] = tomllib.loads((DATA / "measured.toml").read_text(encoding="utf-8"))
SIMULATOR: dict[str, Any] = tomllib.loads((DATA / "simulator.toml").read_text(encoding="utf-8"))
HYDROGEN = reference_gas("Hydrogen")
STEP_S = 0.25
OUTER_TO_INNER_AREA = 1.1
DIGITISED_K = 0.5
"""How far a point read from a figure may be off."""

Column = npt.NDArray[np.float64]
Heat = Callable[[Balance], Convection]
"""The heat transfer of the next step, seen from where the balance is."""


def tank(
    figures: dict[str, Any], inner_j_k: float, outer_j_k: float, conductance_w_k: float, inner_m2: float
) -> Vessel:
    return Vessel(
        count=1,
        bore_m=figures["bore_m"],
        capacity_m3=figures["volume_m3"],
        inner_area_m2=inner_m2,
        outer_area_m2=OUTER_TO_INNER_AREA * inner_m2,
        inner_heat_j_k=inner_j_k,
        outer_heat_j_k=outer_j_k,
        conductance_w_k=conductance_w_k,
        heat_sigma=0.0,
    )


def setting(gas: GasSurface, vessel: Vessel, supply_k: float, supply_bar: float, outside_w_m2k: float) -> Setting:
    supply = supply_of(gas, SupplyKind.BANK, supply_k, supply_k, pa_from_bar(supply_bar))
    return Setting(gas, vessel, fixed(0.0), supply, outside_w_m2k * vessel.outer_area_m2)


def followed(
    base: Setting, heat: Heat, around_k: float, pressures_bar: Sequence[float], start_k: float
) -> list[Balance]:
    """A reading every `STEP_S`; the wall is as warm as the gas at first."""
    run = [begun(base, AS_GUESSED, 0.0, pa_from_bar(pressures_bar[0]), start_k)]
    for bar in pressures_bar[1:]:
        how = base._replace(convection=heat(run[-1]))
        run.append(read(run[-1], how, run[-1].sample_s + STEP_S, pa_from_bar(bar), around_k))
    return run


def left_alone(run: list[Balance], how: Setting, around_k: float, until_s: float) -> list[Balance]:
    """The closed tank: its contents stay."""
    while run[-1].sample_s < until_s:
        run = [*run, holding(run[-1], how, run[-1].sample_s + STEP_S, run[-1].mass_kg, around_k)]
    return run


def gas_k_at(run: list[Balance], seconds: Sequence[float]) -> Column:
    return np.interp(seconds, [b.sample_s for b in run], [b.gas_k for b in run])


def steps(until_s: float) -> Column:
    return np.arange(0.0, until_s + 0.5 * STEP_S, STEP_S)


# --- Hydrogen into steel: only the nominal ramp is known, so the shape is compared ------------------------------------

STEEL = MEASURED["steel_vessel"]
PUBLISHED = MEASURED["heat_transfer"]
FILLS = STEEL["fill"]
THERMOMETER_LAG_S = 8.0
"""Before that the gas warms by several kelvin a second, faster than the thermometer follows."""
LOWEST_SHARE = 0.3
"""Of the published heat transfer while filling: below what any of the three fills shows."""


def steel_run(fill: dict[str, Any], share: float) -> list[Balance]:
    """With `share` of the published heat transfer while filling, all of it afterwards."""
    area, wall_j_k = STEEL["inner_m2"], STEEL["wall_kg"] * STEEL["wall_j_kg_k"]
    across = STEEL["wall_w_m_k"] * area / (0.5 * STEEL["wall_m"])
    vessel = tank(STEEL, 0.5 * wall_j_k, 0.5 * wall_j_k, across, area)
    base = setting(HYDROGEN, vessel, STEEL["start_k"], STEEL["supply_bar"], PUBLISHED["outside_w_m2k"])
    filling, after = (fixed(area * w) for w in (share * PUBLISHED["filling_w_m2k"], PUBLISHED["after_w_m2k"]))
    pressures = STEEL["start_bar"] + fill["ramp_bar_s"] * steps(fill["flow_ends_s"])
    run = followed(base, lambda _: filling, STEEL["start_k"], pressures.tolist(), STEEL["start_k"])
    return left_alone(run, base._replace(convection=after), STEEL["start_k"], fill["seconds"][-1])


def half_cooled_s(seconds: Sequence[float], gas_k: Sequence[float], close_s: float) -> float:
    """From the close until the gas has come half-way down to where it stands at last."""
    half = 0.5 * (max(gas_k) + gas_k[-1])
    falling = [(k, s) for s, k in zip(seconds, gas_k, strict=True) if s >= close_s - STEP_S][::-1]
    return float(np.interp(half, [k for k, _ in falling], [s for _, s in falling])) - close_s


@pytest.mark.parametrize("fill", FILLS, ids=lambda fill: fill["name"])
def test_gas_is_hottest_when_the_flow_ends_however_slow_the_fill(fill: dict[str, Any]) -> None:
    measured_s = fill["seconds"][int(np.argmax(fill["gas_k"]))]
    for share in (1.0, LOWEST_SHARE):
        run = steel_run(fill, share)
        assert max(run, key=lambda balance: balance.gas_k).sample_s == pytest.approx(measured_s, abs=1.0)


@pytest.mark.parametrize("fill", FILLS, ids=lambda fill: fill["name"])
def test_while_filling_the_gas_is_hotter_than_published_and_colder_than_with_three_tenths(fill: dict[str, Any]) -> None:
    """All of the published heat transfer makes this vessel 10 to 17 K too cold at the close; half of it up to 5 K.

    Forced convection below what is published is what the other measured runs show as well. So the estimator takes its
    scale for unknown.
    """
    seconds = np.array(fill["seconds"])
    flowing = (seconds > THERMOMETER_LAG_S) & (seconds <= fill["flow_ends_s"])
    cold, hot = (gas_k_at(steel_run(fill, share), fill["seconds"])[flowing] for share in (1.0, LOWEST_SHARE))
    measured_k = np.array(fill["gas_k"])[flowing]
    assert (measured_k > cold + DIGITISED_K).all()
    assert (measured_k < hot + 3.0 * DIGITISED_K).all()


@pytest.mark.parametrize("fill", FILLS, ids=lambda fill: fill["name"])
def test_closed_vessel_cools_half_way_in_the_time_the_published_heat_transfer_takes(fill: dict[str, Any]) -> None:
    """16 to 21 s. By 30 %: the temperature at the close moves it by a tenth, single points of the curve by another."""
    run = steel_run(fill, 0.5)
    found_s = half_cooled_s([b.sample_s for b in run], [b.gas_k for b in run], fill["flow_ends_s"])
    assert found_s == pytest.approx(half_cooled_s(fill["seconds"], fill["gas_k"], fill["flow_ends_s"]), rel=0.3)


@pytest.mark.parametrize("fill", FILLS, ids=lambda fill: fill["name"])
def test_at_last_gas_and_wall_stand_where_the_heat_of_the_fill_leaves_them(fill: dict[str, Any]) -> None:
    """Measured is 3 to 5 K warmer.

    The pressure at the close is not known (40 bar more, as another reader of these figures took it, make 2.5 K), and
    real convection dies down with the difference, so that the last kelvins take longer.
    """
    assert gas_k_at(steel_run(fill, 0.5), fill["seconds"][-1:])[0] == pytest.approx(fill["gas_k"][-1], abs=5.5)


ADIABATIC = MEASURED["adiabatic_hydrogen"]


@pytest.mark.parametrize(("end_bar", "end_k"), list(zip(ADIABATIC["end_bar"], ADIABATIC["end_k"], strict=True)))
def test_hydrogen_without_heat_transfer_is_hotter_than_any_thermometer_saw(end_bar: float, end_k: float) -> None:
    vessel = tank(STEEL, 1.0, 1.0, 1.0, STEEL["inner_m2"])
    base = setting(HYDROGEN, vessel, ADIABATIC["start_k"], ADIABATIC["supply_bar"], 0.0)
    pressures = np.linspace(ADIABATIC["start_bar"], end_bar, 120).tolist()
    run = followed(base, lambda _: fixed(0.0), ADIABATIC["start_k"], pressures, ADIABATIC["start_k"])
    assert run[-1].gas_k == pytest.approx(end_k, abs=0.1)
    assert run[-1].gas_k > max(max(fill["gas_k"]) for fill in FILLS)


# --- Hydrogen into a composite tank: measured pressure, mean of 63 thermometers ---------------------------------------

COMPOSITE = SIMULATOR["hydrogen_fill"]
TWO_LAYERS_SHARE = 0.12
"""Of the rise: the balance's wall has two temperatures, liner and over-wrap, and heat creeps into the over-wrap's first
millimetres sooner than two temperatures can tell. (The simulator's wall of twelve comes within 2 K.)"""


def by_correlation(vessel: Vessel, inlet_m: float) -> Heat:
    """The published correlation, with the reference library's transport properties half-way between gas and wall."""
    fluid, law = CoolProp.AbstractState("HEOS", "Hydrogen"), MEASURED["correlation"]

    def heat(now: Balance) -> Convection:
        fluid.update(CoolProp.PT_INPUTS, now.pressure_abs_pa, 0.5 * (now.gas_k + now.inner_k))
        conductivity, viscosity, density = fluid.conductivity(), fluid.viscosity(), fluid.rhomass()
        buoyancy = 9.81 * fluid.isobaric_expansion_coefficient() * abs(now.gas_k - now.inner_k)
        rayleigh = buoyancy * vessel.bore_m**3 * density**2 * fluid.cpmass() / (viscosity * conductivity)
        reynolds = 4.0 * max(now.flow_kg_s, 0.0) / (math.pi * viscosity * inlet_m)
        nusselt = (
            law["forced_factor"] * reynolds ** law["forced_power"]
            + law["natural_factor"] * rayleigh ** law["natural_power"]
        )
        return fixed(nusselt * conductivity / vessel.bore_m * vessel.inner_area_m2)

    return heat


def test_measured_composite_tank_warms_as_the_published_correlation_says() -> None:
    (liner_kg, _, liner_j_kg_k, _), (wrap_kg, wrap_m, wrap_j_kg_k, wrap_w_m_k) = COMPOSITE["layers"]
    area, start_k = COMPOSITE["area_m2"], COMPOSITE["start_k"]
    vessel = tank(COMPOSITE, liner_kg * liner_j_kg_k, wrap_kg * wrap_j_kg_k, wrap_w_m_k * area / (0.5 * wrap_m), area)
    base = setting(HYDROGEN, vessel, start_k, COMPOSITE["supply_bar"], 5.0)
    pressures = np.interp(steps(COMPOSITE["gas_s"][-1]), COMPOSITE["pressure_s"], COMPOSITE["pressure_bar"]).tolist()
    run = followed(base, by_correlation(vessel, COMPOSITE["inlet_m"]), start_k, pressures, start_k)
    measured_k = np.array(COMPOSITE["mean_k"])
    rises = gas_k_at(run, COMPOSITE["gas_s"]) - start_k
    assert rises == pytest.approx(measured_k - start_k, rel=TWO_LAYERS_SHARE)
    unheated = followed(base, lambda _: fixed(0.0), start_k, pressures, start_k)
    assert gas_k_at(unheated, COMPOSITE["gas_s"][-1:])[0] > measured_k[-1] + 40.0  # so the check can fail


# --- Nitrogen out of steel: one of our gases, our own natural convection ----------------------------------------------

BLOWDOWN = SIMULATOR["nitrogen_blowdown"]


def blowdown_k(scale: float) -> Column:
    """Gas temperatures at the times measured, with fillguard's natural convection times `scale`."""
    area, wall_j_k = BLOWDOWN["area_m2"], BLOWDOWN["wall_kg"] * BLOWDOWN["heat_j_kgk"]
    across = BLOWDOWN["conductivity_w_mk"] * area / (0.5 * BLOWDOWN["wall_m"])
    vessel = tank(BLOWDOWN, 0.5 * wall_j_k, 0.5 * wall_j_k, across, area)
    base = setting(reference_gas("Nitrogen"), vessel, BLOWDOWN["around_k"], 280.0, 5.0)
    law = convection_of(vessel, GasMix(o2=0.0))
    law = law._replace(natural_w_k=scale * law.natural_w_k)
    falling = np.interp(steps(BLOWDOWN["gas_s"][-1]), BLOWDOWN["pressure_s"], np.log(BLOWDOWN["pressure_bar"]))
    run = followed(base, lambda _: law, BLOWDOWN["around_k"], np.exp(falling).tolist(), BLOWDOWN["start_k"])
    return gas_k_at(run, BLOWDOWN["gas_s"])


def test_measured_nitrogen_lies_between_its_coldest_and_its_warmest_thermometer() -> None:
    found_k = blowdown_k(1.0)
    assert (found_k > np.array(BLOWDOWN["low_k"]) - DIGITISED_K).all()
    assert (found_k < np.array(BLOWDOWN["high_k"]) + DIGITISED_K).all()


def test_half_as_much_natural_convection_would_be_colder_and_half_more_warmer_than_any_thermometer() -> None:
    assert blowdown_k(0.5)[-1] < BLOWDOWN["low_k"][-1] - 5.0
    assert blowdown_k(1.5)[-1] > BLOWDOWN["high_k"][-1] + 5.0
