"""Units a sensor may name, and what a value becomes in them: gauge pascal or kelvin, on the shared grid."""

import math
from collections.abc import Mapping
from dataclasses import dataclass
from difflib import get_close_matches

from fillguard.core.events import Quantity
from fillguard.core.units import (
    PA_PER_BAR,
    PA_PER_PSI,
    ZERO_CELSIUS_K,
    k_from_c,
    quantised_pressure_pa,
    quantised_temperature_k,
)
from fillguard.intake.formats import UnusableError, shown

Range = tuple[float, float]


@dataclass(frozen=True, slots=True)
class Unit:
    """SI value = (value + `shift`) x `scale`; `absolute` marks a pressure counted from vacuum."""

    scale: float
    shift: float = 0.0
    absolute: bool = False


_PRESSURE_SCALES = {
    "Pa": 1.0,
    "hPa": 100.0,
    "kPa": 1e3,
    "MPa": 1e6,
    "mbar": 100.0,
    "bar": PA_PER_BAR,
    "psi": PA_PER_PSI,
}
_CELSIUS = Unit(1.0, ZERO_CELSIUS_K)
_FAHRENHEIT = Unit(5.0 / 9.0, 459.67)

PRESSURE_UNITS: Mapping[str, Unit] = {
    name + suffix: Unit(scale, absolute=suffix == "a")
    for name, scale in _PRESSURE_SCALES.items()
    for suffix in ("", "g", "a")
}
"""A bare unit is gauge; the suffix g or a says which."""
TEMPERATURE_UNITS: Mapping[str, Unit] = {
    "K": Unit(1.0),
    "Cel": _CELSIUS,
    "degC": _CELSIUS,
    "°C": _CELSIUS,
    "degF": _FAHRENHEIT,
    "°F": _FAHRENHEIT,
}
UNITS: Mapping[Quantity, Mapping[str, Unit]] = {
    Quantity.PRESSURE: PRESSURE_UNITS,
    Quantity.WALL: TEMPERATURE_UNITS,
    Quantity.AMBIENT: TEMPERATURE_UNITS,
    Quantity.BATH: TEMPERATURE_UNITS,
}

ELECTRICAL_RANGES: Mapping[Quantity, Range] = {
    Quantity.PRESSURE: (-5.0 * PA_PER_BAR, 600.0 * PA_PER_BAR),
    Quantity.WALL: (k_from_c(-60.0), k_from_c(150.0)),
    Quantity.AMBIENT: (k_from_c(-60.0), k_from_c(150.0)),
    Quantity.BATH: (k_from_c(-60.0), k_from_c(150.0)),
}
"""What a healthy sensor of this trade can put out (our choice): outside, it is broken, not hot or full."""
_CONCEIVABLE: Mapping[Quantity, Range] = {
    Quantity.PRESSURE: (-1e9, 1e9),
    Quantity.WALL: (0.0, 5000.0),
    Quantity.AMBIENT: (0.0, 5000.0),
    Quantity.BATH: (0.0, 5000.0),
}
"""Outside, the number is no measurement at all, and would not fit the ledger's integers."""


def si_value(value: float, unit: str, quantity: Quantity, ambient_abs_pa: float) -> float:
    """`value` in gauge pascal or kelvin, quantised. Raises UnusableError for what cannot be meant."""
    known = UNITS[quantity].get(unit)
    if known is None:
        raise UnusableError("unknown-unit", f"unit {shown(unit)} for {quantity}: {_advice(unit, quantity)}")
    si = (value + known.shift) * known.scale
    if known.absolute:
        si -= ambient_abs_pa
    low, high = _CONCEIVABLE[quantity]
    if not (math.isfinite(si) and low <= si <= high):
        raise UnusableError(
            "impossible-value", f"{quantity} {value!r} {unit} cannot be: check the unit and the sensor's scaling"
        )
    return quantised_pressure_pa(si) if quantity is Quantity.PRESSURE else quantised_temperature_k(si)


def _advice(unit: str, quantity: Quantity) -> str:
    units = UNITS[quantity]
    meant = {"C": "Cel", "c": "Cel", "F": "degF", "f": "degF"}.get(unit) if units is TEMPERATURE_UNITS else None
    near = get_close_matches(unit, units, n=1) or get_close_matches(unit.lower(), units, n=1)
    if meant or near:
        return f"did you mean {meant or near[0]}?"
    return "use " + (
        "Cel, degF or K"
        if units is TEMPERATURE_UNITS
        else "bar, psi, kPa, MPa or Pa; g or a behind it for gauge or absolute"
    )
