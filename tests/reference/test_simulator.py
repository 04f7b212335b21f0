"""The simulator's physics against figures from outside: energy balances, measured runs, another program's fills.

Every figure stands in data/simulator.toml or data/independent_fills.json with its source beside it.
"""

import json
import tomllib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fillguard.bench.simulator.flow import CompressorFeed, Hose, Isotherm, Openings
from fillguard.bench.simulator.gas import Fluid
from fillguard.bench.simulator.vessel import (
    MEASURED_HEAT,
    PUBLISHED_HEAT,
    HeatScales,
    Shell,
    Vessel,
    shell_of,
)
from fillguard.bench.simulator.whip import AIR_OUTSIDE_W_M2K, BATH_OUTSIDE_W_M2K
from fillguard.core.units import PA_PER_BAR, STANDARD_ATMOSPHERE_PA, c_from_k, k_from_c
from fillguard.core.values import AIR, Material

DATA = Path(__file__).parent / "data"
FIGURES: dict[str, Any] = tomllib.loads((DATA / "simulator.toml").read_text(encoding="utf-8"))
FILLS: list[dict[str, Any]] = json.loads((DATA / "independent_fills.json").read_text(encoding="utf-8"))["fills"]
ADIABATIC = HeatScales(natural=0.0, forced=0.0)
ROOM_K = k_from_c(20.0)


def air_vessel(
    material: str, capacity_l: float, mass_kg: float, *, bar: float, kelvin: float, heat: HeatScales = PUBLISHED_HEAT
) -> Vessel:
    shell = shell_of(material=Material(material), capacity_m3=capacity_l * 1e-3, mass_kg=mass_kg)
    return Vessel(fluid=Fluid.of(AIR), shell=shell, pressure_pa=bar * PA_PER_BAR, temperature_k=kelvin, heat=heat)


def supply_j_kg(fluid: Fluid, bar: float, kelvin: float) -> float:
    fluid.at_pressure(bar * PA_PER_BAR, kelvin)
    return fluid.enthalpy_j_kg


def fill_to(vessel: Vessel, bar: float, enthalpy_j_kg: float, *, step_kg: float, step_s: float) -> None:
    """Gas in, in small steps, nothing lost outside."""
    while vessel.pressure_pa < bar * PA_PER_BAR:
        vessel.step(step_s, in_kg=step_kg, in_j_kg=enthalpy_j_kg, outside_w_m2k=0.0, around_k=ROOM_K)


@pytest.mark.parametrize(
    ("start_bar", "ends_k", "settled_bar"),
    [
        *zip(
            FIGURES["adiabatic"]["from_bar"],
            FIGURES["adiabatic"]["temperature_k"],
            FIGURES["adiabatic"]["settled_bar"],
            strict=True,
        )
    ],
    ids=lambda value: f"{value:g}",
)
def test_adiabatic_fill_of_real_air_ends_where_the_energy_balance_says(
    start_bar: float, ends_k: float, settled_bar: float
) -> None:
    figures = FIGURES["adiabatic"]
    vessel = air_vessel("aluminium", 11.1, 14.2, bar=start_bar, kelvin=ROOM_K, heat=ADIABATIC)
    enthalpy = supply_j_kg(Fluid.of(AIR), figures["to_bar"], k_from_c(figures["supply_c"]))
    fill_to(vessel, figures["to_bar"], enthalpy, step_kg=0.0004, step_s=0.1)
    assert vessel.temperature_k == pytest.approx(ends_k, abs=0.15)
    assert vessel.settled_pa(ROOM_K) / PA_PER_BAR == pytest.approx(settled_bar, abs=0.15)


def test_evacuated_tank_filled_with_dilute_gas_reaches_gamma_times_the_line_temperature() -> None:
    figures = FIGURES["evacuated"]
    vessel = air_vessel("steel", 20.0, 20.0, bar=0.002, kelvin=figures["line_k"], heat=ADIABATIC)
    fill_to(vessel, 1.0, supply_j_kg(Fluid.of(AIR), 1.0, figures["line_k"]), step_kg=2e-6, step_s=0.01)
    assert vessel.temperature_k == pytest.approx(figures["ends_k"], abs=2.0)


def test_tank_with_dilute_gas_in_it_heats_as_the_ideal_gas_formula_says() -> None:
    gamma = FIGURES["gained"]["gamma"]
    vessel = air_vessel("steel", 20.0, 20.0, bar=0.5, kelvin=300.0, heat=ADIABATIC)
    fill_to(vessel, 2.0, supply_j_kg(Fluid.of(AIR), 2.0, 300.0), step_kg=1e-5, step_s=0.01)
    assert vessel.temperature_k == pytest.approx(gamma * 300.0 / (1.0 + 0.5 / 2.0 * (gamma - 1.0)), abs=1.5)


