"""The gas against published figures: compressibility, pressure at constant density, settling, adiabatic filling.

Every figure stands in data/gas.toml with its source beside it.
"""

import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from fillguard.core.errors import OutOfRangeError
from fillguard.core.gas import GasSurface
from fillguard.core.units import STANDARD_ATMOSPHERE_PA, bar_from_pa, k_from_c, pa_from_bar, pa_from_psi, psi_from_pa
from fillguard.core.values import AIR, GasMix
from tests import gases
from tests.gases import ideal_gas

FIGURES: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "gas.toml").read_text(encoding="utf-8"))
MIXES = {"air": AIR, "nitrogen": GasMix(o2=0.0), "oxygen": GasMix(o2=1.0), "helium": GasMix(o2=0.0, he=1.0)}
HIGHEST_ABS_BAR = 400.0
AIR_R_J_KG_K = 8.314462618 / 0.028965

IDEAL_AIR = ideal_gas(cv_j_kg_k=2.5 * AIR_R_J_KG_K, specific_r_j_kg_k=AIR_R_J_KG_K)
"""What the same formulas make of a gas without interactions."""


def shipped(gas: str) -> GasSurface:
    return gases.shipped(MIXES[gas])


def k_from_f(fahrenheit: float) -> float:
    return k_from_c((fahrenheit - 32.0) / 1.8)


def later_gauge_pa(gas: GasSurface, gauge_pa: float, now_k: float, then_k: float) -> float:
    """What the gauge of a closed cylinder reads once its gas has gone from one temperature to another."""
    density = gas.density_kg_m3(gauge_pa + STANDARD_ATMOSPHERE_PA, now_k)
    return gas.developed_abs_pa(density, then_k) - STANDARD_ATMOSPHERE_PA


def later_gauge_bar(gas: GasSurface, gauge_bar: float, now_c: float, then_c: float) -> float:
    return bar_from_pa(later_gauge_pa(gas, pa_from_bar(gauge_bar), k_from_c(now_c), k_from_c(then_c)))


def later_gauge_psi(gas: GasSurface, gauge_psi: float, now_f: float, then_f: float) -> float:
    return psi_from_pa(later_gauge_pa(gas, pa_from_psi(gauge_psi), k_from_f(now_f), k_from_f(then_f)))


# --- Compressibility -------------------------------------------------------------------------------------------------


def compressibility() -> Iterator[Any]:
    for table in FIGURES["compressibility"]:
        for bar, z in zip(table["pressure_abs_bar"], table["z"], strict=True):
            name = f"{table['gas']} at {table['temperature_k']:g} K and {bar} bar absolute"
            yield pytest.param(table["gas"], table["temperature_k"], bar, z, table["tolerance"], id=name)


@pytest.mark.parametrize(("gas", "kelvin", "bar", "z", "tolerance"), list(compressibility()))
def test_compressibility(gas: str, kelvin: float, bar: float, z: float, tolerance: float) -> None:
    surface = shipped(gas)
    if bar > HIGHEST_ABS_BAR:
        with pytest.raises(OutOfRangeError, match=f"{bar} bar absolute"):
            surface.density_kg_m3(pa_from_bar(bar), kelvin)
        density = surface.density_unguarded(pa_from_bar(bar), kelvin)  # beyond the promise, not yet beyond the truth
    else:
        density = surface.density_kg_m3(pa_from_bar(bar), kelvin)
    specific_r = surface.gas_constant_j_mol_k / surface.molar_mass_kg_mol
    assert pa_from_bar(bar) / (density * specific_r * kelvin) == pytest.approx(z, abs=tolerance)


# --- Pressure at constant density ------------------------------------------------------------------------------------


@pytest.mark.parametrize("row", FIGURES["isochore"], ids=lambda row: row["says"])
def test_pressure_at_constant_density(row: dict[str, Any]) -> None:
    gas = shipped(row["gas"])
    density = gas.density_kg_m3(pa_from_bar(row["from_abs_bar"]), row["from_k"])
    found = bar_from_pa(gas.developed_abs_pa(density, row["to_k"]))
    assert found == pytest.approx(row["to_abs_bar"], abs=row["tolerance_bar"])


