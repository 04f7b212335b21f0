"""One step of the heat balance of a cylinder that is being filled, with its gradient.

The pressure drives it: whatever gas must have come in so that the cylinder stands at the pressure read has come in, at
the supply's enthalpy, and the heat it gave off is in the wall. Beside the state itself the step carries, for each
unknown, how the state would differ if that unknown were different: the tangent of the balance. A measurement can so
correct state and unknowns together, and every output knows its doubt.

Per step of dt seconds, with h the supply's enthalpy and Q = hA (T - T_w)::

    p(m / V, T) = pressure read,    dU = h dm - Q dt
    C_i dT_w = Q dt - G (T_w - T_o) dt,    C_o dT_o = G (T_w - T_o) dt - K (T_o - T_surroundings) dt

Gas: one Newton step whose rest is kept in U and closed by the next. Heat flows are implicit: no step is too long to be
stable. SI throughout, pressures absolute.
"""

from math import exp
from operator import mul
from typing import NamedTuple

from fillguard.core.cylinder import Vessel
from fillguard.core.gas import GasSurface
from fillguard.core.heat import NATURAL_DIFFERENCE_POWER, Convection, Supply

UNKNOWNS = 8
START, NATURAL, FORCED, WALL_HEAT, SUPPLY, SUPPLY_KIND, CONTACT, SURROUNDINGS = range(UNKNOWNS)
"""Start temperature (K from the guess), ln scale of natural and of forced convection, ln scale of the wall's heat
capacity, supply temperature (K from the guess), supply kind (-1 bank, +1 compressor), contact of the wall sensor (-),
temperature of the surroundings (K from the reading)."""

SENSOR_LAG_S = 12.0
"""A strap-on sensor under a strap (common practice: 10 to 15 s)."""
FLOW_SMOOTHING_S = 6.0
RATE_SMOOTHING_S = 15.0
_RESUMED = 1.5
OUTFLOW_KG_S = -0.003
"""Gas leaves with its own enthalpy, not the supply's; above this it is noise."""

Row = tuple[float, ...]


class Setting(NamedTuple):
    """What stays the same while a cylinder hangs on a whip."""

    gas: GasSurface
    vessel: Vessel
    convection: Convection
    supply: Supply
    outside_w_k: float
    """Heat transfer from the whole wall to its surroundings."""


class Balance(NamedTuple):
    """Gas and wall at one instant."""

    sample_s: float
    pressure_abs_pa: float
    mass_kg: float
    gas_k: float
    energy_j: float
    inner_k: float
    outer_k: float
    sensor_k: float
    """What a strap-on sensor would read."""
    flow_kg_s: float
    """Inflow, smoothed over some seconds."""
    steady_flow_kg_s: float
    """Inflow, smoothed again: what a forecast uses."""
    heat_w: float
    """From gas to wall."""
    inflow_j_kg: float
    """Enthalpy of the last inflow."""
    stiffness_j_k: float
    """Energy, less what the inflow it takes brings, per kelvin of gas at constant pressure."""
    expelled_kg_k: float
    """Mass a kelvin more would leave no room for, at constant pressure."""
    gas_row: Row
    """Per unknown: the energy, less what inflow brings, would be higher by this, J. Divided by `stiffness_j_k`: K."""
    inner_row: Row
    outer_row: Row
    sensor_row: Row

    def mass_row(self) -> Row:
        """Per unknown: how much more mass there would be, kg, at the pressure read."""
        scale = -self.expelled_kg_k / self.stiffness_j_k
        return tuple(scale * energy for energy in self.gas_row)


class _Gas(NamedTuple):
    """What the gas did in one step, and what the tangent needs of it."""

    dm: float
    dt_k: float
    heat_j: float
    inflow_j_kg: float
    stiffness_j_k: float
    expelled_kg_k: float
    rebase: float
    """Stiffness with the new inflow's enthalpy over that with the old one's."""
    half_j_kg: float
    natural_j: float
    """Heat through natural convection alone."""
    forced_j: float
    slope_j_k: float
    """More heat per kelvin more of difference."""