@pytest.mark.parametrize("row", FIGURES["equilibrium"], ids=lambda row: row["name"])
def test_slow_fill_without_loss_brings_gas_and_wall_to_the_same_temperature(row: dict[str, Any]) -> None:
    vessel = air_vessel(
        row["material"],
        row["capacity_l"],
        row["mass_kg"],
        bar=row["from_bar"],
        kelvin=ROOM_K,
        heat=HeatScales(natural=20.0, forced=0.0),
    )
    enthalpy = supply_j_kg(Fluid.of(AIR), row["to_bar"], ROOM_K)
    fill_to(vessel, row["to_bar"], enthalpy, step_kg=0.0004, step_s=2.0)
    assert c_from_k(vessel.temperature_k) == pytest.approx(row["gas_c"], abs=row["within_c"])
    assert vessel.settled_pa(ROOM_K) / PA_PER_BAR == pytest.approx(row["settled_20c_bar"], abs=row["within_bar"])


def follow_pressure(
    vessel: Vessel, figures: dict[str, Any], ask_s: list[float], step: Callable[[float], None], step_s: float
) -> list[float]:
    """Let gas in or out so that the pressure follows the measured one; the gas temperatures at `ask_s`."""
    times, found = np.arange(step_s, ask_s[-1] + step_s, step_s), []
    for now_s in times:
        wanted_pa = float(np.interp(now_s, figures["pressure_s"], figures["pressure_bar"])) * PA_PER_BAR
        # An adiabatic change of mass: a little too weak or too strong, made good at the next step.
        step((wanted_pa - vessel.pressure_pa) * vessel.mass_kg / vessel.pressure_pa / 1.3)
        found.append(vessel.temperature_k)
    return [float(np.interp(at_s, times, found)) for at_s in ask_s]


def test_measured_blowdown_of_nitrogen_lies_between_its_coldest_and_its_warmest_thermocouple() -> None:
    figures = FIGURES["nitrogen_blowdown"]
    nodes = 6
    each = figures["wall_m"] / nodes / (figures["conductivity_w_mk"] * figures["area_m2"])
    shell = Shell(
        capacity_m3=figures["volume_m3"],
        count=1,
        bore_m=figures["bore_m"],
        inner_area_m2=figures["area_m2"],
        outer_area_m2=figures["area_m2"] * 1.1,
        heat_j_k=(figures["wall_kg"] * figures["heat_j_kgk"] / nodes,) * nodes,
        resistance_k_w=(each,) * nodes,
    )
    vessel = Vessel(
        fluid=Fluid(("Nitrogen",), (1.0,)),
        shell=shell,
        pressure_pa=figures["pressure_bar"][0] * PA_PER_BAR,
        temperature_k=figures["start_k"],
        heat=MEASURED_HEAT,
    )

    def let_out(kg: float) -> None:
        vessel.step(0.1, out_kg=max(0.0, -kg), outside_w_m2k=5.0, around_k=figures["around_k"])

    found_k = follow_pressure(vessel, figures, figures["gas_s"], let_out, 0.1)
    for at_s, kelvin, low_k, high_k in zip(figures["gas_s"], found_k, figures["low_k"], figures["high_k"], strict=True):
        assert low_k < kelvin < high_k, f"at {at_s} s"


def test_measured_hydrogen_fill_ends_at_the_mean_temperature_with_the_published_correlation() -> None:
    figures = FIGURES["hydrogen_fill"]
    nodes = 6
    shell = Shell(
        capacity_m3=figures["volume_m3"],
        count=1,
        bore_m=figures["bore_m"],
        inner_area_m2=figures["area_m2"],
        outer_area_m2=figures["area_m2"] * 1.1,
        heat_j_k=tuple(kg * cp / nodes for kg, _, cp, _ in figures["layers"] for _ in range(nodes)),
        resistance_k_w=tuple(
            thick / nodes / (k * figures["area_m2"]) for _, thick, _, k in figures["layers"] for _ in range(nodes)
        ),
    )
    vessel = Vessel(
        fluid=Fluid(("Hydrogen",), (1.0,)),
        shell=shell,
        pressure_pa=figures["pressure_bar"][0] * PA_PER_BAR,
        temperature_k=figures["start_k"],
        heat=PUBLISHED_HEAT,
        inlet_m=figures["inlet_m"],
    )
    enthalpy = supply_j_kg(Fluid(("Hydrogen",), (1.0,)), figures["supply_bar"], figures["start_k"])

    def let_in(kg: float) -> None:
        vessel.step(0.05, in_kg=max(0.0, kg), in_j_kg=enthalpy, outside_w_m2k=5.0, around_k=figures["start_k"])

    found_k = follow_pressure(vessel, figures, figures["gas_s"], let_in, 0.05)
    assert found_k == pytest.approx(figures["mean_k"], abs=2.0)


