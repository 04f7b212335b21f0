"""How far a cylinder may be filled: its limit, its ceiling, the caps on the hot gauge, how warm its wall may be.

Pressures are gauge pascal. The rating holds for settled gas at the cylinder's own reference temperature.
"""

from collections.abc import Iterable
from dataclasses import dataclass

from fillguard.core.fitness.record import PLUS_ALLOWANCE
from fillguard.core.gas import GasSurface
from fillguard.core.units import k_from_c
from fillguard.core.values import Cylinder, Material, Profile

US_HOT_FACTOR = 1.25
"""Pressure at 55 C at most 5/4 of the service pressure: 49 CFR 173.301a(d)."""
US_HOT_K = k_from_c(55.0)
EU_HOT_K = k_from_c(65.0)
"""Developed pressure is judged at 65 C (ADR P200)."""
DISC_SHARE = 0.9
"""Stay this far under the relief disc's lowest burst pressure (our choice)."""
TEST_SHARE = 0.81
"""Disc not recorded: its lowest burst is taken as 0.9 of the test pressure (our choice), and 0.9 of that."""
TEST_FACTOR = {Profile.US: 5.0 / 3.0, Profile.EU: 1.5}
"""Test pressure over rating: 49 CFR 180.209 table 1; ADR P200."""

WALL_ALARM_K = k_from_c(60.0)
WALL_ALARM_LOW_K = k_from_c(55.0)
"""Wall alarm, composites and the US profile lower (our choice)."""
CONDEMN_K = {Material.ALUMINIUM: k_from_c(176.0), Material.STEEL: k_from_c(343.0), Material.COMPOSITE: k_from_c(176.0)}
"""Heat-exposed: condemned. Aluminium 176 C: 49 CFR 180.203; steel 343 C likewise, from memory; a composite has an
aluminium liner."""


def rating_limit_gauge_pa(cylinder: Cylinder) -> float:
    """Highest settled pressure allowed, at the cylinder's own reference temperature.

    `plus_marked` is taken as valid: whoever builds the `Cylinder` checks specification and date of the mark.
    """
    allowance = PLUS_ALLOWANCE if cylinder.plus_marked else 1.0
    return cylinder.rated_gauge_pa * allowance


def target_gauge_pa(cylinder: Cylinder, asked_gauge_pa: float | None) -> float:
    """The settled pressure to fill to: what was asked for, never above the limit; the limit when nothing was asked."""
    limit = rating_limit_gauge_pa(cylinder)
    return limit if asked_gauge_pa is None else min(asked_gauge_pa, limit)


def hot_k(cylinder: Cylinder) -> float:
    """Temperature at which the developed pressure is judged."""
    return US_HOT_K if cylinder.profile is Profile.US else EU_HOT_K


def developed_gauge_pa(
    cylinder: Cylinder, gas: GasSurface, settled_gauge_pa: float, at_k: float, ambient_abs_pa: float
) -> float:
    """Gauge pressure at uniform `at_k` of contents that stand at `settled_gauge_pa` at the reference temperature."""
    density = gas.density_unguarded(settled_gauge_pa + ambient_abs_pa, cylinder.reference_k)
    return gas.state(density, at_k)[0] - ambient_abs_pa


def test_pressure_gauge_pa(cylinder: Cylinder) -> float:
    """Recorded test pressure, or what the profile's rule makes of the rating."""
    if cylinder.test_gauge_pa is not None:
        return cylinder.test_gauge_pa
    return cylinder.rated_gauge_pa * TEST_FACTOR[cylinder.profile]


def ceiling_gauge_pa(cylinder: Cylinder, gas: GasSurface, ambient_abs_pa: float) -> float:
    """Never above this in the cylinder, however hot.

    The least of 5/4 of the limit (US) or the limit's developed pressure at 65 C (EU), and 0.9 of the relief disc's
    lowest burst, or 0.81 of the test pressure where the disc is not recorded and the profile requires one (US).
    """
    limit = rating_limit_gauge_pa(cylinder)
    us = cylinder.profile is Profile.US
    hot = US_HOT_FACTOR * limit if us else developed_gauge_pa(cylinder, gas, limit, EU_HOT_K, ambient_abs_pa)
    if cylinder.disc_burst_gauge_pa is not None:
        return min(hot, DISC_SHARE * cylinder.disc_burst_gauge_pa)
    return min(hot, TEST_SHARE * test_pressure_gauge_pa(cylinder)) if us else hot


def wall_alarm_k(cylinder: Cylinder) -> float:
    """Wall temperature above which people are sent away."""
    low = cylinder.material is Material.COMPOSITE or cylinder.profile is Profile.US
    return WALL_ALARM_LOW_K if low else WALL_ALARM_K


def condemn_k(cylinder: Cylinder) -> float:
    """Wall temperature after which the cylinder is heat-exposed and condemned."""
    return CONDEMN_K[cylinder.material]


@dataclass(frozen=True, slots=True, kw_only=True)
class Cap:
    """A gauge reading that a fill must not pass, whatever the target says."""

    name: str
    """Stable word: `whip`, `safety-valve`, `developed`, `hot-allowance`, `ceiling`, `supply`."""
    gauge_pa: float


SAFETY_VALVE_SHARE = 0.9
"""Stay 10 % under the panel safety valve's set pressure (our choice)."""


def close_caps(
    cylinder: Cylinder,
    gas: GasSurface,
    *,
    ambient_abs_pa: float,
    whip_gauge_pa: float | None = None,
    safety_valve_gauge_pa: float | None = None,
    hot_allowance_pa: float | None = None,
    supply_end_gauge_pa: float | None = None,
) -> tuple[Cap, ...]:
    """Every cap that is known, lowest first. `hot_allowance_pa` None: only the other caps count."""
    limit = rating_limit_gauge_pa(cylinder)
    known = (
        ("whip", whip_gauge_pa),
        ("safety-valve", None if safety_valve_gauge_pa is None else SAFETY_VALVE_SHARE * safety_valve_gauge_pa),
        ("developed", developed_gauge_pa(cylinder, gas, limit, hot_k(cylinder), ambient_abs_pa)),
        ("ceiling", ceiling_gauge_pa(cylinder, gas, ambient_abs_pa)),
        ("hot-allowance", None if hot_allowance_pa is None else limit + hot_allowance_pa),
        ("supply", supply_end_gauge_pa),
    )
    return lowest_first(Cap(name=name, gauge_pa=value) for name, value in known if value is not None)


def lowest_first(caps: Iterable[Cap]) -> tuple[Cap, ...]:
    """Caps in ascending order."""
    return tuple(sorted(caps, key=lambda cap: cap.gauge_pa))