def begun(setting: Setting, theta: Row, sample_s: float, pressure_abs_pa: float, start_k: float) -> Balance:
    """Gas and wall in equilibrium at `start_k`."""
    volume = setting.vessel.capacity_m3
    density = setting.gas.density_unguarded(pressure_abs_pa, start_k)
    _, energy, dp_drho, dp_dt, du_drho, cv = setting.gas.state(density, start_k)
    mass = density * volume
    mean, half = setting.supply.at(pressure_abs_pa)
    inflow = mean + theta[SUPPLY_KIND] * half + theta[SUPPLY] * setting.supply.slope_j_kg_k
    expelled = volume * dp_dt / dp_drho
    stiffness = mass * cv - (energy + density * du_drho - inflow) * expelled
    warmer = tuple(1.0 if j == START else 0.0 for j in range(UNKNOWNS))
    return Balance(
        sample_s=sample_s,
        pressure_abs_pa=pressure_abs_pa,
        mass_kg=mass,
        gas_k=start_k,
        energy_j=mass * energy,
        inner_k=start_k,
        outer_k=start_k,
        sensor_k=start_k,
        flow_kg_s=0.0,
        steady_flow_kg_s=0.0,
        heat_w=0.0,
        inflow_j_kg=inflow,
        stiffness_j_k=stiffness,
        expelled_kg_k=expelled,
        gas_row=tuple(stiffness * kelvin for kelvin in warmer),
        inner_row=warmer,
        outer_row=warmer,
        sensor_row=warmer,
    )


def recast(balance: Balance, setting: Setting, theta: Row) -> Balance:
    """The same pressure, temperatures and doubts with the contents taken for another gas; nothing flows."""
    fresh = begun(setting, theta, balance.sample_s, balance.pressure_abs_pa, balance.gas_k)
    share = fresh.stiffness_j_k / balance.stiffness_j_k
    return balance._replace(
        mass_kg=fresh.mass_kg,
        energy_j=fresh.energy_j,
        flow_kg_s=0.0,
        steady_flow_kg_s=0.0,
        inflow_j_kg=fresh.inflow_j_kg,
        stiffness_j_k=fresh.stiffness_j_k,
        expelled_kg_k=fresh.expelled_kg_k,
        gas_row=tuple(share * energy for energy in balance.gas_row),
    )


def advanced(old: Balance, setting: Setting, theta: Row, *, at: tuple[float, float], surroundings_k: float) -> Balance:
    """The balance once the pressure has gone to `at` (sample time, absolute pressure), some seconds and bar away."""
    sample_s, pressure_abs_pa = at
    dt = sample_s - old.sample_s
    gas = _gas_step(old, setting, theta, dt, pressure_abs_pa)
    vessel = setting.vessel
    share = exp(theta[WALL_HEAT])
    inner_j_k, outer_j_k = vessel.inner_heat_j_k * share, vessel.outer_heat_j_k * share
    across, away = vessel.conductance_w_k * dt, setting.outside_w_k * dt
    a_in, a_out = inner_j_k + across, outer_j_k + across + away
    per_det = 1.0 / (a_in * a_out - across * across)
    around = surroundings_k + theta[SURROUNDINGS]
    into, onto = inner_j_k * old.inner_k + gas.heat_j, outer_j_k * old.outer_k + away * around
    inner = (a_out * into + across * onto) * per_det
    outer = (a_in * onto + across * into) * per_det
    follow, contact = dt / (SENSOR_LAG_S + dt), theta[CONTACT]
    rows = _tangent(
        old,
        gas,
        setting.supply.slope_j_kg_k,
        (inner_j_k, outer_j_k, across, away, a_in, a_out, per_det, inner, outer, follow, contact, around),
    )
    flow = old.flow_kg_s + dt / (FLOW_SMOOTHING_S + dt) * (gas.dm / dt - old.flow_kg_s)
    return Balance(
        sample_s,
        pressure_abs_pa,
        old.mass_kg + gas.dm,
        old.gas_k + gas.dt_k,
        old.energy_j + gas.inflow_j_kg * gas.dm - gas.heat_j,
        inner,
        outer,
        old.sensor_k + follow * (outer - contact * (outer - around) - old.sensor_k),
        flow,
        _steadied(old.steady_flow_kg_s, flow, dt),
        gas.heat_j / dt,
        gas.inflow_j_kg,
        gas.stiffness_j_k,
        gas.expelled_kg_k,
        *rows,
    )


def _steadied(steady: float, flow: float, dt: float) -> float:
    """The flow a forecast uses; after a pause it starts from the new flow instead of creeping up to it."""
    if flow > _RESUMED * steady:
        return flow
    return steady + dt / (RATE_SMOOTHING_S + dt) * (flow - steady)


