"""The heat balance where the answer is known without it: no heat transfer, or so much that gas and wall are one.

What test_gas.py asks of the gas alone is asked here of the steps that a live fill takes, one reading a second. The
figures stand in data/gas.toml with their sources.
"""

import tomllib
from collections.abc import Iterable
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from fillguard.core.balance import Balance, Setting, begun
from fillguard.core.cylinder import Vessel
from fillguard.core.gas import GasSurface
from fillguard.core.heat import Convection, SupplyKind, supply_of
from fillguard.core.units import bar_from_pa, k_from_c, pa_from_bar
from fillguard.core.values import AIR
from tests.balance_runs import AS_GUESSED, fixed, holding, read, settled_abs_pa
from tests.gases import ideal_gas, shipped

FIGURES: dict[str, Any] = tomllib.loads((Path(__file__).parent / "data" / "gas.toml").read_text(encoding="utf-8"))
NO_HEAT = fixed(0.0)
AS_ONE = fixed(1e5)
"""W/K between gas and wall: they are never a tenth of a kelvin apart."""
ROOM_K = k_from_c(20.0)
IDEAL_R = 287.0


def vessel(litres: float, wall_j_k: float = 1.0) -> Vessel:
    """A wall in one lump; its surfaces do not matter where heat transfer is given."""
    return Vessel(
        count=1,
        bore_m=0.16,
        capacity_m3=litres * 1e-3,
        inner_area_m2=0.3,
        outer_area_m2=0.3,
        inner_heat_j_k=0.5 * wall_j_k,
        outer_heat_j_k=0.5 * wall_j_k,
        conductance_w_k=1e6,
        heat_sigma=0.0,
    )


def setting(gas: GasSurface, tank: Vessel, heat: Convection, supply_k: float, supply_abs_pa: float) -> Setting:
    """Nothing is lost to the surroundings."""
    return Setting(gas, tank, heat, supply_of(gas, SupplyKind.BANK, supply_k, supply_k, supply_abs_pa), 0.0)


def filled(how: Setting, start_k: float, pressures: Iterable[float]) -> Balance:
    """The balance after a reading a second, Pa absolute; the first is what is in it when it is connected."""
    readings = iter(pressures)
    balance = begun(how, AS_GUESSED, 0.0, next(readings), start_k)
    for absolute_pa in readings:
        balance = read(balance, how, balance.sample_s + 1.0, absolute_pa, start_k)
    return balance


def rising(from_pa: float, to_pa: float, bar_s: float = 0.5) -> list[float]:
    """A steady fill; 0.5 bar/s is a usual one (common practice)."""
    count = round(bar_from_pa(to_pa - from_pa) / bar_s)
    return [float(pressure) for pressure in np.linspace(from_pa, to_pa, count + 1)]


ADIABATIC = FIGURES["adiabatic_air"]


@pytest.mark.parametrize("bar_s", [0.5, 5.0], ids=["usual flow", "ten times too fast"])
@pytest.mark.parametrize(
    ("start_bar", "end_k", "settled_bar"),
    list(zip(ADIABATIC["start_abs_bar"], ADIABATIC["end_k"], ADIABATIC["settled_abs_bar"], strict=True)),
    ids=[f"from {bar} bar" for bar in ADIABATIC["start_abs_bar"]],
)
def test_real_air_without_heat_transfer(start_bar: float, end_k: float, settled_bar: float, bar_s: float) -> None:
    start_k, end_pa = k_from_c(ADIABATIC["supply_and_start_c"]), pa_from_bar(ADIABATIC["end_abs_bar"])
    how = setting(shipped(AIR), vessel(12.0), NO_HEAT, start_k, end_pa)
    full = filled(how, start_k, rising(pa_from_bar(start_bar), end_pa, bar_s))
    assert full.gas_k == pytest.approx(end_k, abs=0.06)
    assert bar_from_pa(settled_abs_pa(full, how, start_k)) == pytest.approx(settled_bar, abs=0.08)
    assert (full.inner_k, full.outer_k) == pytest.approx((start_k, start_k), abs=1e-9)


@pytest.mark.parametrize("row", FIGURES["with_wall"], ids=lambda row: row["says"])
def test_gas_and_wall_as_one_without_loss(row: dict[str, Any]) -> None:
    end_pa = pa_from_bar(row["end_abs_bar"])
    tank = vessel(row["water_capacity_l"], row["wall_kg"] * row["wall_j_kg_k"])
    how = setting(shipped(AIR), tank, AS_ONE, ROOM_K, end_pa)
    full = filled(how, ROOM_K, rising(pa_from_bar(row["start_abs_bar"]), end_pa, bar_s=0.25))
    assert full.inner_k == pytest.approx(full.gas_k, abs=0.05)
    assert full.gas_k == pytest.approx(k_from_c(row["end_c"]), abs=0.06)
    assert bar_from_pa(settled_abs_pa(full, how, ROOM_K)) == pytest.approx(row["settled_abs_bar"], abs=0.08)