def slope_pa_k(gas: GasSurface, gauge_pa: float, kelvin: float) -> float:
    return gas.state(gas.density_kg_m3(gauge_pa + STANDARD_ATMOSPHERE_PA, kelvin), kelvin)[3]


def slopes() -> Iterator[Any]:
    for table in FIGURES["slope"]:
        for bar, real, ideal in zip(table["gauge_bar"], table["bar_per_k"], table["ideal_bar_per_k"], strict=True):
            yield pytest.param(bar, table["temperature_c"], real, ideal, table["tolerance"], id=f"{bar:g} bar gauge")


@pytest.mark.parametrize(("bar", "celsius", "real", "ideal", "tolerance"), list(slopes()))
def test_bar_per_kelvin_at_constant_density(
    bar: float, celsius: float, real: float, ideal: float, tolerance: float
) -> None:
    state = (pa_from_bar(bar), k_from_c(celsius))
    assert bar_from_pa(slope_pa_k(shipped("air"), *state)) == pytest.approx(real, abs=tolerance)
    assert bar_from_pa(slope_pa_k(IDEAL_AIR, *state)) == pytest.approx(ideal, abs=tolerance)


def test_psi_per_degree_fahrenheit_at_constant_density() -> None:
    row = FIGURES["slope_psi_f"]
    state = (pa_from_psi(row["gauge_psi"]), k_from_f(row["temperature_f"]))
    assert psi_from_pa(slope_pa_k(shipped("air"), *state)) / 1.8 == pytest.approx(
        row["psi_per_f"], abs=row["tolerance"]
    )
    assert psi_from_pa(slope_pa_k(IDEAL_AIR, *state)) / 1.8 == pytest.approx(
        row["ideal_psi_per_f"], abs=row["tolerance"]
    )


# --- Settling and developing -----------------------------------------------------------------------------------------


def hot_fills_psi() -> Iterator[Any]:
    table = FIGURES["hot_fill_psi"]
    for hot_f, real, ideal in zip(table["filled_at_f"], table["settled_psi"], table["ideal_settled_psi"], strict=True):
        yield pytest.param(hot_f, real, ideal, id=f"filled at {hot_f} F")


@pytest.mark.parametrize(("hot_f", "real", "ideal"), list(hot_fills_psi()))
def test_what_3000_psi_filled_hot_settles_at(hot_f: float, real: float, ideal: float) -> None:
    table = FIGURES["hot_fill_psi"]
    fill = (table["gauge_psi"], hot_f, table["settled_at_f"])
    assert later_gauge_psi(shipped("air"), *fill) == pytest.approx(real, abs=table["tolerance_psi"])
    assert later_gauge_psi(IDEAL_AIR, *fill) == pytest.approx(ideal, abs=table["tolerance_psi"])


def test_a_cold_shop_hides_an_overfill_from_the_gauge() -> None:
    row = FIGURES["cold_shop_psi"]
    fill = (row["gauge_psi"], row["read_at_f"], row["referred_to_f"])
    assert later_gauge_psi(shipped("air"), *fill) == pytest.approx(row["settled_psi"], abs=row["tolerance_psi"])
    assert later_gauge_psi(IDEAL_AIR, *fill) == pytest.approx(row["ideal_settled_psi"], abs=row["tolerance_psi"])


def hot_fills_bar(column: str) -> Iterator[Any]:
    for table in FIGURES["hot_fill_bar"]:
        for hot_c, settled in zip(table["filled_at_c"], table[column], strict=False):
            name = f"{table['gauge_bar']:g} bar at {hot_c} C"
            fill = (table["gauge_bar"], hot_c, table["settled_at_c"])
            yield pytest.param(fill, settled, table["tolerance_bar"], id=name)


@pytest.mark.parametrize(("fill", "settled", "tolerance"), list(hot_fills_bar("settled_bar")))
def test_what_a_hot_gauge_reading_settles_at(
    fill: tuple[float, float, float], settled: float, tolerance: float
) -> None:
    assert later_gauge_bar(shipped("air"), *fill) == pytest.approx(settled, abs=tolerance)


