"""What a sensor's value becomes: gauge pascal, kelvin, fraction or ampere, on the shared grid."""

import math
from collections.abc import Mapping

from fillguard.core.events import Quantity
from fillguard.core.units import PA_PER_BAR, k_from_c, quantised_pressure_pa, quantised_temperature_k
from fillguard.intake.formats import UnusableError, shown
from fillguard.settings.units import PRESSURES, TEMPERATURES, UNITS, Unit, advice

Range = tuple[float, float]

_PRESSURE_RANGE = (-5.0 * PA_PER_BAR, 600.0 * PA_PER_BAR)
_TEMPERATURE_RANGE = (k_from_c(-60.0), k_from_c(150.0))
ELECTRICAL_RANGES: Mapping[Quantity, Range] = {
    **dict.fromkeys(PRESSURES, _PRESSURE_RANGE),
    **dict.fromkeys(TEMPERATURES, _TEMPERATURE_RANGE),
    Quantity.O2_FRACTION: (0.0, 1.0),
    Quantity.LOOP_CURRENT: (0.0, 0.030),
    Quantity.VALVE: (0.0, 1.0),
}
"""What a healthy sensor of this trade can put out (our choice): outside, it is broken, not hot or full."""
_CONCEIVABLE: Mapping[Quantity, Range] = {
    **dict.fromkeys(PRESSURES, (-1e9, 1e9)),
    **dict.fromkeys(TEMPERATURES, (0.0, 5000.0)),
    Quantity.O2_FRACTION: (-10.0, 1000.0),
    Quantity.LOOP_CURRENT: (-10.0, 10.0),
    Quantity.VALVE: (-10.0, 1000.0),
}
"""Outside, the number is no measurement at all, and would not fit the ledger's integers."""
_MICRO = 1e6


def known_unit(name: str, quantity: Quantity) -> Unit:
    """The unit that a message names. Raises UnusableError."""
    unit = UNITS[quantity].get(name)
    if unit is None:
        raise UnusableError("unknown-unit", f"unit {shown(name)} for {quantity}: {advice(name, quantity)}")
    return unit


def si_value(value: float, unit: str, quantity: Quantity, ambient_abs_pa: float) -> float:
    """`value` in gauge pascal or kelvin, quantised. Raises UnusableError for what cannot be meant."""
    known = known_unit(unit, quantity)
    si = known.si(value)
    if known.absolute:
        si -= ambient_abs_pa
    return on_grid(si, quantity, value, unit)


def on_grid(si: float, quantity: Quantity, value: float, unit: str) -> float:
    """`si` on the grid of its quantity. Raises UnusableError, quoting `value` and `unit`, for what cannot be meant."""
    low, high = _CONCEIVABLE[quantity]
    if not (math.isfinite(si) and low <= si <= high):
        raise UnusableError(
            "impossible-value", f"{quantity} {value!r} {unit} cannot be: check the unit and the sensor's scaling"
        )
    if quantity in PRESSURES:
        return quantised_pressure_pa(si)
    if quantity in TEMPERATURES:
        return quantised_temperature_k(si)
    return round(si * _MICRO) / _MICRO