def test_the_textbook_tank_filled_fast_then_left_to_cool() -> None:
    row = FIGURES["textbook_fill_then_settle"]
    gas, room_k = ideal_gas(row["cv_j_kg_k"], row["cp_j_kg_k"] - row["cv_j_kg_k"]), k_from_c(row["temperature_c"])
    tank = vessel(row["volume_m3"] * 1e3, wall_j_k=1e12)  # the surroundings themselves: it stays at their temperature
    how = setting(gas, tank, NO_HEAT, room_k, 120e5)
    hot = filled(how, room_k, rising(row["start_abs_pa"], row["hot_abs_pa"]))
    assert hot.gas_k == pytest.approx(row["hot_k"], abs=0.1)
    cooling = [hot]
    for _ in range(200):
        last = cooling[-1]
        cooling.append(holding(last, how._replace(convection=fixed(200.0)), last.sample_s + 60.0, hot.mass_kg, room_k))
    given_off = sum(now.heat_w * (now.sample_s - before.sample_s) for before, now in pairwise(cooling))
    assert cooling[-1].gas_k == pytest.approx(room_k, abs=0.01)
    assert cooling[-1].pressure_abs_pa == pytest.approx(row["settled_abs_pa"], rel=5e-4)
    assert given_off == pytest.approx(-row["heat_j"], rel=5e-4)


def test_the_textbook_tank_filled_from_empty_ends_at_gamma_times_the_supply() -> None:
    row = FIGURES["textbook_evacuated"]
    gas = ideal_gas(IDEAL_R / (row["gamma"] - 1.0), IDEAL_R)
    how = setting(gas, vessel(row["volume_l"]), NO_HEAT, row["supply_k"], 2.0 * row["end_abs_pa"])
    # A balance cannot begin with nothing: it begins with a hundred-thousandth and grows by a tenth a reading.
    full = filled(how, row["supply_k"], np.geomspace(1e-5 * row["end_abs_pa"], row["end_abs_pa"], 120).tolist())
    assert full.gas_k == pytest.approx(row["end_k"], abs=0.02)
    assert full.mass_kg == pytest.approx(row["mass_kg"], abs=5e-5)


@pytest.mark.parametrize("start_bar", [1.0, 30.0, 100.0])
def test_an_ideal_gas_follows_the_closed_formula_for_a_tank_with_gas_in_it(start_bar: float) -> None:
    # T2 = gamma T_in / (1 + (p1/p2) (gamma T_in / T1 - 1)): energy balance, as in Reynolds and Kays 1958 without loss.
    gamma, supply_k, start_k, end_bar = 1.4, 293.15, 280.0, 200.0
    gas = ideal_gas(IDEAL_R / (gamma - 1.0), IDEAL_R)
    how = setting(gas, vessel(12.0), NO_HEAT, supply_k, pa_from_bar(end_bar))
    full = filled(how, start_k, rising(pa_from_bar(start_bar), pa_from_bar(end_bar)))
    hot = gamma * supply_k
    assert full.gas_k == pytest.approx(hot / (1.0 + start_bar / end_bar * (hot / start_k - 1.0)), abs=0.002)


@pytest.mark.parametrize("heat", [NO_HEAT, fixed(20.0), AS_ONE], ids=["no heat", "usual", "gas and wall as one"])
def test_no_energy_and_no_gas_is_lost_on_the_way(heat: Convection) -> None:
    """First law over the whole fill, taken from the states at its ends and not from the balance's own sums."""
    air, end_pa, bank_pa = shipped(AIR), pa_from_bar(232.0), pa_from_bar(280.0)
    tank = vessel(12.0, 14.5 * 475.0)
    how = setting(air, tank, heat, ROOM_K, bank_pa)
    ends = [filled(how, ROOM_K, readings) for readings in ([pa_from_bar(50.0)], rising(pa_from_bar(50.0), end_pa))]
    densities = [balance.mass_kg / tank.capacity_m3 for balance in ends]
    states = [air.state(density, balance.gas_k) for density, balance in zip(densities, ends, strict=True)]
    energies = [balance.mass_kg * energy for balance, (_, energy, *_) in zip(ends, states, strict=True)]
    wall_j = tank.inner_heat_j_k * (ends[1].inner_k - ROOM_K) + tank.outer_heat_j_k * (ends[1].outer_k - ROOM_K)
    brought_j = (ends[1].mass_kg - ends[0].mass_kg) * air.enthalpy_j_kg(bank_pa, ROOM_K)
    assert energies[1] - energies[0] + wall_j == pytest.approx(brought_j, abs=5.0)  # of up to 150 kJ in the wall
    assert states[1][0] == pytest.approx(end_pa, rel=1e-5)
