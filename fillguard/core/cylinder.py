"""What a cylinder is to heat: capacity, wall, surfaces. Stated defaults where the register is silent.

Common practice and textbook properties throughout; each default says how far it may be off, and the estimator carries
that doubt into its interval.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

from fillguard.core.units import bar_from_pa
from fillguard.core.values import Cylinder, Material

LENGTH_TO_BORE = 3.5
"""Inner length over bore of the usual diving cylinder (practice)."""
DOME_FACTOR = 1.2
"""Two domed ends over two flat discs of the same bore."""
LITRES_PER_M3 = 1e3


@dataclass(frozen=True, slots=True, kw_only=True)
class WallProperties:
    """Textbook properties of one wall material and how heavy cylinders of it usually are."""

    heat_capacity_j_kg_k: float
    conductivity_w_m_k: float
    density_kg_m3: float
    mass_kg_per_litre_bar: float
    """Empty mass over water capacity and rating: the default where the mass is not recorded (practice)."""
    inner_share: float
    """Part of the heat capacity that sits on the gas side of the wall's thermal resistance."""
    outer_to_inner_area: float


WALLS = {
    Material.ALUMINIUM: WallProperties(
        heat_capacity_j_kg_k=890.0,
        conductivity_w_m_k=150.0,
        density_kg_m3=2700.0,
        mass_kg_per_litre_bar=6.0e-3,
        inner_share=0.5,
        outer_to_inner_area=1.18,
    ),
    Material.STEEL: WallProperties(
        heat_capacity_j_kg_k=480.0,
        conductivity_w_m_k=42.0,
        density_kg_m3=7850.0,
        mass_kg_per_litre_bar=4.9e-3,
        inner_share=0.5,
        outer_to_inner_area=1.08,
    ),
    # An aluminium liner that follows the gas, and a carbon over-wrap that the heat must cross.
    Material.COMPOSITE: WallProperties(
        heat_capacity_j_kg_k=1000.0,
        conductivity_w_m_k=0.7,
        density_kg_m3=1750.0,
        mass_kg_per_litre_bar=2.15e-3,
        inner_share=0.55,
        outer_to_inner_area=1.2,
    ),
}

_KNOWN_MASS_SIGMA = 0.05
"""Relative doubt of a weighed cylinder's heat capacity: alloy, valve and boot are in the mass."""
_GUESSED_MASS_SIGMA = 0.18


@dataclass(frozen=True, slots=True, kw_only=True)
class Vessel:
    """A cylinder, or a set of equal ones, as the heat balance sees it."""

    count: int
    bore_m: float
    """Of one cylinder; every other figure is of the whole set."""
    capacity_m3: float
    inner_area_m2: float
    outer_area_m2: float
    inner_heat_j_k: float
    """Heat capacity of the gas side of the wall."""
    outer_heat_j_k: float
    conductance_w_k: float
    """From the gas side to the outside of the wall."""
    heat_sigma: float
    """Relative doubt of the wall's heat capacity."""


def empty_mass_kg(cylinder: Cylinder) -> float:
    """Mass of ONE empty cylinder: recorded, or the usual one for its material, capacity and rating."""
    if cylinder.empty_mass_kg is not None:
        return cylinder.empty_mass_kg
    litre_bar = cylinder.water_capacity_m3 * LITRES_PER_M3 * bar_from_pa(cylinder.rated_gauge_pa)
    return WALLS[cylinder.material].mass_kg_per_litre_bar * litre_bar


def heaviness(cylinder: Cylinder) -> float:
    """Recorded mass of ONE cylinder over the usual one; 1 where none is recorded."""
    return empty_mass_kg(cylinder) / empty_mass_kg(replace(cylinder, empty_mass_kg=None))


def together(vessels: Sequence[Vessel]) -> Vessel:
    """Several vessels on one gauge as the balance sees them: one capacity, one wall. At least one."""
    capacity = sum(vessel.capacity_m3 for vessel in vessels)
    return Vessel(
        count=sum(vessel.count for vessel in vessels),
        bore_m=sum(vessel.bore_m * vessel.capacity_m3 for vessel in vessels) / capacity,
        capacity_m3=capacity,
        inner_area_m2=sum(vessel.inner_area_m2 for vessel in vessels),
        outer_area_m2=sum(vessel.outer_area_m2 for vessel in vessels),
        inner_heat_j_k=sum(vessel.inner_heat_j_k for vessel in vessels),
        outer_heat_j_k=sum(vessel.outer_heat_j_k for vessel in vessels),
        conductance_w_k=sum(vessel.conductance_w_k for vessel in vessels),
        heat_sigma=max(vessel.heat_sigma for vessel in vessels),
    )


def unevenness(vessels: Sequence[Vessel]) -> tuple[float, float]:
    """How far below and above the common settled pressure one of them settles that is closed off hot by itself.

    As shares of what the hot gauge stands above the settled pressure. All show one gauge, but a wall that takes up less
    heat a litre leaves its gas hotter: the excess goes about inversely with it (both limits from the simulator).
    """
    heat_j_k = sum(vessel.inner_heat_j_k + vessel.outer_heat_j_k for vessel in vessels)
    mean = heat_j_k / sum(vessel.capacity_m3 for vessel in vessels)
    shares = [mean * vessel.capacity_m3 / (vessel.inner_heat_j_k + vessel.outer_heat_j_k) - 1.0 for vessel in vessels]
    return max(0.0, *shares), max(0.0, *(-share for share in shares))


def vessel_of(cylinder: Cylinder) -> Vessel:
    """Capacity, wall and surfaces of `cylinder`, of the whole set where it is one."""
    wall = WALLS[cylinder.material]
    mass_kg = empty_mass_kg(cylinder)
    bore_m = (4.0 * cylinder.water_capacity_m3 / (math.pi * LENGTH_TO_BORE)) ** (1.0 / 3.0)
    inner_m2 = math.pi * bore_m * bore_m * (LENGTH_TO_BORE + 0.5 * DOME_FACTOR)
    heat_j_k = mass_kg * wall.heat_capacity_j_kg_k
    thickness_m = mass_kg / wall.density_kg_m3 / inner_m2
    count = cylinder.count
    return Vessel(
        count=count,
        bore_m=bore_m,
        capacity_m3=cylinder.total_capacity_m3,
        inner_area_m2=inner_m2 * count,
        outer_area_m2=inner_m2 * wall.outer_to_inner_area * count,
        inner_heat_j_k=heat_j_k * wall.inner_share * count,
        outer_heat_j_k=heat_j_k * (1.0 - wall.inner_share) * count,
        # Centre to centre of the two halves of the wall: half its thickness.
        conductance_w_k=wall.conductivity_w_m_k * inner_m2 / (0.5 * thickness_m) * count,
        heat_sigma=_GUESSED_MASS_SIGMA if cylinder.empty_mass_kg is None else _KNOWN_MASS_SIGMA,
    )