def _gas_step(old: Balance, setting: Setting, theta: Row, dt: float, pressure_abs_pa: float) -> _Gas:
    """Inflow and warming that take the gas to the new pressure: two equations, one Newton step."""
    volume = setting.vessel.capacity_m3
    mass, gas_k = old.mass_kg, old.gas_k
    density = mass / volume
    pressure, u, dp_drho, dp_dt, du_drho, cv = setting.gas.state(density, gas_k)
    mean, half = setting.supply.at(pressure_abs_pa)
    inflow = mean + theta[SUPPLY_KIND] * half + theta[SUPPLY] * setting.supply.slope_j_kg_k
    if old.flow_kg_s < OUTFLOW_KG_S:
        inflow, half = u + pressure / density, 0.0
    difference = gas_k - old.inner_k
    natural, forced = setting.convection.at(density, difference, old.flow_kg_s)
    natural_j_k, forced_j_k = exp(theta[NATURAL]) * natural * dt, exp(theta[FORCED]) * forced * dt
    per_k = natural_j_k + forced_j_k
    expelled = volume * dp_dt / dp_drho
    at_rest = mass * cv - (u + density * du_drho) * expelled
    stiffness = at_rest + inflow * expelled
    dm_cold = (pressure_abs_pa - pressure) * volume / dp_drho
    rest = old.energy_j - mass * u - per_k * difference - (u + density * du_drho - inflow) * dm_cold
    dt_k = rest / (stiffness + per_k)
    difference += dt_k
    return _Gas(
        dm_cold - expelled * dt_k,
        dt_k,
        per_k * difference,
        inflow,
        stiffness,
        expelled,
        stiffness / (at_rest + old.inflow_j_kg * expelled),
        half,
        natural_j_k * difference,
        forced_j_k * difference,
        per_k + NATURAL_DIFFERENCE_POWER * natural_j_k,
    )


def _tangent(old: Balance, gas: _Gas, supply_slope: float, wall: tuple[float, ...]) -> tuple[Row, Row, Row, Row]:
    """The four rows after the step: the step's own equations, differentiated by each unknown."""
    inner_j_k, outer_j_k, across, away, a_in, a_out, per_det, inner, outer, follow, contact, around = wall
    slope, rebase = gas.slope_j_k, gas.rebase
    per_gas = 1.0 / (gas.stiffness_j_k + slope)
    firm = 1.0 - contact
    # What each unknown does by itself: energy brought in, heat sent to the wall, heat in the wall's two parts.
    brought = (0.0, 0.0, 0.0, 0.0, supply_slope * gas.dm, gas.half_j_kg * gas.dm, 0.0, 0.0)
    sent = (0.0, gas.natural_j, gas.forced_j, 0.0, 0.0, 0.0, 0.0, 0.0)
    within = (0.0, 0.0, 0.0, inner_j_k * (old.inner_k - inner), 0.0, 0.0, 0.0, 0.0)
    outside = (0.0, 0.0, 0.0, outer_j_k * (old.outer_k - outer), 0.0, 0.0, 0.0, away)
    gas_row, inner_row, outer_row, sensor_row = [], [], [], []
    for energy, t_in, t_out, t_sensor, bring, send, w_in, w_out in zip(
        old.gas_row, old.inner_row, old.outer_row, old.sensor_row, brought, sent, within, outside, strict=True
    ):
        kept = energy * rebase + bring - send
        heat = slope * ((kept + slope * t_in) * per_gas - t_in)
        into = inner_j_k * t_in + heat + send + w_in
        onto = outer_j_k * t_out + w_out
        new_out = (a_in * onto + across * into) * per_det
        gas_row.append(kept - heat)
        inner_row.append((a_out * into + across * onto) * per_det)
        outer_row.append(new_out)
        sensor_row.append(t_sensor + follow * (firm * new_out - t_sensor))
    sensor_row[CONTACT] -= follow * (outer - around)
    sensor_row[SURROUNDINGS] += follow * contact
    return tuple(gas_row), tuple(inner_row), tuple(outer_row), tuple(sensor_row)


def corrected(balance: Balance, change: Row) -> Balance:
    """The balance as it would be, had the unknowns been different by `change` all along; the pressure is as read."""
    warmer_k = sum(map(mul, balance.gas_row, change)) / balance.stiffness_j_k
    expelled = balance.expelled_kg_k
    return balance._replace(
        mass_kg=balance.mass_kg - expelled * warmer_k,
        gas_k=balance.gas_k + warmer_k,
        energy_j=balance.energy_j + (balance.stiffness_j_k - balance.inflow_j_kg * expelled) * warmer_k,
        inner_k=balance.inner_k + sum(map(mul, balance.inner_row, change)),
        outer_k=balance.outer_k + sum(map(mul, balance.outer_row, change)),
        sensor_k=balance.sensor_k + sum(map(mul, balance.sensor_row, change)),
    )