@pytest.mark.parametrize("fill", FILLS, ids=lambda fill: fill["name"])
def test_fill_with_the_same_mass_and_heat_scale_runs_as_in_an_independent_program(fill: dict[str, Any]) -> None:
    """The other program's compressor delivers about 11 K above the room."""
    times, masses, gas_c, bars = (np.array(column) for column in zip(*fill["rows"], strict=True))
    shell = shell_of(
        material=Material(fill["material"]),
        capacity_m3=fill["water_volume_l_each"] * 1e-3,
        mass_kg=fill["empty_mass_kg_each"],
        count=fill["count"],
    )
    scale = fill["heat_scale"]
    vessel = Vessel(
        fluid=Fluid.of(AIR),
        shell=shell,
        pressure_pa=bars[0] * PA_PER_BAR + STANDARD_ATMOSPHERE_PA,
        temperature_k=k_from_c(float(gas_c[0])),
        heat=HeatScales(natural=scale, forced=scale),
    )
    masses = masses * vessel.mass_kg / masses[0]
    room_k = k_from_c(fill["air_c"])
    supply = Fluid.of(AIR)
    found_c, found_bar = [float(gas_c[0])], [float(bars[0])]
    now_s, step_s = float(times[0]), 0.5
    for upto_s in times[1:]:
        enthalpy = supply_j_kg(supply, vessel.pressure_pa / PA_PER_BAR, room_k + 11.0)
        while now_s < upto_s:
            kg = float(np.interp(now_s + step_s, times, masses) - np.interp(now_s, times, masses))
            vessel.step(step_s, in_kg=max(0.0, kg), in_j_kg=enthalpy, outside_w_m2k=AIR_OUTSIDE_W_M2K, around_k=room_k)
            now_s += step_s
        found_c.append(c_from_k(vessel.temperature_k))
        found_bar.append((vessel.pressure_pa - STANDARD_ATMOSPHERE_PA) / PA_PER_BAR)
    off_k = np.array(found_c) - gas_c
    assert float(np.sqrt(np.mean(off_k**2))) < 1.6
    close = int(np.argmin(np.abs(times - fill["t_close_s"])))
    assert found_c[close] == pytest.approx(gas_c[close], abs=2.0)
    assert found_bar[close] == pytest.approx(bars[close], abs=3.0)


@pytest.mark.parametrize("row", FIGURES["settling"], ids=lambda row: row["name"])
def test_hot_cylinder_cools_in_the_time_expected(row: dict[str, Any]) -> None:
    vessel = air_vessel(row["material"], row["capacity_l"], row["mass_kg"], bar=220.0, kelvin=ROOM_K + 25.0)
    outside = BATH_OUTSIDE_W_M2K if row["bath"] else AIR_OUTSIDE_W_M2K
    seconds, step_s = 0.0, 0.5
    while vessel.temperature_k - ROOM_K > 25.0 * np.exp(-1.0):
        vessel.step(step_s, outside_w_m2k=outside, around_k=ROOM_K)
        seconds += step_s
    shortest_s, longest_s = row["between_s"]
    assert shortest_s < seconds < longest_s


def test_hose_behind_a_shut_cylinder_valve_rises_at_sixty_bar_a_second() -> None:
    figures = FIGURES["hose"]
    hose = Hose(Isotherm(Fluid.of(AIR), ROOM_K))
    flow_kg_s = figures["free_air_l_min"] / 60e3 * 1.2041  # dry air at 20 C, 1.01325 bar
    feed = CompressorFeed(flow_kg_s=flow_kg_s, stop_pa=330e5)
    before_pa = hose.pressure_pa
    for _ in range(10):
        hose.step(0.1, feed=feed, cylinder=None, openings=Openings())
    assert (hose.pressure_pa - before_pa) / PA_PER_BAR == pytest.approx(figures["rise_bar_s"], rel=0.08)
