"""The fill led on to a certain mass: what the hot gauge will read there, and when."""

from dataclasses import dataclass
from math import exp

from fillguard.core.balance import FORCED, NATURAL, SUPPLY, SUPPLY_KIND, WALL_HEAT, Balance, Row
from fillguard.core.context import FillContext

_STEPS = 4


@dataclass(frozen=True, slots=True)
class Forecast:
    """State at the mass asked for, at the flow given."""

    pressure_abs_pa: float
    seconds: float
    pa_per_kg: float
    """Slope of the hot gauge there."""


def forecast(
    balance: Balance, context: FillContext, theta: Row, *, to_kg: float, flow_kg_s: float, around_k: float
) -> Forecast:
    """Lead gas and wall on by mass in a few implicit steps; backwards in one when there is already more."""
    setting = context.setting
    vessel, gas = setting.vessel, setting.gas
    more = to_kg - balance.mass_kg
    steps = _STEPS if more > 0.0 else 1
    dm = more / steps
    dt = max(dm / flow_kg_s, 0.0)
    natural_dt, forced_dt = exp(theta[NATURAL]) * dt, exp(theta[FORCED]) * dt
    wall_j_k = (vessel.inner_heat_j_k + vessel.outer_heat_j_k) * exp(theta[WALL_HEAT])
    mass, gas_k, energy, pressure = balance.mass_kg, balance.gas_k, balance.energy_j, balance.pressure_abs_pa
    before = pressure
    warmed = 0.0
    for _ in range(steps):
        inner = balance.inner_k + warmed
        natural, forced = setting.convection.at(mass / vessel.capacity_m3, gas_k - inner, flow_kg_s)
        per_k = natural_dt * natural + forced_dt * forced
        mean, half = setting.supply.at(pressure)
        brought = dm * (mean + theta[SUPPLY_KIND] * half + theta[SUPPLY] * setting.supply.slope_j_kg_k)
        mass += dm
        at_old, u, _, dp_dt, _, cv = gas.state(mass / vessel.capacity_m3, gas_k)
        warmer = (energy + brought - mass * u - per_k * (gas_k - inner)) / (mass * cv + per_k)
        heat = per_k * (gas_k + warmer - inner)
        energy += brought - heat
        gas_k += warmer
        warmed += (heat - setting.outside_w_k * dt * (balance.outer_k + warmed - around_k)) / wall_j_k
        before, pressure = pressure, at_old + dp_dt * warmer
    return Forecast(pressure, dt * steps, (pressure - before) / dm if dm else 0.0)