@pytest.mark.parametrize(("fill", "settled", "tolerance"), list(hot_fills_bar("ideal_settled_bar")))
def test_what_ideal_gas_would_promise_instead(
    fill: tuple[float, float, float], settled: float, tolerance: float
) -> None:
    assert later_gauge_bar(IDEAL_AIR, *fill) == pytest.approx(settled, abs=tolerance)


DEVELOPED = FIGURES["developed"]


@pytest.mark.parametrize(
    ("rated", "expected"), list(zip(DEVELOPED["rated_bar"], DEVELOPED["at_20_c_bar"], strict=True))
)
def test_a_settled_cylinder_reads_more_in_a_20_degree_shop(rated: float, expected: float) -> None:
    found = later_gauge_bar(shipped("air"), rated, DEVELOPED["settled_at_c"], 20.0)
    assert found == pytest.approx(expected, abs=DEVELOPED["tolerance_bar"])


@pytest.mark.parametrize(
    ("rated", "test", "expected"),
    list(zip(DEVELOPED["rated_bar"], DEVELOPED["test_bar"], DEVELOPED["at_65_c_bar"], strict=True)),
)
def test_at_65_degrees_a_full_cylinder_stays_below_its_test_pressure(
    rated: float, test: float, expected: float
) -> None:
    found = later_gauge_bar(shipped("air"), rated, DEVELOPED["settled_at_c"], 65.0)
    assert found == pytest.approx(expected, abs=DEVELOPED["tolerance_bar"])
    assert found < test


@pytest.mark.parametrize("row", FIGURES["warming"], ids=lambda row: row["gas"])
def test_from_70_to_131_fahrenheit_every_gas_stays_below_five_quarters(row: dict[str, Any]) -> None:
    rule = FIGURES["warming_from_70_to_131_f"]
    ratio = later_gauge_psi(shipped(row["gas"]), rule["gauge_psi"], 70.0, 131.0) / rule["gauge_psi"]
    assert ratio == pytest.approx(row["ratio"], abs=rule["tolerance"])
    assert ratio < rule["allowed_ratio"]


@pytest.mark.parametrize(("gas", "column"), [(IDEAL_AIR, "ideal_abs_atm"), (shipped("air"), "real_abs_atm")])
def test_a_cylinder_taken_from_the_sun_into_the_sea(gas: GasSurface, column: str) -> None:
    row = FIGURES["diver_cooling"]
    gauge_pa = row["gauge_atm"] * STANDARD_ATMOSPHERE_PA
    later_pa = later_gauge_pa(gas, gauge_pa, k_from_c(row["from_c"]), k_from_c(row["to_c"]))
    assert later_pa / STANDARD_ATMOSPHERE_PA + 1.0 == pytest.approx(row[column], abs=0.15)


# --- Filling without heat loss ---------------------------------------------------------------------------------------


def adiabatic_end(
    gas: GasSurface,
    start: tuple[float, float],
    end_abs_pa: float,
    supply_enthalpy_j_kg: float,
    wall_j_m3_k: float = 0.0,
) -> tuple[float, float]:
    """Temperature (K) and density (kg/m3) after filling from `start` (Pa absolute, K), wall as warm as the gas.

    First law for the cylinder, per volume: what is in it now is what was in it and what the supply's enthalpy brought.
    """
    start_abs_pa, start_k = start
    density = gas.density_unguarded(start_abs_pa, start_k)
    energy = density * gas.state(density, start_k)[1]
    low, high = start_k, 450.0
    for _ in range(60):
        middle = 0.5 * (low + high)
        end = gas.density_unguarded(end_abs_pa, middle)
        brought = (end - density) * supply_enthalpy_j_kg
        if end * gas.state(end, middle)[1] + wall_j_m3_k * (middle - start_k) > energy + brought:
            high = middle
        else:
            low = middle
    return low, end


ADIABATIC = FIGURES["adiabatic_air"]


