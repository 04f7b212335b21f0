"""The fill led on to a certain mass: what the hot gauge will read there, and when."""

from dataclasses import dataclass
from math import exp, sqrt

from fillguard.core.balance import FORCED, NATURAL, SUPPLY, SUPPLY_KIND, WALL_HEAT, Balance, Row
from fillguard.core.context import FillContext

_STEPS = 3


_LEAST_SHARE = 0.4
"""A bank's flow is not led down further than to this share: by then it is a new fill to judge."""


@dataclass(frozen=True, slots=True)
class Inflow:
    """The present inflow, and how it changes: a bank's falls as the pressures meet."""

    kg_s: float
    trend_kg_s2: float = 0.0

    def seconds_for(self, more_kg: float) -> float:
        """Until so much has flowed in; 0 when nothing is missing."""
        if more_kg <= 0.0:
            return 0.0
        fall = min(self.trend_kg_s2, 0.0)
        if fall == 0.0:
            return more_kg / self.kg_s
        until_s = (_LEAST_SHARE - 1.0) * self.kg_s / fall
        until_kg = until_s * 0.5 * (1.0 + _LEAST_SHARE) * self.kg_s
        if more_kg > until_kg:
            return until_s + (more_kg - until_kg) / (_LEAST_SHARE * self.kg_s)
        return (self.kg_s - sqrt(self.kg_s**2 + 2.0 * fall * more_kg)) / -fall


@dataclass(frozen=True, slots=True)
class Forecast:
    """State at the mass asked for, at the flow given."""

    pressure_abs_pa: float
    seconds: float
    pa_per_kg: float
    """Slope of the hot gauge there."""


def forecast(
    balance: Balance, context: FillContext, theta: Row, *, to_kg: float, flow: Inflow, around_k: float
) -> Forecast:
    """Lead gas and wall on by mass in a few implicit steps; backwards in one when there is already more."""
    seconds = flow.seconds_for(to_kg - balance.mass_kg)
    flow_kg_s = flow.kg_s if seconds <= 0.0 else (to_kg - balance.mass_kg) / seconds
    setting = context.setting
    vessel, gas = setting.vessel, setting.gas
    more = to_kg - balance.mass_kg
    steps = _STEPS if more > 0.0 else 1
    dm = more / steps
    dt = seconds / steps
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
        # Implicit: in a bath the wall is at the water's temperature long before a step of minutes is over.
        lost = setting.outside_w_k * dt
        warmed = (wall_j_k * warmed + heat - lost * (balance.outer_k - around_k)) / (wall_j_k + lost)
        before, pressure = pressure, at_old + dp_dt * warmer
    return Forecast(pressure, seconds, (pressure - before) / dm if dm else 0.0)
