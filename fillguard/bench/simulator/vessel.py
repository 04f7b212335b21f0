"""A pressure vessel with gas in it: the simulator's truth.

The energy of the gas is kept as a sum and the temperature found from it at every step; the wall is a row of shells
from the inside out, solved implicitly. The heat transfer inside is mixed convection after Woodfield, Monde et al.
(Journal of Thermal Science and Technology 2, 2007; measured on hydrogen): Nu_D = 0.56 Re_d^0.67 + 0.104 Ra_D^0.352,
each term times a scale, since no measurement on air at these pressures is known.
"""

import math
from dataclasses import dataclass

from fillguard.bench.simulator.gas import Fluid, Transport
from fillguard.core.values import Material

_GRAVITY = 9.80665
_LENGTH_TO_BORE = 3.3
_PROPERTIES_EVERY_S = 1.0
_REMIX_AT = 5e-4
_NODES_METAL = 6
_NODES_LINER = 2
_NODES_WRAP = 4
_LINER_MASS_SHARE = 0.45


@dataclass(frozen=True, slots=True, kw_only=True)
class _Stuff:
    density_kg_m3: float
    heat_j_kgk: float
    conductivity_w_mk: float


# Handbook values, rounded: 6061 aluminium, chromium-molybdenum steel, carbon fibre in epoxy across the fibres.
_ALUMINIUM = _Stuff(density_kg_m3=2700.0, heat_j_kgk=900.0, conductivity_w_mk=160.0)
_STEEL = _Stuff(density_kg_m3=7850.0, heat_j_kgk=475.0, conductivity_w_mk=42.0)
_WRAP = _Stuff(density_kg_m3=1600.0, heat_j_kgk=1000.0, conductivity_w_mk=0.7)


@dataclass(frozen=True, slots=True, kw_only=True)
class HeatScales:
    """Factors on the two terms of the heat transfer inside. 0 and 0: adiabatic."""

    natural: float = 1.0
    forced: float = 1.0


