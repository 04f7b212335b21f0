"""Heat between gas, wall and surroundings, and what the supply brings in.

Inside, natural and forced convection add, as in the correlation for filling vessels (Nusselt number from Rayleigh and
Reynolds number, powers 0.352 and 0.67: Woodfield, Monde et al. 2007, measured with hydrogen), brought to air at
charging pressures. How large both are for air was never measured there. The figures here lie between that correlation
and the half of it; measured hydrogen, helium and nitrogen runs scatter around and below them, so both parts carry a
scale that the estimator takes for unknown. Temperatures kelvin, areas m2.
"""

from bisect import bisect_right
from dataclasses import dataclass
from enum import StrEnum
from typing import NamedTuple

from fillguard.core.cylinder import Vessel
from fillguard.core.gas import GasSurface
from fillguard.core.values import GasMix, Surroundings

NATURAL_W_M2_K = 120.0
NATURAL_DENSITY_KG_M3 = 200.0
NATURAL_DENSITY_POWER = 0.7
NATURAL_DIFFERENCE_K = 10.0
NATURAL_DIFFERENCE_POWER = 0.352
FORCED_W_M2_K = 185.0
FORCED_FLOW_KG_S = 0.010
FORCED_FLOW_POWER = 0.67
FORCED_BORE_M = 0.16
FORCED_DENSITY_POWER = 0.3
"""Conductivity and viscosity of the gas grow with its density."""

OUTSIDE_W_M2_K = {Surroundings.AIR: 9.0, Surroundings.BATH: 420.0}
"""Free convection and radiation in a shop; a stirred bath lies between 300 and 600 (common practice)."""

_HELIUM_FRACTION = (0.0, 0.45, 0.70, 0.79, 1.0)
_NATURAL_FACTOR = (1.0, 1.6, 2.2, 2.5, 4.3)
_FORCED_FACTOR = (1.0, 2.0, 2.9, 3.3, 5.1)
"""Heat transfer against air at the same density and difference, from the gases' transport properties."""


def interpolated(x: float, xs: tuple[float, ...], ys: tuple[float, ...]) -> float:
    """Piecewise linear `ys` over ascending `xs`, held at both ends."""
    if x <= xs[0]:
        return ys[0]
    if x >= xs[-1]:
        return ys[-1]
    k = bisect_right(xs, x)
    return ys[k - 1] + (ys[k] - ys[k - 1]) * (x - xs[k - 1]) / (xs[k] - xs[k - 1])


def natural_factor(mix: GasMix) -> float:
    """Natural convection of `mix` over that of air."""
    return interpolated(mix.he, _HELIUM_FRACTION, _NATURAL_FACTOR)


def forced_factor(mix: GasMix) -> float:
    """Forced convection of `mix` over that of air, at the same mass flow."""
    return interpolated(mix.he, _HELIUM_FRACTION, _FORCED_FACTOR)


class Convection(NamedTuple):
    """How gas and inner wall of one vessel exchange heat."""

    natural_w_k: float
    """At the reference density and a difference of 10 K, whole inner surface."""
    forced_w_k: float
    """At the reference density and 10 g/s into the whole set."""

    def at(self, density_kg_m3: float, difference_k: float, flow_kg_s: float) -> tuple[float, float]:
        """Natural and forced part, W/K, at this density, gas-to-wall difference and inflow."""
        dense = density_kg_m3 / NATURAL_DENSITY_KG_M3
        steep = (abs(difference_k) / NATURAL_DIFFERENCE_K) ** NATURAL_DIFFERENCE_POWER
        natural = self.natural_w_k * dense**NATURAL_DENSITY_POWER * steep
        if flow_kg_s <= 0.0:
            return natural, 0.0
        jet = (flow_kg_s / FORCED_FLOW_KG_S) ** FORCED_FLOW_POWER
        return natural, self.forced_w_k * dense**FORCED_DENSITY_POWER * jet


def convection_of(vessel: Vessel, mix: GasMix) -> Convection:
    """Convection of `mix` in `vessel`; each cylinder of a set takes its share of the flow."""
    share = vessel.count**-FORCED_FLOW_POWER * FORCED_BORE_M / vessel.bore_m
    return Convection(
        vessel.inner_area_m2 * natural_factor(mix) * NATURAL_W_M2_K,
        vessel.inner_area_m2 * forced_factor(mix) * FORCED_W_M2_K * share,
    )