@pytest.mark.parametrize(
    ("start_bar", "end_k", "settled_bar"),
    list(zip(ADIABATIC["start_abs_bar"], ADIABATIC["end_k"], ADIABATIC["settled_abs_bar"], strict=True)),
)
def test_real_air_filled_without_heat_loss(start_bar: float, end_k: float, settled_bar: float) -> None:
    air, kelvin, end_pa = (
        shipped("air"),
        k_from_c(ADIABATIC["supply_and_start_c"]),
        pa_from_bar(ADIABATIC["end_abs_bar"]),
    )
    supply = air.enthalpy_j_kg(end_pa, kelvin)
    found_k, density = adiabatic_end(air, (pa_from_bar(start_bar), kelvin), end_pa, supply)
    assert found_k == pytest.approx(end_k, abs=0.1)
    assert bar_from_pa(air.developed_abs_pa(density, kelvin)) == pytest.approx(settled_bar, abs=0.1)


@pytest.mark.parametrize("row", FIGURES["with_wall"], ids=lambda row: row["says"])
def test_gas_and_wall_in_equilibrium_without_loss(row: dict[str, Any]) -> None:
    air, kelvin, end_pa = shipped("air"), k_from_c(20.0), pa_from_bar(row["end_abs_bar"])
    wall = row["wall_kg"] * row["wall_j_kg_k"] / (row["water_capacity_l"] * 1e-3)
    start = (pa_from_bar(row["start_abs_bar"]), kelvin)
    found_k, density = adiabatic_end(air, start, end_pa, air.enthalpy_j_kg(end_pa, kelvin), wall)
    assert found_k == pytest.approx(k_from_c(row["end_c"]), abs=0.1)
    assert bar_from_pa(air.developed_abs_pa(density, kelvin)) == pytest.approx(row["settled_abs_bar"], abs=0.1)


def ideal_enthalpy_j_kg(gas: GasSurface, specific_r: float, kelvin: float) -> float:
    return gas.state(0.0, kelvin)[1] + specific_r * kelvin


def test_the_textbook_tank_filled_fast_then_left_to_cool() -> None:
    row = FIGURES["textbook_fill_then_settle"]
    specific_r = row["cp_j_kg_k"] - row["cv_j_kg_k"]
    gas, kelvin = ideal_gas(row["cv_j_kg_k"], specific_r), k_from_c(row["temperature_c"])
    supply = ideal_enthalpy_j_kg(gas, specific_r, kelvin)
    hot_k, density = adiabatic_end(gas, (row["start_abs_pa"], kelvin), row["hot_abs_pa"], supply)
    assert hot_k == pytest.approx(row["hot_k"], abs=0.1)
    assert gas.developed_abs_pa(density, kelvin) == pytest.approx(row["settled_abs_pa"], rel=1e-3)
    given_off = density * row["volume_m3"] * (gas.energy_j_kg(density, kelvin) - gas.state(density, hot_k)[1])
    assert given_off == pytest.approx(row["heat_j"], rel=2e-3)


def test_the_textbook_tank_filled_from_empty_ends_at_gamma_times_the_supply() -> None:
    row = FIGURES["textbook_evacuated"]
    specific_r = 287.0
    gas = ideal_gas(specific_r / (row["gamma"] - 1.0), specific_r)
    supply = ideal_enthalpy_j_kg(gas, specific_r, row["supply_k"])
    end_k, density = adiabatic_end(gas, (1e-3, row["supply_k"]), row["end_abs_pa"], supply)
    assert end_k == pytest.approx(row["end_k"], abs=0.01)
    assert density * row["volume_l"] * 1e-3 == pytest.approx(row["mass_kg"], abs=5e-5)


@pytest.mark.parametrize("start_bar", [1.0, 30.0, 100.0])
def test_an_ideal_gas_follows_the_closed_formula_for_a_tank_with_gas_in_it(start_bar: float) -> None:
    # T2 = gamma T_in / (1 + (p1/p2) (gamma T_in / T1 - 1)): energy balance, as in Reynolds and Kays 1958 without loss.
    gamma, specific_r, supply_k, start_k, end_bar = 1.4, 287.0, 293.15, 280.0, 200.0
    gas = ideal_gas(specific_r / (gamma - 1.0), specific_r)
    supply = ideal_enthalpy_j_kg(gas, specific_r, supply_k)
    end_k, _ = adiabatic_end(gas, (pa_from_bar(start_bar), start_k), pa_from_bar(end_bar), supply)
    hot = gamma * supply_k
    assert end_k == pytest.approx(hot / (1.0 + start_bar / end_bar * (hot / start_k - 1.0)), abs=0.01)