PUBLISHED_HEAT = HeatScales()
"""The hydrogen correlation as published."""
MEASURED_HEAT = HeatScales(natural=0.6, forced=0.33)
"""What twelve measured runs of other gases suggest: about half of it."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Shell:
    """The wall of `count` equal cylinders taken together, as shells from the inside out."""

    capacity_m3: float
    count: int
    bore_m: float
    inner_area_m2: float
    outer_area_m2: float
    heat_j_k: tuple[float, ...]
    resistance_k_w: tuple[float, ...]
    """Of each shell, across its whole thickness."""


def shell_of(*, material: Material, capacity_m3: float, mass_kg: float, count: int = 1) -> Shell:
    """The wall of a set; capacity and mass are of ONE cylinder.

    A round bottle 3.3 bores long inside; the wall as thick as its mass says.
    """
    bore = (4.0 * capacity_m3 / (math.pi * _LENGTH_TO_BORE)) ** (1.0 / 3.0)
    area = math.pi * bore**2 * (_LENGTH_TO_BORE + 0.5)
    if material is Material.COMPOSITE:
        layers = [(_ALUMINIUM, _LINER_MASS_SHARE * mass_kg, _NODES_LINER)]
        layers.append((_WRAP, (1.0 - _LINER_MASS_SHARE) * mass_kg, _NODES_WRAP))
    else:
        layers = [(_ALUMINIUM if material is Material.ALUMINIUM else _STEEL, mass_kg, _NODES_METAL)]
    length = area / (math.pi * bore)
    radius = bore / 2.0
    heat: list[float] = []
    resistance: list[float] = []
    for stuff, kg, nodes in layers:
        for _ in range(nodes):
            outer = math.sqrt(radius**2 + kg / nodes / (stuff.density_kg_m3 * math.pi * length))
            heat.append(count * stuff.heat_j_kgk * kg / nodes)
            resistance.append(math.log(outer / radius) / (2.0 * math.pi * stuff.conductivity_w_mk * length) / count)
            radius = outer
    return Shell(
        capacity_m3=capacity_m3 * count,
        count=count,
        bore_m=bore,
        inner_area_m2=area * count,
        outer_area_m2=2.0 * math.pi * radius * length * count,
        heat_j_k=tuple(heat),
        resistance_k_w=tuple(resistance),
    )


class _Wall:
    """Temperatures of the shells; one implicit step is one sweep through a three-band system."""

    def __init__(self, shell: Shell, temperature_k: float) -> None:
        self.temperatures_k = [temperature_k] * len(shell.heat_j_k)
        self._shell = shell
        r = shell.resistance_k_w
        self._links_w_k = [2.0 / (r[i] + r[i + 1]) for i in range(len(r) - 1)]
        self._inner_half_k_w = r[0] / 2.0
        self._outer_half_k_w = r[-1] / 2.0
        self._swept: dict[tuple[float, float], tuple[list[float], list[float], float]] = {}
        self._heat_in_w = 0.0
        self._heat_out_w = 0.0

    @property
    def inner_k(self) -> float:
        """Of the surface that the gas touches."""
        return self.temperatures_k[0] + self._heat_in_w * self._inner_half_k_w

    @property
    def outer_k(self) -> float:
        """Of the surface that a strap-on sensor touches."""
        return self.temperatures_k[-1] - self._heat_out_w * self._outer_half_k_w

    def through_w(self, conductance_w_k: float, gas_k: float) -> float:
        """Heat from gas to wall, through the gas film and half the first shell."""
        if conductance_w_k <= 0.0:
            return 0.0
        return (gas_k - self.temperatures_k[0]) / (1.0 / conductance_w_k + self._inner_half_k_w)

    def step(self, dt_s: float, heat_in_w: float, outside_w_m2k: float, around_k: float) -> None:
        factors, pivots, outside_w_k = self._sweep(dt_s, outside_w_m2k)
        heat, links = self._shell.heat_j_k, self._links_w_k
        t = self.temperatures_k
        right = [c / dt_s * value for c, value in zip(heat, t, strict=True)]
        right[0] += heat_in_w
        right[-1] += outside_w_k * around_k
        for i in range(1, len(t)):
            right[i] += factors[i] * right[i - 1]
        t[-1] = right[-1] / pivots[-1]
        for i in range(len(t) - 2, -1, -1):
            t[i] = (right[i] + links[i] * t[i + 1]) / pivots[i]
        self._heat_in_w = heat_in_w
        self._heat_out_w = outside_w_k * (t[-1] - around_k)

    def _sweep(self, dt_s: float, outside_w_m2k: float) -> tuple[list[float], list[float], float]:
        """Elimination factors and pivots: they depend on the step and the surroundings only."""
        key = (dt_s, outside_w_m2k)
        if key not in self._swept:
            film = outside_w_m2k * self._shell.outer_area_m2
            outside_w_k = 1.0 / (1.0 / film + self._outer_half_k_w) if film > 0.0 else 0.0
            heat, links = self._shell.heat_j_k, self._links_w_k
            diagonal = [c / dt_s for c in heat]
            for i, link in enumerate(links):
                diagonal[i] += link
                diagonal[i + 1] += link
            diagonal[-1] += outside_w_k
            factors, pivots = [0.0], [diagonal[0]]
            for i in range(1, len(heat)):
                factors.append(links[i - 1] / pivots[i - 1])
                pivots.append(diagonal[i] - factors[i] * links[i - 1])
            self._swept[key] = (factors, pivots, outside_w_k)
        return self._swept[key]


class Vessel:
    """Gas in a wall. Start it settled; then `step` it. Pressures absolute, SI throughout."""

    def __init__(
        self,
        *,
        fluid: Fluid,
        shell: Shell,
        pressure_pa: float,
        temperature_k: float,
        heat: HeatScales = PUBLISHED_HEAT,
        inlet_m: float = 0.009,
    ) -> None:
        self.fluid = fluid
        self.shell = shell
        self.heat = heat
        self.temperature_k = temperature_k
        self.pressure_pa = pressure_pa
        self.mass_kg = fluid.at_pressure(pressure_pa, temperature_k) * shell.capacity_m3
        self.energy_j = self.mass_kg * fluid.energy_j_kg
        self.wall = _Wall(shell, temperature_k)
        self._inlet_m = inlet_m
        self._moles = [self.mass_kg / fluid.molar_mass_kg_mol * share for share in fluid.fractions]
        self._properties: Transport | None = None
        self._properties_age_s = 0.0
        self._enthalpy_j_kg = fluid.enthalpy_j_kg

    @property
    def density_kg_m3(self) -> float:
        """Of the gas."""
        return self.mass_kg / self.shell.capacity_m3

    @property
    def enthalpy_j_kg(self) -> float:
        """Of the gas that would leave now."""
        return self._enthalpy_j_kg

    def settled_pa(self, reference_k: float) -> float:
        """Absolute pressure of the contents once everything is at `reference_k`."""
        return self.fluid.at(self.density_kg_m3, reference_k)

    def step(
        self,
        dt_s: float,
        *,
        in_kg: float = 0.0,
        in_j_kg: float = 0.0,
        in_shares: tuple[float, ...] = (),
        out_kg: float = 0.0,
        outside_w_m2k: float,
        around_k: float,
    ) -> None:
        """One step of `dt_s`: gas in at enthalpy `in_j_kg` (mole fractions `in_shares`), gas out at its own.

        Raises:
            OutOfRangeError: more gas leaves than is there, or no state has the energy that is left.
        """
        film_w_k = self._film_w_k(dt_s, in_kg / dt_s)
        heat_w = self.wall.through_w(film_w_k, self.temperature_k)
        if in_kg > 0.0 and len(self._moles) > 1:
            self._take_in(in_kg, in_shares)
        if out_kg > 0.0:
            kept = 1.0 - out_kg / self.mass_kg
            self._moles = [n * kept for n in self._moles]
        self.energy_j += in_kg * in_j_kg - out_kg * self._enthalpy_j_kg - heat_w * dt_s
        self.mass_kg += in_kg - out_kg
        self.temperature_k, self.pressure_pa = self.fluid.at_energy(
            self.density_kg_m3, self.energy_j / self.mass_kg, self.temperature_k
        )
        self._enthalpy_j_kg = self.fluid.enthalpy_j_kg
        self.wall.step(dt_s, heat_w, outside_w_m2k, around_k)

    def _take_in(self, in_kg: float, in_shares: tuple[float, ...]) -> None:
        """Follow the composition; tell the equation of state only when it has moved enough to matter."""
        kg_per_mole = _molar_mass(self.fluid, in_shares)
        self._moles = [n + in_kg / kg_per_mole * share for n, share in zip(self._moles, in_shares, strict=True)]
        total = sum(self._moles)
        fractions = tuple(n / total for n in self._moles)
        if max(abs(a - b) for a, b in zip(fractions, self.fluid.fractions, strict=True)) > _REMIX_AT:
            self.fluid.set_fractions(fractions)

    def _film_w_k(self, dt_s: float, inflow_kg_s: float) -> float:
        """Heat transfer of the gas film, W/K of the whole set."""
        if self.heat.natural <= 0.0 and self.heat.forced <= 0.0:
            return 0.0
        self._properties_age_s += dt_s
        if self._properties is None or self._properties_age_s >= _PROPERTIES_EVERY_S:
            self.fluid.at(self.density_kg_m3, self.temperature_k)
            self._properties, self._properties_age_s = self.fluid.transport(), 0.0
        gas, bore = self._properties, self.shell.bore_m
        density, mu = self.density_kg_m3, gas.viscosity_pa_s
        excess_k = abs(self.temperature_k - self.wall.inner_k)
        rayleigh: float = (
            _GRAVITY
            * abs(gas.expansion_per_k)
            * excess_k
            * bore**3
            * density**2
            * gas.cp_j_kgk
            / (mu * gas.conductivity_w_mk)
        )
        nusselt: float = self.heat.natural * 0.104 * rayleigh**0.352
        if inflow_kg_s > 0.0:
            reynolds = 4.0 * inflow_kg_s / self.shell.count / (math.pi * self._inlet_m * mu)
            nusselt += self.heat.forced * 0.56 * reynolds**0.67
        return nusselt * gas.conductivity_w_mk / bore * self.shell.inner_area_m2


_MOLAR_KG = {"Nitrogen": 0.0280134, "Oxygen": 0.0319988, "Helium": 0.0040026}


def _molar_mass(fluid: Fluid, shares: tuple[float, ...]) -> float:
    return sum(_MOLAR_KG[name] * share for name, share in zip(fluid.components, shares, strict=True))