class SupplyKind(StrEnum):
    """Where the gas comes from: it decides how much energy each gram brings in."""

    UNKNOWN = "unknown"
    BANK = "bank"
    """Stored at high pressure: expanding to the cylinder's pressure cools it."""
    COMPRESSOR = "compressor"
    """Delivered warm at the cylinder's own pressure, at a steady mass flow."""


BANK_ABS_PA = 280e5
"""Storage pressure where nobody configured one; enthalpy is nearly flat there: 1 K in 20 bar (air)."""
COMPRESSOR_WARMER_K = 12.0
"""After-cooler outlet over the surroundings (common practice: 10 to 15 K)."""
_GRID_ABS_PA = (1e5, 10e5, 25e5, 50e5, 75e5, 100e5, 130e5, 160e5, 200e5, 240e5, 280e5, 330e5, 380e5)


@dataclass(frozen=True, slots=True)
class Supply:
    """Enthalpy of the inflow, J/kg, over the cylinder's absolute pressure.

    `mean` lies half-way between bank and compressor when the kind is unknown, and `half` is half their distance:
    the kind is then one more unknown, from -1 (bank) to +1 (compressor). `slope` is per kelvin of supply temperature.
    """

    pressures_abs_pa: tuple[float, ...]
    mean_j_kg: tuple[float, ...]
    half_j_kg: tuple[float, ...]
    slope_j_kg_k: float

    def per_mass_of(self, gas: GasSurface, contents: GasSurface) -> "Supply":
        """The same for contents of another molar mass: a mole of inflow brings what it brings, whatever it weighs."""
        share = gas.molar_mass_kg_mol / contents.molar_mass_kg_mol
        mean, half = (tuple(share * j_kg for j_kg in row) for row in (self.mean_j_kg, self.half_j_kg))
        return Supply(self.pressures_abs_pa, mean, half, share * self.slope_j_kg_k)

    def at(self, pressure_abs_pa: float) -> tuple[float, float]:
        """Mean and half difference, J/kg, at one pressure (linear between the grid, held at its ends)."""
        xs = self.pressures_abs_pa
        k = min(max(bisect_right(xs, pressure_abs_pa), 1), len(xs) - 1)
        part = min(max((pressure_abs_pa - xs[k - 1]) / (xs[k] - xs[k - 1]), 0.0), 1.0)
        mean, half = self.mean_j_kg, self.half_j_kg
        return mean[k - 1] + part * (mean[k] - mean[k - 1]), half[k - 1] + part * (half[k] - half[k - 1])


def supply_of(
    gas: GasSurface,
    kind: SupplyKind,
    surroundings_k: float,
    supply_k: float | None = None,
    bank_abs_pa: float = BANK_ABS_PA,
) -> Supply:
    """Tabulate the inflow's enthalpy once: `surroundings_k` stands in for a supply temperature nobody measures."""
    bank_k = surroundings_k if supply_k is None else supply_k
    line_k = surroundings_k + COMPRESSOR_WARMER_K if supply_k is None else supply_k
    bank = tuple(_enthalpy(gas, max(bank_abs_pa, pressure), bank_k) for pressure in _GRID_ABS_PA)
    line = tuple(_enthalpy(gas, pressure, line_k) for pressure in _GRID_ABS_PA)
    slope = (_enthalpy(gas, bank_abs_pa, bank_k + 5.0) - _enthalpy(gas, bank_abs_pa, bank_k - 5.0)) / 10.0
    nothing = tuple(0.0 for _ in bank)
    match kind:
        case SupplyKind.BANK:
            return Supply(_GRID_ABS_PA, bank, nothing, slope)
        case SupplyKind.COMPRESSOR:
            return Supply(_GRID_ABS_PA, line, nothing, slope)
        case SupplyKind.UNKNOWN:
            mean = tuple(0.5 * (b + c) for b, c in zip(bank, line, strict=True))
            half = tuple(0.5 * (c - b) for b, c in zip(bank, line, strict=True))
            return Supply(_GRID_ABS_PA, mean, half, slope)


def _enthalpy(gas: GasSurface, absolute_pa: float, temperature_k: float) -> float:
    density = gas.density_unguarded(absolute_pa, temperature_k)
    return gas.state(density, temperature_k)[1] + absolute_pa / density
